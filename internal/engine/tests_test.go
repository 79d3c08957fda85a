package engine

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/course"
	"dryhold/internal/lot"
	"dryhold/internal/review"
	"dryhold/internal/unit"
)

// TestATestCorrectsTheLotAndItsClass: a bad taste lowers what is left of the lot
// and, by the constants they share, of the other lot of that food; a lot of
// other food is the same to the last bit, and so is everything when the test is
// taken back.
func TestATestCorrectsTheLotAndItsClass(t *testing.T) {
	p := newPlay(t, config(
		add("L-1", "brown-rice", "pet-2l", "loft", at(0)), add("L-2", "brown-rice", "pet-2l", "loft", at(0)),
		add("L-3", "hard-wheat", "pet-2l", "loft", at(0))))
	p.course("a", 0, 90*24, 24)
	now := at(90 * 24)
	views := func() map[string]LotView {
		out := map[string]LotView{}
		for _, v := range p.e.Snapshot(now).Lots {
			out[v.ID] = v
		}
		return out
	}
	before := views()
	say := func(c lot.Change) {
		t.Helper()
		c.At, c.Recorded, c.By = at(80*24), now, "Ada"
		if err := p.e.CheckLot(c); err != nil {
			t.Fatal(err)
		}
		if _, err := p.e.ChangeLot(c); err != nil {
			t.Fatal(err)
		}
	}
	off := true
	say(lot.Change{Kind: lot.Tested, Lot: "L-1", Result: &lot.Result{Taste: 2, OffSmell: &off}})
	after := views()
	for id, own := range map[string]int{"L-1": 1, "L-2": 0} {
		a, b := after[id], before[id]
		if a.Tested == nil || a.Tested.Own != own || a.Tested.Class != 1-own || a.Tested.Effective >= course.Draws || a.Tested.Draws != course.Draws {
			t.Fatalf("%s: tested %+v", id, a.Tested)
		}
		if a.Remaining.Likely >= b.Remaining.Likely || !a.EndAtPlan.Before(b.EndAtPlan) {
			t.Errorf("%s: a bad taste leaves %+v of %+v, to %v from %v", id, a.Remaining, b.Remaining, a.EndAtPlan, b.EndAtPlan)
		}
		if a.Tested.Remaining != b.Remaining || !a.Tested.EndAtPlan.Equal(b.EndAtPlan) {
			t.Errorf("%s: the prior is told as %+v, was %+v", id, a.Tested, b.Remaining)
		}
		warned := strings.Contains(strings.Join(a.Warnings, " "), "off smell")
		if warned != (own == 1) {
			t.Errorf("%s: warnings %q", id, a.Warnings)
		}
	}
	if d := cmp.Diff(before["L-3"], after["L-3"], sameBits); d != "" {
		t.Errorf("a lot of other food has changed:\n%s", d)
	}
	say(lot.Change{Kind: lot.Untested, Lot: "L-1", Revokes: 1, Note: "another jar"})
	taken := views()
	for id, v := range taken {
		v.Tests = nil
		if d := cmp.Diff(before[id], v, sameBits); d != "" {
			t.Errorf("%s, taken back, is not as before:\n%s", id, d)
		}
	}
	say(lot.Change{Kind: lot.Tested, Lot: "L-1", Result: &lot.Result{Taste: 9}})
	if a, b := views()["L-1"], before["L-1"]; a.Remaining.Likely <= b.Remaining.Likely {
		t.Errorf("a good taste leaves %+v of %+v", a.Remaining, b.Remaining)
	}
}

// TestAGerminationTestSpeaksOfItsLotOnly: seeds tell of the lot's water.
func TestAGerminationTestSpeaksOfItsLotOnly(t *testing.T) {
	p := newPlay(t, config(add("L-1", "brown-rice", "pet-2l", "loft", at(0)), add("L-2", "brown-rice", "pet-2l", "loft", at(0)), add("L-3", "hard-wheat", "pet-2l", "loft", at(0))))
	p.course("a", 0, 90*24, 28)
	now := at(90 * 24)
	find := func(id string) LotView {
		for _, v := range p.e.Snapshot(now).Lots {
			if v.ID == id {
				return v
			}
		}
		return LotView{}
	}
	one, two := find("L-1"), find("L-2")
	c := lot.Change{Kind: lot.Tested, Lot: "L-1", Result: &lot.Result{Sprouted: 60, Seeds: 100}, At: now, Recorded: now}
	if err := p.e.CheckLot(c); err != nil {
		t.Fatal(err)
	}
	if _, err := p.e.ChangeLot(c); err != nil {
		t.Fatal(err)
	}
	a, b := find("L-1"), find("L-2")
	if a.Viable.Likely >= one.Viable.Likely || a.Tested.Viable.Likely != one.Viable.Likely {
		t.Errorf("60 of 100 leave %+v of %+v", a.Viable, one.Viable)
	}
	if b.Tested == nil || b.Tested.Effective < course.Draws-1e-6 {
		t.Errorf("seeds of one lot weigh the draws of another: %+v", b.Tested)
	}
	if b.Viable.Low > two.Viable.Likely || b.Viable.High < two.Viable.Likely {
		t.Errorf("seed of the other lot %+v, was %+v", b.Viable, two.Viable)
	}
	c.Lot = "L-3"
	if err := p.e.CheckLot(c); !errors.Is(err, lot.ErrInvalid) {
		t.Errorf("seeds of what does not sprout: %v", err)
	}
}

