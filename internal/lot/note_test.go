package lot

import (
	"encoding/json"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/barrier"
)

// noted is a note told when it is made; an empty seal word tells none.
func noted(id, seal, text string, at time.Time) Change {
	c := Change{Kind: Noted, Lot: id, At: at, Recorded: at, By: "Ada", Note: text}
	if seal != "" {
		s, err := barrier.ParseSeal(seal)
		if err != nil {
			panic(err)
		}
		c.Seal = &s
	}
	return c
}

// told is a change told later than it happened.
func told(c Change, at time.Time) Change {
	c.Recorded = at
	return c
}

func sealed(s barrier.Seal) *barrier.Seal { return &s }

func TestNotesKeepTheSeal(t *testing.T) {
	b := bookOf(t,
		added("L-1", "loft"), added("L-2", "loft"),
		moved("L-1", "cellar", day(3)),
		told(noted("L-1", "verified", " bottle buckled in: seal holding ", day(2)), day(4)), // before the last stay
		noted("L-1", "", "label faded", day(4)),
		told(noted("L-1", "failed", "", day(1)), day(5)), // told last, seen first
	)
	want := []Note{
		{At: day(1), By: "Ada", Seal: sealed(barrier.Failed)},
		{At: day(2), By: "Ada", Text: "bottle buckled in: seal holding", Seal: sealed(barrier.Verified)},
		{At: day(4), By: "Ada", Text: "label faded"},
	}
	l, err := b.Find("L-1")
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, l.Notes); d != "" {
		t.Errorf("notes (-want +got):\n%s", d)
	}
	if n, any := l.SealNote(); l.Seal != barrier.Verified || !any || !cmp.Equal(n, want[1]) {
		t.Errorf("seal %v by %+v, want it verified by the note of the second day", l.Seal, n)
	}
	if l, err := b.Find("L-2"); err != nil || l.Seal != barrier.Assumed || len(l.Notes) > 0 {
		t.Errorf("the other lot: seal %v, notes %v, %v", l.Seal, l.Notes, err)
	} else if _, any := l.SealNote(); any {
		t.Error("a lot without notes has one of its seal")
	}
}

func TestLastNoteOfTheSealWins(t *testing.T) {
	f := func(want barrier.Seal, notes ...Change) {
		t.Helper()
		l, err := bookOf(t, append([]Change{added("L-1", "loft")}, notes...)...).Find("L-1")
		if err != nil || l.Seal != want {
			t.Errorf("seal %v, want %v (%v)", l.Seal, want, err)
		}
	}
	f(barrier.Assumed)
	f(barrier.Assumed, noted("L-1", "", "label faded", day(1)))
	f(barrier.Failed, noted("L-1", "failed", "", packed)) // at the very packing
	f(barrier.Verified, noted("L-1", "failed", "", day(1)), noted("L-1", "verified", "", day(2)))
	f(barrier.Failed, noted("L-1", "failed", "", day(2)), told(noted("L-1", "verified", "", day(1)), day(3)))
	f(barrier.Assumed, noted("L-1", "verified", "", day(1)), noted("L-1", "assumed", "that was another lot", day(2)))
	f(barrier.Verified, noted("L-1", "verified", "", day(1)), noted("L-1", "", "label faded", day(2)))
	// Of one instant the one told later.
	f(barrier.Verified, noted("L-1", "failed", "", day(1)), noted("L-1", "verified", "", day(1)))
	f(barrier.Failed, noted("L-1", "verified", "", day(1)), noted("L-1", "failed", "", day(1)))
	// Told at nine with the date alone, which stands for noon, and taken back
	// at ten.
	nine, ten := day(2).Add(-3*time.Hour), day(2).Add(-2*time.Hour)
	f(barrier.Failed, told(noted("L-1", "verified", "", day(2)), nine), noted("L-1", "failed", "", ten))
}

// TestNoteOfALotPackedToday: both dates stand for noon, and it is nine.
func TestNoteOfALotPackedToday(t *testing.T) {
	nine := packed.Add(-3 * time.Hour)
	b := bookOf(t, told(added("L-1", "loft"), nine), told(noted("L-1", "verified", "", packed), nine))
	if l, err := b.Find("L-1"); err != nil || len(l.Notes) != 1 || !l.Notes[0].At.Equal(packed) || l.Seal != barrier.Verified {
		t.Errorf("%+v, %v", l, err)
	}
}

