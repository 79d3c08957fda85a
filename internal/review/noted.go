package review

import (
	"iter"
	"time"

	"dryhold/internal/room"
)

// FindBeside gives the spells of a room between two instants as Find does and
// puts what the keeper noted before them, as Merge does. What is found ends at
// a note and begins anew behind it, so that neither the end nor the extremes of
// an excursion before a note hang on what comes after it. hours gives those of
// the room that begin within a span; a note may begin within an hour, which is
// then judged whole on both sides.
func FindBeside(name string, hours func(from, to time.Time) iter.Seq2[time.Time, room.Slot], from, to time.Time, limits Limits, noted []Spell) []Spell {
	notes := Merge(nil, noted)
	var found []Spell
	stretch := func(a, b time.Time) {
		if !a.Before(b) {
			return
		}
		for _, s := range Find(name, hours(a.Truncate(time.Hour), b), limits) {
			if s.From.Before(a) {
				s.From = a
			}
			if s.To = earlier(s.To, b); s.From.Before(s.To) {
				found = append(found, s)
			}
		}
	}
	for _, n := range notes {
		stretch(from, earlier(n.From, to))
		if n.To.After(from) {
			from = n.To
		}
	}
	stretch(from, to)
	return Merge(found, notes)
}
