package review

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/barrier"
	"dryhold/internal/catalog"
	"dryhold/internal/course"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// past is an invented past of two rooms with everything in it: warm and cold,
// damp and dry, light, and hours that were estimated or not known.
func past(t *rapid.T) *house {
	h := newHouse()
	h.plan["loft"] = 24
	for _, name := range []string{"cellar", "loft"} {
		n := rapid.IntRange(1, 60).Draw(t, name+", spells of weather")
		var slots []room.Slot
		for range n {
			s := hour(unit.Celsius(rapid.Float64Range(-5, 40).Draw(t, "°C")), unit.RH(rapid.Float64Range(0.2, 0.95).Draw(t, "RH")), 50)
			switch rapid.IntRange(0, 9).Draw(t, "known") {
			case 0:
				s = room.Slot{UnknownMS: s.MeasuredMS}
			case 1:
				s.MeasuredMS, s.EstimatedMS, s.VapourMS = 0, s.MeasuredMS, 0
			case 2:
				s.MeasuredMS, s.UnknownMS = s.MeasuredMS/2, s.MeasuredMS/2
			}
			slots = append(slots, slices.Repeat([]room.Slot{s}, rapid.IntRange(1, 50).Draw(t, "hours"))...)
		}
		h.set(name, slots...)
	}
	return h
}

// age is mostly within the first 60 days, whose steps are an hour, and now and
// then beyond, where they are a day.
func age(t *rapid.T) time.Duration {
	return time.Duration(rapid.SampledFrom([]int{0, 1, 4, 8, 12, 20, 30, 100}).Draw(t, "days")) * day
}

// limits of the rooms of a house.
func limits(h *house, name string) Limits {
	return Limits{Warm: h.Plan(name), Damp: h.Damp(name), Bright: 80, Join: day}
}

// found gives the spells of a house, each room searched once.
func found(h *house, to time.Time) func(string) []Spell {
	by := map[string][]Spell{}
	return func(name string) []Spell {
		s, ok := by[name]
		if !ok {
			s = Find(name, h.Hours(name, packed(), to), limits(h, name))
			by[name] = s
		}
		return s
	}
}

// anyLot is a lot of any shipped food in any shipped container, that moved once
// or twice and was packed at an odd minute.
func anyLot(t *rapid.T, c *catalog.Catalog) lot.Lot {
	l := lotOf(rapid.SampledFrom(c.FoodIDs()).Draw(t, "food"), rapid.SampledFrom(c.ContainerIDs()).Draw(t, "container"), "cellar")
	p := &l.Packing
	p.PackedAt = packed().Add(time.Duration(rapid.IntRange(0, 30*24*60).Draw(t, "minute")) * time.Minute)
	p.Shading = rapid.SampledFrom([]lot.Shading{lot.OpenShelf, lot.Boxed}).Draw(t, "shading")
	if f, err := c.Food(p.Food); err == nil && f.NoAbsorber == "" && rapid.Bool().Draw(t, "absorber") {
		p.Treatment = lot.Treatment{Kind: lot.Absorber, CapacityCM3: 300}
	}
	l.Stays = []lot.Stay{{Room: "cellar", From: p.PackedAt}}
	l.Seal = rapid.SampledFrom(barrier.Seals()).Draw(t, "seal")
	at := p.PackedAt
	for _, name := range []string{"loft", "cellar"}[:rapid.IntRange(0, 2).Draw(t, "moves")] {
		at = at.Add(time.Duration(rapid.IntRange(1, 30*24*60).Draw(t, "minutes to the move")) * time.Minute)
		l.Stays = append(l.Stays, lot.Stay{Room: name, From: at})
	}
	return l
}