func TestNotesRefused(t *testing.T) {
	b := bookOf(t, added("L-1", "loft"), added("L-2", "cellar"), ended("L-2", "eaten", day(3)))
	f := func(c Change, kind error, want string) {
		t.Helper()
		err := b.Check(c)
		if !errors.Is(err, kind) || err.Error() != want {
			t.Errorf("got  %v\nwant %s (%v)", err, want, kind)
		}
	}
	long := strings.Repeat("é", 500)
	if err := b.Check(noted("L-1", "", "  "+long+"\n", day(1))); err != nil {
		t.Errorf("500 characters and blanks around them: %v", err)
	}
	if err := b.Check(noted("L-1", "", "naïve «seal» — 100 % ✓", day(1))); err != nil {
		t.Errorf("printable text: %v", err)
	}
	const empty = "an empty note: give a text, the state of the seal, or both"
	f(noted("L-1", "", "", day(1)), ErrInvalid, empty)
	f(noted("L-1", "", " \t ", day(1)), ErrInvalid, empty)
	f(noted("L-1", "", long+"é", day(1)), ErrInvalid, "a note of 501 characters: give at most 500")
	f(noted("L-1", "", "two\nlines", day(1)), ErrInvalid, "the note has the character U+000A, which cannot be printed: write one line of plain text")
	f(noted("L-1", "failed", "\x1b[31m", day(1)), ErrInvalid, "the note has the character U+001B, which cannot be printed: write one line of plain text")
	f(noted("L-1", "", "right\u202eleft", day(1)), ErrInvalid, "the note has the character U+202E, which cannot be printed: write one line of plain text")
	f(noted("L-1", "", "\xff", day(1)), ErrInvalid, "the note is not UTF-8: write it as plain text")
	f(noted("L-1", "verified", "", packed.Add(-time.Second)), ErrInvalid,
		"lot L-1 was packed at 2026-03-14T12:00:00Z: the note at 2026-03-14T11:59:59Z is earlier")
	f(told(noted("L-1", "verified", "", day(9)), day(7)), ErrInvalid, "the note at 2026-03-23T12:00:00Z is in the future")
	f(noted("L-9", "verified", "", day(1)), ErrNotFound, `no lot "L-9"`)
	f(noted("L-2", "verified", "", day(4)), ErrInvalid, "lot L-2 was finished on 2026-03-17")
	f(noted("L-2", "verified", "", day(1)), ErrInvalid, "lot L-2 was finished on 2026-03-17")
	f(Change{Kind: Noted, Lot: "L-1", At: day(1), Recorded: day(1), Seal: sealed(7)}, ErrInvalid, "unknown seal state 7: it is assumed, verified or failed")
}

// TestNotesGivenAreNotChanged: who took the lots earlier, or made the change,
// shares nothing with the book that can still change.
func TestNotesGivenAreNotChanged(t *testing.T) {
	b := bookOf(t, added("L-1", "loft"), // three, so that a slice that grows in place has room left
		noted("L-1", "", "first", day(1)), noted("L-1", "", "second", day(3)), noted("L-1", "", "third", day(4)))
	seen := b.Lots()[0]
	before := slices.Clone(seen.Notes)
	change := told(noted("L-1", "failed", "between", day(2)), day(5))
	b.Apply(change)
	*change.Seal = barrier.Verified
	if d := cmp.Diff(before, seen.Notes); d != "" || seen.Seal != barrier.Assumed {
		t.Errorf("the lot seen before has changed, seal %v:\n%s", seen.Seal, d)
	}
	if l, err := b.Find("L-1"); err != nil || l.Seal != barrier.Failed || *l.Notes[1].Seal != barrier.Failed {
		t.Errorf("the maker of a change can change the book: %+v, %v", l, err)
	}
}

// TestFormOfNotesIsKept: the JSON of changes is stored for decades, that of
// lots is the API's.
func TestFormOfNotesIsKept(t *testing.T) {
	f := func(v any, want string) {
		t.Helper()
		got, err := json.Marshal(v)
		if err != nil || string(got) != want {
			t.Errorf("got  %s (%v)\nwant %s", got, err, want)
		}
	}
	c := told(noted("L-1", "verified", "buckled in", day(1)), day(2))
	stored := `{"kind":"noted","lot":"L-1","at":"2026-03-15T12:00:00Z","recorded":"2026-03-16T12:00:00Z","by":"Ada","note":"buckled in","seal":"verified"}`
	f(c, stored)
	f(noted("L-1", "assumed", "", day(1)), `{"kind":"noted","lot":"L-1","at":"2026-03-15T12:00:00Z","recorded":"2026-03-15T12:00:00Z","by":"Ada","seal":"assumed"}`)
	f(ended("L-1", "eaten", day(1)), `{"kind":"finished","lot":"L-1","at":"2026-03-15T12:00:00Z","recorded":"2026-03-15T12:00:00Z","note":"eaten"}`)
	f(Note{At: day(1), By: "Ada", Text: "buckled in", Seal: sealed(barrier.Verified)}, `{"at":"2026-03-15T12:00:00Z","by":"Ada","text":"buckled in","seal":"verified"}`)
	f(Note{At: day(1), Text: "label faded"}, `{"at":"2026-03-15T12:00:00Z","text":"label faded"}`)
	f(Treatment{Kind: Absorber, CapacityCM3: 300}, `{"kind":"absorber","capacity_cm3":300}`)
	f(Treatment{Kind: Absorber, CapacityCM3: 300, MoistureActivated: true}, `{"kind":"absorber","capacity_cm3":300,"moisture_activated":true}`)
	var again Change
	if err := json.Unmarshal([]byte(stored), &again); err != nil || !cmp.Equal(c, again) {
		t.Errorf("read back: %v\n%s", err, cmp.Diff(c, again))
	}
	if got, err := json.Marshal(lotOf(good())); err != nil || !strings.Contains(string(got), `"seal":"assumed"`) || strings.Contains(string(got), "notes") {
		t.Errorf("a lot without notes: %s, %v", got, err)
	}
	if err := json.Unmarshal([]byte(strings.Replace(stored, "verified", "holding", 1)), &again); err == nil {
		t.Error("a seal state of no known word is read")
	}
}

