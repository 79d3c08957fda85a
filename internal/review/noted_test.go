package review

import (
	"iter"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/room"
)

// A hot week with a note in its midst: the excursion before the note has the
// extremes of its own hours, whatever came after.
func TestFindBesideByHand(t *testing.T) {
	h := newHouse().by("cellar", 24*20, func(i int) room.Slot {
		switch {
		case i >= 48 && i < 96:
			return hour(30, 0.5, 0)
		case i >= 96 && i < 144:
			return hour(36, 0.5, 0)
		}
		return hour(17, 0.5, 0)
	})
	hours := func(from, to time.Time) iter.Seq2[time.Time, room.Slot] { return h.Hours("cellar", from, to) }
	from := packed().Truncate(time.Hour)
	at := func(x float64) time.Time { return from.Add(time.Duration(x * float64(time.Hour))) }
	note := Spell{Room: "cellar", Kind: Annotated, From: at(90.5), To: at(100.25), Note: "compressor failed"}
	limits := limits(h, "cellar")
	first := -1
	for x, s := range hours(from, from.Add(24*20*time.Hour)) {
		if s.TempMax > float32(limits.Warm) {
			first = int(x.Sub(from) / time.Hour)
			break
		}
	}
	got := FindBeside("cellar", hours, from, from.Add(24*20*time.Hour), limits, []Spell{note})
	want := []Spell{
		{Room: "cellar", Kind: Excursion, From: at(float64(first)), To: note.From, Warm: true, Hottest: 30},
		note,
		{Room: "cellar", Kind: Excursion, From: note.To, To: at(float64(first + 96)), Warm: true, Hottest: 36},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

// Without notes it is Find; with them nothing overlaps, every note stands, and
// what lies before the first note and a join is not touched by it.
func TestFindBeside(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := past(t)
		hours := func(from, to time.Time) iter.Seq2[time.Time, room.Slot] { return h.Hours("cellar", from, to) }
		from := packed().Truncate(time.Hour)
		to := from.Add(time.Duration(rapid.IntRange(1, 40*24).Draw(t, "hours")) * time.Hour)
		plain := Find("cellar", hours(from, to), limits(h, "cellar"))
		if d := cmp.Diff(plain, FindBeside("cellar", hours, from, to, limits(h, "cellar"), nil)); d != "" {
			t.Fatalf("without notes (-find +beside):\n%s", d)
		}
		var notes []Spell
		for range rapid.IntRange(1, 4).Draw(t, "notes") {
			at := from.Add(time.Duration(rapid.IntRange(-24*60, 40*24*60).Draw(t, "minute")) * time.Minute)
			notes = append(notes, Spell{Room: "cellar", From: at, To: at.Add(time.Duration(rapid.IntRange(1, 5*24*60).Draw(t, "minutes")) * time.Minute), Note: "painters"})
		}
		got := FindBeside("cellar", hours, from, to, limits(h, "cellar"), notes)
		var annotated []Spell
		for i, s := range got {
			if i > 0 && s.From.Before(got[i-1].To) || !s.From.Before(s.To) {
				t.Fatalf("%+v overlaps the one before, or is empty", s)
			}
			if s.Kind == Annotated {
				annotated = append(annotated, s)
			}
		}
		if d := cmp.Diff(Merge(nil, notes), annotated); d != "" {
			t.Fatalf("notes (-want +got):\n%s", d)
		}
		if len(plain) > 0 && len(annotated) > 0 && plain[0].To.Add(day).Before(annotated[0].From) {
			if d := cmp.Diff(plain[0], got[0]); d != "" {
				t.Fatalf("a note after it changed a spell (-without +with):\n%s", d)
			}
		}
	})
}
