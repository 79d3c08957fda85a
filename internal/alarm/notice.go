package alarm

import "time"

// NoticeEvent says what a notice tells of.
type NoticeEvent string

// Events worth a notice.
const (
	Raised   NoticeEvent = "raised"
	Returned NoticeEvent = "returned"
)

// LotCost is what a spell outside a limit has cost one lot.
type LotCost struct {
	Lot  string  `json:"lot"`
	Food string  `json:"food"`
	Days float64 `json:"days_of_life"`           // so far
	Week float64 `json:"days_of_life_in_a_week"` // if the present value lasts another week
}

// Notice is one message for the keeper about one event of one alarm. Key is
// unique to the event and the same at every delivery of it.
type Notice struct {
	Key      string      `json:"key"`
	Event    NoticeEvent `json:"event"`
	Alarm    Key         `json:"alarm"`
	Priority Priority    `json:"priority"`
	Site     string      `json:"site"`
	At       time.Time   `json:"at"`
	Since    time.Time   `json:"since"`
	Subject  string      `json:"subject"` // all in 60 characters where it can be
	Body     string      `json:"body"`    // plain text, lines under 78 characters
	Costs    []LotCost   `json:"costs"`
}