// The identity: what is told adds up to what package course says is consumed,
// by cause, by month, by year, by room and by event, within 1e-9 of a life.
func TestPartsAddUp(t *testing.T) {
	c := shipped(t)
	rapid.Check(t, func(t *rapid.T) {
		h, l := past(t), anyLot(t, c)
		to := l.Packing.PackedAt.Add(age(t) + time.Duration(rapid.IntRange(1, 24*60).Draw(t, "minutes"))*time.Minute)
		r := reviewer(c, h, found(h, to))
		a := advance(t, r, l, to)
		out := a.Review(l)
		s, err := r.follower.State(a.Course(), l)
		if err != nil {
			t.Fatal(err)
		}
		limiting := s.Modes[s.Limiting]
		if d := math.Abs(limiting.Consumed.Likely - out.Cost.Consumed()); limiting.Mode.Name != out.Mode && d > 1e-9 {
			t.Errorf("told of %s, limited by %s", out.Mode, limiting.Mode.Name)
		}
		size := 1e-9 * (1 + math.Abs(out.Cost.Plain) + math.Abs(out.Cost.Lost.Sum()))
		near(t, "consumed", out.Cost.Consumed(), limiting.Consumed.Likely, size)
		near(t, "left", out.Left, s.Remaining.Likely, size)
		same := func(what string, sum Cost) {
			t.Helper()
			near(t, what+", plain", sum.Plain, out.Cost.Plain, size)
			near(t, what+", heat", sum.Lost.Heat, out.Cost.Lost.Heat, size)
			near(t, what+", moisture", sum.Lost.Moisture, out.Cost.Lost.Moisture, size)
			near(t, what+", oxygen", sum.Lost.Oxygen, out.Cost.Lost.Oxygen, size)
			near(t, what+", light", sum.Lost.Light, out.Cost.Lost.Light, size)
			near(t, what+", less", sum.Less, out.Cost.Less, size)
			near(t, what+", more", sum.More, out.Cost.More, size)
		}
		same("months", total(out.Months, func(x Span) Cost { return x.Cost }))
		same("years", total(out.Years, func(x Span) Cost { return x.Cost }))
		same("rooms", total(out.Rooms, func(x InRoom) Cost { return x.Cost }))
		same("events", total(out.Events, func(x Event) Cost { return x.Cost }))
		if out.Cost.Less < 0 || out.Cost.More < 0 {
			t.Errorf("room for error %g and %g", out.Cost.Less, out.Cost.More)
		}
		house := Together([]Review{out, out})
		near(t, "two lots", house.Cost.KG.Consumed(), 2*out.KG*out.Cost.Consumed(), 1e-8*(1+out.KG)*(1+size*1e9))
		days := total(house.Events, func(x EventSums) Cost { return x.Cost.Days }).Lost.Sum()
		for _, m := range house.Moves {
			days += m.Days
		}
		for _, e := range out.Events {
			if e.Kind == Packed {
				days += 2 * out.InDays(e.Cost).Lost.Sum()
			}
		}
		near(t, "events of the house and the first stay", days, house.Cost.Days.Lost.Sum(), 1e-8*out.Life*(1+size*1e9))
	})
}

func total[T any](of []T, cost func(T) Cost) (sum Cost) {
	for _, x := range of {
		sum = sum.Add(cost(x))
	}
	return sum
}

// What an account is carried on by, a day or a year at a time, is no matter,
// nor that a copy went ahead and was thrown away.
func TestAccountsAreFolds(t *testing.T) {
	c := shipped(t)
	rapid.Check(t, func(t *rapid.T) {
		h, l := past(t), anyLot(t, c)
		to := l.Packing.PackedAt.Truncate(day).Add(age(t) + day)
		r := reviewer(c, h, found(h, to))
		once := advance(t, r, l, to)
		a, err := r.Start(l)
		if err != nil {
			t.Fatal(err)
		}
		for at := l.Packing.PackedAt.Truncate(day); at.Before(to); {
			at = at.Add(time.Duration(rapid.IntRange(5, 60).Draw(t, "step")) * day)
			if at.After(to) {
				at = to
			}
			if _, err := r.Advance(a, l, at.Add(7*time.Hour)); err != nil { // of the present day, thrown away
				t.Fatal(err)
			}
			if a, err = r.Advance(a, l, at); err != nil {
				t.Fatal(err)
			}
		}
		if d := cmp.Diff(once.Review(l), a.Review(l)); d != "" {
			t.Errorf("in steps it is another:\n%s", d)
		}
	})
}

// Kept at plan storage a lot loses nothing, to the last digits.
func TestPlanStorageCostsNothingMore(t *testing.T) {
	c := shipped(t)
	for _, food := range c.FoodIDs() {
		for _, box := range []string{"pet-2l", "can-no10", "paper-sack-10kg"} {
			l := lotOf(food, box, "cellar")
			l.Packing.Shading = lot.Boxed
			rooms := course.Steady{Temperature: 18, Humidity: 0.55}
			r := New(c, rooms, course.New(c, rooms), noSpells, time.UTC)
			out := advance(t, r, l, after(500)).Review(l)
			for _, x := range []float64{out.Cost.Lost.Heat, out.Cost.Lost.Moisture, out.Cost.Lost.Oxygen, out.Cost.Lost.Light, out.Cost.Less, out.Cost.More} {
				if math.Abs(x) > 1e-12 {
					t.Errorf("%s in %s: %+v", food, box, out.Cost)
				}
			}
			if out.Life < 30 || !(out.Cost.Plain > 0) {
				t.Errorf("%s in %s: life %g days, plain %g", food, box, out.Life, out.Cost.Plain)
			}
		}
	}
}

