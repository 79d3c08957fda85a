// Package audit puts every act of a person into one list: who did what to what,
// when it was and when it was told, why, and what was there before. It is pure:
// an act is what its fact says, in words.
package audit

import (
	"slices"
	"strings"
	"time"
)

// Kind is what an act was done to.
type Kind string

// Kinds of acts.
const (
	Lot    Kind = "lot"
	Alarm  Kind = "alarm"
	Sensor Kind = "sensor"
	Room   Kind = "room"
	// Readings of the past that were imported.
	Readings Kind = "readings"
)

// Act is one thing that a person did.
type Act struct {
	Told time.Time `json:"told"` // when it was told
	At   time.Time `json:"at"`   // when it was, or from when it counts
	By   string    `json:"by"`
	Kind Kind      `json:"kind"`
	Of   string    `json:"of"`            // L-1, warm/loft, cellar/cellar-1
	What string    `json:"what"`          // with units
	Why  string    `json:"why,omitempty"` // the note given with it
	Old  string    `json:"old,omitempty"` // what was there before, where something was
	// Change is the number of a fact about a sensor, or of a note of a room, by
	// which it is revoked.
	Change int `json:"change,omitempty"`
}

// Filter says which acts are wanted. The zero value wants all.
type Filter struct {
	Since  time.Time // told at this instant or later
	Before time.Time // told before this instant
	By     string    // by this person or program
	Kind   Kind
	// Of is what an act was done to: L-1, warm/loft, cellar/cellar-1; also of a
	// room, cellar, whose sensors and alarms are then wanted as well.
	Of string
}

// Wants reports whether an act is wanted.
func (f Filter) Wants(a Act) bool {
	switch {
	case a.Told.Before(f.Since), !f.Before.IsZero() && !a.Told.Before(f.Before):
		return false
	case f.By != "" && a.By != f.By, f.Kind != "" && a.Kind != f.Kind:
		return false
	case f.Of == "" || a.Of == f.Of:
		return true
	case a.Kind == Sensor:
		return strings.HasPrefix(a.Of, f.Of+"/")
	case a.Kind == Alarm:
		return slices.Contains(strings.Split(a.Of, "/"), f.Of) || strings.HasSuffix(a.Of, "/"+f.Of)
	}
	return false
}

// Kinds lists what an act can be done to.
func Kinds() []Kind { return []Kind{Lot, Alarm, Sensor, Room, Readings} }

// Newest merges acts, each list in the order in which it was told, into one
// with the newest first, of at most limit acts.
func Newest(f Filter, limit int, lists ...[]Act) []Act {
	out := []Act{}
	for _, list := range lists {
		for _, a := range slices.Backward(list) {
			if f.Wants(a) {
				out = append(out, a)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b Act) int { return b.Told.Compare(a.Told) })
	return out[:min(len(out), max(0, limit))]
}
