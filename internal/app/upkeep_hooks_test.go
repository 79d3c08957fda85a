package app

import (
	"context"
	"time"
)

// LookAfter does what upkeep does each time it looks, and gives how many
// damaged days are known.
func (a *App) LookAfter(ctx context.Context, known int) int {
	a.checkIfDue(ctx, &time.Time{})
	return a.refoldDamaged(ctx, known)
}
