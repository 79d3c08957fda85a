package review

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"dryhold/internal/catalog"
)

// anyReview is the review of a lot with a random past, and its costs by month.
func anyReview(t *rapid.T, c *catalog.Catalog) (Review, []InMonth) {
	h := past(t)
	l := anyLot(t, c)
	to := packed().Add(age(t))
	a := advance(t, reviewer(c, h, found(h, to)), l, to)
	return a.Review(l), a.InMonths(l)
}

// sameCost holds what was consumed and lost against each other.
func sameCost(t *rapid.T, what string, got, want Cost) {
	t.Helper()
	if math.Abs(got.Consumed()-want.Consumed()) > 1e-9 || math.Abs(got.Lost.Sum()-want.Lost.Sum()) > 1e-9 {
		t.Fatalf("%s: %+v, want %+v", what, got, want)
	}
}

// TestCostsByMonthAndRoom: the costs by month and room are those of the review
// cut once more, on random pasts.
func TestCostsByMonthAndRoom(t *testing.T) {
	c := shipped(t)
	rapid.Check(t, func(t *rapid.T) {
		r, months := anyReview(t, c)
		for _, m := range r.Months {
			sameCost(t, "a month", total(months, func(x InMonth) Cost {
				if x.Year != m.Year || x.Month != m.Month {
					return Cost{}
				}
				return x.Cost
			}), m.Cost)
		}
		for i, x := range months {
			again := func(y InMonth) bool { return y.Room == x.Room && y.Year == x.Year && y.Month == x.Month }
			if slices.IndexFunc(months, again) != i {
				t.Fatalf("%s comes twice in %d-%d", x.Room, x.Year, x.Month)
			}
		}
		sum := Cost{}
		for _, room := range r.Rooms {
			in, ok := r.In(room.Room, months)
			if !ok {
				t.Fatalf("the lot never stood in %s", room.Room)
			}
			sameCost(t, "a room by month", total(in.Months, func(s Span) Cost { return s.Cost }), room.Cost)
			sameCost(t, "a room by year", total(in.Years, func(s Span) Cost { return s.Cost }), room.Cost)
			sameCost(t, "a room by event", total(in.Events, func(e Event) Cost { return e.Cost }), room.Cost)
			sum = sum.Add(in.Cost)
		}
		sameCost(t, "all rooms", sum, r.Cost)
		if _, ok := r.In("nowhere", months); ok {
			t.Fatal("the lot stood nowhere")
		}
	})
}
