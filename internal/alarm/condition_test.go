package alarm

import (
	"encoding/json"
	"errors"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// step is one event of a script: minutes after noon, and what happens then.
type step func(*testing.T, Condition) (Condition, []Transition)

func minute(m float64) time.Time { return noon().Add(time.Duration(m * float64(time.Minute))) }

func see(r Rule, m, v float64) step {
	return func(_ *testing.T, c Condition) (Condition, []Transition) { return c.Observe(r, minute(m), v) }
}

func tick(r Rule, m float64) step {
	return func(_ *testing.T, c Condition) (Condition, []Transition) { return c.Tick(r, minute(m)) }
}

func miss(r Rule, m float64) step {
	return func(_ *testing.T, c Condition) (Condition, []Transition) { return c.Missing(r, minute(m)) }
}

// act is an operator action that must be accepted.
func act(do func(c Condition) (Condition, []Transition, error)) step {
	return func(t *testing.T, c Condition) (Condition, []Transition) {
		t.Helper()
		after, moved, err := do(c)
		if err != nil {
			t.Fatal(err)
		}
		return after, moved
	}
}

func ack(m float64) step {
	return act(func(c Condition) (Condition, []Transition, error) { return c.Acknowledge(minute(m), "ada", "seen") })
}

func shelve(m, until float64) step {
	return act(func(c Condition) (Condition, []Transition, error) { return c.Shelve(minute(m), minute(until), "ada") })
}

func unshelve(m float64) step {
	return act(func(c Condition) (Condition, []Transition, error) { return c.Unshelve(minute(m)) })
}

func remove(m float64) step {
	return act(func(c Condition) (Condition, []Transition, error) { return c.RemoveFromService(minute(m), "ada") })
}

func restore(m float64) step {
	return act(func(c Condition) (Condition, []Transition, error) { return c.ReturnToService(minute(m)) })
}

// moved is one expected transition: minutes after noon.
type moved struct {
	At float64
	To State
	Ev NoticeEvent
}

// play runs a script, with a JSON round trip after each step as after a
// restart, and compares the transitions.
func play(t *testing.T, steps []step, want ...moved) Condition {
	t.Helper()
	c := New(Key{Kind: Warm, Room: "loft"})
	var got []moved
	for _, s := range steps {
		after, transitions := s(t, c)
		state := c.State
		for _, m := range transitions {
			if m.From != state {
				t.Errorf("transition from %q while the state was %q", m.From, state)
			}
			state = m.To
			got = append(got, moved{m.At.Sub(noon()).Minutes(), m.To, m.Event})
		}
		if after.State != state {
			t.Errorf("state %q, but the transitions end at %q", after.State, state)
		}
		c = restart(t, after)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("transitions differ (-want +got):\n%s", diff)
	}
	return c
}

// failer is what *testing.T and *rapid.T share.
type failer interface {
	Helper()
	Fatal(args ...any)
	Fatalf(format string, args ...any)
}

func restart(t failer, c Condition) Condition {
	t.Helper()
	text, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	var back Condition
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(c, back); diff != "" {
		t.Fatalf("a restart changes the condition:\n%s", diff)
	}
	return back
}

// delayed is the rule of most scripts: limit 24, over at 23, 30 minutes each way.
func delayed() Rule {
	return Rule{Kind: Warm, Limit: 24, Deadband: 1, OnDelay: 30 * time.Minute, OffDelay: 30 * time.Minute}
}

func instant() Rule { return Rule{Kind: Warm, Limit: 24, Deadband: 1} }

func TestOnDelay(t *testing.T) {
	r := delayed()
	raised := func(m float64) moved { return moved{m, ActiveUnacknowledged, Raised} }
	// Judged at a reading, and at a tick.
	play(t, []step{see(r, 0, 25), see(r, 29, 26), see(r, 30, 25)}, raised(30))
	play(t, []step{see(r, 0, 25), tick(r, 29), tick(r, 30), tick(r, 31)}, raised(30))
	// At the limit is not beyond it.
	play(t, []step{see(r, 0, 24), tick(r, 60), see(r, 61, 24)})
	// A reading in the deadband ends a pending excursion: the delay starts anew.
	play(t, []step{see(r, 0, 25), see(r, 20, 23.5), see(r, 21, 25), tick(r, 50), tick(r, 51)}, raised(51))
	// No on-delay: at once.
	play(t, []step{see(instant(), 0, 24.001)}, raised(0))

	c := play(t, []step{see(r, 0, 25), see(r, 10, 28), see(r, 30, 26), see(r, 40, 27)}, raised(30))
	if c.Since != minute(0) || c.RaisedAt != minute(30) || c.Peak != 28 || c.PeakAt != minute(10) || c.Spell != 1 || c.Value != 27 {
		t.Errorf("excursion not kept: %+v", c)
	}
}

func TestOffDelayAndDeadband(t *testing.T) {
	on, r := see(instant(), 0, 25), delayed()
	raised, returned := moved{0, ActiveUnacknowledged, Raised}, func(m float64) moved { return moved{m, ReturnedUnack, Returned} }
	play(t, []step{on, see(r, 10, 23), see(r, 39, 22), see(r, 40, 22)}, raised, returned(40))
	play(t, []step{on, see(r, 10, 23), tick(r, 40)}, raised, returned(40))
	// In the deadband nothing returns, and a pending return ends.
	play(t, []step{on, see(r, 10, 23.5), tick(r, 100)}, raised)
	play(t, []step{on, see(r, 10, 23), see(r, 20, 23.5), see(r, 21, 23), tick(r, 50), tick(r, 51)}, raised, returned(51))
	play(t, []step{on, see(instant(), 1, 23)}, raised, returned(1))
	// Raised again from returned: a new spell.
	c := play(t, []step{on, see(instant(), 1, 23), see(instant(), 2, 30)}, raised, returned(1), moved{2, ActiveUnacknowledged, Raised})
	if c.Spell != 2 || c.Since != minute(2) || c.Peak != 30 {
		t.Errorf("new spell not begun: %+v", c)
	}
}

func TestUnknownTime(t *testing.T) {
	r, on := delayed(), see(instant(), 0, 25)
	raised := func(m float64) moved { return moved{m, ActiveUnacknowledged, Raised} }
	// Ticks while unknown do not count for the on-delay; it goes on after.
	c := play(t, []step{see(r, 0, 25), miss(r, 20), tick(r, 40), tick(r, 100), see(r, 110, 25), tick(r, 119), tick(r, 120)}, raised(120))
	if c.Gap != 90*time.Minute || c.Since != minute(0) {
		t.Errorf("gap %v since %v, want 90 minutes since noon", c.Gap, c.Since)
	}
	// The excursion was over when readings came back: it had never been one.
	play(t, []step{see(r, 0, 25), miss(r, 20), see(r, 110, 20), tick(r, 200)})
	// Unknown never clears, and a pending return starts anew after it.
	play(t, []step{on, miss(r, 10), tick(r, 1e6)}, raised(0))
	play(t, []step{on, see(r, 10, 20), miss(r, 20), tick(r, 50), see(r, 60, 20), tick(r, 89), tick(r, 90)},
		raised(0), moved{90, ReturnedUnack, Returned})
	// Nor does it raise what was never seen.
	play(t, []step{miss(r, 0), tick(r, 100), miss(r, 200)})
	// Downtime: with the stale limit in the rule no call of Missing is needed.
	r.Stale = 10 * time.Minute
	play(t, []step{see(r, 0, 25), see(r, 10, 25), see(r, 5000, 25), tick(r, 5009), see(r, 5010, 25)}, raised(5010))
	play(t, []step{see(r, 0, 25), tick(r, 60)})
	play(t, []step{see(instant(), 0, 25), see(r, 1, 20), see(r, 5000, 20)}, raised(0))
	// A late Missing, older than the newest reading, is not true any more.
	if c := play(t, []step{see(r, 10, 20), miss(r, 5)}); c.Unknown {
		t.Error("an old Missing made a newer reading unknown")
	}
	if c := New(Key{}); !c.Unknown || c.State != Normal {
		t.Error("a new condition pretends to know")
	}
}

func TestReadingsThatDoNotCount(t *testing.T) {
	r := instant()
	play(t, []step{see(r, 10, 20), see(r, 5, 40)})
	play(t, []step{see(r, 10, math.NaN()), see(r, 11, math.Inf(1)), see(r, 12, math.Inf(-1))})
	play(t, []step{see(r, 10, 30), see(r, 11, math.Inf(-1))}, moved{10, ActiveUnacknowledged, Raised})
	play(t, []step{see(r, 10, 30), see(r, 10, 30), see(r, 10, 30)}, moved{10, ActiveUnacknowledged, Raised})
	// A repeat of a reading gone stale does not make it fresh.
	if c := play(t, []step{see(r, 10, 20), miss(r, 20), see(r, 10, 20), see(r, 10, 21)}); !c.Unknown {
		t.Error("a repeated reading made a stale value fresh")
	}
	// A newer value for the same instant replaces it (two sensors, one room).
	play(t, []step{see(r, 10, 20), see(r, 10, 30)}, moved{10, ActiveUnacknowledged, Raised})
	// A limit that is not a number neither raises nor clears.
	r.Limit = math.NaN()
	play(t, []step{see(r, 10, 99), tick(r, 99)})
	play(t, []step{see(instant(), 0, 25), see(r, 10, -99), tick(r, 99)}, moved{0, ActiveUnacknowledged, Raised})
}

func TestAcknowledge(t *testing.T) {
	r := instant()
	raised := moved{0, ActiveUnacknowledged, Raised}
	c := play(t, []step{see(r, 0, 25), ack(1)}, raised, moved{1, ActiveAcknowledged, ""})
	if c.AckBy != "ada" || c.AckAt != minute(1) || c.AckNote != "seen" {
		t.Errorf("who acknowledged is lost: %+v", c)
	}
	play(t, []step{see(r, 0, 25), ack(1), see(r, 2, 20)}, raised, moved{1, ActiveAcknowledged, ""}, moved{2, Normal, Returned})
	play(t, []step{see(r, 0, 25), see(r, 2, 20), ack(3)}, raised, moved{2, ReturnedUnack, Returned}, moved{3, Normal, ""})
	// An acknowledgement is of one spell.
	c = play(t, []step{see(r, 0, 25), ack(1), see(r, 2, 20), see(r, 3, 25)}, raised,
		moved{1, ActiveAcknowledged, ""}, moved{2, Normal, Returned}, moved{3, ActiveUnacknowledged, Raised})
	if c.AckBy != "" || !c.AckAt.IsZero() || c.AckNote != "" {
		t.Errorf("the acknowledgement outlived its spell: %+v", c)
	}
	// Time never runs backwards in the life cycle.
	play(t, []step{see(r, 10, 25), ack(5)}, moved{10, ActiveUnacknowledged, Raised}, moved{10, ActiveAcknowledged, ""})
}

func TestShelve(t *testing.T) {
	r := instant()
	raised, shelved := moved{0, ActiveUnacknowledged, Raised}, func(m float64) moved { return moved{m, Shelved, ""} }
	// Silent through a whole excursion; normal when it ends.
	play(t, []step{shelve(0, 60), see(r, 1, 30), see(r, 2, 20), tick(r, 59), tick(r, 60)}, shelved(0), moved{60, Normal, ""})
	// Active at the end: raised anew, with a key of its own.
	c := play(t, []step{see(r, 0, 25), ack(1), shelve(2, 60), tick(r, 60)}, raised,
		moved{1, ActiveAcknowledged, ""}, shelved(2), moved{60, ActiveUnacknowledged, Raised})
	if c.Spell != 2 || c.Since != minute(0) || c.RaisedAt != minute(60) || c.AckBy != "" || c.AsideBy != "" || !c.ShelvedUntil.IsZero() {
		t.Errorf("not a fresh spell: %+v", c)
	}
	// The reading that comes with the end is counted first.
	play(t, []step{see(r, 0, 25), shelve(1, 60), see(r, 61, 20)}, raised, shelved(1), moved{61, Normal, ""})
	// Unknown: the alarm stands, and shelving still ends.
	play(t, []step{see(r, 0, 25), shelve(1, 60), miss(r, 61)}, raised, shelved(1), moved{61, ActiveUnacknowledged, Raised})
	play(t, []step{see(r, 0, 25), shelve(1, 60), unshelve(5)}, raised, shelved(1), moved{5, ActiveUnacknowledged, Raised})
	play(t, []step{see(r, 0, 25), see(r, 1, 20), shelve(2, 60), unshelve(5)}, raised,
		moved{1, ReturnedUnack, Returned}, shelved(2), moved{5, Normal, ""})
	// Shelved again: a later end.
	play(t, []step{shelve(0, 10), shelve(5, 60), tick(r, 59), tick(r, 61)}, shelved(0), moved{61, Normal, ""})
	// A pending excursion goes on through it.
	d := delayed()
	play(t, []step{see(d, 0, 25), shelve(10, 20), tick(d, 20), tick(d, 30)}, shelved(10), moved{20, Normal, ""}, moved{30, ActiveUnacknowledged, Raised})
}

func TestOutOfService(t *testing.T) {
	r := instant()
	out := func(m float64) moved { return moved{m, OutOfService, ""} }
	play(t, []step{remove(0), see(r, 1, 30), tick(r, 1e7), restore(2e7)}, out(0), moved{2e7, ActiveUnacknowledged, Raised})
	play(t, []step{remove(0), see(r, 1, 30), see(r, 2, 20), restore(3)}, out(0), moved{3, Normal, ""})
	c := play(t, []step{shelve(0, 10), remove(1), tick(r, 11)}, moved{0, Shelved, ""}, out(1))
	if c.AsideBy != "ada" || !c.ShelvedUntil.IsZero() {
		t.Errorf("shelving outlived the removal: %+v", c)
	}
}

func TestSilent(t *testing.T) {
	r := silentRule() // an hour of silence, 30 minutes of delay
	r.Deadband, r.OffDelay, r.Stale = 99, time.Hour, time.Minute
	c := New(Key{Kind: Silent, Room: "loft", Sensor: "loft-1"})
	var got []moved
	age := func(m, seen float64) {
		var transitions []Transition
		before := c
		c, transitions = restart(t, c).ObserveAge(r, minute(m), minute(seen))
		if len(transitions) == 0 && c.Active == before.Active && !before.Unknown && c.On == before.On && !cmp.Equal(c, before) {
			t.Errorf("minute %v moved nothing, but there is something to store:\n%s", m, cmp.Diff(before, c))
		}
		for _, m := range transitions {
			got = append(got, moved{m.At.Sub(noon()).Minutes(), m.To, m.Event})
		}
	}
	if age(0, 0); c.Unknown {
		t.Error("a sensor just heard of is unknown")
	}
	age(60, 0)
	age(61, 0) // the first tick past the limit starts the delay
	age(90, 0)
	age(91, 0)
	age(200, 0)
	if text := Compose("", c, r, Raised, minute(200), nil, Context{}).Subject; text != "Loft: sensor loft-1 silent for 3 h 20 min" {
		t.Errorf("the text does not age with the silence: %q", text)
	}
	c, _ = c.Missing(r, minute(201))
	if c.Unknown {
		t.Error("silence is unknown")
	}
	age(202, 202)
	if c.Peak != (202 * time.Minute).Seconds() {
		t.Errorf("longest silence %v s, want 202 minutes", c.Peak)
	}
	age(203, 204) // seen in the future by a clock that runs ahead: not silent
	// A restart after a day of downtime: the sensor has the delay to show up.
	age(2000, 204)
	age(2029, 2028)
	want := []moved{{91, ActiveUnacknowledged, Raised}, {202, ReturnedUnack, Returned}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("transitions differ (-want +got):\n%s", diff)
	}
}

func TestRefusals(t *testing.T) {
	r := instant()
	normal := New(Key{Kind: Warm, Room: "loft"})
	active, _ := normal.Observe(r, minute(0), 30)
	acked, _, _ := active.Acknowledge(minute(1), "ada", "")
	shelved, _, _ := active.Shelve(minute(1), minute(60), "ada")
	out, _, _ := active.RemoveFromService(minute(1), "ada")
	f := func(c, after Condition, moved []Transition, err error, want string) {
		t.Helper()
		if !errors.Is(err, ErrRefused) || err.Error() != want {
			t.Errorf("got error %q, want %q", err, want)
		}
		if len(moved) > 0 || c != after {
			t.Error("a refused action changed something")
		}
	}
	g := func(c Condition, want string, do func(Condition) (Condition, []Transition, error)) {
		t.Helper()
		after, moved, err := do(c)
		f(c, after, moved, err, want)
	}
	ackBy := func(by string) func(Condition) (Condition, []Transition, error) {
		return func(c Condition) (Condition, []Transition, error) { return c.Acknowledge(minute(2), by, "") }
	}
	shelveBy := func(by string, until float64) func(Condition) (Condition, []Transition, error) {
		return func(c Condition) (Condition, []Transition, error) { return c.Shelve(minute(2), minute(until), by) }
	}
	removeBy := func(by string) func(Condition) (Condition, []Transition, error) {
		return func(c Condition) (Condition, []Transition, error) { return c.RemoveFromService(minute(2), by) }
	}
	g(active, "cannot acknowledge warm/loft without a name: say who does it: refused", ackBy(" "))
	g(normal, "cannot acknowledge warm/loft: it is normal: refused", ackBy("ada"))
	g(acked, "cannot acknowledge warm/loft: it is active acknowledged by ada already: refused", ackBy("bob"))
	g(shelved, "cannot acknowledge warm/loft: it is shelved: refused", ackBy("bob"))
	g(active, "cannot shelve warm/loft without a name: say who does it: refused", shelveBy("", 60))
	g(active, "cannot shelve warm/loft until 2031-07-12T12:02:00Z: the end must come after now: refused", shelveBy("ada", 2))
	g(out, "cannot shelve warm/loft: it is out of service; return it to service first: refused", shelveBy("ada", 60))
	g(active, "cannot take out of service warm/loft without a name: say who does it: refused", removeBy(""))
	g(out, "cannot take out of service warm/loft: it is out of service already: refused", removeBy("ada"))
	g(active, "cannot unshelve warm/loft: it is active unacknowledged: refused", func(c Condition) (Condition, []Transition, error) { return c.Unshelve(minute(2)) })
	g(shelved, "cannot return to service warm/loft: it is shelved: refused", func(c Condition) (Condition, []Transition, error) { return c.ReturnToService(minute(2)) })
}
