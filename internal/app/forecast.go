package app

import (
	"context"
	"fmt"
	"math"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/forecast"
	"dryhold/internal/web"
)

// backtestOrigins is about how many forecasts a back-test makes: enough for its
// figures, few enough for an answer within seconds.
const backtestOrigins = 60

// BacktestRoom implements web.Actions: the writer's engine gives a copy of what
// was measured in the room, and the forecasts are made beside it.
func (a *App) BacktestRoom(ctx context.Context, name string) (web.Backtest, error) {
	var h forecast.History
	var o forecast.Options
	err := a.submit(ctx, &edit{read: func(e *engine.Engine, now time.Time) error {
		h, o = e.History(name, now.Truncate(24*time.Hour)), e.ForecastOptions(name)
		return nil
	}})
	if err != nil {
		return web.Backtest{}, err
	}
	return backtest(name, h, o), nil
}

// backtest learns from up to three years, or from half of a shorter history.
func backtest(name string, h forecast.History, o forecast.Options) web.Backtest {
	first, days := h.Days()
	out := web.Backtest{Room: name}
	for _, d := range days {
		if d.Temp == d.Temp {
			out.Days++
		}
	}
	if out.Wants = web.BacktestDays - len(days); out.Wants > 0 {
		return out
	}
	out.Wants = 0
	train := min(3*365.25, float64(len(days))/2)
	every := max(1, int(math.Ceil((float64(len(days))-train)/backtestOrigins)))
	r, err := forecast.Backtest(first, days, forecast.Backtesting{Options: o, Train: train / 365.25, Every: every})
	if err != nil { // that the history is too short, which it is not
		out.Note = fmt.Sprint(err)
		return out
	}
	out.Origins, out.TrainDays, out.Every = r.Origins, int(train), every
	for _, l := range r.Lines {
		if l.Own.N > 0 {
			out.Lines = append(out.Lines, l)
		}
	}
	return out
}
