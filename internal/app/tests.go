package app

import (
	"context"
	"time"

	"dryhold/internal/lot"
)

// TestLot implements web.LotTester.
func (a *App) TestLot(ctx context.Context, id string, r lot.Result, note string, at time.Time, by string) error {
	return a.submit(ctx, &edit{change: &lot.Change{Kind: lot.Tested, Lot: id, Result: &r, Note: note, At: at, By: by}})
}

// RevokeTest implements web.LotTester.
func (a *App) RevokeTest(ctx context.Context, id string, number int, note, by string) error {
	return a.submit(ctx, &edit{change: &lot.Change{Kind: lot.Untested, Lot: id, Revokes: number, Note: note, By: by}})
}
