package tabular

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// clock reads the times of a table. Local times of the hour that comes twice in
// autumn follow from the order of the rows: the first pass is summer time, and
// once the times have gone back it is the second.
type clock struct {
	format Format
	zone   *time.Location
	last   map[string]time.Time // by room and sensor: rows of several may be mixed
	twice  int                  // rows whose local time came twice
}

// wall are the layouts of the time of day.
func wall() []string {
	return []string{"15:04:05", "15:04", "3:04:05 PM", "3:04 PM", "3:04:05PM", "3:04PM", ""}
}

// read gives the instant of a text, for one stream of rows.
func (c *clock) read(text, stream string) (time.Time, error) {
	text = strings.TrimSpace(text)
	if len(text) > 64 {
		return time.Time{}, fmt.Errorf("the time has %d characters", len(text))
	}
	switch c.format {
	case Seconds, Milliseconds:
		return c.epoch(text)
	}
	if at, err := time.Parse(time.RFC3339, strings.Replace(text, " ", "T", 1)); err == nil && c.format == ISO {
		return at.UTC(), nil
	}
	date, rest, _ := strings.Cut(strings.Replace(text, "T", " ", 1), " ")
	day, err := c.date(date)
	if err != nil {
		return time.Time{}, err
	}
	rest = strings.ToUpper(strings.TrimSpace(rest))
	if c.format == ISO {
		for _, zone := range []string{"Z07:00", " Z07:00", "-0700", " -0700", "-07"} {
			if at, err := time.Parse("2006-01-02 15:04"+zone, day+" "+rest); err == nil {
				return at.UTC(), nil
			}
			if at, err := time.Parse("2006-01-02 15:04:05"+zone, day+" "+rest); err == nil {
				return at.UTC(), nil
			}
		}
	}
	for _, layout := range wall() {
		if at, err := time.Parse(strings.TrimSpace("2006-01-02 "+layout), strings.TrimSpace(day+" "+rest)); err == nil {
			return c.local(at, text, stream)
		}
	}
	return time.Time{}, fmt.Errorf("%q is no time of the format %s", text, c.format)
}

// epoch reads seconds or milliseconds since 1970.
func (c *clock) epoch(text string) (time.Time, error) {
	v, err := strconv.ParseFloat(text, 64)
	if c.format == Seconds {
		v *= 1000
	}
	if err != nil || !(v > 0 && v < 1e14) { // to the year 5138
		return time.Time{}, fmt.Errorf("%q is no time in %s since 1970", text, c.format)
	}
	return time.UnixMilli(int64(v + 0.5)).UTC(), nil
}

// date brings a date to the order year-month-day.
func (c *clock) date(text string) (string, error) {
	parts := strings.FieldsFunc(text, func(r rune) bool { return r == '-' || r == '/' || r == '.' })
	if len(parts) == 3 {
		switch c.format {
		case DayFirst:
			parts[0], parts[2] = parts[2], parts[0]
		case MonthFirst:
			parts[0], parts[1], parts[2] = parts[2], parts[0], parts[1]
		}
		year, e1 := strconv.Atoi(parts[0])
		month, e2 := strconv.Atoi(parts[1])
		day, e3 := strconv.Atoi(parts[2])
		if e1 == nil && e2 == nil && e3 == nil && len(parts[0]) == 4 && year > 0 && month > 0 && day > 0 {
			return fmt.Sprintf("%04d-%02d-%02d", year, month, day), nil
		}
	}
	return "", fmt.Errorf("%q is no date of the format %s", text, c.format)
}

// local is the instant of a wall clock's time in the zone.
func (c *clock) local(w time.Time, text, stream string) (time.Time, error) {
	at := time.Date(w.Year(), w.Month(), w.Day(), w.Hour(), w.Minute(), w.Second(), w.Nanosecond(), c.zone)
	same := func(x time.Time) bool {
		y := x.In(c.zone)
		return y.Day() == w.Day() && y.Hour() == w.Hour() && y.Minute() == w.Minute()
	}
	if !same(at) {
		return time.Time{}, fmt.Errorf("%q is no time in %s: the clock was set forward over it", text, c.zone)
	}
	// The same wall clock an hour or half an hour apart: it comes twice.
	first, second := at, at
	for _, apart := range []time.Duration{30 * time.Minute, time.Hour, 2 * time.Hour} {
		if same(at.Add(-apart)) {
			first = at.Add(-apart)
		}
		if same(at.Add(apart)) {
			second = at.Add(apart)
		}
	}
	if !first.Equal(second) {
		c.twice++
		at = first
		if last, any := c.last[stream]; any && !first.After(last) {
			at = second
		}
	}
	at = at.UTC()
	c.last[stream] = at
	return at, nil
}
