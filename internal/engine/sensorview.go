package engine

import (
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/unit"
)

// SensorState says whether a sensor speaks.
type SensorState string

// States of a sensor.
const (
	Speaking SensorState = "speaking"
	Quiet    SensorState = "silent"  // for longer than its stale limit
	Awaited  SensorState = "awaited" // put in place and not heard yet, within its stale limit
	Retired  SensorState = "retired" // replaced by another: no longer expected
)

// SensorView is one sensor now.
type SensorView struct {
	Name         string      `json:"name"`
	Room         string      `json:"room"`
	LastSeen     time.Time   `json:"last_seen"` // zero when it was put in place and not heard yet
	StaleSeconds float64     `json:"stale_after_seconds"`
	Silent       bool        `json:"silent"` // never when retired
	State        SensorState `json:"state"`
	// Place is where it was carried to and PlaceRoom in which room, while what
	// it reads there does not count for its own; both empty else.
	Place     string `json:"place,omitempty"`
	PlaceRoom string `json:"place_room,omitempty"`
	// The newest values that count: calibrated, corrected and not voided.
	Temperature Value `json:"temperature_celsius"`
	Humidity    Value `json:"relative_humidity_fraction"`
	Illuminance Value `json:"illuminance_lux"`
	Oxygen      Value `json:"oxygen_fraction"`
	Battery     Value `json:"battery_fraction"`
	Link        Value `json:"link_dbm"`
	// Calibrations lists what is in force, by quantity; quantities that were
	// never calibrated are left out.
	Calibrations []CalibrationView `json:"calibrations"`
	// Faults lists the alarms of the sensor that are active.
	Faults []FaultView `json:"faults"`
}

// CalibrationView is the calibration in force for a quantity: a reading is
// taken as gain × value + offset.
type CalibrationView struct {
	Quantity unit.Quantity `json:"quantity"`
	Gain     float64       `json:"gain"`
	Offset   float64       `json:"offset"` // in Unit
	Unit     string        `json:"unit"`   // canonical one of the quantity
	From     time.Time     `json:"from"`
	Due      time.Time     `json:"due,omitzero"` // when to calibrate again
	Overdue  bool          `json:"overdue"`
	By       string        `json:"by,omitempty"`
	Note     string        `json:"note,omitempty"`
}

// FaultView is an active alarm of a sensor.
type FaultView struct {
	Kind  alarm.Kind `json:"kind"`
	Since time.Time  `json:"since"`
	Text  string     `json:"text"`
}

func (e *Engine) sensorViews(rs *roomState, now time.Time) []SensorView {
	var out []SensorView
	for _, h := range e.known(rs, now) {
		stale := e.cfg.Stale(h.sensor)
		v := SensorView{Name: h.sensor, Room: rs.name, LastSeen: rs.lastHeard(h.sensor), StaleSeconds: stale.Seconds(), State: Speaking}
		switch {
		case e.sensors.Retired(rs.name, h.sensor, now):
			v.State = Retired
		case now.Sub(h.at) > stale:
			v.State, v.Silent = Quiet, true
		case v.LastSeen.Before(h.at):
			v.State = Awaited
		}
		if in, place, away := e.sensors.PlacedAt(rs.name, h.sensor, now); away {
			v.Place, v.PlaceRoom = place, in
		}
		e.sensorValues(rs, &v, stale, now)
		v.Calibrations = e.calibrations(rs.name, h.sensor, now)
		v.Faults = e.faults(rs, h.sensor, now)
		out = append(out, v)
	}
	return out
}

func (rs *roomState) lastHeard(sensor string) time.Time {
	for _, h := range rs.heard {
		if h.sensor == sensor {
			return h.at
		}
	}
	return time.Time{}
}

func (e *Engine) sensorValues(rs *roomState, v *SensorView, stale time.Duration, now time.Time) {
	for l := range rs.watch.Latest() {
		if l.Sensor != v.Name {
			continue
		}
		value := Value{v.State != Retired && now.Sub(l.At) <= stale, l.Value, l.At}
		switch l.Quantity {
		case unit.Temperature:
			v.Temperature = value
		case unit.Humidity:
			v.Humidity = value
		case unit.Illuminance:
			v.Illuminance = value
		case unit.Oxygen:
			v.Oxygen = value
		case unit.Battery:
			v.Battery = value
		case unit.Link:
			v.Link = value
		}
	}
}

func (e *Engine) calibrations(in, sensor string, now time.Time) []CalibrationView {
	var out []CalibrationView
	for _, q := range unit.Quantities() {
		if c := e.sensors.Calibration(in, sensor, q, now); !c.From.IsZero() {
			out = append(out, CalibrationView{
				Quantity: q, Gain: c.Gain, Offset: c.Offset, Unit: q.Symbol(), From: c.From,
				Due: c.Due, Overdue: !c.Due.IsZero() && now.After(c.Due), By: c.By, Note: c.Note,
			})
		}
	}
	return out
}

// faults lists the active alarms of a sensor.
func (e *Engine) faults(rs *roomState, sensor string, now time.Time) []FaultView {
	var out []FaultView
	for _, c := range rs.conditions {
		if c.Active && c.Key.Sensor == sensor {
			out = append(out, FaultView{c.Key.Kind, c.Since, alarm.Subject(e.cfg.Site, c, e.ruleOf(c.Key), alarm.Raised, now, e.cfg.Zone, alarm.Context{})})
		}
	}
	return out
}
