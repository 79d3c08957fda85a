package alarm

import (
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// model is the plainest reading of the rules: it keeps the whole history and
// walks back through it at every judgement, where Condition keeps timers.
type model struct {
	r       Rule
	seen    []sample
	dark    []gap // unknown intervals; the last one may be open
	active  bool
	state   State
	until   time.Time
	notices []NoticeEvent
}

type sample struct {
	at time.Time
	v  float64
}

type gap struct {
	from, to time.Time
	open     bool
}

func (m *model) unknown() bool {
	return len(m.seen) == 0 || (len(m.dark) > 0 && m.dark[len(m.dark)-1].open)
}

func (m *model) stale(at time.Time) {
	if m.r.Stale > 0 && !m.unknown() {
		if end := m.seen[len(m.seen)-1].at.Add(m.r.Stale); at.After(end) {
			m.dark = append(m.dark, gap{from: end, open: true})
		}
	}
}

// darkness is the unknown time between two instants.
func (m *model) darkness(from, to time.Time) (sum time.Duration) {
	for _, g := range m.dark {
		start, end := g.from, g.to
		if g.open {
			end = to
		}
		start, end = later(start, from), earlier(end, to)
		sum += max(0, end.Sub(start))
	}
	return sum
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// run is the start of the newest unbroken run of readings for which ok holds.
func (m *model) run(ok func(sample) bool) (from time.Time, found bool) {
	for _, s := range slices.Backward(m.seen) {
		if !ok(s) {
			break
		}
		from, found = s.at, true
	}
	return from, found
}

func (m *model) judge(at time.Time) {
	rose, fell := false, false
	if !m.unknown() {
		if !m.active {
			from, ok := m.run(func(s sample) bool { return s.v > m.r.Limit })
			rose = ok && at.Sub(from)-m.darkness(from, at) >= m.r.OnDelay
		} else {
			newest := m.seen[len(m.seen)-1].at
			from, ok := m.run(func(s sample) bool {
				return s.v <= m.r.Limit-m.r.Deadband && !m.broken(s.at, newest)
			})
			fell = ok && at.Sub(from) >= m.r.OffDelay
		}
	}
	m.active = (m.active || rose) && !fell
	m.cycle(rose, fell, at)
}

// broken reports whether readings were missing, if only for an instant,
// between two readings.
func (m *model) broken(from, to time.Time) bool {
	return slices.ContainsFunc(m.dark, func(g gap) bool { return !g.from.Before(from) && g.from.Before(to) })
}

func (m *model) cycle(rose, fell bool, at time.Time) {
	aside := m.state == Shelved || m.state == OutOfService
	switch {
	case m.state == Shelved && !at.Before(m.until):
		m.resume()
	case aside:
	case rose:
		m.state, m.notices = ActiveUnacknowledged, append(m.notices, Raised)
	case fell && m.state == ActiveAcknowledged:
		m.state, m.notices = Normal, append(m.notices, Returned)
	case fell:
		m.state, m.notices = ReturnedUnack, append(m.notices, Returned)
	}
}

func (m *model) resume() {
	m.state = Normal
	if m.active {
		m.state, m.notices = ActiveUnacknowledged, append(m.notices, Raised)
	}
}

func (m *model) observe(at time.Time, v float64) {
	if n := len(m.seen); n > 0 && !at.After(m.seen[n-1].at) {
		return
	}
	m.stale(at)
	if n := len(m.dark); n > 0 && m.dark[n-1].open {
		m.dark[n-1].open, m.dark[n-1].to = false, at
	}
	m.seen = append(m.seen, sample{at, v})
	m.judge(at)
}

func (m *model) missing(at time.Time) {
	if m.stale(at); !m.unknown() && !at.Before(m.seen[len(m.seen)-1].at) {
		m.dark = append(m.dark, gap{from: at, open: true})
	}
	m.cycle(false, false, at)
}

// bench drives a condition and the model together.
type bench struct {
	c    Condition
	m    model
	now  time.Time
	keys map[string]bool
	sent []NoticeEvent
	last time.Time // of the newest transition
}

// after takes the result of an event and checks what must always hold.
func (b *bench) after(t *rapid.T, before, c Condition, moved []Transition) {
	t.Helper()
	b.c = c
	state := before.State
	for _, m := range moved {
		if m.From != state || m.At.Before(b.last) || m.From == m.To {
			t.Fatalf("transition %+v after state %q at %v", m, state, b.last)
		}
		state, b.last = m.To, m.At
		if m.Event == "" {
			continue
		}
		if m.To == Shelved || m.To == OutOfService {
			t.Fatalf("a notice while set aside: %+v", m)
		}
		b.sent = append(b.sent, m.Event)
		key := c.NoticeKey(m.Event)
		if b.keys[key] {
			t.Fatalf("notice key %q twice", key)
		}
		b.keys[key] = true
	}
	if state != c.State {
		t.Fatalf("state %q, transitions end at %q", c.State, state)
	}
	known := []State{Normal, ActiveUnacknowledged, ActiveAcknowledged, ReturnedUnack, Shelved, OutOfService}
	if !slices.Contains(known, c.State) {
		t.Fatalf("state %q is none of the standard's", c.State)
	}
	if aside := c.State == Shelved || c.State == OutOfService; !aside && c.Active != (c.State == ActiveUnacknowledged || c.State == ActiveAcknowledged) {
		t.Fatalf("active %v in state %q", c.Active, c.State)
	}
	if before.Active != c.Active && c.Unknown {
		t.Fatal("unknown raised or cleared an alarm")
	}
	if before.State == ActiveAcknowledged && before.Active && !c.Active && c.State != Normal {
		t.Fatalf("acknowledged and returned, but %q", c.State)
	}
	if !before.Active && c.Active {
		if on := b.now.Sub(c.Since) - c.Gap; on < b.m.r.OnDelay {
			t.Fatalf("active after %v of an on-delay of %v", on, b.m.r.OnDelay)
		}
	}
}

func (b *bench) agree(t *rapid.T) {
	t.Helper()
	got := fmt.Sprint(b.c.State, b.c.Active, b.c.Unknown, b.sent)
	want := fmt.Sprint(b.m.state, b.m.active, b.m.unknown(), b.m.notices)
	if got != want {
		t.Fatalf("condition: %s\nmodel:     %s\n%+v", got, want, b.c)
	}
}

// act applies an operator action to the condition; whether it was accepted.
func (b *bench) act(t *rapid.T, do func(Condition) (Condition, []Transition, error)) bool {
	before := b.c
	c, moved, err := do(before)
	if err != nil && (!errors.Is(err, ErrRefused) || c != before || len(moved) > 0) {
		t.Fatalf("bad refusal: %v %+v", err, moved)
	}
	b.after(t, before, c, moved)
	return err == nil
}

func minutes(t *rapid.T, label string, most int) time.Duration {
	return time.Duration(rapid.IntRange(0, most).Draw(t, label)) * time.Minute
}

func TestModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := Rule{
			Kind: Warm, Limit: 24, Deadband: float64(rapid.IntRange(0, 2).Draw(t, "deadband")),
			OnDelay: minutes(t, "on", 30), OffDelay: minutes(t, "off", 30), Stale: minutes(t, "stale", 20),
		}
		b := &bench{
			c: New(Key{Kind: Warm, Room: "loft"}), m: model{r: r, state: Normal},
			now: noon(), keys: map[string]bool{},
		}
		t.Repeat(b.actions(r))
	})
}

