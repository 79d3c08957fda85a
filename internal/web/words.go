package web

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"dryhold/internal/alarm"
)

// measure says how a quantity reads on the page: its factor from the
// canonical unit, its decimals and its symbol.
type measure struct {
	factor   float64
	decimals int
	symbol   string
}

// The measures of the page.
func celsius() measure { return measure{1, 1, " °C"} }
func percent() measure { return measure{100, 0, " %"} }
func lux() measure     { return measure{1, 0, " lx"} }

// text is the value with its unit. A value below 0 gets the proper minus, and
// never "−0".
func (m measure) text(v float64) string { return m.number(v, m.decimals) + m.symbol }

func (m measure) number(v float64, decimals int) string {
	v *= m.factor
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "no number"
	}
	n := strconv.FormatFloat(math.Abs(v), 'f', decimals, 64)
	if zero, err := strconv.ParseFloat(n, 64); v < 0 && err == nil && zero != 0 {
		return "−" + n
	}
	return n
}

// against is the value and the limit with as many decimals as it takes to
// tell them apart: "22.04 °C, limit 22.00 °C", never "22.0 over 22.0".
func (m measure) against(v, limit float64) (value, lim string) {
	d := m.decimals
	for d < m.decimals+2 && v != limit && m.number(v, d) == m.number(limit, d) {
		d++
	}
	return m.number(v, d) + m.symbol, m.number(limit, m.decimals) + m.symbol
}

// times is a ratio in words of speed.
func times(v float64) string {
	switch {
	case v >= 9.95:
		return strconv.FormatFloat(v, 'f', 0, 64) + " ×"
	case v >= 0.1:
		return strconv.FormatFloat(v, 'f', 1, 64) + " ×"
	}
	return strconv.FormatFloat(v, 'f', 2, 64) + " ×"
}

// days is a span of life in days, with a decimal while it is short.
func days(d float64) string {
	n := strconv.FormatFloat(math.Abs(d), 'f', 0, 64)
	if math.Abs(d) < 99.95 {
		n = strconv.FormatFloat(math.Abs(d), 'f', 1, 64)
	}
	switch {
	case n == "0.0":
		return "0 days"
	case d < 0:
		n = "−" + n
	}
	return n + " days"
}

// mass is a mass of food: grams below a kilogram.
func mass(kg float64) string {
	if kg > 0 && kg < 0.9995 {
		return strconv.FormatFloat(kg*1000, 'f', 0, 64) + " g"
	}
	return strconv.FormatFloat(math.Round(kg*1000)/1000, 'f', -1, 64) + " kg"
}

// age is a span in the largest units that say enough.
func age(d time.Duration) string {
	switch {
	case d < 0:
		return "in the future"
	case d < 90*time.Second:
		return fmt.Sprintf("%d s ago", int(d.Seconds()))
	case d < 90*time.Minute:
		return fmt.Sprintf("%d min ago", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h ago", int(d.Hours()))
	}
	return fmt.Sprintf("%d days ago", int(d.Hours()/24))
}

// span is a set duration, such as a stale limit: "30 min", "2 h", "90 s".
func span(d time.Duration) string {
	switch {
	case d >= 48*time.Hour && d%(24*time.Hour) == 0:
		return fmt.Sprintf("%d days", d/(24*time.Hour))
	case d >= time.Hour && d%time.Hour == 0:
		return fmt.Sprintf("%d h", d/time.Hour)
	case d >= time.Minute && d%time.Minute == 0:
		return fmt.Sprintf("%d min", d/time.Minute)
	}
	return fmt.Sprintf("%.0f s", d.Seconds())
}

// moment is a time shown twice: for people in the site's zone, for programs
// as RFC 3339.
type moment struct {
	Text, Machine string
}

func (p *pageContext) moment(t time.Time) moment {
	if t.IsZero() {
		return moment{Text: "never"}
	}
	return moment{t.In(p.zone).Format("2 Jan 2006 15:04 MST"), t.UTC().Format(time.RFC3339)}
}

// month is a date years away, for which a day would be false precision.
func (p *pageContext) month(t time.Time) moment {
	if t.IsZero() {
		return moment{Text: "not known"}
	}
	return moment{t.In(p.zone).Format("January 2006"), t.UTC().Format(time.RFC3339)}
}

// sight is how a state looks beside its word: a mark and a class of the style
// sheet. The word always stands beside the mark; colour only repeats it.
type sight struct {
	Class, Mark, Word string
}

func okSight(word string) sight      { return sight{"ok", "✓", word} }
func overSight(word string) sight    { return sight{"over", "▲", word} }
func heldSight(word string) sight    { return sight{"held", "◆", word} }
func unknownSight(word string) sight { return sight{"unknown", "?", word} }

func alarmSight(s alarm.State) sight {
	switch s {
	case alarm.ActiveUnacknowledged:
		return overSight(string(s))
	case alarm.ActiveAcknowledged:
		return heldSight(string(s))
	case alarm.ReturnedUnack:
		return heldSight(string(s))
	case alarm.Normal:
		return okSight(string(s))
	}
	return unknownSight(string(s))
}

func priorityWord(p alarm.Priority) string {
	switch p {
	case alarm.Low:
		return "low"
	case alarm.Medium:
		return "medium"
	case alarm.High:
		return "high"
	}
	return "not set"
}

// alarmMeasure is how the value, peak and limit of an alarm read; false for a
// condition whose numbers are not those of a room quantity.
func alarmMeasure(k alarm.Kind) (measure, bool) {
	switch k {
	case alarm.Warm:
		return celsius(), true
	case alarm.Damp:
		return percent(), true
	case alarm.Bright:
		return lux(), true
	}
	return measure{}, false
}

// plural is "1 lot", "2 lots".
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}
