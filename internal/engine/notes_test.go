package engine

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/lot"
	"dryhold/internal/note"
	"dryhold/internal/review"
)

// TestANoteIsChargedWithItsCost: what a hot stretch cost goes by the note while
// it is in force and by the excursion before and after, and what is left of the
// lot is the same to the last bit.
func TestANoteIsChargedWithItsCost(t *testing.T) {
	p := newPlay(t, config(add("L-1", "hard-wheat", "pet-2l", "loft", at(0))))
	p.course("a", 0, 10*24, 18)
	p.course("a", 10*24, 14*24, 33)
	p.course("a", 14*24, 40*24, 18)
	now := at(40 * 24)
	find := func(kind review.Kind) (out []review.Event) {
		for _, x := range reviewed(t, p.e, now)[0].Events {
			if x.Kind == kind {
				out = append(out, x)
			}
		}
		return out
	}
	before, left := reviewed(t, p.e, now), p.e.Snapshot(now).Lots
	hot := find(review.Excursion)
	if len(hot) != 1 || hot[0].Cost.Lost.Heat <= 0 {
		t.Fatalf("excursions %+v", hot)
	}
	tell := func(c note.Change, lots int) {
		t.Helper()
		c.Seq, c.Recorded, c.By = p.e.NextNote(), now, "Ada"
		if err := p.e.CheckNote(c); err != nil {
			t.Fatal(err)
		}
		if _, n := p.e.ChangeNote(c); n != lots {
			t.Errorf("%d lots were touched, want %d", n, lots)
		}
	}
	tell(note.Change{Kind: note.Noted, Room: "loft", From: at(9 * 24), To: at(15 * 24), Text: "compressor failed"}, 1)
	noted := find(review.Annotated)
	if len(noted) != 1 || noted[0].Note != "compressor failed" || len(find(review.Excursion)) != 0 {
		t.Fatalf("noted %+v, excursions %+v", noted, find(review.Excursion))
	}
	if got, want := noted[0].Cost.Lost.Heat, hot[0].Cost.Lost.Heat; got > want || got < want/2 {
		// The day before and the day after are below plan storage and give back.
		t.Errorf("the note is charged with %g, the excursion was with %g", got, want)
	}
	after := reviewed(t, p.e, now)
	if d := after[0].Cost.Consumed() - before[0].Cost.Consumed(); math.Abs(d) > 1e-12 {
		t.Errorf("a note moved what is consumed by %g", d)
	}
	if d := cmp.Diff(left, p.e.Snapshot(now).Lots, sameBits); d != "" {
		t.Errorf("a note moved what is left:\n%s", d)
	}
	tell(note.Change{Kind: note.Revoked, Revokes: 1, Text: "it was the fuse"}, 1)
	if d := cmp.Diff(before, reviewed(t, p.e, now), sameBits); d != "" {
		t.Errorf("taken back it is not as before:\n%s", d)
	}
	tell(note.Change{Kind: note.Noted, Room: "loft", From: at(-48), To: at(-24), Text: "before it was packed"}, 0)
}

func TestCheckNote(t *testing.T) {
	p := newPlay(t, config(add("L-1", "hard-wheat", "pet-2l", "loft", at(0))))
	p.course("a", 0, 24, 18)
	c := note.Change{Kind: note.Noted, Seq: 1, Room: "lft", From: at(1), To: at(2), Text: "painters", Recorded: at(24)}
	if err := p.e.CheckNote(c); !errors.Is(err, lot.ErrNotFound) || !strings.Contains(err.Error(), `did you mean "loft"?`) {
		t.Errorf("of an unknown room: %v", err)
	}
	c.Room, c.To = "loft", at(24).Add(time.Second)
	if err := p.e.CheckNote(c); !errors.Is(err, lot.ErrInvalid) {
		t.Errorf("into the future: %v", err)
	}
}

// TestStood: in the room while the note held, and not only before or after.
func TestStood(t *testing.T) {
	l := lot.Lot{Stays: []lot.Stay{{Room: "cellar", From: at(0)}, {Room: "loft", From: at(10)}, {Room: "cellar", From: at(20)}}, FinishedAt: at(30)}
	f := func(room string, from, to float64, want bool) {
		t.Helper()
		if got := stood(l, note.Change{Room: room, From: at(from), To: at(to)}); got != want {
			t.Errorf("%s %g to %g: %v", room, from, to, got)
		}
	}
	f("cellar", -5, 0, false)
	f("cellar", -5, 0.1, true)
	f("cellar", 10, 20, false)
	f("cellar", 9, 11, true)
	f("loft", 0, 10, false)
	f("loft", 19, 40, true)
	f("cellar", 29, 40, true)
	f("cellar", 30, 40, false)
}
