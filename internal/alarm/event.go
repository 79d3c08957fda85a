package alarm

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// Event is one transition as the history keeps it, with what was known then; or
// an act of a person that moved no state, and then From and To are the same.
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
	// Do is what a person did, one of Acts, with name, note and the end of
	// shelving; empty where it came by itself.
	Do    string    `json:"do,omitempty"`
	By    string    `json:"by,omitempty"`
	Note  string    `json:"note,omitempty"`
	Until time.Time `json:"until,omitzero"`
}

// Event is a transition of the condition, which is as it left it.
func (c Condition) Event(t Transition) Event {
	return Event{Key: c.Key, From: t.From, To: t.To, At: t.At, Value: c.Value, Peak: c.Peak, Unknown: c.Unknown, Spell: c.Spell}
}

// Amount writes a value of what the kind watches with its unit.
func (k Kind) Amount(v float64) string { return Rule{Kind: k}.amount(v) }

// SpellKey names the present spell of a condition among all it ever had, as
// NoticeKey does; empty before the first.
func (c Condition) SpellKey() string {
	if c.Spell == 0 {
		return ""
	}
	return fmt.Sprintf("%d/%s", c.Spell, c.RaisedAt.UTC().Format("20060102T150405Z"))
}

// ShelveEnd is the end of shelving that begins at an instant and is given as a
// span: 90m, 8h, 2d or 1w, above zero and at most MaxShelve.
func ShelveEnd(now time.Time, span string) (time.Time, error) {
	length, err := parseSpan(strings.TrimSpace(span))
	switch {
	case err != nil:
		return time.Time{}, fmt.Errorf("%q is not a time span: write for example 90m, 8h or 2d", span)
	case length <= 0:
		return time.Time{}, fmt.Errorf("a time span of %s is over before it begins: write for example 90m, 8h or 2d", span)
	case length > MaxShelve:
		return time.Time{}, fmt.Errorf("%s is longer than an alarm may be shelved at a time, which is %d days", span, int(MaxShelve.Hours()/24))
	}
	return now.Add(length).Truncate(time.Second), nil
}

// parseSpan reads a Go duration, or a number of days or weeks.
func parseSpan(text string) (time.Duration, error) {
	number, found := strings.CutSuffix(text, "d")
	unit := 24.0
	if !found {
		number, found = strings.CutSuffix(text, "w")
		unit = 7 * 24
	}
	if !found {
		return time.ParseDuration(text)
	}
	v, err := strconv.ParseFloat(number, 64)
	if err != nil || !(math.Abs(v) < 1e5) {
		return 0, fmt.Errorf("%q is not a number", number)
	}
	return time.Duration(v * unit * float64(time.Hour)), nil
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