func (b *bench) actions(r Rule) map[string]func(*rapid.T) {
	value := rapid.SampledFrom([]float64{20, 22, 23, 23.5, 24, 24.5, 26})
	pass := func(t *rapid.T) { b.now = b.now.Add(minutes(t, "pass", 15)) }
	observe := func(t *rapid.T, at time.Time, v float64) {
		before := b.c
		c, moved := before.Observe(r, at, v)
		b.after(t, before, c, moved)
		b.m.observe(at, v)
	}
	return map[string]func(*rapid.T){
		"": b.agree,
		"observe": func(t *rapid.T) {
			b.now = b.now.Add(time.Minute + minutes(t, "pass", 15))
			observe(t, b.now, value.Draw(t, "value"))
		},
		"repeat": func(t *rapid.T) {
			if len(b.m.seen) == 0 {
				t.Skip("nothing seen yet")
			}
			before := b.c
			if observe(t, before.ValueAt, before.Value); b.c != before {
				t.Fatal("a repeated reading changed the condition")
			}
		},
		"late": func(t *rapid.T) {
			if len(b.m.seen) == 0 {
				t.Skip("nothing to be late for")
			}
			before := b.c
			if observe(t, before.ValueAt.Add(-time.Minute), value.Draw(t, "value")); b.c != before {
				t.Fatal("a late reading changed the condition")
			}
		},
		"missing": func(t *rapid.T) {
			pass(t)
			before := b.c
			c, moved := before.Missing(r, b.now)
			b.after(t, before, c, moved)
			if c.Active != before.Active {
				t.Fatal("missing data raised or cleared")
			}
			b.m.missing(b.now)
		},
		"tick": func(t *rapid.T) {
			pass(t)
			before := b.c
			c, moved := before.Tick(r, b.now)
			b.after(t, before, c, moved)
			b.m.stale(b.now)
			b.m.judge(b.now)
		},
		"restart": func(t *rapid.T) { b.c = restart(t, b.c) },
		"acknowledge": func(t *rapid.T) {
			before := b.m.state
			ok := b.act(t, func(c Condition) (Condition, []Transition, error) { return c.Acknowledge(b.now, "ada", "") })
			if ok != (before == ActiveUnacknowledged || before == ReturnedUnack) {
				t.Fatalf("acknowledged %v in %q", ok, before)
			}
			b.m.state = map[State]State{ActiveUnacknowledged: ActiveAcknowledged, ReturnedUnack: Normal}[before]
			if !ok {
				b.m.state = before
			}
		},
		"shelve": func(t *rapid.T) {
			until := b.now.Add(time.Minute + minutes(t, "for", 60))
			if b.act(t, func(c Condition) (Condition, []Transition, error) { return c.Shelve(b.now, until, "ada") }) {
				b.m.state, b.m.until = Shelved, until
			}
		},
		"unshelve": func(t *rapid.T) {
			if b.act(t, func(c Condition) (Condition, []Transition, error) { return c.Unshelve(b.now) }) {
				b.m.resume()
			}
		},
		"remove": func(t *rapid.T) {
			if b.act(t, func(c Condition) (Condition, []Transition, error) { return c.RemoveFromService(b.now, "ada") }) {
				b.m.state = OutOfService
			}
		},
		"return": func(t *rapid.T) {
			if b.act(t, func(c Condition) (Condition, []Transition, error) { return c.ReturnToService(b.now) }) {
				b.m.resume()
			}
		},
	}
}
