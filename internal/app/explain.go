package app

import (
	"context"
	"time"

	"dryhold/internal/engine"
)

// ExplainLot implements web.Actions. The writer owns the engine, so it answers
// between two edits; nothing is written.
func (a *App) ExplainLot(ctx context.Context, id string) (engine.Explanation, error) {
	var out engine.Explanation
	err := a.submit(ctx, &edit{read: func(e *engine.Engine, now time.Time) (err error) {
		out, err = e.Explain(id, now)
		return err
	}})
	if err != nil {
		return engine.Explanation{}, err // the writer may still be at it
	}
	return out, nil
}
