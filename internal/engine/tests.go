package engine

import (
	"fmt"
	"slices"
	"time"

	"dryhold/internal/course"
	"dryhold/internal/lot"
)

// TestedView is what the keeper's tests have made of the model of a lot: before
// and after, side by side. After is what LotView shows.
type TestedView struct {
	// Own is how many tests of the lot count, Class how many of other lots of
	// the same food, which speak of its constants.
	Own   int `json:"own_tests"`
	Class int `json:"class_tests"`
	// Effective is how many of Draws sets of constants the result stands on,
	// and Power what the evidence was raised to so that they are not too few:
	// 1 where it counts in full.
	Effective float64 `json:"effective_draws"`
	Draws     int     `json:"draws"`
	Power     float64 `json:"evidence_power"`
	// Before the tests: remaining quality, seed that sprouts, and the end at
	// plan storage, zero as in LotView.
	Remaining Estimate  `json:"prior_remaining_quality"`
	Viable    *Estimate `json:"prior_viable_seed_share,omitempty"`
	EndEarly  time.Time `json:"prior_end_at_plan_early,omitzero"`
	EndAtPlan time.Time `json:"prior_end_at_plan,omitzero"`
	EndLate   time.Time `json:"prior_end_at_plan_late,omitzero"`
}

// witness is the evidence of the tests of one lot.
type witness struct {
	at       []time.Time // for which each test was weighed: its own, or what is known up to
	tests    []lot.Test
	evidence []course.Evidence
}

// believed is a belief about a lot and what it stands on.
type believed struct {
	course.Belief
	own, class int
}

// checkTest refuses a germination test of food that is no seed.
func (e *Engine) checkTest(c lot.Change) error {
	if c.Kind != lot.Tested || c.Result == nil || c.Result.Seeds == 0 {
		return nil
	}
	l, err := e.book.Find(c.Lot)
	if err != nil {
		return err
	}
	if f, err := e.cfg.Catalog.Food(l.Packing.Food); err == nil && f.Species == "" {
		return lot.Invalid("%s is no seed that sprouts: leave the seeds out", f.Name)
	}
	return nil
}

// believe brings what tests say of every lot up to now. changed gives from when
// the climate of a room is another than it was. A lot that is looked at in
// another way than before is worked out again.
func (e *Engine) believe(now time.Time, changed map[string]time.Time) error {
	lots := e.book.Lots()
	heard := map[string][]string{} // lots with tests, by food, in the order they were added
	for _, l := range lots {
		tests := l.InForce()
		if len(tests) == 0 {
			delete(e.witnesses, l.ID)
			continue
		}
		heard[l.Packing.Food] = append(heard[l.Packing.Food], l.ID)
		if err := e.hear(l, tests, now, changed); err != nil {
			return fmt.Errorf("cannot weigh the tests of lot %s: %w", l.ID, err)
		}
	}
	for _, l := range lots {
		before, any := e.beliefs[l.ID]
		if len(heard[l.Packing.Food]) == 0 && !any {
			continue
		}
		b := believed{}
		var logs [][]float64
		for _, other := range heard[l.Packing.Food] {
			for _, x := range e.witnesses[other].evidence {
				if other == l.ID {
					logs = append(logs, x.Own)
					b.own++
				} else {
					logs = append(logs, x.Class)
					b.class++
				}
			}
		}
		if len(logs) > 0 {
			b.Belief = course.Believe(logs...)
		}
		if any && before.own == b.own && before.class == b.class && before.Same(b.Belief) {
			continue
		}
		if t := e.lots[l.ID]; t != nil {
			t.asOf, t.lookedAt = time.Time{}, time.Time{}
		}
		if len(logs) == 0 {
			delete(e.beliefs, l.ID)
			e.follower.Hold(l.ID, nil)
			continue
		}
		e.beliefs[l.ID] = b
		e.follower.Hold(l.ID, &b.Belief)
	}
	return nil
}

