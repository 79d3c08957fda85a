// Package scenario describes an invented stretch of a house, with what its
// sensors send and what is expected of its alarms. Package settings reads it and
// package replay plays it.
package scenario

import (
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
)

// Step is the shortest time that a scenario knows of.
const Step = time.Minute

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
	// Lots are those of the house.
	Lots    []lot.Change
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
	Line int    // of the file
	Do   string // one of alarm.Acts
	Key  alarm.Key
	By   string
	Note string
	// Until is the end of shelving.
	Until time.Time
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
