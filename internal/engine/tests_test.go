package engine

import (
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/course"
	"dryhold/internal/lot"
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