// hear weighs the tests of a lot, each once for what is known of its time.
func (e *Engine) hear(l lot.Lot, tests []lot.Test, now time.Time, changed map[string]time.Time) error {
	old := e.witnesses[l.ID]
	w := &witness{tests: tests}
	known := e.asOf(l, now)
	for i, t := range tests {
		at := t.At
		if known.Before(at) {
			at = known
		}
		w.at = append(w.at, at)
		fresh := old == nil || i >= len(old.tests) || old.tests[i].Number != t.Number || !old.at[i].Equal(at)
		for _, s := range l.Stays {
			if since, ok := changed[s.Room]; ok && since.Before(at) {
				fresh = true
			}
		}
		if !fresh {
			w.evidence = append(w.evidence, old.evidence[i])
			continue
		}
		c, err := e.follower.Start(l)
		if err != nil {
			return err
		}
		if c, err = e.follower.Advance(c, l, at); err != nil {
			return err
		}
		x, err := e.follower.Evidence(c, l, t.Result)
		if err != nil {
			return err
		}
		w.evidence = append(w.evidence, x)
	}
	e.witnesses[l.ID] = w
	return nil
}

// tested shows what tests have made of a lot; nil where none has spoken.
func (e *Engine) tested(l lot.Lot, s course.State, o course.Outlook) *TestedView {
	b, any := e.beliefs[l.ID]
	if !any || s.Prior == nil {
		return nil
	}
	v := &TestedView{Own: b.own, Class: b.class, Effective: b.Effective, Draws: course.Draws, Power: b.Power, Remaining: Estimate(s.Prior.Remaining)}
	v.Viable = (*Estimate)(s.Prior.Viable)
	if p := o.Prior; p != nil && !l.Finished() {
		v.EndEarly, v.EndAtPlan, v.EndLate = p[0], p[1], p[2]
	}
	return v
}

// smelled warns of an off smell that a test told.
func smelled(l lot.Lot) (warning string, any bool) {
	for _, t := range slices.Backward(l.InForce()) {
		if t.Result.OffSmell != nil && *t.Result.OffSmell {
			return fmt.Sprintf("An off smell was noted on %s: throw it out, and look at the other containers. Quality is not safety: food without an off smell may be unsafe too.", t.At.Format(time.DateOnly)), true
		}
	}
	return "", false
}

// tests tells what the tests said, before and after.
func (x *explainer) tests(t *telling) {
	for _, test := range x.v.InForce() {
		by := ""
		if test.By != "" {
			by = " (" + test.By + ")"
		}
		t.say("Test %d, on %s%s: %s.", test.Number, date(test.At), by, test.Result)
	}
	v := x.v.Tested
	if v == nil {
		return
	}
	t.constant("judgement, on the nine-point hedonic scale of Peryam and Pilgrim 1957", "%d tests of this lot and %d of other lots of %s weigh %d sets of constants; the result stands on %s of them.",
		v.Own, v.Class, x.food.Name, v.Draws, figures(v.Effective, 3))
	if v.Power < 1 {
		t.say("The tests contradict the model, or each other, so that fewer would be left: they count with the power %s.", figures(v.Power, 2))
	}
	t.say("Remaining quality before the tests %s, after them %s.", spread(v.Remaining, 100, " %"), spread(x.v.Remaining, 100, " %"))
	if v.Viable != nil && x.v.Viable != nil {
		t.say("Seed that sprouts before the tests %s, after them %s.", spread(*v.Viable, 100, " %"), spread(*x.v.Viable, 100, " %"))
	}
	if !x.v.Finished() {
		t.say("The end at plan storage before the tests: %s (%s to %s).", about(v.EndAtPlan), ahead(v.EndEarly), ahead(v.EndLate))
	}
	t.say("Quality is not safety: no taste, smell or sprout tells whether food is safe.")
}
