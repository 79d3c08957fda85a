package app

import (
	"context"
	"time"

	"dryhold/internal/audit"
	"dryhold/internal/crash"
	"dryhold/internal/engine"
	"dryhold/internal/room"
	"dryhold/internal/sensor"
	"dryhold/internal/store"
	"dryhold/internal/web"
)

// SensorChanges implements web.SensorKeeper.
func (a *App) SensorChanges(ctx context.Context) ([]sensor.Change, error) {
	return a.store.SensorChanges(ctx)
}

// Audit implements web.Auditor.
func (a *App) Audit(ctx context.Context, f audit.Filter, limit int) ([]audit.Act, error) {
	return a.store.Audit(ctx, f, limit)
}

// ChangeSensor implements web.SensorKeeper. The writer folds the room again
// before it answers.
func (a *App) ChangeSensor(ctx context.Context, c sensor.Change) (web.SensorChanged, error) {
	return worked(ctx, a, func(w *writer) (web.SensorChanged, error) { return w.changeSensor(c) })
}

// changeSensor does one edit of a sensor: it is on disk when this returns
// without error.
func (w *writer) changeSensor(c sensor.Change) (web.SensorChanged, error) {
	ctx := w.armed(context.Background()) // a commit is not broken off
	now := w.now().UTC().Truncate(time.Millisecond)
	c.Seq, c.Recorded = w.engine.NextSensorChange(), now
	if c.From.IsZero() && c.Kind != sensor.Revoked {
		c.From = now
	}
	// Readings have whole milliseconds.
	c.From, c.To, c.Due = c.From.UTC().Truncate(time.Millisecond), c.To.UTC().Truncate(time.Millisecond), c.Due.UTC()
	if err := w.engine.CheckSensor(c); err != nil {
		return web.SensorChanged{}, err
	}
	name, since := w.engine.SensorReach(c)
	done := w.sensorChanged(ctx, c, w.engine.SensorRefold(c))
	answer, err := w.answer(done, now)
	if err != nil {
		return web.SensorChanged{}, err
	}
	err = w.store.Commit(ctx, store.Batch{}, nil, now, func([]room.Reading) (store.Outcome, error) {
		return store.Outcome{Sensors: []sensor.Change{c}, Hours: map[string]time.Time{name: since.Truncate(time.Hour)}, Answer: answer}, nil
	})
	w.committed(err)
	if err != nil {
		return web.SensorChanged{}, err
	}
	w.at(crash.Edited)
	fx, err := w.engine.ChangeSensor(c)
	if err != nil {
		return web.SensorChanged{}, err
	}
	w.take(fx)
	w.refolded, w.shown = time.Time{}, time.Time{} // at once: the answer must show what it promised
	return done, nil
}

// sensorChanged says what a change that was kept does. It is kept: what cannot
// be told of it is left out.
func (w *writer) sensorChanged(ctx context.Context, c sensor.Change, f engine.Refold) web.SensorChanged {
	out := web.SensorChanged{Change: c, Of: c.Room + "/" + c.Sensor, What: audit.Words(c), Refold: []web.SensorRefold{}}
	if told, err := w.store.SensorChanges(ctx); err != nil {
		w.logOf("sensors").Error("cannot read what was told about sensors", "error", err)
	} else if acts := audit.Sensors(append(told, c)); len(acts) > 0 {
		out.Of = acts[len(acts)-1].Of // of a change revoked, that of the one it takes back
	}
	first, err := w.store.First(ctx, f.Room)
	if err != nil {
		w.logOf("sensors").Error("cannot find the oldest reading of a room", "room", f.Room, "error", err)
	}
	if since := later(f.Since, first); !since.IsZero() {
		out.Refold = append(out.Refold, web.SensorRefold{Room: f.Room, Since: since, Days: daysBegun(since, c.Recorded)})
	}
	return out
}

// daysBegun counts the UTC days from an instant to another, each begun one.
func daysBegun(from, to time.Time) int {
	const day = 24 * time.Hour
	return max(0, int(to.Truncate(day).Sub(from.Truncate(day))/day)) + 1
}