// What one excursion costs is what the lot would not have consumed without it.
// Where only warmth drives the food that is so to the last digits; where the
// heat also moves water and oxygen the excursion still acts when it is over,
// and the split books that to later: within 5 % of its cost and a thousandth
// of a life (stated here, judgement).
func TestAnExcursionAgainstTheSamePastWithoutIt(t *testing.T) {
	c := shipped(t)
	hot := func(i int) bool { return i >= 100*24+9 && i < 110*24+15 }
	with := newHouse().by("cellar", longest, func(i int) room.Slot {
		if hot(i) {
			return hour(33, 0.5, 0)
		}
		return hour(17, 0.5, 0)
	})
	without := newHouse().set("cellar", hour(17, 0.5, 0))
	to := after(200)
	consumed := func(h *house, l lot.Lot) (Review, float64) {
		t.Helper()
		out := advance(t, reviewer(c, h, found(h, to)), l, to).Review(l)
		return out, out.Cost.Consumed()
	}
	checked := 0
	for _, food := range c.FoodIDs() {
		for _, box := range []string{"pet-2l", "can-no10", "glass-jar-1l"} {
			l := lotOf(food, box, "cellar")
			a, x := consumed(with, l)
			b, y := consumed(without, l)
			if a.Mode != b.Mode {
				continue
			}
			var e Event
			for _, each := range a.Events {
				if each.Kind == Excursion {
					e = each
				}
			}
			if !e.From.Equal(after(100).Add(9*time.Hour)) || !e.To.Equal(after(110).Add(15*time.Hour)) || !e.Warm || e.Hottest != 33 {
				t.Fatalf("%s in %s: the excursion is %+v", food, box, e.Spell)
			}
			// Against the same time without it, not against plan storage.
			quiet := b.Cost.Consumed() / 200 * (10 + 6.0/24)
			near(t, food+" in "+box, e.Cost.Consumed()-quiet, x-y, 0.05*(x-y)+1e-3)
			checked++
		}
	}
	if checked < 50 {
		t.Errorf("only %d lots were compared", checked)
	}
}

// Heat alone, to the last digits: the excursion is cut at its own hour, within
// a step of a day.
func TestAnExcursionByHand(t *testing.T) {
	h := newHouse().by("cellar", longest, func(i int) room.Slot {
		if i >= 100*24+5 && i < 100*24+12 {
			return hour(38, 0.5, 0)
		}
		return hour(20, 0.5, 0)
	})
	l := lotOf("crystals", "bottle", "cellar") // sealed: its water activity stays
	out := advance(t, reviewer(plainCatalog(), h, found(h, after(150))), l, after(150)).Review(l)
	if len(out.Events) != 2 || out.Events[0].Kind != Packed || out.Events[1].Kind != Excursion {
		t.Fatalf("events %+v", out.Events)
	}
	w := math.Pow(2, (0.4-0.5)/0.1) // crystals in a sealed bottle are dry: 0.4
	near(t, "the excursion", out.Events[1].Cost.Lost.Heat, 7.0/24*(factor(80, 38)-factor(80, 20))*w/1000, 1e-12)
	near(t, "the rest", out.Events[0].Cost.Lost.Sum(), 0, 1e-12)
	near(t, "march to july", float64(len(out.Months)), 5, 0)
	if m := out.Months[3]; m.Month != time.June || math.Abs(m.Cost.Lost.Heat-out.Events[1].Cost.Lost.Heat) > 1e-12 {
		t.Errorf("June cost %+v", m)
	}
}

// A move to a warmer room, by hand: packed for 20 °C, 50 days there, then 30 at
// 26 °C in a loft whose own plan is 26.
func TestAMoveByHand(t *testing.T) {
	h := newHouse().set("cellar", hour(20, 0.5, 0)).set("loft", hour(26, 0.5, 0))
	h.plan["loft"] = 26
	l := lotOf("crystals", "bottle", "cellar")
	l.Stays = append(l.Stays, lot.Stay{Room: "loft", From: after(50).Add(90 * time.Minute)})
	r := reviewer(plainCatalog(), h, found(h, after(80)))
	out := advance(t, r, l, after(80)).Review(l)
	if len(out.Events) != 2 || out.Events[1].Kind != Moved || out.Events[1].Room != "loft" || !out.Events[1].From.Equal(l.Stays[1].From) {
		t.Fatalf("events %+v", out.Events)
	}
	near(t, "the move", out.Events[1].Cost.Lost.Heat, (30-1.5/24)*(factor(80, 26)-factor(80, 20))*0.5/1000, 1e-12)
	near(t, "the loft", out.Rooms[1].Cost.Lost.Sum(), out.Events[1].Cost.Lost.Sum(), 1e-15)
	near(t, "the cellar", out.Rooms[0].Cost.Lost.Sum(), 0, 1e-12)
	if got := Together([]Review{out}).Moves; len(got) != 1 || math.Abs(got[0].Days-out.InDays(out.Events[1].Cost).Lost.Heat) > 1e-9 {
		t.Errorf("moves of the house: %+v", got)
	}
}

