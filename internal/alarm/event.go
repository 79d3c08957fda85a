package alarm

import (
	"fmt"
	"time"
)

// Event is one transition as the history keeps it, with what was known then.
type Event struct {
	Key  Key       `json:"key"`
	From State     `json:"from"`
	To   State     `json:"to"`
	At   time.Time `json:"at"`
	// Value and Peak are as in Condition, in the canonical unit; Value is the
	// last known one where Unknown.
	Value   float64 `json:"value"`
	Peak    float64 `json:"peak"`
	Unknown bool    `json:"unknown,omitempty"`
	Spell   int     `json:"spell"`
	By      string  `json:"by,omitempty"` // who did it; empty where it came by itself
}

// Event is a transition of the condition, which is as it left it.
func (c Condition) Event(t Transition) Event {
	return Event{Key: c.Key, From: t.From, To: t.To, At: t.At, Value: c.Value, Peak: c.Peak, Unknown: c.Unknown, Spell: c.Spell}
}

// SpellKey names the present spell of a condition among all it ever had, as
// NoticeKey does; empty before the first.
func (c Condition) SpellKey() string {
	if c.Spell == 0 {
		return ""
	}
	return fmt.Sprintf("%d/%s", c.Spell, c.RaisedAt.UTC().Format("20060102T150405Z"))
}

// The acts of people on alarms, by the names under which they are told, kept
// and spelt on the command line.
const (
	ActAcknowledge  = "acknowledge"
	ActShelve       = "shelve"
	ActUnshelve     = "unshelve"
	ActOutOfService = "out-of-service"
	ActReturn       = "return-to-service"
	ActAnnotate     = "annotate"
)

// Acts lists them.
func Acts() []string {
	return []string{ActAcknowledge, ActShelve, ActUnshelve, ActOutOfService, ActReturn, ActAnnotate}
}
