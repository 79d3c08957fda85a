package review

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestYearsAddUp: the years of a review, by month, room and event, make up the
// whole, on random pasts; so do those of each room.
func TestYearsAddUp(t *testing.T) {
	c := shipped(t)
	rapid.Check(t, func(t *rapid.T) {
		r, months := anyReview(t, c)
		reviews := []Review{r}
		for _, x := range r.Rooms {
			in, _ := r.In(x.Room, months)
			reviews = append(reviews, in)
		}
		for _, r := range reviews {
			all := Cost{}
			for _, y := range r.Years {
				in, ok := r.InYear(y.Year, months)
				if !ok || in.Left != r.Left || len(in.Years) != 1 {
					t.Fatalf("%d: %v, left %g of %g, %d years", y.Year, ok, in.Left, r.Left, len(in.Years))
				}
				sameCost(t, "its months", total(in.Months, func(s Span) Cost { return s.Cost }), in.Cost)
				sameCost(t, "its rooms", total(in.Rooms, func(s InRoom) Cost { return s.Cost }), in.Cost)
				sameCost(t, "its events", total(in.Events, func(e Event) Cost { return e.Cost }), in.Cost)
				all = all.Add(in.Cost)
			}
			sameCost(t, "all years", all, r.Cost)
		}
		if _, ok := r.InYear(packed().Year()-1, months); ok {
			t.Fatal("there is a year before packing")
		}
	})
}

// Two lots of ten kilograms, one bought for 2.40 a kilogram, the other for
// nobody knows how much: what is told is what the first lost, and that there is
// another. By hand: 0.25 of 10 kg at 2.40 are 6.00.
func TestCostOnPaper(t *testing.T) {
	lost := Cost{Lost: Parts{Heat: 0.3, Oxygen: -0.05}}
	june := []Span{{2026, time.June, lost}}
	spell := Event{Spell: Spell{Room: "loft", Kind: Excursion, From: packed(), To: after(1)}, Cost: lost}
	a := Review{Lot: "L-1", KG: 10, PricePerKG: 2.4, Cost: lost, Months: june, Rooms: []InRoom{{"loft", lost}}, Events: []Event{spell}}
	b := a
	b.Lot, b.PricePerKG = "L-2", 0
	h := Together([]Review{a, b})
	for what, got := range map[string]Paper{"all": h.Cost.Paper, "June": h.Months[0].Cost.Paper, "the loft": h.Rooms[0].Cost.Paper, "the event": h.Events[0].Cost.Paper} {
		near(t, what, got.Lost, 6, 1e-9)
		if got.Priced != 1 || got.Unpriced != 1 {
			t.Errorf("%s: %d lots with a price and %d without, want one each", what, got.Priced, got.Unpriced)
		}
	}
	if _, known := b.OnPaper(lost); known {
		t.Error("a lot without a price has a cost on paper")
	}
}
