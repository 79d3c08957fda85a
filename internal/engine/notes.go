package engine

import (
	"slices"
	"time"

	"dryhold/internal/lot"
	"dryhold/internal/nearest"
	"dryhold/internal/note"
	"dryhold/internal/review"
)

// NextNote is the number of the next change of the notes of rooms.
func (e *Engine) NextNote() int { return e.notes.NextSeq() }

// CheckNote reports why a change of the notes of rooms cannot be taken; it
// wraps lot.ErrNotFound or lot.ErrInvalid.
func (e *Engine) CheckNote(c note.Change) error {
	if err := e.notes.Check(c); err != nil {
		return err
	}
	if c.Kind == note.Noted && e.find(c.Room) == nil {
		return lot.NotFound("no room %q%s", c.Room, nearest.Hint(c.Room, e.Rooms()))
	}
	return nil
}

// NoteReach gives what a change that passed CheckNote is about, of a revoked
// note that note, and how many lots have stood in the room while it held.
func (e *Engine) NoteReach(c note.Change) (target note.Change, lots int) {
	target, ok := e.notes.Target(c)
	if !ok {
		return c, 0
	}
	for _, l := range e.book.Lots() {
		if stood(l, target) {
			lots++
		}
	}
	return target, lots
}

// ChangeNote takes a change that passed CheckNote and gives its NoteReach. The
// accounts of these lots are begun anew. Readings, and what lots have left,
// stay as they are: only what their past is booked to differs.
func (e *Engine) ChangeNote(c note.Change) (target note.Change, lots int) {
	target, lots = e.NoteReach(c)
	e.notes.Apply(c)
	if r := e.find(target.Room); r != nil {
		r.spells = nil
	}
	// An excursion before the note ends there now, and it is found by the hour.
	since := target.From.Add(-time.Hour)
	for _, l := range e.book.Lots() {
		if !slices.ContainsFunc(l.Stays, func(s lot.Stay) bool { return s.Room == target.Room }) {
			continue
		}
		if t := e.lots[l.ID]; t != nil {
			t.forget(since)
		}
	}
	return target, lots
}

// stood reports whether a lot was in the room of a note while it held.
func stood(l lot.Lot, n note.Change) bool {
	for i, s := range l.Stays {
		end := l.FinishedAt // zero where it stands there still
		if i+1 < len(l.Stays) {
			end = l.Stays[i+1].From
		}
		if s.Room == n.Room && s.From.Before(n.To) && (end.IsZero() || n.From.Before(end)) {
			return true
		}
	}
	return false
}

// noted gives the notes of a room in force as spells.
func (e *Engine) noted(name string) []review.Spell {
	var out []review.Spell
	for _, n := range e.notes.InForce(name) {
		out = append(out, review.Spell{Room: name, Kind: review.Annotated, From: n.From, To: n.To, Note: n.Text})
	}
	return out
}
