// Package note keeps what people say of a stretch of a room's time (the
// compressor failed, painters were in) as facts beside the readings, so that
// its cost goes by the cause the keeper knows. It is pure.
package note

import (
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"dryhold/internal/lot"
)

// Kind is what a change does.
type Kind string

// Kinds of change. They are stored: never rename.
const (
	Noted   Kind = "noted"   // a stretch had a cause
	Revoked Kind = "revoked" // takes back the note of the number Revokes
)

// Change is one fact about a room: who said what, when. Changes are only ever
// appended; the notes in force are their fold.
type Change struct {
	Kind     Kind      `json:"kind"`
	Seq      int       `json:"seq"` // 1, 2, ... in the order they were told
	Room     string    `json:"room,omitempty"`
	From     time.Time `json:"from,omitzero"`
	To       time.Time `json:"to,omitzero"`    // excluded
	Text     string    `json:"text,omitempty"` // the cause; of a Revoked the reason
	By       string    `json:"by,omitempty"`
	Recorded time.Time `json:"recorded"` // when it was told
	Revokes  int       `json:"revokes,omitempty"`
}

const (
	// maxTextLength is the longest text, characters, as of a lot's note.
	maxTextLength = 500
	// oldestYear is that of the earliest reading taken (judgement).
	oldestYear = 1980
)

// Book is the fold of all changes. The zero value holds none.
type Book struct {
	changes []Change
	revoked map[int]int // by the number of the note, that of its Revoked
}

// NextSeq is the number of the next change.
func (b *Book) NextSeq() int { return len(b.changes) + 1 }

// Target is the change that a change is about: of a Revoked the one it takes
// back, else itself. ok is false when there is none.
func (b *Book) Target(c Change) (target Change, ok bool) {
	if c.Kind != Revoked {
		return c, true
	}
	if c.Revokes < 1 || c.Revokes > len(b.changes) {
		return Change{}, false
	}
	return b.changes[c.Revokes-1], true
}

// RevokedBy is the number of the change that took a note back; 0 for none.
func (b *Book) RevokedBy(seq int) int { return b.revoked[seq] }

// InForce lists the notes of a room that were not taken back, in the order
// they were told.
func (b *Book) InForce(room string) []Change {
	var out []Change
	for _, c := range b.changes {
		if c.Kind == Noted && c.Room == room && b.revoked[c.Seq] == 0 {
			out = append(out, c)
		}
	}
	return out
}

// Changes lists every change ever told, in the order they were told.
func (b *Book) Changes() []Change { return slices.Clone(b.changes) }

// Apply takes a change that passed Check.
func (b *Book) Apply(c Change) {
	b.changes = append(b.changes, c)
	if c.Kind == Revoked {
		if b.revoked == nil {
			b.revoked = map[int]int{}
		}
		b.revoked[c.Revokes] = c.Seq
	}
}

// Check reports why a change cannot be taken; a change that passes can be
// applied. The error wraps lot.ErrInvalid, or lot.ErrNotFound where a change
// revokes one that is not there. Whether there is such a room is not looked at.
func (b *Book) Check(c Change) error {
	if c.Seq != b.NextSeq() {
		return lot.Invalid("the note has the number %d, the next is %d", c.Seq, b.NextSeq())
	}
	switch c.Kind {
	case Noted:
		if err := c.checkSpan(); err != nil {
			return err
		}
	case Revoked:
		if err := b.checkRevoked(c); err != nil {
			return err
		}
	default:
		return lot.Invalid("unknown note %q: it is one of noted, revoked", c.Kind)
	}
	return c.checkText()
}

func (c Change) checkSpan() error {
	switch {
	case c.Room == "":
		return lot.Invalid("no room: say of which")
	case c.From.IsZero():
		return lot.Invalid("no beginning: say from when")
	case c.From.Year() < oldestYear:
		return lot.Invalid("the note from %s is before %d", c.From.Format(time.RFC3339), oldestYear)
	case c.To.IsZero():
		return lot.Invalid("no end: say up to when")
	case !c.To.After(c.From):
		return lot.Invalid("the span from %s to %s is empty", c.From.Format(time.RFC3339), c.To.Format(time.RFC3339))
	case c.To.After(c.Recorded):
		return lot.Invalid("the span ends at %s, in the future: what is to come is not known yet", c.To.Format(time.RFC3339))
	case c.Revokes != 0:
		return lot.Invalid("a change of kind %q revokes none", c.Kind)
	}
	return nil
}

func (b *Book) checkRevoked(c Change) error {
	target, ok := b.Target(c)
	switch {
	case !ok:
		return lot.NotFound("no note %d of a room", c.Revokes)
	case target.Kind == Revoked:
		return lot.Invalid("number %d took back note %d: to have that one again, tell it again", c.Revokes, target.Revokes)
	case b.revoked[c.Revokes] != 0:
		return lot.Invalid("note %d is taken back already", c.Revokes)
	case c.Room != "" && c.Room != target.Room:
		return lot.Invalid("note %d is of room %s, not of %s", c.Revokes, target.Room, c.Room)
	case !c.From.IsZero() || !c.To.IsZero():
		return lot.Invalid("what takes a note back has no span of its own")
	}
	return nil
}

func (c Change) checkText() error {
	text := strings.TrimSpace(c.Text)
	switch n := utf8.RuneCountInString(text); {
	case text == "" && c.Kind == Noted:
		return lot.Invalid("no text: say what the cause was")
	case text == "":
		return lot.Invalid("no reason: say why, it is kept with the change")
	case !utf8.ValidString(text):
		return lot.Invalid("the text is not UTF-8: write it as plain text")
	case n > maxTextLength:
		return lot.Invalid("a text of %d characters: give at most %d", n, maxTextLength)
	}
	if i := strings.IndexFunc(text, func(r rune) bool { return !unicode.IsGraphic(r) }); i >= 0 {
		r, _ := utf8.DecodeRuneInString(text[i:])
		return lot.Invalid("the text has the character %U, which cannot be printed: write one line of plain text", r)
	}
	return nil
}
