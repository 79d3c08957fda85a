package lot

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"dryhold/internal/barrier"
	"dryhold/internal/catalog"
)

// ChangeKind is what a change does to a lot.
type ChangeKind string

// Kinds of change. They are stored: never rename.
const (
	Added ChangeKind = "added"
	Moved ChangeKind = "moved"
	Ended ChangeKind = "finished"
	Noted ChangeKind = "noted"
)

// Change is one fact about a lot: who did what, when. Changes are only ever
// appended; the lots are their fold.
type Change struct {
	Kind     ChangeKind `json:"kind"`
	Lot      string     `json:"lot"`
	At       time.Time  `json:"at"`       // when it happened in the store room
	Recorded time.Time  `json:"recorded"` // when it was told
	By       string     `json:"by,omitempty"`
	Packing  *Packing   `json:"packing,omitempty"` // of Added
	Room     string     `json:"room,omitempty"`    // of Moved
	Note     string     `json:"note,omitempty"`    // of Ended, and the text of Noted
	// Seal is the state of the seal that a Noted tells; nil when it tells none.
	Seal *barrier.Seal `json:"seal,omitempty"`
	// Result is of Tested; Revokes, of Untested, is the number of the test.
	Result  *Result `json:"result,omitempty"`
	Revokes int     `json:"revokes,omitempty"`
	// From is the lot of which Split makes another; Count and KG are how much
	// is split off, eaten, thrown out or there; Price, of Priced, is that of a
	// kilogram.
	From  string  `json:"from,omitempty"`
	Count int     `json:"count,omitempty"`
	KG    float64 `json:"kg,omitempty"`
	Price float64 `json:"price_per_kg,omitempty"`
	// Evidence is of Treated: what the model knew then.
	Evidence *Evidence `json:"evidence,omitempty"`
	// Answers are of Inspected.
	Answers []RoundAnswer `json:"answers,omitempty"`
	// Import, of Added, is the number of the import it came with; 0 for none.
	Import int `json:"import,omitempty"`
}

// maxNoteLength is the longest text of a note, characters: a few lines, kept
// and shown for decades (judgement).
const maxNoteLength = 500

// maxCount is the most containers of one lot.
const maxCount = 100_000

// oldestYear is that of the earliest pack date taken: older food is not what
// dryhold is for, and an earlier date is a slip (judgement).
const oldestYear = 1980

// Check reports what is wrong with a packing against the catalog, as of now.
// The error wraps ErrInvalid.
func (p Packing) Check(c *catalog.Catalog, now time.Time) error {
	if _, err := c.Food(p.Food); err != nil {
		return Invalid("%v", err)
	}
	k, err := c.Container(p.Container)
	if err != nil {
		return Invalid("%v", err)
	}
	switch {
	case p.Count < 1 || p.Count > maxCount:
		return Invalid("count %d containers: give 1 to 100000", p.Count)
	case !(p.NetMassKG > 0):
		return Invalid("net mass %g kg of each container: give a mass above 0", p.NetMassKG)
	case p.NetMassKG > 2*k.Volume.High:
		return Invalid("net mass %g kg does not go into a %s of %g L", p.NetMassKG, k.Name, k.Volume.Likely)
	case CheckPackDate(p.PackedAt, now) != nil:
		return CheckPackDate(p.PackedAt, now)
	case p.MoistureWB < 0 || p.MoistureWB > 0.5 || p.MoistureWB != p.MoistureWB:
		return Invalid("moisture %.4g %% of wet mass: give 0 to 50 %%", 100*p.MoistureWB)
	case p.PerCarton < 0 || p.PerCarton > mostInCarton:
		return Invalid("%d containers in a carton: give 2 to %d, or 0 where they stand by themselves", p.PerCarton, mostInCarton)
	case p.PricePerKG < 0 || p.PricePerKG > maxPrice || p.PricePerKG != p.PricePerKG:
		return Invalid("a price of %g per kg: give one above 0, or leave it out", p.PricePerKG)
	case p.Room == "":
		return Invalid("no room: say where the lot stands")
	}
	return p.checkWords()
}

// CheckPackDate reports a pack date that is missing, to come, or a slip. The
// error wraps ErrInvalid.
func CheckPackDate(packed, now time.Time) error {
	switch {
	case packed.IsZero():
		return Invalid("no pack date: give the day it was packed")
	case packed.After(now.Add(24 * time.Hour)):
		return Invalid("pack date %s is in the future", packed.Format(time.DateOnly))
	case packed.Year() < oldestYear:
		return Invalid("pack date %s is before %d", packed.Format(time.DateOnly), oldestYear)
	}
	return nil
}

