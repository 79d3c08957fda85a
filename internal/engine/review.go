package engine

import (
	"fmt"
	"iter"
	"slices"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
	"dryhold/internal/review"
	"dryhold/internal/room"
)

// spellJoin is how long a room may be back within its limits without ending an
// excursion: so that the afternoons of one hot week are one (judgement).
const spellJoin = 24 * time.Hour

// Hours implements review.Rooms.
func (e *Engine) Hours(name string, from, to time.Time) iter.Seq2[time.Time, room.Slot] {
	if r := e.find(name); r != nil {
		return r.ledger.Hours(from, to)
	}
	return room.NewLedger(e.fold, e.cfg.Stale).Hours(from, to)
}

// spellsOf gives the spells of a room, those found up to what is settled and
// those that the keeper noted.
func (e *Engine) spellsOf(name string) []review.Spell {
	r := e.find(name)
	if r == nil || !r.ledger.Begun() {
		return review.Merge(nil, e.noted(name))
	}
	if r.spells == nil {
		limits := review.Limits{Warm: e.Plan(name), Join: spellJoin, Bright: r.rules[alarm.Bright].Limit}
		if _, watched := r.rules[alarm.Damp]; watched {
			limits.Damp = e.Damp(name)
		}
		first, _ := r.ledger.Slots()
		r.spells = review.FindBeside(name, r.ledger.Hours, first, r.ledger.Settled(), limits, e.noted(name))
		if r.spells == nil { // there are none, which need not be found again
			r.spells = []review.Spell{}
		}
	}
	return r.spells
}

// Review tells what the past has cost every lot, finished ones too, in the
// order they were added.
func (e *Engine) Review(now time.Time) ([]review.Review, error) {
	if err := e.workOut(now); err != nil {
		return nil, fmt.Errorf("cannot review the lots: %w", err)
	}
	var out []review.Review
	for _, l := range e.book.Lots() {
		r, err := e.reviewLot(l)
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

// reviewLot tells the past of a lot that is worked out. What is not settled yet
// goes into a copy of its account.
func (e *Engine) reviewLot(l lot.Lot) (review.Review, error) {
	a, err := e.accountOf(l)
	if err != nil {
		return review.Review{}, err
	}
	out := a.Review(l)
	for i := range out.Events {
		e.grow(&out.Events[i].Spell)
	}
	return out, nil
}

// accountOf is the account of a lot up to the instant of its view, and as tests
// have corrected that.
func (e *Engine) accountOf(l lot.Lot) (review.Account, error) {
	t := e.lots[l.ID]
	a, err := e.reviewer.Advance(t.account, l, t.asOf)
	if err != nil {
		return a, fmt.Errorf("cannot review lot %s: %w", l.ID, err)
	}
	if t.view.Tested != nil {
		a = a.Corrected(t.limiting, 1-t.view.Remaining.Likely)
	}
	return a, nil
}

// grow brings a spell to its present end: it may have gone on after the lot had
// left the room.
func (e *Engine) grow(s *review.Spell) {
	all := e.spellsOf(s.Room)
	i, found := slices.BinarySearchFunc(all, s.From, func(x review.Spell, from time.Time) int { return x.From.Compare(from) })
	if found && all[i].Kind == s.Kind {
		*s = all[i]
	}
}
