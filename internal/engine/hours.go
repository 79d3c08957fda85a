package engine

import (
	"time"

	"dryhold/internal/room"
	"dryhold/internal/sensor"
)

// ClosedHour is one hour of a room that is over and judged.
type ClosedHour struct {
	At   time.Time // when it begins
	Slot room.Slot
	// Exposure of the air in that hour, at the activation energy room.AirEa.
	Exposure room.Exposure
	Humidity bool // Slot.VapourMean and HumidityMean are known
}

// ClosedHours gives hours of a room from an instant on that were over before
// another and whose temperature is judged, in order and at most limit of them.
// Later readings may still revise them; see TakeRevised.
func (e *Engine) ClosedHours(name string, from, before time.Time, limit int) (out []ClosedHour) {
	rs := e.find(name)
	if rs == nil || !rs.ledger.Begun() {
		return nil
	}
	first, _ := rs.ledger.Slots()
	if from.Before(first) {
		from = first
	}
	if settled := rs.ledger.Settled(); settled.Before(before) {
		before = settled
	}
	for at, slot := range rs.ledger.Hours(from, before.Truncate(time.Hour)) {
		if len(out) >= limit {
			break
		}
		out = append(out, ClosedHour{
			At: at, Slot: slot, Humidity: slot.VapourMS > 0,
			Exposure: rs.ledger.Between(0, room.AirEa, at, at.Add(time.Hour)),
		})
	}
	return out
}

// TakeRevised gives, by room, the earliest hour folded anew since it was last
// asked, the hour that is under way included.
func (e *Engine) TakeRevised() map[string]time.Time {
	out := map[string]time.Time{}
	for _, rs := range e.rooms {
		if since, ok := rs.ledger.TakeRevised(); ok {
			out[rs.name] = since
		}
	}
	return out
}

// SensorReach gives the room whose hours a change of a sensor that passed
// CheckSensor can revise, and since when; a day more than its readings, which
// is the longest a trace leads up to the first of them.
func (e *Engine) SensorReach(c sensor.Change) (name string, since time.Time) {
	target, _ := e.sensors.Target(c)
	return target.Room, target.From.Add(-24 * time.Hour)
}
