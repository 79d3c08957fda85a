package web

import (
	"net/url"
	"strings"
	"time"

	"dryhold/internal/audit"
	"dryhold/internal/engine"
	"dryhold/internal/unit"
)

// sensorRow is one sensor in words.
type sensorRow struct {
	Name, Room   string
	URL          string // of its page
	State        sight
	Seen         moment
	Age          string
	Values       []factView
	Battery      string
	Link         string
	Calibrations []calibrationRow
	Faults       []faultRow
	NoFault      sight
}

type calibrationRow struct {
	Quantity, Line string
	From           moment
	Due            sight
	Note           string
}

type faultRow struct {
	Sight sight
	Text  string
	Since moment
}

// sensorURL leads to the page of a sensor.
func sensorURL(room, name string) string {
	return "/sensors/" + url.PathEscape(room) + "/" + url.PathEscape(name)
}

func (p *pageContext) sensor(v engine.SensorView) sensorRow {
	row := sensorRow{
		Name: v.Name, Room: v.Room, URL: sensorURL(v.Room, v.Name), State: p.sensorSight(v), Seen: p.moment(v.LastSeen), Age: p.age(v.LastSeen),
		Battery: p.lastly(v.Battery, p.percent()), Link: p.lastly(v.Link, p.measure(1, 0, " dBm")), NoFault: okSight(p.t("none")),
	}
	for _, f := range p.sensorValues(v) {
		row.Values = append(row.Values, factView{f.Name, p.lastly(f.Value, f.measure)})
	}
	for _, c := range v.Calibrations {
		row.Calibrations = append(row.Calibrations, calibrationRow{
			Quantity: p.quantity(c.Quantity), Line: formula(audit.Line(c.Quantity, c.Gain, c.Offset)),
			From: p.day(c.From), Due: p.due(c), Note: c.Note,
		})
	}
	if v.State == engine.Awaited || v.LastSeen.IsZero() {
		row.NoFault = unknownSight(p.t("not heard yet"))
	}
	for _, f := range v.Faults {
		row.Faults = append(row.Faults, faultRow{overSight(p.faultWord(f.Kind)), f.Text, p.moment(f.Since)})
	}
	return row
}

// formula is a line set for a page: its signs, and no break within it.
func formula(line string) string { return strings.ReplaceAll(signs(line), " ", "\u00a0") }

// signs puts the signs of a formula in the place of letters.
func signs(text string) string {
	return strings.NewReplacer(" - ", " − ", " x ", " × ").Replace(text)
}

// said is a sentence of the record as a page shows it: its signs, and its
// instants in the zone of the site.
func (p *pageContext) said(text string) string {
	words := strings.Fields(signs(text))
	for i, w := range words {
		bare := strings.TrimRight(w, ",;:.")
		if t, err := time.Parse(time.RFC3339, bare); err == nil {
			words[i] = p.moment(t).Text + w[len(bare):]
		}
	}
	return strings.Join(words, " ")
}

// sensorSight says whether a sensor speaks.
func (p *pageContext) sensorSight(v engine.SensorView) sight {
	switch {
	case v.State == engine.Retired:
		return sight{Word: p.t("replaced, no longer expected")}
	case v.State == engine.Awaited:
		return heldSight(p.t("put in place, not heard yet"))
	case v.Silent:
		return unknownSight(p.t("silent for more than %s", p.span(time.Duration(v.StaleSeconds*float64(time.Second)))))
	case v.Place != "":
		return heldSight(p.t("at the place %s in %s, does not count for its room", v.Place, v.PlaceRoom))
	}
	return okSight(p.t("reports"))
}

// NamedValue is one quantity of a sensor.
type NamedValue struct {
	Name    string
	Value   engine.Value
	measure measure
}

// SensorValues are what a sensor measures of its room: quantities that it never
// sent are left out.
func SensorValues(v engine.SensorView) []NamedValue { return english().sensorValues(v) }

func (p *pageContext) sensorValues(v engine.SensorView) []NamedValue {
	var out []NamedValue
	for _, f := range []NamedValue{
		{p.t("temperature"), v.Temperature, p.celsius()}, {p.t("humidity"), v.Humidity, p.humidity(0)},
		{p.t("light"), v.Illuminance, p.lux()}, {p.t("oxygen"), v.Oxygen, p.measure(100, 1, " %")},
	} {
		if !f.Value.At.IsZero() {
			out = append(out, f)
		}
	}
	return out
}

// quantity is what a reading measures, in a word.
func (p *pageContext) quantity(q unit.Quantity) string {
	switch q {
	case unit.Temperature:
		return p.t("temperature")
	case unit.Humidity:
		return p.t("humidity")
	case unit.Illuminance:
		return p.t("light")
	case unit.Oxygen:
		return p.t("oxygen")
	case unit.Battery:
		return p.t("battery")
	case unit.Link:
		return p.t("link")
	}
	return q.String()
}

// reading is a value of a quantity in words: 21.3 °C, with as many decimals as
// it takes to see what a device sends.
func (p *pageContext) reading(q unit.Quantity, v float64) string {
	m := p.measure(1, 3, " "+q.Symbol())
	switch q {
	case unit.Temperature:
		m = p.celsius()
	case unit.Humidity:
		m = p.humidity(1)
	case unit.Illuminance:
		m = p.lux()
	case unit.Oxygen, unit.Battery:
		m = p.measure(100, 1, " %")
	case unit.Link:
		m = p.measure(1, 0, " dBm")
	}
	return m.text(v)
}

// Text is the value with its unit.
func (v NamedValue) Text() string { return v.measure.text(v.Value.Value) }

// lastly is a value with its unit; an old one is shown as what it is, and one
// that never came not at all.
func (p *pageContext) lastly(v engine.Value, m measure) string {
	switch {
	case v.At.IsZero():
		return ""
	case !v.Known:
		return p.t("last %s, %s", m.text(v.Value), p.ago(p.now.Sub(v.At)))
	}
	return m.text(v.Value)
}

// due says when a calibration is due again.
func (p *pageContext) due(c engine.CalibrationView) sight {
	switch {
	case c.Due.IsZero():
		return sight{Word: p.t("no date to do so again")}
	case c.Overdue:
		return overSight(p.t("due since %s", p.day(c.Due).Text))
	}
	return okSight(p.t("due %s", p.day(c.Due).Text))
}

// day is a date.
func (p *pageContext) day(t time.Time) moment {
	if t.IsZero() {
		return moment{Text: p.t("never")}
	}
	return moment{p.date(t, "2 Jan 2006"), t.UTC().Format(time.RFC3339)}
}