// Estimated and unknown time have events of their own, with room for error;
// unknown time counts at plan storage and costs nothing more.
func TestGapsByHand(t *testing.T) {
	const ms = uint32(time.Hour / time.Millisecond)
	h := newHouse().by("cellar", longest, func(i int) room.Slot {
		s := hour(24, 0.5, 0)
		switch i / 24 {
		case 70, 71:
			s.MeasuredMS, s.EstimatedMS = 0, ms
		case 80:
			return room.Slot{UnknownMS: ms}
		}
		return s
	})
	l := lotOf("crystals", "bottle", "cellar")
	out := advance(t, reviewer(plainCatalog(), h, found(h, after(90))), l, after(90)).Review(l)
	var kinds []Kind
	for _, e := range out.Events {
		kinds = append(kinds, e.Kind)
	}
	if d := cmp.Diff([]Kind{Excursion, Estimated, Excursion, Unknown, Excursion}, kinds[len(kinds)-5:]); d != "" {
		t.Fatalf("events:\n%s", d)
	}
	at := func(x float64) float64 { return factor(80, x) * 0.5 / 1000 }
	gap, blank := out.Events[len(kinds)-4].Cost, out.Events[len(kinds)-2].Cost
	near(t, "estimated", gap.Lost.Heat, 2*(at(24)-at(20)), 1e-12)
	near(t, "less", gap.Less, 2*(at(24)-at(21)), 1e-12)
	near(t, "more", gap.More, 2*(at(27)-at(24)), 1e-12)
	near(t, "unknown", blank.Lost.Sum(), 0, 1e-12)
	near(t, "unknown, plain", blank.Plain, at(20), 1e-12)
	near(t, "unknown, more", blank.More, at(30)-at(20), 1e-12)
	near(t, "all others", out.Cost.More, gap.More+blank.More, 1e-12)
}

// A seal that was found to leak was not planned: what comes in is oxygen's.
func TestALeakIsOxygen(t *testing.T) {
	h := newHouse().set("cellar", hour(20, 0.5, 0))
	l := lotOf("brown-rice", "can-no10", "cellar")
	l.Packing.NetMassKG = 2.5
	l.Packing.Treatment = lot.Treatment{Kind: lot.Absorber, CapacityCM3: 500}
	l.Seal = barrier.Failed
	out := advance(t, reviewer(shipped(t), h, noSpells), l, after(200)).Review(l)
	if p := out.Cost.Lost; !(p.Oxygen > 0.1) || math.Abs(p.Heat) > 1e-9 || p.Oxygen < 10*math.Abs(p.Moisture) {
		t.Errorf("a leak cost %+v", p)
	}
	if name, _ := out.Cost.Lost.Most(); name != "oxygen" {
		t.Errorf("most was lost by %s", name)
	}
}

// Months are those of the zone.
func TestMonthsOfTheZone(t *testing.T) {
	h := newHouse().set("cellar", hour(25, 0.5, 0))
	l := lotOf("crystals", "bottle", "cellar")
	r := New(plainCatalog(), h, course.New(plainCatalog(), h), noSpells, time.FixedZone("east", 10*3600))
	out := advance(t, r, l, after(31)).Review(l)
	// April begins at 14:00 UTC on 31 March there.
	near(t, "March", out.Months[0].Cost.Plain/out.Cost.Plain, (30+14.0/24)/31, 1e-9)
	if len(out.Months) != 2 || out.Months[1].Month != time.April || len(out.Years) != 1 || out.Years[0].Month != 0 {
		t.Errorf("months %+v, years %+v", out.Months, out.Years)
	}
}

func TestFinishedAndFresh(t *testing.T) {
	h := newHouse().set("cellar", hour(25, 0.5, 0))
	l := lotOf("crystals", "bottle", "cellar")
	r := reviewer(plainCatalog(), h, noSpells)
	fresh := advance(t, r, l, packed()).Review(l)
	if fresh.Left != 1 || fresh.Mode == "" || len(fresh.Events) != 0 || fresh.Cost != (Cost{}) {
		t.Errorf("just packed: %+v", fresh)
	}
	l.FinishedAt = after(10.25)
	out := advance(t, r, l, after(50)).Review(l)
	if !out.At.Equal(l.FinishedAt) {
		t.Errorf("finished at %v, told of %v", l.FinishedAt, out.At)
	}
	near(t, "plain", out.InDays(out.Cost).Plain, 10.25, 0.1)
	for _, bad := range []func(*lot.Packing){
		func(p *lot.Packing) { p.Food = "no-such-food" }, func(p *lot.Packing) { p.Container = "no-such-box" },
	} {
		l := lotOf("crystals", "bottle", "cellar")
		bad(&l.Packing)
		if _, err := r.Start(l); err == nil {
			t.Errorf("an account of %+v was begun", l.Packing)
		}
	}
}
