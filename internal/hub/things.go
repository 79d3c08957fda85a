package hub

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
)

// kind is what a thing is.
type kind string

const (
	store kind = "store" // all of the site
	room  kind = "room"
	stock kind = "lot"
)

// thing is a room, a lot or the store, with what is told of it. Of one kind the
// facts are always the same: what is not known is told as such, so that nothing
// has to be taken away from a hub but whole things.
type thing struct {
	kind  kind
	name  string // as the household calls it
	label string // for people
	model string
	page  string // path
	facts []fact
}

// Datatypes of facts, in the words of Homie.
const (
	float    = "float"
	integer  = "integer"
	text     = "string"
	problem  = "boolean" // a problem, or none
	datetime = "datetime"
)

// Bounds of facts.
const (
	percent  = "0:100"
	positive = "0:"
)

// fact is one value of a thing.
type fact struct {
	id    string // of Homie and of the unique identifier
	key   string // in the state
	name  string // for people
	is    string // datatype
	class string // device_class
	unit  string // as both conventions write it
	// bounds are those of the value, as Homie writes them.
	bounds string
	// digits behind the point that are told; more would send noise.
	digits int
	value  any // float64, int, string, bool or time.Time; nil is not known
}

// caution goes with everything that is told of food.
const caution = "Quality is not safety: when in doubt, throw it out."

// things are told in this order: the store, rooms and lots as the snapshot has
// them.
func (c Config) things(s *engine.Snapshot) []thing {
	out := []thing{storeOf(c.Site, s)}
	for _, r := range s.Rooms {
		out = append(out, roomOf(r, s))
	}
	if !c.Lots {
		return out
	}
	n := 0
	for _, l := range s.Lots {
		if l.Finished() || l.Withdrawn {
			continue
		}
		if n++; n > mostLots {
			break
		}
		out = append(out, lotOf(l))
	}
	return out
}

func roomOf(r engine.RoomView, s *engine.Snapshot) thing {
	known := func(v engine.Value, scale float64) any {
		if !v.Known {
			return nil
		}
		return v.Value * scale
	}
	over := func(v engine.Value, limit float64, limited bool) any {
		if !v.Known || !limited {
			return nil
		}
		return v.Value > limit
	}
	worst := least(s.Lots, func(l engine.LotView) bool { return l.Room() == r.Name })
	var raised any
	if r.Temperature.Known {
		raised = false
	}
	for _, a := range s.Alarms {
		if a.Key.Room == r.Name && bad(a) {
			raised = true
		}
	}
	return thing{kind: room, name: r.Name, label: r.Name, model: "storage room", page: "/room/" + r.Name, facts: []fact{
		{id: "temperature", key: "temperature_celsius", name: "Temperature", is: float, class: "temperature", unit: "°C", digits: 2, value: known(r.Temperature, 1)},
		{id: "humidity", key: "relative_humidity_percent", name: "Humidity", is: float, class: "humidity", unit: "%", bounds: percent, digits: 1, value: known(r.Humidity, 100)},
		{id: "dew-point", key: "dew_point_celsius", name: "Dew point", is: float, class: "temperature", unit: "°C", digits: 1, value: known(r.DewPoint, 1)},
		{id: "illuminance", key: "illuminance_lux", name: "Light", is: float, class: "illuminance", unit: "lx", bounds: positive, digits: 1, value: known(r.Illuminance, 1)},
		{id: "too-warm", key: "too_warm", name: "Too warm", is: problem, value: over(r.Temperature, float64(r.WarmLimit), true)},
		{id: "too-damp", key: "too_damp", name: "Too damp", is: problem, value: over(r.Humidity, float64(r.DampLimit), r.DampLimit > 0)},
		{id: "too-bright", key: "too_bright", name: "Too bright", is: problem, value: over(r.Illuminance, float64(r.BrightLimit), r.BrightLimit > 0)},
		{id: "alarm", key: "alarm", name: "Alarm", is: problem, value: raised},
		{id: "worst-lot", key: "worst_lot", name: "Lot with least left", is: text, value: nameOf(worst)},
		{id: "worst-lot-quality", key: "worst_lot_remaining_percent", name: "Least remaining quality", is: float, unit: "%", bounds: percent, digits: 1, value: leftOf(worst)},
	}}
}

func storeOf(site string, s *engine.Snapshot) thing {
	lots, risky := 0, 0
	var ends *engine.LotView
	for i, l := range s.Lots {
		if l.Finished() || l.Withdrawn {
			continue
		}
		lots++
		if AtRisk(l) {
			risky++
		}
		if !l.AsOf.IsZero() && !l.End.IsZero() && (ends == nil || l.End.Before(ends.End)) {
			ends = &s.Lots[i]
		}
	}
	worst := least(s.Lots, func(engine.LotView) bool { return true })
	var raised, unseen any
	if slices.ContainsFunc(s.Rooms, func(r engine.RoomView) bool { return r.Temperature.Known }) {
		raised, unseen = false, false
	}
	active, unacknowledged := 0, 0
	for _, a := range s.Alarms {
		if bad(a) {
			active, raised = active+1, true
		}
		if a.Key.Kind != alarm.HoldComplete && (a.State == alarm.ActiveUnacknowledged || a.State == alarm.ReturnedUnack) {
			unacknowledged, unseen = unacknowledged+1, true
		}
	}
	var end any
	if ends != nil {
		end = ends.End.UTC().Truncate(24 * time.Hour)
	}
	return thing{kind: store, name: site, label: "Store " + site, model: "dry store", page: "/", facts: []fact{
		{id: "lots", key: "lots", name: "Lots", is: integer, bounds: positive, value: lots},
		{id: "lots-at-risk", key: "lots_at_risk", name: "Lots at risk", is: integer, bounds: positive, value: risky},
		{id: "worst-lot", key: "worst_lot", name: "Lot with least left", is: text, value: nameOf(worst)},
		{id: "worst-lot-quality", key: "worst_lot_remaining_percent", name: "Least remaining quality", is: float, unit: "%", bounds: percent, digits: 1, value: leftOf(worst)},
		{id: "first-to-end", key: "first_to_end", name: "Lot that ends first", is: text, value: nameOf(ends)},
		{id: "first-end", key: "first_end", name: "First projected end", is: datetime, class: "timestamp", value: end},
		{id: "alarm", key: "alarm", name: "Alarm", is: problem, value: raised},
		{id: "unacknowledged", key: "unacknowledged", name: "Unacknowledged alarm", is: problem, value: unseen},
		{id: "alarms-active", key: "alarms_active", name: "Active alarms", is: integer, bounds: positive, value: active},
		{id: "alarms-unacknowledged", key: "alarms_unacknowledged", name: "Unacknowledged alarms", is: integer, bounds: positive, value: unacknowledged},
	}}
}

