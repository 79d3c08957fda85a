package alarm

import (
	"fmt"
	"math"
	"time"
)

// Condition is the whole state of one alarm condition: a plain value, kept as
// JSON, so that state, delays and acknowledgements outlive the process. Every
// transition is a pure function that gives back the changed copy.
//
// Two layers are kept apart. The limit layer (Active, On, OffFrom) follows
// the readings whatever the keeper does. The life cycle (State) is what the
// keeper sees, and stands aside while the alarm is shelved or out of service.
//
// Rules of the limit layer:
//   - Beyond is v > Limit. Within is v <= Limit-Deadband. (Of a battery, whose
//     trouble is a low value: v < Limit, and v >= Limit+Deadband.) Between the two an
//     active alarm stays active and an inactive one stays inactive.
//   - On-delay: the excursion is pending from its first reading beyond the
//     limit and active once it has lasted OnDelay, judged at a reading or a
//     tick. Any reading at or below the limit ends a pending excursion: the
//     delay asks for unbroken heat, and the deadband serves only to end an
//     alarm that stands, there being nothing to end before.
//   - Off-delay: the mirror image. The return is pending from the first
//     reading within and complete after OffDelay; any reading above
//     Limit-Deadband ends it.
//   - Unknown time counts neither way. It holds a pending excursion (the
//     clock of the on-delay stands still, and goes on if the next reading is
//     beyond the limit), it ends a pending return (a return needs unbroken
//     known-good time), and it never raises and never clears. Downtime of the
//     daemon is unknown time like any other: a reading stands for Rule.Stale
//     and no longer.
//   - A reading older than the newest one counted, or not a finite number,
//     changes nothing.
type Condition struct {
	Key     Key       `json:"key"`
	State   State     `json:"state"`
	Changed time.Time `json:"changed,omitzero"` // when State changed last
	// Spell counts the raises, so that each notice has a key of its own. An
	// alarm that comes out of shelving still active is raised anew.
	Spell int `json:"spell"`

	// Active is the verdict of the limit layer. Outside shelving it agrees
	// with State.
	Active bool `json:"active"`
	// Since is the first reading beyond the limit of the excursion that
	// became active last; Peak its highest value so far (of a silent sensor:
	// the longest silence, s); Gap its unknown time.
	Since    time.Time     `json:"since,omitzero"`
	Peak     float64       `json:"peak"`
	PeakAt   time.Time     `json:"peak_at,omitzero"`
	Gap      time.Duration `json:"gap_ns"`
	RaisedAt time.Time     `json:"raised_at,omitzero"` // when Spell was raised

	// Value is the newest reading, in the canonical unit; see Unknown.
	Value   float64   `json:"value"`
	ValueAt time.Time `json:"value_at,omitzero"`
	// Unknown says that there is no reading now: none came yet, or the last
	// one went stale at UnknownSince. The state is then held, not confirmed.
	Unknown      bool      `json:"unknown"`
	UnknownSince time.Time `json:"unknown_since,omitzero"`

	On      Pending   `json:"on"`                // excursion waiting for the on-delay
	OffFrom time.Time `json:"off_from,omitzero"` // first reading of a return waiting for the off-delay

	AckBy   string    `json:"ack_by,omitempty"` // of the present spell
	AckAt   time.Time `json:"ack_at,omitzero"`
	AckNote string    `json:"ack_note,omitempty"`

	// Note is what a person has noted of the alarm ("compressor failed"), shown
	// in its next notices.
	Note   string    `json:"note,omitempty"`
	NoteBy string    `json:"note_by,omitempty"`
	NoteAt time.Time `json:"note_at,omitzero"`

	ShelvedUntil time.Time `json:"shelved_until,omitzero"`
	AsideBy      string    `json:"aside_by,omitempty"` // who shelved it or took it out of service
}

// Pending is an excursion that has not lasted its on-delay. From is zero when
// there is none.
type Pending struct {
	From   time.Time     `json:"from,omitzero"`
	Peak   float64       `json:"peak"`
	PeakAt time.Time     `json:"peak_at,omitzero"`
	Gap    time.Duration `json:"gap_ns"` // unknown time since From
}

// Transition is one change of State, with the notice it calls for.
type Transition struct {
	From  State
	To    State
	At    time.Time   // never before the transition that came before
	Event NoticeEvent // Raised, Returned or "" for none
}

// New is a condition of which nothing is known yet: normal and unknown.
func New(key Key) Condition { return Condition{Key: key, State: Normal, Unknown: true} }

// NoticeKey names one event of the present spell. It holds the number of the
// spell and the time it was raised, so that a condition started afresh never
// repeats a key and a notice is never mistaken for an older one.
func (c Condition) NoticeKey(ev NoticeEvent) string {
	return fmt.Sprintf("%s#%d/%s/%s", c.Key, c.Spell, c.RaisedAt.UTC().Format("20060102T150405Z"), ev)
}

// Observe takes a reading, in the canonical unit of the quantity watched.
func (c Condition) Observe(r Rule, at time.Time, v float64) (Condition, []Transition) {
	if at.Before(c.ValueAt) || math.IsNaN(v) || math.IsInf(v, 0) {
		return c, nil
	}
	if at.Equal(c.ValueAt) && (c.Unknown || v == c.Value) {
		return c, nil // a repeat says nothing new, and does not make a stale value fresh
	}
	r = r.effective()
	c = c.stale(r, at).known(at)
	c.Value, c.ValueAt = v, at
	return c.judge(r, at)
}

