package engine

import (
	"time"

	"dryhold/internal/course"
	"dryhold/internal/review"
)

// behindPieces is into how many pieces the accounts of lots that are behind are
// cut: more than there are processors, so that all have something to do to the
// end, and not so many that what each makes for itself counts.
const behindPieces = 16

// Behind drops what no longer holds of what was worked out of lots, and gives
// what is to be done before they can be worked out again where that is much, as
// after a start: their accounts are carried on from packing. No piece touches
// anything of another, or anything but accounts, so that they may be done side by
// side, and the engine not be used meanwhile. What of it is left out, the next to
// ask for the lots does: the state is the same to the last bit.
func (e *Engine) Behind(now time.Time) ([]func() error, error) {
	settled, err := e.freshen(now)
	if err != nil {
		return nil, err
	}
	var behind []int
	lots := e.book.Lots()
	for i, l := range lots {
		if t := e.lots[l.ID]; t.settled.IsZero() && l.Packing.PackedAt.Before(settled) {
			behind = append(behind, i)
		}
	}
	for _, r := range e.rooms {
		e.spellsOf(r.name) // found once; the pieces only read them
	}
	var work []func() error
	for first := range min(behindPieces, len(behind)) {
		work = append(work, func() error {
			by := review.New(e.cfg.Catalog, e, course.New(e.cfg.Catalog, e), e.spellsOf, e.cfg.Zone)
			for k := first; k < len(behind); k += behindPieces {
				l := lots[behind[k]]
				if err := e.carry(by, e.lots[l.ID], l, e.asOf(l, now), settled); err != nil {
					return err
				}
			}
			return nil
		})
	}
	return work, nil
}
