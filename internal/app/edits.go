package app

import (
	"context"
	"fmt"
	"time"

	"dryhold/internal/barrier"
	"dryhold/internal/crash"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/store"
)

// edit is one change by a person, done by the writer; or, with read alone, a
// question that only the writer's engine can answer.
type edit struct {
	change    *lot.Change
	operation *operation
	read      func(e *engine.Engine, now time.Time) error
	work      func(w *writer) error // anything else that only the writer may do
	result    lot.Lot
	done      chan error
}

// submit hands an edit to the writer and waits until it is on disk.
func (a *App) submit(ctx context.Context, e *edit) error {
	e.done = make(chan error, 1)
	select {
	case a.edits <- e:
	case <-ctx.Done():
		return ctx.Err()
	case <-a.writerEnded:
		return errStopping
	}
	select {
	case err := <-e.done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// errStopping is an edit that came too late, given up like one whose asker
// went away.
var errStopping = fmt.Errorf("dryhold is stopping, try again when it is back: %w", context.Canceled)

// AddLot implements web.Actions.
func (a *App) AddLot(ctx context.Context, p lot.Packing, by string) (lot.Lot, error) {
	if err := a.allowed(p); err != nil {
		return lot.Lot{}, err
	}
	e := &edit{change: &lot.Change{Kind: lot.Added, At: p.PackedAt, By: by, Packing: &p}}
	err := a.submit(ctx, e)
	return e.result, err
}

// MoveLot implements web.Actions.
func (a *App) MoveLot(ctx context.Context, id, to string, at time.Time, by string) error {
	return a.submit(ctx, &edit{change: &lot.Change{Kind: lot.Moved, Lot: id, Room: to, At: at, By: by}})
}

// FinishLot implements web.Actions.
func (a *App) FinishLot(ctx context.Context, id string, at time.Time, note, by string) error {
	return a.submit(ctx, &edit{change: &lot.Change{Kind: lot.Ended, Lot: id, At: at, Note: note, By: by}})
}

// NoteLot implements web.Actions.
func (a *App) NoteLot(ctx context.Context, id string, seal *barrier.Seal, note string, at time.Time, by string) error {
	return a.submit(ctx, &edit{change: &lot.Change{Kind: lot.Noted, Lot: id, Seal: seal, Note: note, At: at, By: by}})
}

// edit does one edit: it is on disk when this returns without error.
func (w *writer) edit(ctx context.Context, e *edit) error {
	now := w.now().UTC().Truncate(time.Millisecond)
	if e.read != nil {
		return e.read(w.engine, now)
	}
	if e.work != nil {
		return e.work(w)
	}
	if e.operation != nil {
		return w.operate(ctx, e.operation, now)
	}
	c := *e.change
	c.Recorded = now
	if c.At.IsZero() {
		c.At = now
	}
	if c.Kind == lot.Added {
		c.Lot = w.engine.NextLot()
	}
	if err := w.checkRoom(c); err != nil {
		return err
	}
	if err := w.engine.CheckLot(c); err != nil {
		return err
	}
	err := w.store.Commit(ctx, store.Batch{}, nil, now, func([]room.Reading) (store.Outcome, error) {
		return store.Outcome{Lots: []lot.Change{c}}, nil
	})
	w.committed(err)
	if err != nil {
		return err
	}
	w.at(crash.Edited)
	fx, err := w.engine.ChangeLot(c)
	if err != nil {
		return err
	}
	w.take(fx)
	e.result, err = w.engine.Lot(c.Lot)
	w.shown = time.Time{} // publish at once: the answer must show what it promised
	return err
}
