package audit

import (
	"fmt"
	"time"

	"dryhold/internal/note"
)

// Notes are the acts that changes of the notes of rooms are, in their order.
func Notes(changes []note.Change) []Act {
	var book note.Book
	out := make([]Act, 0, len(changes))
	for _, c := range changes {
		a := Act{Told: c.Recorded, At: c.From, By: c.By, Kind: Room, Of: c.Room, What: NoteWords(c), Why: c.Text, Change: c.Seq}
		if c.Kind == note.Revoked {
			a.At = c.Recorded
			if target, known := book.Target(c); known {
				a.Of, a.Old = target.Room, NoteWords(target)+": "+target.Text
			}
		}
		book.Apply(c)
		out = append(out, a)
	}
	return out
}

// NoteWords says what a change of the notes of a room does; not when it
// begins, nor of which room, nor its text.
func NoteWords(c note.Change) string {
	if c.Kind == note.Revoked {
		return fmt.Sprintf("revoked note %d", c.Revokes)
	}
	return "noted until " + c.To.UTC().Format(time.RFC3339)
}