// TestAfterATestAllAgree: whatever the keeper tells of a lot, the review leaves
// what the view leaves, its parts sum to the whole, a what-if of the present
// gains nothing and ends where the view does, and so it is after a rebuild.
func TestAfterATestAllAgree(t *testing.T) {
	const hours = 90 * 24
	lots := []lot.Change{
		add("L-1", "brown-rice", "pet-2l", "loft", at(0)), add("L-2", "brown-rice", "pail-20l", "cellar", at(30)),
		add("L-3", "hard-wheat", "pet-2l", "loft", at(0)), add("L-4", "brown-rice", "pet-2l", "loft", at(hours-5)),
	}
	lots[0].Packing.Shading = lot.OpenShelf
	readings := histories(0, hours, map[string]func(float64) float64{"loft": seasonal(24, 6, 4), "cellar": seasonal(13, 3, 0)})
	now := at(hours)
	build := func(extra ...lot.Change) *Engine {
		c := config(append(slices.Clone(lots), extra...)...)
		c.Stale = func(string) time.Duration { return 3 * time.Hour }
		e := engineOf(t, c)
		for _, name := range roomsOf(readings) {
			refold(e, Refold{Room: name}, readings, now)
		}
		return e
	}
	live := build()
	var told []lot.Change
	rapid.Check(t, func(t *rapid.T) {
		r := lot.Result{Taste: rapid.IntRange(0, 9).Draw(t, "taste")}
		if off := rapid.IntRange(0, 2).Draw(t, "smell"); off > 0 || r.Taste == 0 {
			r.OffSmell = new(bool)
			*r.OffSmell = off == 1
		}
		id := rapid.SampledFrom([]string{"L-1", "L-2", "L-3", "L-4"}).Draw(t, "lot")
		if id != "L-3" && rapid.Bool().Draw(t, "sown") {
			r.Seeds = 50
			r.Sprouted = rapid.IntRange(0, 50).Draw(t, "sprouted")
		}
		c := lot.Change{Kind: lot.Tested, Lot: id, Result: &r, At: at(hours - 4*rapid.Float64Range(0, 1).Draw(t, "hours before")), Recorded: now, By: "mara"}
		if id != "L-4" {
			c.At = c.At.Add(-time.Duration(rapid.IntRange(0, 60).Draw(t, "days before")) * 24 * time.Hour)
		}
		if _, err := live.ChangeLot(c); err != nil {
			t.Fatal(err)
		}
		told = append(told, c)
		agrees(t, live, now)
		if len(told) > 12 {
			live, told = build(), nil
		}
	})
	rebuilt := build(told...)
	if d := cmp.Diff(rebuilt.Snapshot(now).Lots, live.Snapshot(now).Lots, sameBits); d != "" {
		t.Errorf("live differs from rebuilt (-rebuilt +live):\n%.2000s", d)
	}
	if d := cmp.Diff(reviewed(t, rebuilt, now), reviewed(t, live, now), sameBits); d != "" {
		t.Errorf("the live review differs from the rebuilt (-rebuilt +live):\n%.2000s", d)
	}
}

// agrees holds review and what-if against the views.
func agrees(t interface {
	Helper()
	Fatal(...any)
	Errorf(string, ...any)
}, e *Engine, now time.Time) {
	t.Helper()
	reviews := map[string]review.Review{}
	for _, r := range reviewed(t, e, now) {
		reviews[r.Lot] = r
	}
	views := map[string]LotView{}
	for _, v := range e.Snapshot(now).Lots {
		views[v.ID] = v
		r := reviews[v.ID]
		if d := r.Left - v.Remaining.Likely; !(math.Abs(d) <= 1e-9) || r.Mode != v.Limiting {
			t.Errorf("%s: the review leaves %v of %s, the view %v of %s", v.ID, r.Left, r.Mode, v.Remaining.Likely, v.Limiting)
		}
		var events, months, rooms review.Cost
		for _, x := range r.Events {
			events = events.Add(x.Cost)
		}
		for _, x := range r.Months {
			months = months.Add(x.Cost)
		}
		for _, x := range r.Rooms {
			rooms = rooms.Add(x.Cost)
		}
		for what, c := range map[string]review.Cost{"events": events, "months": months, "rooms": rooms} {
			if d := 1 - r.Left - c.Consumed(); !(math.Abs(d) <= 1e-9) {
				t.Errorf("%s: the %s are %g off the whole", v.ID, what, d)
			}
		}
	}
	high := unit.Celsius(60)
	for _, s := range []review.Scenario{{Warmest: &high}, {Warmest: &high, Past: true}, {Container: "pet-2l", Past: true}} {
		tr, err := e.Try(now, Question{Scenario: s})
		if err != nil {
			t.Fatal(err)
		}
		for more := true; more; {
			if more, err = tr.Next(now, 3); err != nil {
				t.Fatal(err)
			}
		}
		for _, g := range tr.Answer().Lots {
			v := views[g.Lot]
			if s.Container != "" && v.Packing.Container != s.Container {
				continue
			}
			if p := v.Projected(); !g.Now.Equal(p.Likely) || g.NowBy != p.By {
				t.Errorf("%s ends %v by %s, its view says %v by %s", g.Lot, g.Now, g.NowBy, p.Likely, p.By)
			}
			if g.Days != (lot.Range{}) || !g.Then.Equal(g.Now) || g.ThenBy != g.NowBy {
				t.Errorf("%s: the present as %+v gains %+v days, %v to %v", g.Lot, s, g.Days, g.Now, g.Then)
			}
		}
	}
}
