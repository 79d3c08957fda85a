package app

import (
	"context"
	"time"

	"dryhold/internal/engine"
)

// ExplainLot implements web.Actions. The writer owns the engine, so it answers
// between two edits; nothing is written.
func (a *App) ExplainLot(ctx context.Context, id string) (engine.Explanation, error) {
	return told(ctx, a, func(e *engine.Engine, now time.Time) (engine.Explanation, error) { return e.Explain(id, now) })
}