// ObserveAge feeds a silent condition, whose value is the time in seconds
// since the sensor was last seen and whose Limit is its stale limit in
// seconds; a due calibration is fed the same way, its value being the time
// since it was due. The engine calls it at every tick for every sensor, and when a
// sensor is seen (lastSeen = at), which clears at once. lastSeen of a sensor
// never seen is the time its watch began. After a restart the silence of the
// daemon's own downtime looks like silence of the sensor: OnDelay, counted
// from the first tick, is the time sensors have to show up. Missing must not
// be used: silence is known.
//
// A call that moves neither state nor delay gives c back as it was, so that a
// tick over many sensors leaves nothing to store: Value and ValueAt stand for
// the last call that moved something, and ValueAt less Value is when an
// active sensor was last seen.
func (c Condition) ObserveAge(r Rule, at, lastSeen time.Time) (Condition, []Transition) {
	after, moved := c.Observe(r, at, max(0, at.Sub(lastSeen).Seconds()))
	if len(moved) == 0 && !c.Unknown && after.Active == c.Active && after.On.From.Equal(c.On.From) {
		return c, nil
	}
	if c.Active && !after.Active {
		over := lastSeen
		if over.After(at) { // due in the future
			over = at
		}
		after.Peak, after.PeakAt = max(c.Peak, over.Sub(c.lastSeen()).Seconds()), over
	}
	return after, moved
}

// lastSeen is when the sensor of an active silent condition was last seen.
func (c Condition) lastSeen() time.Time { return c.ValueAt.Add(-secs(c.Value)) }

// Missing says that at this instant there is no usable reading (the newest
// went past the stale limit, or the clock or sensor is not trusted). The
// value stays unknown until the next reading.
func (c Condition) Missing(r Rule, at time.Time) (Condition, []Transition) {
	r = r.effective()
	if c = c.stale(r, at); !c.Unknown && !at.Before(c.ValueAt) && !r.Kind.aged() {
		c = c.unknown(at)
	}
	return c.annunciate(false, false, at)
}

// Tick lets time pass: delays run out while the value is known, readings go
// stale by Rule.Stale, shelving ends.
func (c Condition) Tick(r Rule, at time.Time) (Condition, []Transition) {
	r = r.effective()
	return c.stale(r, at).judge(r, at)
}

// effective is the rule as the machine uses it: a silent sensor needs no
// deadband, returns as soon as it is seen and is never unknown itself.
func (r Rule) effective() Rule {
	r.Deadband = max(0, r.Deadband)
	if r.Kind.aged() {
		r.Deadband, r.OffDelay, r.Stale = 0, 0, 0
	}
	return r
}

// stale makes the value unknown from the end of its stale limit on.
func (c Condition) stale(r Rule, at time.Time) Condition {
	if r.Stale <= 0 || c.Unknown || c.ValueAt.IsZero() {
		return c
	}
	if end := c.ValueAt.Add(r.Stale); at.After(end) {
		return c.unknown(end)
	}
	return c
}

func (c Condition) unknown(from time.Time) Condition {
	c.Unknown, c.UnknownSince = true, from
	c.OffFrom = time.Time{}
	return c
}

// known ends an unknown spell and books its length on the excursion it fell
// into.
func (c Condition) known(at time.Time) Condition {
	if !c.Unknown {
		return c
	}
	if !c.UnknownSince.IsZero() {
		gap := max(0, at.Sub(c.UnknownSince))
		if c.Active {
			c.Gap += gap
		} else if !c.On.From.IsZero() {
			c.On.Gap += gap
		}
	}
	c.Unknown, c.UnknownSince = false, time.Time{}
	return c
}

// judge runs the limit layer on the newest value and then the life cycle.
func (c Condition) judge(r Rule, at time.Time) (Condition, []Transition) {
	if c.Unknown {
		return c.annunciate(false, false, at)
	}
	if c.Active {
		c, fell := c.returning(r, at)
		return c.annunciate(false, fell, at)
	}
	c, rose := c.rising(r, at)
	return c.annunciate(rose, false, at)
}

func (c Condition) rising(r Rule, at time.Time) (Condition, bool) {
	if !r.beyond(c.Value, r.Limit) {
		c.On = Pending{}
		return c, false
	}
	if c.On.From.IsZero() {
		c.On = Pending{From: c.ValueAt, Peak: c.Value, PeakAt: c.ValueAt}
	}
	if r.beyond(c.Value, c.On.Peak) {
		c.On.Peak, c.On.PeakAt = c.Value, c.ValueAt
	}
	if at.Sub(c.On.From)-c.On.Gap < r.OnDelay {
		return c, false
	}
	c.Active, c.OffFrom = true, time.Time{}
	c.Since, c.Peak, c.PeakAt, c.Gap = c.On.From, c.On.Peak, c.On.PeakAt, c.On.Gap
	c.On = Pending{}
	return c, true
}

func (c Condition) returning(r Rule, at time.Time) (Condition, bool) {
	if r.beyond(c.Value, c.Peak) {
		c.Peak, c.PeakAt = c.Value, c.ValueAt
	}
	if !r.within(c.Value) {
		c.OffFrom = time.Time{}
		return c, false
	}
	if c.OffFrom.IsZero() {
		c.OffFrom = c.ValueAt
	}
	if at.Sub(c.OffFrom) < r.OffDelay {
		return c, false
	}
	c.Active, c.OffFrom = false, time.Time{}
	return c, true
}
