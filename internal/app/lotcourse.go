package app

import (
	"context"
	"time"

	"dryhold/internal/engine"
)

// LotCourse implements web.LotFollower. The writer owns the engine, so it
// answers between two edits; nothing is written.
func (a *App) LotCourse(ctx context.Context, id string, points int) (engine.LotCourse, error) {
	var out engine.LotCourse
	err := a.ask(ctx, func(e *engine.Engine, now time.Time) (err error) {
		out, err = e.Course(id, points, now)
		return err
	})
	if err != nil {
		return engine.LotCourse{}, err // the writer may still be at it
	}
	return out, nil
}
