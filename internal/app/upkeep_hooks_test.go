package app

import (
	"context"
	"testing"
	"time"

	"dryhold/internal/store"
)

// LookAfter does what upkeep does each time it looks, and gives how many
// damaged days are known.
func (a *App) LookAfter(ctx context.Context, known int) int {
	a.checkIfDue(ctx, &time.Time{})
	return a.refoldDamaged(ctx, known)
}

func TestCheckDue(t *testing.T) {
	now := time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)
	f := func(want bool, checked time.Time, faults ...string) {
		t.Helper()
		if got := checkDue(store.Integrity{Checked: checked, Faults: faults}, now); got != want {
			t.Errorf("checked %v with faults %v: due %v, want %v", checked, faults, got, want)
		}
	}
	f(true, time.Time{}) // never
	f(false, now)
	f(false, now.AddDate(0, 0, -6))
	f(true, now.AddDate(0, 0, -7))
	f(false, now.Add(-time.Minute), "page 5")
	f(true, now.Add(-time.Hour), "page 5")
	f(false, now.Add(time.Hour)) // the clock was set back
	f(true, now.AddDate(12, 0, 0))
	f(true, time.Unix(0, 0)) // it was not set yet
}
