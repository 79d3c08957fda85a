package alarm

import "time"

// NoticeEvent says what a notice tells of.
type NoticeEvent string

// Events worth a notice.
const (
	Raised    NoticeEvent = "raised"
	Returned  NoticeEvent = "returned"
	Reminder  NoticeEvent = "reminder"  // still so, and nobody has acknowledged it
	Escalated NoticeEvent = "escalated" // raised, for one who is told because nobody acknowledged it
	Digest    NoticeEvent = "digest"    // the week, and that the daemon lives
	Test      NoticeEvent = "test"      // a test of the way to a person, and the yearly drill
)

// LotCost is what a spell outside a limit has cost one lot.
type LotCost struct {
	Lot  string  `json:"lot"`
	Food string  `json:"food"`
	Days float64 `json:"days_of_life"`           // so far
	Week float64 `json:"days_of_life_in_a_week"` // if the present value lasts another week
}

// Item is one alarm that a notice tells of.
type Item struct {
	Key      Key         `json:"alarm"`
	Event    NoticeEvent `json:"event"`
	Priority Priority    `json:"priority"`
	Since    time.Time   `json:"since"`
	Subject  string      `json:"subject"`
	Costs    []LotCost   `json:"costs"`
}

// Notice is one message. Those for machines tell of one event of one alarm;
// those for a person may tell of several alarms, and then Alarm, Priority,
// Since and Costs are those of the first of its items. Key is unique to the
// message and the same at every delivery of it.
type Notice struct {
	Key string `json:"key"`
	// To is the person it is for; empty for machines, which get every event
	// at once.
	To string `json:"to,omitempty"`
	// Channels are the ways it goes, rows of the outbox of their own; nil for
	// those of machines.
	Channels []string    `json:"-"`
	Event    NoticeEvent `json:"event"`
	Alarm    Key         `json:"alarm"`
	Priority Priority    `json:"priority"`
	Site     string      `json:"site"`
	At       time.Time   `json:"at"`
	Since    time.Time   `json:"since"`
	Subject  string      `json:"subject"` // all in 60 characters where it can be
	Body     string      `json:"body"`    // plain text, lines under 78 characters
	Costs    []LotCost   `json:"costs"`
	// Items are the alarms that a message for a person tells of; none in a
	// digest, a test or a notice for machines.
	Items []Item `json:"items,omitempty"`
	// Links do something to the alarms when they are followed, once each:
	// whoever has them may do it. Only in a notice for a person.
	Links []Link `json:"links,omitempty"`
}

// Link is an address with what following it does.
type Link struct {
	Text string `json:"text"`
	URL  string `json:"url"`
}
