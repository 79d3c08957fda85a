package review

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/room"
)

// hours is an instant some hours after packing.
func hours(n int) time.Time { return packed().Add(time.Duration(n) * time.Hour) }

func TestFind(t *testing.T) {
	const ms = uint32(time.Hour / time.Millisecond)
	in, warm, damp, bright := hour(18, 0.5, 10), hour(25, 0.5, 10), hour(18, 0.7, 10), hour(18, 0.5, 200)
	hot := hour(31, 0.8, 10)
	blank, guessed := room.Slot{UnknownMS: ms}, hour(18, 0.5, 0)
	guessed.MeasuredMS, guessed.EstimatedMS = ms/2-1, ms/2+1
	spike := in // the mean is inside, an instant was not
	spike.TempMax = 21.5
	nearly := in
	nearly.UnknownMS, nearly.MeasuredMS = ms/2-1, ms/2+1
	f := func(join time.Duration, slots []room.Slot, want ...Spell) {
		t.Helper()
		h := newHouse().set("loft", slots...)
		got := Find("loft", h.Hours("loft", packed(), hours(len(slots))), Limits{Warm: 20, Damp: 0.6, Bright: 100, Join: join})
		for i := range want {
			want[i].Room = "loft"
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Error(d)
		}
	}
	spell := func(k Kind, from, to int, more func(*Spell)) Spell {
		s := Spell{Kind: k, From: hours(from), To: hours(to)}
		if more != nil {
			more(&s)
		}
		return s
	}
	isWarm := func(hottest float64) func(*Spell) {
		return func(s *Spell) { s.Warm, s.Hottest = true, hottest }
	}
	f(0, []room.Slot{in, in})
	f(0, []room.Slot{in, warm, warm, in, warm}, spell(Excursion, 1, 3, isWarm(25)), spell(Excursion, 4, 5, isWarm(25)))
	f(time.Hour, []room.Slot{in, warm, warm, in, warm, in, in, spike}, spell(Excursion, 1, 5, isWarm(25)), spell(Excursion, 7, 8, isWarm(21.5)))
	f(0, []room.Slot{damp}, spell(Excursion, 0, 1, func(s *Spell) { s.Damp, s.Dampest = true, float64(float32(0.7)) }))
	f(0, []room.Slot{bright, hot}, spell(Excursion, 0, 2, func(s *Spell) {
		s.Bright, s.Warm, s.Damp, s.Hottest, s.Dampest = true, true, true, 31, float64(float32(0.8))
	}))
	// A gap ends an excursion, however long Join is, and is no part of it.
	f(day, []room.Slot{warm, guessed, blank, blank, warm, nearly}, spell(Excursion, 0, 1, isWarm(25)),
		spell(Estimated, 1, 2, nil), spell(Unknown, 2, 4, nil), spell(Excursion, 4, 5, isWarm(25)))
	if got := (Limits{Join: day}).Final(hours(30).Add(10 * time.Minute)); !got.Equal(hours(6)) {
		t.Errorf("final up to %v", got)
	}
	h := newHouse().set("loft", hot)
	for _, s := range Find("loft", h.Hours("loft", packed(), hours(3)), Limits{Warm: 40}) {
		t.Errorf("neither damp nor light is watched, and yet %+v", s)
	}
}

// However spells are cut: none overlaps, every hour of a note is a note's, and
// every other hour of a found spell is still in one.
func TestMerge(t *testing.T) {
	any := func(t *rapid.T, what string, apart bool) (out []Spell) {
		at := 0
		for range rapid.IntRange(0, 6).Draw(t, what) {
			from := at + rapid.IntRange(0, 9).Draw(t, "from")
			if !apart {
				from = rapid.IntRange(0, 60).Draw(t, "from")
			}
			to := from + rapid.IntRange(1, 9).Draw(t, "hours")
			out = append(out, Spell{Room: "loft", Kind: Excursion, From: hours(from), To: hours(to), Note: what})
			at = to
		}
		return out
	}
	covers := func(spells []Spell, at time.Time) int {
		n := 0
		for _, s := range spells {
			if !at.Before(s.From) && at.Before(s.To) {
				n++
			}
		}
		return n
	}
	rapid.Check(t, func(t *rapid.T) {
		found, noted := any(t, "found", true), any(t, "noted", false)
		got := Merge(found, noted)
		for i := range 90 {
			at := hours(i)
			var notes, others []Spell
			for _, s := range got {
				if s.Kind == Annotated {
					notes = append(notes, s)
				} else {
					others = append(others, s)
				}
			}
			if n, want := covers(notes, at), min(1, covers(noted, at)); n != want {
				t.Fatalf("hour %d is in %d notes, want %d: %+v", i, n, want, got)
			}
			if n, want := covers(others, at), min(1, covers(found, at))*(1-covers(notes, at)); n != want {
				t.Fatalf("hour %d is in %d found spells, want %d: %+v", i, n, want, got)
			}
		}
		for i := 1; i < len(got); i++ {
			if got[i].From.Before(got[i-1].To) {
				t.Fatalf("out of order: %+v", got)
			}
		}
	})
}

// An annotated stretch is an event of its own, named by its note, and what was
// found around it keeps the rest.
func TestANoteTakesItsTime(t *testing.T) {
	h := newHouse().by("cellar", longest, func(i int) room.Slot {
		if i >= 70*24 && i < 80*24 {
			return hour(30, 0.5, 0)
		}
		return hour(20, 0.5, 0)
	})
	l := lotOf("crystals", "bottle", "cellar")
	find := found(h, after(100))
	noted := []Spell{{Room: "cellar", From: after(72), To: after(74), Note: "door left open"}}
	with := func(name string) []Spell { return Merge(find(name), noted) }
	out := advance(t, reviewer(plainCatalog(), h, with), l, after(100)).Review(l)
	each := (factor(80, 30) - factor(80, 20)) * 0.5 / 1000
	var days []float64
	for _, e := range out.Events[1:] {
		near(t, string(e.Kind), e.Cost.Lost.Heat, each*e.To.Sub(e.From).Hours()/24, 1e-12)
		days = append(days, e.To.Sub(e.From).Hours()/24)
	}
	if d := cmp.Diff([]float64{2, 2, 6}, days); d != "" || out.Events[2].Note != "door left open" || out.Events[2].Kind != Annotated {
		t.Errorf("events %+v", out.Events)
	}
	worst := out.Worst(2)
	if len(worst) != 2 || worst[0].Cost.Lost.Sum() < worst[1].Cost.Lost.Sum() || !worst[0].From.Equal(after(74)) {
		t.Errorf("worst %+v", worst)
	}
	house := Together([]Review{out, out})
	if len(house.Events) != 3 || house.Events[0].Lots != 2 || !house.Events[0].From.Equal(after(74)) {
		t.Errorf("events of the house %+v", house.Events)
	}
	near(t, "kg", house.Events[0].Cost.KG.Lost.Sum(), 2*10*6*each, 1e-10)
	if r := house.Rooms; len(r) != 1 || r[0].Lots != 2 || len(house.Months) != len(out.Months) || house.KG != 20 {
		t.Errorf("the house: %+v", house)
	}
}
