package app

import (
	"context"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/web"
)

// Watched implements web.Alarmer.
func (a *App) Watched(ctx context.Context) ([]web.ConditionView, error) {
	var out []web.ConditionView
	err := a.ask(ctx, func(e *engine.Engine, _ time.Time) error {
		for _, c := range e.Conditions() {
			rule := e.Rule(c.Key)
			out = append(out, web.ConditionView{Condition: c, Limit: rule.Limit, Priority: rule.Priority})
		}
		return nil
	})
	if err != nil {
		return nil, err // the writer may still be at it
	}
	return out, nil
}
