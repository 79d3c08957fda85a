package sensor

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// Book is the fold of all changes: how the readings of each sensor count. The
// zero value holds none, and readings count as they came.
//
// A reading counts by its own time, whenever the change was told: first the
// calibration in force, then every correction that covers it in the order they
// were told, then once the rounding. It does not count at all where it was
// voided, while its sensor is retired (a device that somebody took down may go
// on sending from a drawer), or while it was placed: then it tells of the place
// and not of the room, but for its battery and its link.
type Book struct {
	changes []Change
	devices map[device]history
}

// device is a sensor of a room.
type device struct{ room, sensor string }

// history is what is in force of a sensor's changes, by From and then by Seq,
// together with the swaps that brought it in.
type history []Change

// Calibration is what is in force for a quantity of a sensor.
type Calibration struct {
	Gain, Offset float64   // 1 and 0 where it was never calibrated
	From         time.Time // zero where it was never calibrated
	Due          time.Time // zero where none is planned
	By, Note     string
}

// NextSeq is the number of the next change.
func (b *Book) NextSeq() int { return len(b.changes) + 1 }

// Changes lists every change ever told, in the order they were told, those
// revoked with them.
func (b *Book) Changes() []Change { return slices.Clone(b.changes) }

// Target is the change that a change is about: of a Revoked the one it takes
// back, else itself. ok is false when there is none.
func (b *Book) Target(c Change) (target Change, ok bool) {
	if c.Kind != Revoked {
		return c, true
	}
	if c.Revokes < 1 || c.Revokes > len(b.changes) {
		return Change{}, false
	}
	return b.changes[c.Revokes-1], true
}

// Touches gives the rooms's name, the sensors whose readings may count
// differently after a change that passed Check, and the first instant from
// which they may.
func (b *Book) Touches(c Change) (room string, sensors []string, since time.Time) {
	c, ok := b.Target(c)
	if !ok {
		return "", nil, time.Time{}
	}
	sensors = []string{c.Sensor}
	if c.New != "" {
		sensors = append(sensors, c.New)
	}
	return c.Room, sensors, c.From
}

// Apply takes a change that passed Check.
func (b *Book) Apply(c Change) {
	b.changes = append(b.changes, c)
	target, ok := b.Target(c)
	if !ok {
		return
	}
	if b.devices == nil {
		b.devices = map[device]history{}
	}
	for _, name := range []string{target.Sensor, target.New} {
		if name == "" {
			continue
		}
		d := device{target.Room, name}
		b.devices[d] = b.inForce(d)
	}
}

// inForce gathers the history of a sensor anew.
func (b *Book) inForce(d device) history {
	var h history
	for _, c := range b.changes {
		if c.Kind != Revoked && c.Room == d.room && (c.Sensor == d.sensor || c.New == d.sensor) && !b.revoked(c.Seq) {
			h = append(h, c)
		}
	}
	slices.SortStableFunc(h, func(a, b Change) int { return cmp.Or(a.From.Compare(b.From), cmp.Compare(a.Seq, b.Seq)) })
	return h
}

func (b *Book) revoked(seq int) bool {
	return slices.ContainsFunc(b.changes, func(c Change) bool { return c.Kind == Revoked && c.Revokes == seq })
}

func (b *Book) history(room, sensor string) history {
	if len(b.devices) == 0 { // the usual case, in the innermost loop of a rebuild
		return nil
	}
	return b.devices[device{room, sensor}]
}

// Correct gives a reading as it counts, rounded to the resolution of its
// quantity and kept within its plausible range; counts is false when it does
// not.
func (b *Book) Correct(r room.Reading) (_ room.Reading, counts bool) {
	h := b.history(r.Room, r.Sensor)
	if len(h) == 0 {
		return r, true
	}
	if _, away := h.placed(r.At); away && !ofDevice(r.Quantity) {
		return r, false
	}
	return h.correct(r)
}

