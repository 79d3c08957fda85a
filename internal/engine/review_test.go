package engine

import (
	"math"
	"testing"
	"time"

	"dryhold/internal/lot"
	"dryhold/internal/review"
	"dryhold/internal/room"
)

// reviewed is the review of all lots.
func reviewed(t interface {
	Helper()
	Fatal(args ...any)
}, e *Engine, now time.Time) []review.Review {
	t.Helper()
	all, err := e.Review(now)
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// TestReviewOfAHotWeek: what a lot has consumed is what its view says, the hot
// week is one excursion that stands for nearly all of the heat, and a lot that
// came later was spared.
func TestReviewOfAHotWeek(t *testing.T) {
	c := config(add("L-1", "hard-wheat", "pet-2l", "loft", at(0)), add("L-2", "hard-wheat", "pet-2l", "loft", at(30*24)))
	e := engineOf(t, c)
	var readings []room.Reading
	for h := 0.0; h <= 60*24; h++ {
		celsius := 20.0
		if h >= 10*24 && h < 17*24 && math.Mod(h, 24) >= 8 { // its nights are cool
			celsius = 35
		}
		readings = append(readings, temperature("loft", "a", at(h), celsius), humidity("loft", "a", at(h), 0.40))
	}
	end := at(60 * 24)
	e.Observe(end, readings)
	refold(e, Refold{Room: "loft"}, readings, end)
	views := map[string]LotView{}
	for _, v := range e.Snapshot(end).Lots {
		views[v.ID] = v
	}
	all := reviewed(t, e, end)
	if len(all) != 2 || all[0].Lot != "L-1" {
		t.Fatalf("reviews of %d lots", len(all))
	}
	for _, r := range all {
		if left := views[r.Lot].Remaining.Likely; math.Abs(r.Left-left) > 1e-9 {
			t.Errorf("lot %s: the review leaves %v, the view %v", r.Lot, r.Left, left)
		}
		sum := review.Cost{}
		for _, x := range r.Events {
			sum = sum.Add(x.Cost)
		}
		if d := sum.Consumed() - r.Cost.Consumed(); math.Abs(d) > 1e-9 {
			t.Errorf("lot %s: the events are %g off the whole", r.Lot, d)
		}
	}
	worst := all[0].Worst(3)
	if len(worst) == 0 || worst[0].Kind != review.Excursion || !worst[0].Warm || worst[0].Hottest != 35 {
		t.Fatalf("the worst event is not the hot week: %+v", worst)
	}
	if from, to := worst[0].From, worst[0].To; from.Before(at(10*24)) || to.After(at(17*24+2)) || to.Sub(from) < 6*24*time.Hour {
		t.Errorf("the hot week is told as %v to %v", from, to)
	}
	for _, x := range all[1].Events {
		if x.Kind == review.Excursion {
			t.Errorf("lot L-2 came after the hot week and is charged with %+v", x)
		}
	}
}

// TestReviewOfAFinishedLot: it stops where the lot was eaten.
func TestReviewOfAFinishedLot(t *testing.T) {
	p := newPlay(t, config(add("L-1", "hard-wheat", "pet-2l", "loft", at(0))))
	p.course("a", 0, 96, 30)
	if _, err := p.e.ChangeLot(lot.Change{Kind: lot.Ended, Lot: "L-1", At: at(48), Recorded: at(96)}); err != nil {
		t.Fatal(err)
	}
	if r := reviewed(t, p.e, at(96))[0]; !r.At.Equal(at(48)) || r.Cost.Lost.Heat <= 0 {
		t.Errorf("reviewed at %v: %+v", r.At, r.Cost)
	}
}
