package alarm

import (
	"slices"
	"time"
)

// model is the machine written a second time, from the rules as they stand in
// the comment of Condition and from the standard's diagram, in the plainest
// way: it keeps the whole history and walks back through it at every
// judgement, where Condition keeps timers.
type model struct {
	r      Rule
	seen   []sample
	newest time.Time // of the readings that counted, ever
	dark   []gap     // unknown intervals; the last one may be open
	active bool
	state  State
	until  time.Time
}

type sample struct {
	at time.Time
	v  float64
}

type gap struct {
	from, to time.Time
	open     bool
}

// move is a change of state; zero is none.
type move struct {
	from, to State
	event    NoticeEvent
}

// over says by how much a value is on the bad side of the limit.
func (m *model) over(v float64) float64 {
	if m.r.Kind == LowBattery {
		return m.r.Limit - v
	}
	return v - m.r.Limit
}

// aged says that the value is a time without something, which is known at
// every instant, and over as soon as that something comes.
func (m *model) aged() bool { return m.r.Kind == Silent || m.r.Kind == CalibrationDue }

func (m *model) deadband() float64 {
	if m.aged() {
		return 0
	}
	return m.r.Deadband
}

func (m *model) offDelay() time.Duration {
	if m.aged() {
		return 0
	}
	return m.r.OffDelay
}

func (m *model) unknown() bool {
	return len(m.seen) == 0 || (len(m.dark) > 0 && m.dark[len(m.dark)-1].open)
}

func (m *model) stale(at time.Time) {
	if m.r.Stale > 0 && !m.aged() && !m.unknown() {
		if end := m.seen[len(m.seen)-1].at.Add(m.r.Stale); at.After(end) {
			m.dark = append(slices.Clip(m.dark), gap{from: end, open: true})
		}
	}
}

// darkness is the unknown time between two instants.
func (m *model) darkness(from, to time.Time) (sum time.Duration) {
	for _, g := range m.dark {
		end := g.to
		if g.open {
			end = to
		}
		if end.After(to) {
			end = to
		}
		start := g.from
		if start.Before(from) {
			start = from
		}
		sum += max(0, end.Sub(start))
	}
	return sum
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

// broken reports whether readings were missing, if only for an instant,
// between two readings.
func (m *model) broken(from, to time.Time) bool {
	return slices.ContainsFunc(m.dark, func(g gap) bool { return !g.from.Before(from) && g.from.Before(to) })
}

func (m *model) judge(at time.Time) move {
	rose, fell := false, false
	switch {
	case m.unknown(): // neither raises nor clears
	case m.active:
		newest := m.seen[len(m.seen)-1].at
		from, ok := m.run(func(s sample) bool { return m.over(s.v) <= -m.deadband() && !m.broken(s.at, newest) })
		fell = ok && at.Sub(from) >= m.offDelay()
	default:
		from, ok := m.run(func(s sample) bool { return m.over(s.v) > 0 })
		rose = ok && at.Sub(from)-m.darkness(from, at) >= m.r.OnDelay
	}
	m.active = (m.active || rose) && !fell
	return m.cycle(rose, fell, at)
}

func (m *model) aside() bool { return m.state == Shelved || m.state == OutOfService }

func (m *model) cycle(rose, fell bool, at time.Time) move {
	switch {
	case m.state == Shelved && !at.Before(m.until):
		return m.resume()
	case m.aside():
		return move{}
	case rose:
		return m.to(ActiveUnacknowledged, Raised)
	case fell && m.state == ActiveAcknowledged:
		return m.to(Normal, Returned)
	case fell:
		return m.to(ReturnedUnack, Returned)
	}
	return move{}
}

func (m *model) to(s State, ev NoticeEvent) move {
	from := m.state
	m.state = s
	return move{from, s, ev}
}

func (m *model) resume() move {
	if m.active {
		return m.to(ActiveUnacknowledged, Raised)
	}
	return m.to(Normal, "")
}

func (m *model) observe(at time.Time, v float64) move {
	if !m.newest.IsZero() && !at.After(m.newest) {
		return move{}
	}
	m.stale(at)
	if n := len(m.dark); n > 0 && m.dark[n-1].open {
		m.dark = slices.Clone(m.dark)
		m.dark[n-1].open, m.dark[n-1].to = false, at
	}
	m.seen, m.newest = append(slices.Clip(m.seen), sample{at, v}), at
	return m.judge(at)
}

func (m *model) missing(at time.Time) move {
	if m.stale(at); !m.unknown() && !at.Before(m.newest) {
		m.dark = append(slices.Clip(m.dark), gap{from: at, open: true})
	}
	return m.cycle(false, false, at)
}

func (m *model) tick(at time.Time) move {
	m.stale(at)
	return m.judge(at)
}

// The acts of a person: what moves, and whether it is allowed.

func (m *model) acknowledge() (move, bool) {
	switch m.state {
	case ActiveUnacknowledged:
		return m.to(ActiveAcknowledged, ""), true
	case ReturnedUnack:
		return m.to(Normal, ""), true
	}
	return move{}, false
}

func (m *model) shelve(now, until time.Time) (move, bool) {
	if m.state == OutOfService || !until.After(now) || until.Sub(now) > 7*24*time.Hour {
		return move{}, false
	}
	m.until = until
	if m.state == Shelved {
		return move{}, true
	}
	return m.to(Shelved, ""), true
}

func (m *model) unshelve() (move, bool) {
	if m.state != Shelved {
		return move{}, false
	}
	return m.resume(), true
}

func (m *model) remove() (move, bool) {
	if m.state == OutOfService {
		return move{}, false
	}
	return m.to(OutOfService, ""), true
}

func (m *model) putBack() (move, bool) {
	if m.state != OutOfService {
		return move{}, false
	}
	return m.resume(), true
}

// end is the sensor replaced: nothing is left to follow.
func (m *model) end() (move, bool) {
	m.active, m.seen, m.dark = false, nil, nil
	if m.state == Normal {
		return move{}, true
	}
	return m.to(Normal, ""), true
}