func (h history) correct(r room.Reading) (_ room.Reading, counts bool) {
	if h.retired(r.Sensor, r.At) {
		return r, false
	}
	c := h.calibration(r.Sensor, r.Quantity, r.At)
	v := float64(c.Gain*r.Value) + c.Offset
	var told []Change
	for _, c := range h {
		if c.Sensor != r.Sensor || r.At.Before(c.From) || !r.At.Before(c.To) || c.Quantity != nil && *c.Quantity != r.Quantity {
			continue
		}
		switch c.Kind {
		case Voided:
			return r, false
		case Corrected:
			told = append(told, c)
		}
	}
	slices.SortFunc(told, func(a, b Change) int { return cmp.Compare(a.Seq, b.Seq) })
	for _, c := range told {
		v = float64(c.Gain*v) + c.Offset
	}
	r.Value = r.Quantity.Round(r.Quantity.Clamp(v))
	return r, true
}

// Retired reports whether a sensor was replaced by another at an instant and
// has not come back since.
func (b *Book) Retired(room, sensor string, at time.Time) bool {
	return b.history(room, sensor).retired(sensor, at)
}

func (h history) retired(sensor string, at time.Time) bool {
	out := false
	for _, c := range h {
		if c.From.After(at) {
			break
		}
		if c.Kind == Swapped && c.New != "" {
			out = c.Sensor == sensor
		}
	}
	return out
}

// Calibration gives what is in force for a quantity of a sensor at an instant.
func (b *Book) Calibration(room, sensor string, q unit.Quantity, at time.Time) Calibration {
	return b.history(room, sensor).calibration(sensor, q, at)
}

func (h history) calibration(sensor string, q unit.Quantity, at time.Time) Calibration {
	as := Calibration{Gain: 1}
	for _, c := range h {
		switch {
		case c.From.After(at):
			return as
		case c.Sensor != sensor:
		case c.Kind == Swapped:
			as = Calibration{Gain: 1}
		case c.Kind == Calibrated && c.Quantity != nil && *c.Quantity == q:
			as = Calibration{Gain: c.Gain, Offset: c.Offset, From: c.From, Due: c.Due, By: c.By, Note: c.Note}
		}
	}
	return as
}

// Renewed is the last instant up to at from which a sensor measures a quantity
// anew: it was calibrated for it, replaced, or brought in. Zero when it never
// was.
func (b *Book) Renewed(room, sensor string, q unit.Quantity, at time.Time) time.Time {
	last := time.Time{}
	for _, c := range b.history(room, sensor) {
		if c.From.After(at) {
			break
		}
		if c.Kind == Swapped || c.Kind == Calibrated && c.Quantity != nil && *c.Quantity == q {
			last = c.From
		}
	}
	return last
}

// Swapped is the last instant up to at when a sensor was replaced, by whatever
// name; zero when it never was.
func (b *Book) Swapped(room, sensor string, at time.Time) time.Time {
	last := time.Time{}
	for _, c := range b.history(room, sensor) {
		if c.From.After(at) {
			break
		}
		if c.Kind == Swapped && c.Sensor == sensor {
			last = c.From
		}
	}
	return last
}

// Expected is a sensor that somebody said was put in place of another.
type Expected struct {
	Sensor string
	// Since is when it was put in place and somebody said so: from then on it
	// has to speak.
	Since time.Time
}

// Expected lists the sensors of a room that were put in place of others and
// are not retired at an instant, by name.
func (b *Book) Expected(room string, at time.Time) []Expected {
	var out []Expected
	for d, h := range b.devices {
		if d.room != room || h.retired(d.sensor, at) {
			continue
		}
		since := time.Time{}
		for _, c := range h {
			if c.Kind == Swapped && c.New == d.sensor && !c.From.After(at) {
				since = c.From
				if c.Recorded.After(since) {
					since = c.Recorded
				}
			}
		}
		if !since.IsZero() {
			out = append(out, Expected{d.sensor, since})
		}
	}
	slices.SortFunc(out, func(a, b Expected) int { return strings.Compare(a.Sensor, b.Sensor) })
	return out
}
