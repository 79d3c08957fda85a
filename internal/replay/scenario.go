package replay

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
	"dryhold/internal/room"
	"dryhold/internal/scenario"
)

// Run plays a scenario in a house whose engine is made by cfg, and says what became of each expectation in their
// order; the player is as it came to the end. The error says why it could not be
// played.
func Run(s *scenario.Scenario, cfg engine.Config) ([]scenario.Finding, *Player, error) {
	first := s.Start
	if !s.Before.IsZero() {
		first = s.Before
	}
	r := running{Scenario: s, coming: scenario.Readings(s.Series, first, s.End, s.Seed), findings: make([]scenario.Finding, len(s.Expect))}
	cfg.Lots = s.Lots
	r.heard = r.send(s.Start)
	house := House{Engine: cfg, Readings: func(rooms []string, from, to time.Time, visit func([]room.Reading) error) error {
		return Stored(r.heard)(rooms, from, to, visit)
	}}
	for _, x := range s.Series {
		if !slices.Contains(house.Rooms, x.Room) {
			house.Rooms = append(house.Rooms, x.Room)
		}
	}
	slices.Sort(house.Rooms)
	var err error
	if r.Player, err = New(house, s.Start); err != nil {
		return nil, nil, err
	}
	for r.now.Before(s.End) && r.err == nil {
		r.minute()
		r.look()
	}
	if r.err != nil {
		return nil, nil, r.err
	}
	log := r.Log()
	for i := range s.Expect {
		if e := &s.Expect[i]; e.State == "" {
			r.findings[i] = count(e, log)
		}
	}
	return append(r.findings, r.wrong...), r.Player, nil
}

// running is a scenario while it is played.
type running struct {
	*scenario.Scenario
	*Player
	coming   []room.Reading // not yet sent
	heard    []room.Reading // stored, in order of time
	late     []room.Reading // kept by the broker
	acted    int
	looked   []bool
	findings []scenario.Finding
	wrong    []scenario.Finding // actions
}

// minute lets a minute pass, or an outage of the daemon.
func (r *running) minute() {
	if o := r.out(r.now); o != nil && o.What != scenario.Broker {
		sent := r.send(o.To)
		if o.What == scenario.Daemon {
			r.late = append(r.late, sent...)
		}
		r.fail(r.Stop(o.To))
	} else {
		sent := r.send(r.now.Add(Step))
		if o != nil {
			sent = slices.DeleteFunc(sent, func(x room.Reading) bool { return o.Has(x.At) })
		}
		r.ways.BrokerAway = o != nil
		sent = append(r.late, sent...)
		r.late = nil
		r.heard = append(r.heard, sent...)
		r.Step(sent)
	}
	r.act()
}

// send takes the readings up to an instant, with it, off what is coming.
func (r *running) send(to time.Time) []room.Reading {
	n := 0
	for n < len(r.coming) && !r.coming[n].At.After(to) {
		n++
	}
	sent := r.coming[:n:n]
	r.coming = r.coming[n:]
	return slices.Clone(sent)
}

func (r *running) out(at time.Time) *scenario.Outage {
	for i := range r.Outages {
		if r.Outages[i].Has(at) {
			return &r.Outages[i]
		}
	}
	return nil
}

// act does what people do by now; while the daemon is off they wait for it.
func (r *running) act() {
	for ; r.acted < len(r.Actions) && !r.Actions[r.acted].At.After(r.now); r.acted++ {
		a := r.Actions[r.acted]
		if err := r.Operate(engine.Operation{Do: a.Do, Key: a.Key, By: a.By, Note: a.Note, Until: a.Until}); err != nil {
			r.wrong = append(r.wrong, scenario.Finding{Line: a.Line, Text: fmt.Sprintf("%s %s", a.Do, a.Key), Found: err.Error()})
		}
	}
}

// look compares the states expected by now.
func (r *running) look() {
	if r.looked == nil {
		r.looked = make([]bool, len(r.Expect))
	}
	for i := range r.Expect {
		e := &r.Expect[i]
		if e.State == "" || r.looked[i] || e.At.After(r.now) {
			continue
		}
		r.looked[i] = true
		is := r.engine.Condition(*e.Alarm).State
		if is == "" {
			is = alarm.Normal // it was never judged
		}
		r.findings[i] = scenario.Finding{Line: e.Line, Text: e.Text, Found: "it is " + string(is), Pass: is == e.State || e.State == scenario.Active && active(is)}
	}
}

// count holds the raises or messages of a log against what is expected.
func count(e *scenario.Expectation, l *Log) scenario.Finding {
	var found []string
	if e.Raised {
		for _, x := range l.Alarms {
			if raised(x) && e.Between.Has(x.At) && x.Key == *e.Alarm {
				found = append(found, x.At.In(e.Between.From.Location()).Format("Mon 2 Jan 15:04"))
			}
		}
	} else {
		for _, m := range l.Messages {
			if e.Between.Has(m.At) && meant(e, m) {
				found = append(found, fmt.Sprintf("%s to %s: %s", m.At.In(e.Between.From.Location()).Format("Mon 2 Jan 15:04"), m.To, m.Subject))
			}
		}
	}
	f := scenario.Finding{Line: e.Line, Text: e.Text, Found: fmt.Sprint(len(found)), Pass: len(found) >= e.Least && len(found) <= e.Most}
	if len(found) > 0 {
		f.Found += ": " + strings.Join(found, "; ")
	}
	return f
}

// meant reports whether a message is one that counts.
func meant(e *scenario.Expectation, m alarm.Notice) bool {
	about := func(x alarm.Item) bool {
		return (e.Alarm == nil || x.Key == *e.Alarm) && (e.Event == "" || x.Event == e.Event)
	}
	switch {
	case e.Told != "" && m.To != e.Told:
		return false
	case !strings.Contains(m.Subject, e.Subject) || !strings.Contains(m.Body, e.Body):
		return false
	case e.Alarm == nil && (e.Event == "" || m.Event == e.Event):
		return true
	}
	return slices.ContainsFunc(m.Items, about)
}
