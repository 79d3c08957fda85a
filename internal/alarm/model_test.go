package alarm

import (
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// bench drives a condition, the model, and a twin that gets the same readings
// but that nobody ever touches.
type bench struct {
	c, twin Condition
	m       model
	now     time.Time
	last    time.Time // of the newest transition
}

func newBench(r Rule, now time.Time) bench {
	c := New(Key{Kind: r.Kind, Room: "loft"})
	return bench{c: c, twin: c, m: model{r: r, state: Normal}, now: now}
}

// diagram lists the moves that ISA-18.2 / IEC 62682 draw between these states
// (from memory): around the circle of normal, active, acknowledged, returned;
// aside from any state; and back from aside into normal or into active, which
// is annunciated anew. Beside them there is the end of what was watched, which
// is normal from any state.
func diagram() map[[2]State][]NoticeEvent {
	return map[[2]State][]NoticeEvent{
		{Normal, ActiveUnacknowledged}:             {Raised},
		{ActiveUnacknowledged, ActiveAcknowledged}: {""},
		{ActiveUnacknowledged, ReturnedUnack}:      {Returned},
		{ActiveAcknowledged, Normal}:               {Returned, ""}, // "" at the end of what was watched
		{ReturnedUnack, Normal}:                    {""},
		{ReturnedUnack, ActiveUnacknowledged}:      {Raised},
		{Normal, Shelved}:                          {""},
		{ActiveUnacknowledged, Shelved}:            {""},
		{ActiveAcknowledged, Shelved}:              {""},
		{ReturnedUnack, Shelved}:                   {""},
		{Normal, OutOfService}:                     {""},
		{ActiveUnacknowledged, OutOfService}:       {""},
		{ActiveAcknowledged, OutOfService}:         {""},
		{ReturnedUnack, OutOfService}:              {""},
		{Shelved, OutOfService}:                    {""},
		{Shelved, Normal}:                          {""},
		{Shelved, ActiveUnacknowledged}:            {Raised},
		{OutOfService, Normal}:                     {""},
		{OutOfService, ActiveUnacknowledged}:       {Raised},
		{ActiveUnacknowledged, Normal}:             {""}, // at the end of what was watched only
	}
}

// deed is what one event made of the condition, and what the model says.
type deed struct {
	after Condition
	moved []Transition
	err   error
	want  move
	ok    bool // the model allows it
	ended bool // what was watched has ended
}

// take checks a deed against the model and against what must always hold, and
// goes on from it.
func (b *bench) take(allowed map[[2]State][]NoticeEvent, d deed) error {
	before, c := b.c, d.after
	b.c = c
	if (d.err == nil) != d.ok {
		return fmt.Errorf("the model allows it: %v, but: %v", d.ok, d.err)
	}
	if d.err != nil {
		if !errors.Is(d.err, ErrRefused) || c != before || len(d.moved) > 0 {
			return fmt.Errorf("what is refused must change nothing: %w, %+v", d.err, d.moved)
		}
		return nil
	}
	if len(d.moved) > 1 {
		return fmt.Errorf("one event made several transitions: %+v", d.moved)
	}
	var got move
	for _, t := range d.moved {
		got = move{t.From, t.To, t.Event}
		switch {
		case t.From != before.State || t.To != c.State:
			return fmt.Errorf("transition %+v from %q to %q", t, before.State, c.State)
		case t.At.Before(b.last) || !t.At.Equal(c.Changed):
			return fmt.Errorf("transition at %v after one at %v, changed at %v", t.At, b.last, c.Changed)
		case !slices.Contains(allowed[[2]State{t.From, t.To}], t.Event):
			return fmt.Errorf("the standard's diagram has no move %+v", t)
		case !d.ended && (t.From == ActiveUnacknowledged && t.To == Normal || t.From == ActiveAcknowledged && t.To == Normal && t.Event == ""):
			return fmt.Errorf("an alarm vanished: %+v", t)
		}
		b.last = t.At
	}
	if got != d.want || c.State != b.m.state || c.Active != b.m.active || c.Unknown != b.m.unknown() {
		return fmt.Errorf("condition: %v, %q, active %v, unknown %v\nmodel:     %v, %q, active %v, unknown %v",
			got, c.State, c.Active, c.Unknown, d.want, b.m.state, b.m.active, b.m.unknown())
	}
	return b.always(before, got, d.ended)
}

// always is what must hold after every event.
func (b *bench) always(before Condition, got move, ended bool) error {
	c := b.c
	aside := c.State == Shelved || c.State == OutOfService
	switch {
	case c.Active != before.Active && c.Unknown && !ended:
		return errors.New("unknown raised or cleared an alarm")
	case !aside && c.Active != (c.State == ActiveUnacknowledged || c.State == ActiveAcknowledged):
		return fmt.Errorf("active %v in state %q", c.Active, c.State)
	case before.State == ActiveAcknowledged && before.Active && !c.Active && !aside && c.State != Normal:
		return fmt.Errorf("acknowledged and returned, but %q", c.State)
	case aside && got.event != "":
		return fmt.Errorf("a notice while set aside: %v", got)
	case !before.Active && c.Active && b.now.Sub(c.Since)-c.Gap < b.m.r.OnDelay:
		return fmt.Errorf("active after %v known of an on-delay of %v", b.now.Sub(c.Since)-c.Gap, b.m.r.OnDelay)
	case got.event == Raised && c.Spell != before.Spell+1, got.event != Raised && c.Spell != before.Spell:
		return fmt.Errorf("%v takes spell %d to %d: a notice key would come twice", got, before.Spell, c.Spell)
	case c.Changed.Before(before.Changed) || c.ValueAt.Before(before.ValueAt) || c.RaisedAt.Before(before.RaisedAt):
		return errors.New("time goes back")
	case c.State == Shelved && c.ShelvedUntil.Sub(b.now) > MaxShelve:
		return errors.New("shelved for longer than is allowed")
	case limitLayer(c) != limitLayer(b.twin):
		return fmt.Errorf("what people do moved the limit layer:\n%s", cmp.Diff(limitLayer(b.twin), limitLayer(c)))
	}
	return nil
}

// limitLayer is what follows the readings, whatever the keeper does. Of a time
// without something the value stands for the last call that moved anything,
// which what people do may be.
func limitLayer(c Condition) Condition {
	l := Condition{
		Active: c.Active, Since: c.Since, Peak: c.Peak, PeakAt: c.PeakAt, Gap: c.Gap,
		Value: c.Value, ValueAt: c.ValueAt, Unknown: c.Unknown, UnknownSince: c.UnknownSince, On: c.On, OffFrom: c.OffFrom,
	}
	if c.Key.Kind.aged() {
		l.Peak, l.PeakAt, l.Value, l.ValueAt = 0, time.Time{}, 0, time.Time{}
		l.On.Peak, l.On.PeakAt = 0, time.Time{}
	}
	return l
}

// The events. Each gives the deed, for take.

func (b *bench) see(at time.Time, v float64) (d deed) {
	if b.m.aged() {
		seen := at.Add(-secs(v))
		b.twin, _ = b.twin.ObserveAge(b.m.r, at, seen)
		d.after, d.moved = b.c.ObserveAge(b.m.r, at, seen)
	} else {
		b.twin, _ = b.twin.Observe(b.m.r, at, v)
		d.after, d.moved = b.c.Observe(b.m.r, at, v)
	}
	d.want, d.ok = b.m.observe(at, v), true
	return d
}

func (b *bench) miss() (d deed) {
	b.twin, _ = b.twin.Missing(b.m.r, b.now)
	d.after, d.moved = b.c.Missing(b.m.r, b.now)
	d.want, d.ok = b.m.missing(b.now), true
	return d
}

func (b *bench) tick() (d deed) {
	b.twin, _ = b.twin.Tick(b.m.r, b.now)
	d.after, d.moved = b.c.Tick(b.m.r, b.now)
	d.want, d.ok = b.m.tick(b.now), true
	return d
}

func (b *bench) acknowledge() (d deed) {
	d.after, d.moved, d.err = b.c.Acknowledge(b.now, "mara", "seen")
	d.want, d.ok = b.m.acknowledge()
	return d
}

func (b *bench) shelve(until time.Time) (d deed) {
	d.after, d.moved, d.err = b.c.Shelve(b.now, until, "mara")
	d.want, d.ok = b.m.shelve(b.now, until)
	return d
}

func (b *bench) unshelve() (d deed) {
	d.after, d.moved, d.err = b.c.Unshelve(b.now)
	d.want, d.ok = b.m.unshelve()
	return d
}

func (b *bench) remove() (d deed) {
	d.after, d.moved, d.err = b.c.RemoveFromService(b.now, "mara")
	d.want, d.ok = b.m.remove()
	return d
}

func (b *bench) putBack() (d deed) {
	d.after, d.moved, d.err = b.c.ReturnToService(b.now)
	d.want, d.ok = b.m.putBack()
	return d
}

func (b *bench) annotate() (d deed) {
	d.after, d.moved, d.err = b.c.Annotate(b.now, "mara", "compressor failed")
	d.ok = true
	return d
}

func (b *bench) end() (d deed) {
	b.twin, _ = b.twin.End(b.now)
	d.after, d.moved = b.c.End(b.now)
	d.want, d.ok = b.m.end()
	d.ended = true
	return d
}

func minutes(t *rapid.T, label string, most int) time.Duration {
	return time.Duration(rapid.IntRange(0, most).Draw(t, label)) * time.Minute
}

// rules draws a rule of each sort: of a value with too much, of one with too
// little, and of a time without something.
func rules(t *rapid.T) Rule {
	r := Rule{
		Kind: rapid.SampledFrom([]Kind{Warm, Warm, LowBattery, Silent}).Draw(t, "kind"), Limit: 24,
		Deadband: float64(rapid.IntRange(0, 2).Draw(t, "deadband")),
		OnDelay:  minutes(t, "on", 30), OffDelay: minutes(t, "off", 30), Stale: minutes(t, "stale", 20),
	}
	if r.Kind == Silent {
		r.Limit = 24 * 60 // s
	}
	return r
}

// Whatever comes in, and whatever people do, the machine does what the model
// says, and what must always hold does.
func TestModel(t *testing.T) {
	allowed := diagram()
	rapid.Check(t, func(t *rapid.T) {
		b, keys := newBench(rules(t), noon()), map[string]bool{}
		take := func(t *rapid.T, d deed) {
			t.Helper()
			before := b.c
			if err := b.take(allowed, d); err != nil {
				t.Fatalf("%v\nbefore: %+v\nafter:  %+v", err, before, b.c)
			}
			for _, m := range d.moved {
				if key := b.c.NoticeKey(m.Event); m.Event != "" {
					if keys[key] {
						t.Fatalf("notice key %q twice", key)
					}
					keys[key] = true
				}
			}
		}
		t.Repeat(b.actions(take))
	})
}

func (b *bench) actions(take func(*rapid.T, deed)) map[string]func(*rapid.T) {
	pass := func(t *rapid.T, least, most int) {
		b.now = b.now.Add(time.Duration(least)*time.Minute + minutes(t, "pass", most))
	}
	value := func(t *rapid.T) float64 {
		v := rapid.SampledFrom([]float64{20, 22, 23, 23.5, 24, 24.5, 25, 26, 28}).Draw(t, "value")
		if b.m.aged() {
			return 60 * v
		}
		return v
	}
	readings := map[string]func(*rapid.T){
		"observe": func(t *rapid.T) { pass(t, 1, 15); take(t, b.see(b.now, value(t))) },
		"restart": func(t *rapid.T) { b.c = restart(t, b.c) },
		"downtime": func(t *rapid.T) { // nothing comes, nobody ticks
			pass(t, 0, 180)
			b.c = restart(t, b.c)
		},
		"acknowledge": func(t *rapid.T) { pass(t, 0, 3); take(t, b.acknowledge()) },
		"shelve": func(t *rapid.T) {
			least := rapid.SampledFrom([]time.Duration{0, time.Minute, time.Hour, MaxShelve}).Draw(t, "least")
			take(t, b.shelve(b.now.Add(least+minutes(t, "for", 30))))
		},
		"unshelve": func(t *rapid.T) { take(t, b.unshelve()) },
		"remove":   func(t *rapid.T) { take(t, b.remove()) },
		"return":   func(t *rapid.T) { pass(t, 0, 3); take(t, b.putBack()) },
		"annotate": func(t *rapid.T) { take(t, b.annotate()) },
		"end": func(t *rapid.T) {
			if rapid.IntRange(0, 9).Draw(t, "seldom") == 0 {
				take(t, b.end())
			}
		},
	}
	if b.m.aged() { // it is observed at every tick, and never missing
		return readings
	}
	again := func(t *rapid.T, earlier time.Duration) {
		if b.c.ValueAt.IsZero() {
			t.Skip("nothing seen yet")
		}
		before := b.c
		v := before.Value
		if earlier > 0 {
			v = value(t)
		}
		if take(t, b.see(before.ValueAt.Add(-earlier), v)); b.c != before {
			t.Fatal("a late or repeated reading changed the condition")
		}
	}
	readings["repeat"] = func(t *rapid.T) { again(t, 0) }
	readings["late"] = func(t *rapid.T) { again(t, time.Minute) }
	readings["missing"] = func(t *rapid.T) { pass(t, 0, 15); take(t, b.miss()) }
	readings["tick"] = func(t *rapid.T) { pass(t, 0, 15); take(t, b.tick()) }
	return readings
}
