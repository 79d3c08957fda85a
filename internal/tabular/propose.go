package tabular

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"dryhold/internal/past"
	"dryhold/internal/unit"
)

// Proposal is a layout guessed from the head of a table, and what the keeper
// has to say because the table does not.
type Proposal struct {
	Layout  Layout
	Header  []string
	Columns []Guess    // one for each column, in their order
	Sample  [][]string // the first rows
	Open    []string   // questions, each with how it is answered
}

// Guess is what a column is taken to be.
type Guess struct {
	Column string
	As     string // "time", "room", "sensor", "temperature in °F", "" for nothing
}

// sampled is how many rows a proposal is made from.
const sampled = 200

// Propose guesses the layout from the first bytes of a table. Nothing is
// assumed where a wrong guess would be believed: the order of day and month,
// the zone of local times, degrees of either kind.
func Propose(head []byte) (Proposal, error) {
	head = bytes.TrimPrefix(head, []byte("\uFEFF"))
	if len(bytes.TrimSpace(head)) == 0 {
		return Proposal{}, errors.New("the table is empty: it needs a header and rows")
	}
	p := Proposal{Layout: Layout{Separator: separatorOf(head)}}
	rows := sample(head, p.Layout.Separator)
	if len(rows) == 0 {
		return Proposal{}, errors.New("the table has no header that can be read")
	}
	p.Header, p.Sample = rows[0], rows[1:]
	for i, h := range p.Header {
		p.Columns = append(p.Columns, Guess{Column: h})
		p.column(i, strings.TrimSpace(h))
	}
	if p.Layout.Time == "" {
		p.ask("no column looks like a time: name it with --time")
	} else {
		p.times()
	}
	if len(p.Layout.Values) == 0 {
		p.ask(`no column looks like a value: name it with --value "COLUMN=temperature:C"`)
	}
	if p.Layout.RoomColumn == "" {
		p.ask("no column names the room: give it with --room")
	}
	p.Layout.DecimalComma = p.decimalComma()
	return p, nil
}

func (p *Proposal) ask(format string, args ...any) {
	p.Open = append(p.Open, fmt.Sprintf(format, args...))
}

// separatorOf is the separator that parts the first line most often.
func separatorOf(head []byte) rune {
	line, _, _ := bytes.Cut(head, []byte("\n"))
	best, most := ',', 0
	for _, r := range separators() {
		if n := bytes.Count(line, []byte(string(r))); n > most {
			best, most = r, n
		}
	}
	return best
}

// sample is the header and the first rows; a last row that is cut off is left
// out.
func sample(head []byte, separator rune) (rows [][]string) {
	r := csv.NewReader(bytes.NewReader(head))
	r.Comma, r.FieldsPerRecord, r.LazyQuotes = separator, -1, true
	for len(rows) <= sampled {
		row, err := r.Read()
		if err != nil {
			break
		}
		rows = append(rows, row)
	}
	if n := len(rows); n > 1 && len(rows[n-1]) < len(rows[0]) {
		rows = rows[:n-1]
	}
	return rows
}

// words parts a header: "Temperature (°C)" to temperature, °c.
func words(header string) []string {
	return strings.FieldsFunc(strings.ToLower(header), func(r rune) bool {
		return !unicode.IsLetter(r) && !unicode.IsDigit(r) && r != '°' && r != '%'
	})
}

// column guesses what a column is. The first that fits counts.
func (p *Proposal) column(i int, header string) {
	w := words(header)
	has := func(any ...string) bool {
		return slices.ContainsFunc(w, func(x string) bool { return slices.Contains(any, x) })
	}
	l, as := &p.Layout, &p.Columns[i].As
	value := func(q unit.Quantity, name string) {
		u, err := unit.Parse(q, name)
		if err != nil || slices.ContainsFunc(l.Values, func(v Value) bool { return v.Quantity == q }) {
			return
		}
		l.Values = append(l.Values, Value{Column: header, Quantity: q, Unit: u})
		*as = q.String() + " in " + u.Name
	}
	switch {
	case l.Time == "" && has("time", "timestamp", "date", "datetime", "ts", "when", "zeit", "datum", "zeitstempel"):
		l.Time, *as = header, "time"
	case l.RoomColumn == "" && has("room", "raum"):
		l.RoomColumn, *as = header, "room"
	case l.SensorColumn == "" && has("sensor", "device", "entity"):
		l.SensorColumn, *as = header, "sensor"
	case has("temperature", "temp", "temperatur"):
		p.degrees(i, header, has, value)
	case has("humidity", "rh", "feuchte", "luftfeuchte", "hum"):
		value(unit.Humidity, "%")
	case has("illuminance", "lux", "lx", "light"):
		value(unit.Illuminance, "lx")
	case has("battery"):
		value(unit.Battery, "%")
	}
}

