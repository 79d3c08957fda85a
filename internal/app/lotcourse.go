package app

import (
	"context"
	"time"

	"dryhold/internal/engine"
)

// LotCourse implements web.LotFollower. The writer owns the engine, so it
// answers between two edits; nothing is written.
func (a *App) LotCourse(ctx context.Context, id string, points int) (engine.LotCourse, error) {
	return told(ctx, a, func(e *engine.Engine, now time.Time) (engine.LotCourse, error) {
		return e.Course(id, points, now)
	})
}