func lotOf(l engine.LotView) thing {
	var end, risk any
	if !l.AsOf.IsZero() {
		risk = AtRisk(l)
		if !l.End.IsZero() {
			end = l.End.UTC().Truncate(24 * time.Hour)
		}
	}
	return thing{kind: stock, name: l.ID, label: fmt.Sprintf("%v", nameOf(&l)), model: "lot of dry food", page: "/lots/" + l.ID, facts: []fact{
		{id: "quality", key: "remaining_percent", name: "Remaining quality", is: float, unit: "%", bounds: percent, digits: 1, value: leftOf(&l)},
		{id: "end", key: "projected_end", name: "Projected end", is: datetime, class: "timestamp", value: end},
		{id: "at-risk", key: "at_risk", name: "At risk", is: problem, value: risk},
		{id: "place", key: "room", name: "Room", is: text, value: l.Room()},
	}}
}

// bad reports an alarm whose condition holds and is one to be sorry about.
func bad(a engine.AlarmView) bool { return a.Active && a.Key.Kind != alarm.HoldComplete }

// least is the lot with the least remaining quality among those in store that
// are known; nil where there is none.
func least(lots []engine.LotView, of func(engine.LotView) bool) *engine.LotView {
	var out *engine.LotView
	for i, l := range lots {
		if l.Finished() || l.Withdrawn || l.AsOf.IsZero() || !of(l) || math.IsNaN(l.Remaining.Likely) {
			continue
		}
		if out == nil || l.Remaining.Likely < out.Remaining.Likely {
			out = &lots[i]
		}
	}
	return out
}

func nameOf(l *engine.LotView) any {
	if l == nil {
		return nil
	}
	return l.ID + " " + cmp.Or(l.FoodName, l.Packing.Food)
}

// leftOf is the likely remaining quality in percent.
func leftOf(l *engine.LotView) any {
	if l == nil || l.AsOf.IsZero() {
		return nil
	}
	return 100 * l.Remaining.Likely
}

// shortLife is the share of its planned life that a lot may lose before it is
// at risk (judgement), as on the page.
const shortLife = 0.1

// AtRisk reports a lot that wants a hand, by the same rule as the page of Now:
// it has a warning, its water is past the red line, insects had the warmth for a
// generation, it ends a tenth of its life before its plan, or nothing is known
// of it.
func AtRisk(l engine.LotView) bool {
	if l.AsOf.IsZero() || len(l.Warnings) > 0 || l.Moisture.Red.Past {
		return true
	}
	if i := l.Insects; i != nil && !i.Ended && i.Generations.Likely >= 1 && !(i.Hold >= 1 && !i.Frozen) {
		return true
	}
	if l.End.IsZero() || l.EndAtPlan.IsZero() {
		return false
	}
	plan := l.EndAtPlan
	if l.LostBeyondPlan == l.LostBeyondPlan {
		plan = plan.Add(time.Duration(l.LostBeyondPlan * 24 * float64(time.Hour)))
	}
	return float64(l.End.Sub(l.Packing.PackedAt)) < (1-shortLife)*float64(plan.Sub(l.Packing.PackedAt))
}

// told is a value as it is told: a rounded number, a text, true or false, an
// instant; nil where it is not known or no number.
func (f fact) told() any {
	switch v := f.value.(type) {
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil
		}
		if f.bounds != "" { // a sensor may say 101 %
			v = max(v, 0)
		}
		if f.bounds == percent {
			v = min(v, 100)
		}
		scale := math.Pow10(f.digits)
		if r := math.Round(v*scale) / scale; !math.IsInf(r, 0) {
			v = r
		}
		return v + 0 // no -0
	case time.Time:
		return v.UTC().Format(time.RFC3339)
	}
	return f.value
}

// state is the JSON message of a thing. Problems are ON and OFF, as the
// convention's own defaults are, and not JSON's words, which templates render
// in various ways.
func (t thing) state() string {
	out := map[string]any{string(t.kind): t.name, "caution": caution}
	for _, f := range t.facts {
		v := f.told()
		if on, is := v.(bool); is {
			v = map[bool]string{true: "ON", false: "OFF"}[on]
		}
		out[f.key] = v
	}
	return marshal(out)
}

// literal is a value as a payload of Homie; empty where it is not known.
func (f fact) literal() string {
	switch v := f.told().(type) {
	case float64:
		return strconv.FormatFloat(v, 'f', -1, 64)
	case int:
		return strconv.Itoa(v)
	case bool:
		return strconv.FormatBool(v)
	case string:
		return v
	}
	return ""
}
