package engine

import (
	"time"

	"dryhold/internal/lot"
	"dryhold/internal/review"
)

// spent is what a lot had lost by the start of a UTC day, by mode.
type spent struct {
	at   time.Time
	lost []review.Loss
}

// spentDays is how many days are kept: a week, and the days that are not
// settled yet.
const spentDays = 10

// settle carries the account of a lot on to an instant, by way of the days
// before it, so that it can be told what a week has cost. Steps lie on the
// calendar: the account is the same as if it were carried on at once.
func settle(by *review.Reviewer, t *tracked, l lot.Lot, to time.Time) (err error) {
	for day := to.Add(-(spentDays - 1) * 24 * time.Hour); !day.After(to); day = day.Add(24 * time.Hour) {
		if n := len(t.lost); n > 0 && !day.After(t.lost[n-1].at) || !day.After(l.Packing.PackedAt) {
			continue
		}
		if t.account, err = by.Advance(t.account, l, day); err != nil {
			return err
		}
		t.lost = append(t.lost, spent{day, t.account.Losses()})
	}
	t.lost = t.lost[max(0, len(t.lost)-spentDays):]
	t.account, err = by.Advance(t.account, l, to)
	return err
}

// costSince is what a lot that is worked out has lost beyond plan storage since
// an instant, days of the life of the mode that the review tells of, and the
// instant it is counted from: the start of the day, or packing, or the first
// day that is kept.
func (e *Engine) costSince(l lot.Lot, since time.Time) (days float64, from time.Time, err error) {
	t := e.lots[l.ID]
	a, err := e.accountOf(l)
	if err != nil {
		return 0, from, err
	}
	mode := a.Review(l).Mode
	of := func(losses []review.Loss) float64 {
		for _, x := range losses {
			if x.Mode == mode {
				return x.Days
			}
		}
		return 0
	}
	from = l.Packing.PackedAt
	before := 0.0
	for i, s := range t.lost {
		if i == 0 && from.Before(s.at.Add(-24*time.Hour)) || !s.at.After(since) {
			before, from = of(s.lost), s.at
		}
	}
	return of(a.Losses()) - before, from, nil
}