// CheckOverride reports a reason that cannot be kept as a line of text. The
// error wraps ErrInvalid.
func CheckOverride(why string) error {
	switch n := utf8.RuneCountInString(why); {
	case n > maxNoteLength:
		return Invalid("a reason of %d characters: give at most %d", n, maxNoteLength)
	case !utf8.ValidString(why) || strings.ContainsFunc(why, func(r rune) bool { return !unicode.IsGraphic(r) }):
		return Invalid("the reason cannot be printed: write one line of plain text")
	}
	return nil
}

func (p Packing) checkWords() error {
	if !slices.Contains([]TreatmentKind{NoTreatment, Absorber, FreezeThaw}, p.Treatment.Kind) {
		return Invalid("unknown treatment %q: it is one of none, absorber, freeze-thaw", p.Treatment.Kind)
	}
	if !slices.Contains([]Shading{OpenShelf, Boxed, DarkRoom}, p.Shading) {
		return Invalid("unknown shading %q: it is one of open-shelf, boxed, dark-room", p.Shading)
	}
	if !slices.Contains([]LeakTest{LeakNotTried, LeakHeld, LeakFound}, p.LeakTest) {
		return Invalid("unknown leak test %q: it is held or leaked, or left out where it was not tried", p.LeakTest)
	}
	if err := CheckOverride(p.Override); err != nil {
		return err
	}
	capacity := p.Treatment.CapacityCM3
	if p.Treatment.Kind == Absorber && !(capacity > 0 && capacity <= 20_000) {
		return Invalid("absorber capacity %g cm3: give the rated oxygen capacity of the packets in one container, up to 20000 cm3", capacity)
	}
	if p.Treatment.Kind != Absorber && capacity != 0 {
		return Invalid("absorber capacity %g cm3 with treatment %q: the capacity goes with treatment absorber", capacity, p.Treatment.Kind)
	}
	if n := p.Treatment.Cycles; n < 0 || n > 10 || n > 0 && p.Treatment.Kind != FreezeThaw {
		return Invalid("%d cold spells with treatment %q: give 1 to 10, with treatment freeze-thaw", n, p.Treatment.Kind)
	}
	if p.Treatment.Kind != Absorber && p.Treatment.MoistureActivated {
		return Invalid("a moisture-activated absorber with treatment %q: the kind of absorber goes with treatment absorber", p.Treatment.Kind)
	}
	return nil
}

// Book is the fold of all changes: the lots in the order they were added.
type Book struct {
	lots []Lot
	past []history // of each lot

	rounds []Round // as told
}

// Lots lists the lots, but for those taken back. The slice is a copy; the stays
// and notes inside are shared and must not be changed.
func (b *Book) Lots() []Lot {
	out := make([]Lot, 0, len(b.lots))
	for _, l := range b.lots {
		if !l.Withdrawn {
			out = append(out, l)
		}
	}
	return out
}

// Clone is a book of its own with the same lots.
func (b *Book) Clone() *Book {
	return &Book{slices.Clone(b.lots), slices.Clone(b.past), slices.Clone(b.rounds)}
}

// Find gives one lot, also one taken back; the error wraps ErrNotFound.
func (b *Book) Find(id string) (Lot, error) {
	i := b.index(id)
	if i < 0 {
		return Lot{}, NotFound("no lot %q", id)
	}
	return b.lots[i], nil
}

func (b *Book) index(id string) int {
	return slices.IndexFunc(b.lots, func(l Lot) bool { return l.ID == id })
}

// NextID is the ID the next lot gets: L-1, L-2 and so on.
func (b *Book) NextID() string { return fmt.Sprintf("L-%d", len(b.lots)+1) }

// Check reports, wrapping ErrNotFound or ErrInvalid, why a change cannot be
// taken; a change that passes can be applied.
func (b *Book) Check(c Change) error {
	if c.Kind == Added {
		switch {
		case c.Lot != b.NextID():
			return Invalid("change adds lot %q, the next is %q", c.Lot, b.NextID())
		case c.Packing == nil:
			return Invalid("change adds lot %q without its packing", c.Lot)
		}
		return nil
	}
	switch c.Kind {
	case Split:
		return b.checkSplit(c)
	case Inspected:
		return checkRound(c)
	}
	l, err := b.Find(c.Lot)
	switch {
	case err != nil:
		return err
	case l.Withdrawn:
		return Invalid("lot %s was taken back: it counts as never there", l.ID)
	case c.Kind == Undone:
		return b.checkUndo(l, c)
	case c.Kind == Tested || c.Kind == Untested:
		return l.checkTest(c)
	case l.Finished():
		return Invalid("lot %s was finished on %s", l.ID, l.FinishedAt.Format(time.DateOnly))
	case c.Kind == Noted:
		return l.checkNote(c)
	}
	if err := l.checkTime(c); err != nil {
		return err
	}
	switch {
	case c.Kind == Moved && c.Room == "":
		return Invalid("no room: say where lot %s goes", l.ID)
	case c.Kind == Moved && c.Room == l.Room():
		return Invalid("lot %s stands in %s already", l.ID, c.Room)
	case c.Kind == Moved || c.Kind == Ended:
		return nil
	}
	return l.checkUse(c)
}