// degrees asks of which kind they are where neither the header nor the values
// say it: no store has a mean above 45 °C or, as a rule, below 45 °F.
func (p *Proposal) degrees(i int, header string, has func(...string) bool, value func(unit.Quantity, string)) {
	switch {
	case has("f", "°f", "fahrenheit"):
		value(unit.Temperature, "F")
	case has("k", "kelvin"):
		value(unit.Temperature, "K")
	case has("c", "°c", "celsius", "degc"):
		value(unit.Temperature, "C")
	default:
		value(unit.Temperature, "C")
		p.ask("column %q does not say its unit: %s; give --value %q if it is in Fahrenheit", header, p.rangeOf(i), header+"=temperature:F")
	}
}

// rangeOf says between what the first values of a column lie.
func (p *Proposal) rangeOf(i int) string {
	low, high, n := 0.0, 0.0, 0
	for _, row := range p.Sample {
		if i >= len(row) {
			continue
		}
		if v, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(row[i]), ",", ".", 1), 64); err == nil {
			if n == 0 {
				low, high = v, v
			}
			low, high, n = min(low, v), max(high, v), n+1
		}
	}
	if n == 0 {
		return "none of its first values is a number"
	}
	return fmt.Sprintf("its first values are %g to %g, taken as °C", low, high)
}

// times guesses how times are written.
func (p *Proposal) times() {
	l := &p.Layout
	at := slices.IndexFunc(p.Header, func(h string) bool { return strings.TrimSpace(h) == l.Time })
	fits, local := Formats(), false
	for _, row := range p.Sample {
		if at >= len(row) || strings.TrimSpace(row[at]) == "" {
			continue
		}
		text := strings.TrimSpace(row[at])
		fits = slices.DeleteFunc(fits, func(f Format) bool {
			c := clock{f, time.UTC, map[string]time.Time{}, 0}
			got, err := c.read(text, "")
			return err != nil || got.Year() < past.FirstYear || got.Year() > 2200
		})
		local = local || !hasOffset(text)
	}
	switch {
	case len(fits) == 0:
		l.Format = ISO
		p.ask("the times of column %q are in no known format: say with --format which of %v they are in", l.Time, Formats())
	case len(fits) > 1 && slices.Contains(fits, DayFirst) && slices.Contains(fits, MonthFirst):
		l.Format = DayFirst
		p.ask("the dates of column %q may begin with the day or with the month: say --format dmy or --format mdy", l.Time)
	default:
		l.Format = fits[0]
	}
	if local && (l.Format == ISO || l.Format == DayFirst || l.Format == MonthFirst) {
		p.ask("the times of column %q do not say their zone: give it with --zone, as Europe/Berlin or UTC", l.Time)
	} else {
		l.Zone = time.UTC
	}
}

// hasOffset reports whether a time says its zone.
func hasOffset(text string) bool {
	if strings.HasSuffix(text, "Z") || strings.HasSuffix(text, "z") {
		return true
	}
	if len(text) <= len("2006-01-02") {
		return false
	}
	return strings.ContainsAny(text[len("2006-01-02"):], "+-")
}

// decimalComma reports whether the values are written with one.
func (p *Proposal) decimalComma() bool {
	if p.Layout.Separator == ',' {
		return false
	}
	for _, row := range p.Sample {
		for _, v := range p.Layout.Values {
			i := slices.IndexFunc(p.Header, func(h string) bool { return strings.TrimSpace(h) == v.Column })
			if i < len(row) && strings.Count(row[i], ",") == 1 && !strings.Contains(row[i], ".") {
				return true
			}
		}
	}
	return false
}
