package alarm

import (
	"time"
)

// The conditions of the sensors themselves. A kind stands for one quantity
// where its limit does.
const (
	Stuck            Kind = "stuck"             // one and the same value for longer than the limit, s
	Spike            Kind = "spike"             // a single temperature away from both neighbours, K
	SpikeHumidity    Kind = "spike_humidity"    // a single humidity
	Drift            Kind = "drift"             // the difference to other sensors has moved, K
	DriftHumidity    Kind = "drift_humidity"    // that of humidity
	Disagree         Kind = "disagree"          // away from the other sensors of the room, K
	DisagreeHumidity Kind = "disagree_humidity" // in humidity
	LowBattery       Kind = "battery"           // charge left below its limit, fraction
	CalibrationDue   Kind = "calibration"       // time since it was due, s
)

// fault says that a kind is a fault of a sensor other than its silence.
func (k Kind) fault() bool {
	switch k {
	case Stuck, Spike, SpikeHumidity, Drift, DriftHumidity, Disagree, DisagreeHumidity, LowBattery, CalibrationDue:
		return true
	}
	return false
}

// below says that the trouble is a value below the limit.
func (k Kind) below() bool {
	switch k {
	case LowBattery, Quality, OxygenSpent, AbsorberSmall, Disk:
		return true
	}
	return false
}

// aged says that the value is the time since something last was.
func (k Kind) aged() bool { return k == Silent || k == CalibrationDue }

// Beyond says that a value is beyond the limit.
func (r Rule) Beyond(v float64) bool { return r.beyond(v, r.Limit) }

// beyond compares two values by which is the worse.
func (r Rule) beyond(v, than float64) bool {
	if r.Kind.below() {
		return v < than
	}
	return v > than
}

// within says that an active alarm may return.
func (r Rule) within(v float64) bool {
	if r.Kind.below() {
		return v >= r.Limit+r.Deadband
	}
	return v <= r.Limit-r.Deadband
}

// End takes note that there is nothing left to watch: a person has replaced the
// sensor or finished the lot, or what was warned of has come true and has an
// alarm of its own. Nothing is left to return or to acknowledge, so it is
// normal, whatever it was, and says nothing. It is no way for missing data.
func (c Condition) End(at time.Time) (Condition, []Transition) {
	c.Active, c.On, c.OffFrom = false, Pending{}, time.Time{}
	c.Unknown, c.UnknownSince = true, time.Time{}
	c.ShelvedUntil, c.AsideBy = time.Time{}, ""
	if c.State == Normal {
		return c, nil
	}
	return c.to(Normal, at, "")
}

// Quietly gives back the condition as it was where next, made of it, moves
// neither state nor delay and no alarm stands, so that looking at a sound
// sensor leaves nothing to store.
func (c Condition) Quietly(next Condition, moved []Transition) (Condition, []Transition) {
	idle := func(c Condition) bool { return !c.Active && c.On.From.IsZero() && c.State == Normal }
	if len(moved) == 0 && idle(c) && idle(next) {
		return c, nil
	}
	return next, moved
}