// checkNote reports why a note cannot be taken. Unlike a move it may be dated
// any time since packing: what was seen in May can be told in July.
func (l Lot) checkNote(c Change) error {
	text := strings.TrimSpace(c.Note)
	unprintable := strings.IndexFunc(text, func(r rune) bool { return !unicode.IsGraphic(r) })
	switch n := utf8.RuneCountInString(text); {
	case c.At.Before(l.Packing.PackedAt):
		return Invalid("lot %s was packed at %s: the note at %s is earlier", l.ID, l.Packing.PackedAt.Format(time.RFC3339), c.At.Format(time.RFC3339))
	case c.At.After(c.Recorded.Add(24 * time.Hour)):
		return Invalid("the note at %s is in the future", c.At.Format(time.RFC3339))
	case text == "" && c.Seal == nil:
		return Invalid("an empty note: give a text, the state of the seal, or both")
	case n > maxNoteLength:
		return Invalid("a note of %d characters: give at most %d", n, maxNoteLength)
	case !utf8.ValidString(text):
		return Invalid("the note is not UTF-8: write it as plain text")
	case unprintable >= 0:
		r, _ := utf8.DecodeRuneInString(text[unprintable:])
		return Invalid("the note has the character %U, which cannot be printed: write one line of plain text", r)
	case c.Seal != nil && !slices.Contains(barrier.Seals(), *c.Seal):
		return Invalid("unknown seal state %d: it is assumed, verified or failed", uint8(*c.Seal))
	}
	return nil
}

// noted is the lot with one more note, which goes behind those of the same
// instant. What was handed out of the lot before stays as it is.
func (l Lot) noted(c Change) Lot {
	n := Note{At: c.At, By: c.By, Text: strings.TrimSpace(c.Note)}
	// A date alone stands for its noon, which may be still to come. What was
	// seen was seen before it was told; else a note of the same morning that
	// takes it back would be the earlier one, and not count.
	if n.At.After(c.Recorded) {
		n.At = c.Recorded
	}
	if n.At.Before(l.Packing.PackedAt) { // packed "today", so noon as well
		n.At = l.Packing.PackedAt
	}
	if c.Seal != nil {
		seen := *c.Seal
		n.Seal = &seen
	}
	i := len(l.Notes)
	for i > 0 && l.Notes[i-1].At.After(n.At) {
		i--
	}
	l.Notes = slices.Insert(slices.Clone(l.Notes), i, n)
	if last, any := l.SealNote(); any {
		l.Seal = *last.Seal
	}
	return l
}

// Apply takes a change that passed Check.
func (b *Book) Apply(c Change) {
	if c.Kind == Added {
		if c.Packing != nil {
			l := c.Packing.Lot(c.Lot)
			l.Import = c.Import
			b.lots, b.past = append(b.lots, l), append(b.past, history{})
		}
		return
	}
	if c.Kind == Inspected {
		b.rounds = append(b.rounds, c.round())
		return
	}
	of := c.Lot
	if c.Kind == Split {
		of = c.From
	}
	i := b.index(of)
	switch {
	case i < 0:
		return
	case c.Kind == Undone:
		b.undo(i, c)
		return
	}
	before := b.lots[i]
	b.past[i] = history{b.past[i].changes + 1, &last{c, before}}
	switch c.Kind {
	case Split:
		rest, child := before.split(c)
		b.lots[i] = rest
		b.lots, b.past = append(b.lots, child), append(b.past, history{})
	case Moved:
		b.lots[i].Stays = append(slices.Clone(before.Stays), Stay{c.Room, c.At})
	case Ended:
		b.lots[i].FinishedAt, b.lots[i].FinishNote = c.At, c.Note
	case Noted:
		b.lots[i] = before.noted(c)
	case Tested, Untested:
		b.past[i].last = nil
		b.lots[i] = before.tested(c)
	default:
		b.lots[i] = before.used(c)
	}
}