// TestAnyNotes: whatever is told in whatever order, a change that passes
// gives notes in order of time, and the seal of the last that tells one;
// and a book made of the stored changes is the same.
func TestAnyNotes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, again := &Book{}, &Book{}
		apply := func(c Change) {
			if b.Check(c) != nil {
				return
			}
			b.Apply(c)
			stored, err := json.Marshal(c)
			if err != nil {
				t.Fatal(err)
			}
			var read Change
			if err := json.Unmarshal(stored, &read); err != nil {
				t.Fatal(err)
			}
			if err := again.Check(read); err != nil {
				t.Fatalf("taken live, refused from the store: %v", err)
			}
			again.Apply(read)
		}
		apply(added("L-1", "loft"))
		var want *Change
		when := func(c Change) time.Time { return packed.Add(max(0, min(c.At.Sub(packed), c.Recorded.Sub(packed)))) }
		for i := range rapid.IntRange(0, 12).Draw(t, "notes") {
			c := Change{Kind: Noted, Lot: "L-1", At: day(float64(rapid.IntRange(-2, 14).Draw(t, "at"))), Recorded: day(float64(i)),
				Note: rapid.OneOf(rapid.Just("holds"), rapid.String()).Draw(t, "text")}
			if rapid.Bool().Draw(t, "of the seal") {
				s := barrier.Seal(rapid.IntRange(0, 3).Draw(t, "seal"))
				c.Seal = &s
			}
			if b.Check(c) == nil && c.Seal != nil && (want == nil || !when(c).Before(when(*want))) {
				want = &c
			}
			apply(c)
		}
		l, err := b.Find("L-1")
		if err != nil {
			t.Fatal(err)
		}
		expected := barrier.Assumed
		if want != nil {
			expected = *want.Seal
		}
		if l.Seal != expected {
			t.Fatalf("seal %v, want %v", l.Seal, expected)
		}
		if !slices.IsSortedFunc(l.Notes, func(a, b Note) int { return a.At.Compare(b.At) }) {
			t.Fatalf("notes out of order: %v", l.Notes)
		}
		for _, n := range l.Notes {
			if n.At.Before(packed) || n.Text == "" && n.Seal == nil {
				t.Fatalf("%+v", n)
			}
		}
		live, err1 := json.Marshal(b.Lots())
		replayed, err2 := json.Marshal(again.Lots())
		if string(live) != string(replayed) || errors.Join(err1, err2) != nil {
			t.Fatalf("live     %s\nreplayed %s", live, replayed)
		}
	})
}

// FuzzNote: no text, time or seal of a note panics, and what is taken can be
// stored and read back.
func FuzzNote(f *testing.F) {
	f.Add("bottle buckled in: seal holding", int64(1), uint8(1))
	f.Add("", int64(0), uint8(0))
	f.Add("\xff\u202e\n", int64(math.MinInt64), uint8(255))
	f.Fuzz(func(t *testing.T, text string, at int64, seal uint8) {
		b := bookOf(t, added("L-1", "loft"))
		c := Change{Kind: Noted, Lot: "L-1", At: time.Unix(at, 0).UTC(), Recorded: day(400), Note: text, Seal: sealed(barrier.Seal(seal))}
		if err := b.Check(c); err != nil {
			if !errors.Is(err, ErrInvalid) {
				t.Errorf("%v", err)
			}
			return
		}
		b.Apply(c)
		var again Change
		if stored, err := json.Marshal(c); err != nil {
			t.Error(err)
		} else if err := json.Unmarshal(stored, &again); err != nil || !cmp.Equal(c, again) {
			t.Errorf("read back: %v %s", err, cmp.Diff(c, again))
		}
	})
}
