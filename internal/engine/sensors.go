package engine

import (
	"slices"
	"strings"
	"time"

	"dryhold/internal/lot"
	"dryhold/internal/nearest"
	"dryhold/internal/room"
	"dryhold/internal/sensor"
)

// heard is when a sensor last sent anything, whether it counts or not.
type heard struct {
	sensor string
	at     time.Time
}

// hear remembers when a sensor spoke last and reports whether this is it.
func (rs *roomState) hear(r room.Reading) bool {
	i, found := slices.BinarySearchFunc(rs.heard, r.Sensor, func(h heard, name string) int { return strings.Compare(h.sensor, name) })
	if !found {
		rs.heard = slices.Insert(rs.heard, i, heard{r.Sensor, r.At})
		return true
	}
	if r.At.Before(rs.heard[i].at) {
		return false
	}
	rs.heard[i].at = r.At
	return true
}

// watched gives each sensor that has to speak, by name, with when it was last
// heard: those heard once and not retired since, and those that somebody said
// were put in place, from when that was said.
func (e *Engine) watched(rs *roomState, now time.Time) func(yield func(string, time.Time) bool) {
	return func(yield func(string, time.Time) bool) {
		for _, h := range e.known(rs, now) {
			if !e.sensors.Retired(rs.name, h.sensor, now) && !yield(h.sensor, h.at) {
				return
			}
		}
	}
}

// known is every sensor heard or put in place, by name.
func (e *Engine) known(rs *roomState, now time.Time) []heard {
	out := slices.Clone(rs.heard)
	for _, x := range e.sensors.Expected(rs.name, now) {
		i, found := slices.BinarySearchFunc(out, x.Sensor, func(h heard, name string) int { return strings.Compare(h.sensor, name) })
		switch {
		case !found:
			out = slices.Insert(out, i, heard{x.Sensor, x.Since})
		case out[i].at.Before(x.Since): // the device of that name was away
			out[i].at = x.Since
		}
	}
	return out
}

// NextSensorChange is the number of the next change of a sensor.
func (e *Engine) NextSensorChange() int { return e.sensors.NextSeq() }

// CheckSensor reports why a change of a sensor cannot be taken; it wraps
// lot.ErrNotFound or lot.ErrInvalid. The sensor must have been heard in its
// room, or have been put there by a swap.
func (e *Engine) CheckSensor(c sensor.Change) error {
	if err := e.sensors.Check(c); err != nil {
		return err
	}
	target, _ := e.sensors.Target(c)
	rs := e.find(target.Room)
	if rs == nil {
		return lot.NotFound("no room %q%s", target.Room, nearest.Hint(target.Room, e.Rooms()))
	}
	if in := target.In; in != "" && e.find(in) == nil {
		return lot.NotFound("no room %q%s", in, nearest.Hint(in, e.Rooms()))
	}
	var names []string
	for _, h := range e.known(rs, c.Recorded) {
		names = append(names, h.sensor)
	}
	if !slices.Contains(names, target.Sensor) {
		return lot.NotFound("no sensor %q was heard in room %s%s", target.Sensor, target.Room, nearest.Hint(target.Sensor, names))
	}
	return nil
}

// SensorRefold says what is to be folded again after a change that passed
// CheckSensor.
func (e *Engine) SensorRefold(c sensor.Change) Refold {
	in, names, since := e.sensors.Touches(c)
	longest := time.Duration(0)
	for _, name := range names {
		longest = max(longest, e.cfg.Stale(name))
	}
	since = since.Add(-longest)
	rs := e.find(in)
	if rs == nil {
		return Refold{Room: in}
	}
	if first, slots := rs.ledger.Slots(); len(slots) == 0 || !since.Truncate(24*time.Hour).After(first) {
		since = time.Time{} // it may be another reading then that the room begins with
	}
	return Refold{Room: in, Since: since}
}

// ChangeSensor takes a change that passed CheckSensor. It asks for the room to
// be fed again from the first instant that may now count differently: not from
// the change but from the reading before it, whose trace leads up to it. What
// stands against a sensor that was replaced ends.
func (e *Engine) ChangeSensor(c sensor.Change) (Effects, error) {
	var fx Effects
	again := e.SensorRefold(c)
	e.sensors.Apply(c)
	rs := e.room(again.Room)
	fx.refold(again.Room, again.Since)
	rs.lookedOver = time.Time{}
	e.endSwapped(rs, c.Recorded, &fx)
	e.compose(&fx)
	return fx, nil
}
