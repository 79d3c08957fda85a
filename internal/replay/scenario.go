package replay

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
	"dryhold/internal/room"
)

// Scenario is an invented stretch of a house with what is expected of its
// alarms.
type Scenario struct {
	Name string
	// Start and End are whole minutes. What series send from Before on, up to
	// Start, is the past of the house, in which no alarm is judged; zero for
	// none.
	Before     time.Time
	Start, End time.Time
	Seed       uint64
	// Engine is how the engine is made.
	Engine  engine.Config
	Series  []Series
	Outages []Outage // apart, in order of time
	Actions []Action
	Expect  []Expectation
}

// Out is what is out of work for a time.
type Out string

// Outages.
const (
	Power  Out = "power"  // all of it: what sensors would have sent is lost
	Daemon Out = "daemon" // the broker keeps what sensors send, and the daemon gets it when it starts
	Broker Out = "broker" // what sensors send is lost, and the daemon goes on without
)

// Outs lists them.
func Outs() []Out { return []Out{Power, Daemon, Broker} }

// Outage is what is out of work when.
type Outage struct {
	What Out
	Span
}

// Action is what a person does to an alarm.
type Action struct {
	At   time.Time
	Line int // of the file
	engine.Operation
}

// Expectation is one thing that is expected: a state at an instant, or a number
// of raises or messages in a span.
type Expectation struct {
	Line int    // of the file
	Text string // as it is told
	// State is one of alarm.State, or "active" for either of the active ones;
	// empty for the others.
	At    time.Time
	State alarm.State
	Alarm *alarm.Key // of State and Raised, and of messages if it is set
	// Between is of the others, Least and Most the number expected.
	Between     Span
	Raised      bool // of raises, not of messages
	Least, Most int
	// What a message must be to count, where it is set: to whom, about what,
	// with which words in its subject or body.
	Told    string
	Event   alarm.NoticeEvent
	Subject string
	Body    string
}

// Active stands for either of the active states.
const Active alarm.State = "active"

// Finding is what became of an expectation, or of an action that went wrong.
type Finding struct {
	Line  int    `json:"line"`
	Text  string `json:"expected"`
	Pass  bool   `json:"pass"`
	Found string `json:"found"`
}

// Run plays the scenario, and says what became of each expectation in their
// order; the player is as it came to the end. The error says why it could not be
// played.
func (s *Scenario) Run() ([]Finding, *Player, error) {
	first := s.Start
	if !s.Before.IsZero() {
		first = s.Before
	}
	r := running{Scenario: s, coming: Readings(s.Series, first, s.End, s.Seed), findings: make([]Finding, len(s.Expect))}
	r.heard = r.send(s.Start)
	house := House{Engine: s.Engine, Readings: func(rooms []string, from, to time.Time, visit func([]room.Reading) error) error {
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
			r.findings[i] = e.count(log)
		}
	}
	return append(r.findings, r.wrong...), r.Player, nil
}

// running is a scenario while it is played.
type running struct {
	*Scenario
	*Player
	coming   []room.Reading // not yet sent
	heard    []room.Reading // stored, in order of time
	late     []room.Reading // kept by the broker
	acted    int
	looked   []bool
	findings []Finding
	wrong    []Finding // actions
}

// minute lets a minute pass, or an outage of the daemon.
func (r *running) minute() {
	if o := r.out(r.now); o != nil && o.What != Broker {
		sent := r.send(o.To)
		if o.What == Daemon {
			r.late = append(r.late, sent...)
		}
		r.fail(r.Stop(o.To))
	} else {
		sent := r.send(r.now.Add(Step))
		if o != nil {
			sent = slices.DeleteFunc(sent, func(x room.Reading) bool { return o.has(x.At) })
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

func (r *running) out(at time.Time) *Outage {
	for i := range r.Outages {
		if r.Outages[i].has(at) {
			return &r.Outages[i]
		}
	}
	return nil
}

// act does what people do by now; while the daemon is off they wait for it.
func (r *running) act() {
	for ; r.acted < len(r.Actions) && !r.Actions[r.acted].At.After(r.now); r.acted++ {
		a := r.Actions[r.acted]
		if err := r.Operate(a.Operation); err != nil {
			r.wrong = append(r.wrong, Finding{Line: a.Line, Text: fmt.Sprintf("%s %s", a.Do, a.Key), Found: err.Error()})
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
		r.findings[i] = Finding{Line: e.Line, Text: e.Text, Found: "it is " + string(is), Pass: is == e.State || e.State == Active && active(is)}
	}
}

// count holds the raises or messages of a log against what is expected.
func (e *Expectation) count(l *Log) Finding {
	var found []string
	if e.Raised {
		for _, x := range l.Alarms {
			if raised(x) && e.Between.has(x.At) && x.Key == *e.Alarm {
				found = append(found, x.At.In(e.Between.From.Location()).Format("Mon 2 Jan 15:04"))
			}
		}
	} else {
		for _, m := range l.Messages {
			if e.Between.has(m.At) && e.meant(m) {
				found = append(found, fmt.Sprintf("%s to %s: %s", m.At.In(e.Between.From.Location()).Format("Mon 2 Jan 15:04"), m.To, m.Subject))
			}
		}
	}
	f := Finding{Line: e.Line, Text: e.Text, Found: fmt.Sprint(len(found)), Pass: len(found) >= e.Least && len(found) <= e.Most}
	if len(found) > 0 {
		f.Found += ": " + strings.Join(found, "; ")
	}
	return f
}

// meant reports whether a message is one that counts.
func (e *Expectation) meant(m alarm.Notice) bool {
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
