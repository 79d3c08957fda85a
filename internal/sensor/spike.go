package sensor

import (
	"math"
	"time"
)

// Within is how near in time the neighbours of a reading must be for it to be
// held for a spike: air in a store room is not hot for one reading and cool
// again at the next within minutes, over hours it may be (judgement). It is
// also the longest that a reading waits for the next one.
const Within = 30 * time.Minute

const withinMS = int64(Within / time.Millisecond)

// trust tells readings that stand from those that may be a spike.
//
// A reading that lies further than the limit from the one before it, minutes
// ago, is held: it raises no alarm yet. The next reading decides. Near the one
// held, or beyond it in the same direction, it confirms a quick change, and
// both stand. On the way back it makes the held one a spike. Where the next
// does not come within minutes the held one stands: the last word of a sensor
// in a burning room must count. It is judged by its own time, so that no delay
// of an alarm is lengthened.
//
// A spike stays in the exposure, where one reading among those of minutes
// costs next to nothing, and on the safe side when it is a hot one; only a
// person's Voided takes it out.
type trust struct {
	anchor, held sample // newest that stands, and the one that waits
	known, holds bool   // whether there are such
}

// outcome is what became of the reading that was held.
type outcome uint8

const (
	undecided outcome = iota
	stands
	spiked
)

// step takes the next reading.
func (t trust) step(x sample, limit float64) (trust, outcome) {
	if !t.holds {
		if t.known && t.anchor.jumps(x, limit) {
			return trust{anchor: t.anchor, held: x, known: true, holds: true}, undecided
		}
		return trust{anchor: x, known: true}, undecided
	}
	was := t.held
	if x.at-was.at > withinMS || !was.jumps(x, limit) {
		return trust{anchor: x, known: true}, stands
	}
	if (was.value-t.anchor.value)*(x.value-was.value) > 0 {
		return trust{anchor: was, held: x, known: true, holds: true}, stands
	}
	if t.anchor.jumps(x, limit) {
		return trust{anchor: t.anchor, held: x, known: true, holds: true}, spiked
	}
	return trust{anchor: x, known: true}, spiked
}

// jumps reports whether the way to the next sample is longer than the limit,
// within minutes.
func (s sample) jumps(x sample, limit float64) bool {
	return limit > 0 && x.at-s.at <= withinMS && math.Abs(x.value-s.value) > limit
}

// Mark is a value at an instant, in the canonical unit.
type Mark struct {
	At    time.Time
	Value float64
}

// Verdict is what is to be thought of a reading just added.
type Verdict struct {
	// Newest says that it is the newest of its series.
	Newest bool
	// Held says that it must not be judged yet: it may be a spike.
	Held bool
	// Stands is the reading that was held before, where it is to be judged
	// now, ahead of this one; Spike is it where it was a spike, with the size
	// of the jump for its value. Nil where it is not so.
	Stands, Spike *Mark
}

func verdict(was, is trust, of outcome) Verdict {
	v := Verdict{Newest: true, Held: is.holds}
	switch of {
	case stands:
		v.Stands = &Mark{was.held.time(), was.held.value}
	case spiked:
		v.Spike = &Mark{was.held.time(), math.Abs(was.held.value - was.anchor.value)}
	}
	return v
}
