package web

import (
	"strconv"
	"strings"
	"time"

	"dryhold/internal/audit"
	"dryhold/internal/engine"
)

// sensorRow is one sensor in words.
type sensorRow struct {
	Name, Room   string
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

// sensors shows those that are in use, and says how many are not.
func (p *pageContext) sensors(all []engine.SensorView) (rows []sensorRow, more string) {
	retired := 0
	for _, v := range all {
		if v.State == engine.Retired {
			retired++
			continue
		}
		rows = append(rows, p.sensor(v))
	}
	if retired > 0 {
		more = plural(retired, "sensor that was replaced is", "sensors that were replaced are") + " not shown. "
	}
	return rows, more
}

func (p *pageContext) sensor(v engine.SensorView) sensorRow {
	row := sensorRow{
		Name: v.Name, Room: v.Room, State: sensorSight(v), Seen: p.moment(v.LastSeen), Age: p.age(v.LastSeen),
		Battery: p.lastly(v.Battery, p.percent()), Link: p.lastly(v.Link, p.measure(1, 0, " dBm")), NoFault: okSight("none"),
	}
	for _, f := range SensorValues(v) {
		row.Values = append(row.Values, factView{f.Name, p.lastly(f.Value, f.measure)})
	}
	for _, c := range v.Calibrations {
		row.Calibrations = append(row.Calibrations, calibrationRow{
			Quantity: c.Quantity.String(), Line: formula(audit.Line(c.Quantity, c.Gain, c.Offset)),
			From: p.day(c.From), Due: p.due(c), Note: c.Note,
		})
	}
	if v.State == engine.Awaited || v.LastSeen.IsZero() {
		row.NoFault = unknownSight("not heard yet")
	}
	for _, f := range v.Faults {
		row.Faults = append(row.Faults, faultRow{overSight(p.faultWord(f.Kind)), f.Text, p.moment(f.Since)})
	}
	return row
}

// formula is a line set for a page: its signs, and no break within it.
func formula(line string) string {
	return strings.ReplaceAll(strings.NewReplacer(" - ", " − ", " x ", " × ").Replace(line), " ", "\u00a0")
}

// sensorSight says whether a sensor speaks.
func sensorSight(v engine.SensorView) sight {
	switch {
	case v.State == engine.Retired:
		return sight{Word: "replaced, no longer expected"}
	case v.State == engine.Awaited:
		return heldSight("put in place, not heard yet")
	case v.Silent:
		return unknownSight("silent for more than " + english().span(time.Duration(v.StaleSeconds*float64(time.Second))))
	case v.Place != "":
		return heldSight("at the place " + v.Place + " in " + v.PlaceRoom + ", does not count for its room")
	}
	return okSight("reports")
}

// NamedValue is one quantity of a sensor.
type NamedValue struct {
	Name    string
	Value   engine.Value
	measure measure
}

// SensorValues are what a sensor measures of its room: quantities that it never
// sent are left out.
func SensorValues(v engine.SensorView) []NamedValue {
	var out []NamedValue
	for _, f := range []NamedValue{
		{"temperature", v.Temperature, celsius()}, {"humidity", v.Humidity, english().humidity(0)},
		{"light", v.Illuminance, lux()}, {"oxygen", v.Oxygen, english().measure(100, 1, " %")},
	} {
		if !f.Value.At.IsZero() {
			out = append(out, f)
		}
	}
	return out
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
		return "last " + m.text(v.Value) + ", " + p.ago(p.now.Sub(v.At))
	}
	return m.text(v.Value)
}

// due says when a calibration is due again.
func (p *pageContext) due(c engine.CalibrationView) sight {
	switch {
	case c.Due.IsZero():
		return sight{Word: "no date to do so again"}
	case c.Overdue:
		return overSight("due since " + p.day(c.Due).Text)
	}
	return okSight("due " + p.day(c.Due).Text)
}

// day is a date.
func (p *pageContext) day(t time.Time) moment {
	if t.IsZero() {
		return moment{Text: "never"}
	}
	y, m, d := t.In(p.zone).Date()
	return moment{strconv.Itoa(d) + " " + m.String()[:3] + " " + strconv.Itoa(y), t.UTC().Format(time.RFC3339)}
}
