package app

import (
	"context"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/web"
)

// Watched implements web.Alarmer.
func (a *App) Watched(ctx context.Context) ([]web.ConditionView, error) {
	return told(ctx, a, func(e *engine.Engine, _ time.Time) (out []web.ConditionView, _ error) {
		for _, c := range e.Conditions() {
			rule := e.Rule(c.Key)
			out = append(out, web.ConditionView{Condition: c, Limit: rule.Limit, Priority: rule.Priority})
		}
		return out, nil
	})
}
