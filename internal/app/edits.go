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
	"dryhold/internal/web"
)

// edit is one change by a person, done by the writer; or, with read alone, a
// question that only the writer's engine can answer.
type edit struct {
	change    *lot.Change
	changes   func(b *lot.Book) ([]lot.Change, error) // what belongs together, tried on a copy of the lots
	operation *operation
	read      func(e *engine.Engine, now time.Time) error
	look      func(w *writer)       // a glance that takes no time and may be had at any
	work      func(w *writer) error // anything else that only the writer may do
	result    lot.Lot               // of the last change
	results   []lot.Lot
	answer    func(lots []lot.Lot) any // what is answered, from the lots changed; the last of them when nil
	receipt   *web.Receipt             // of an edit that names itself
	condition *web.Condition           // on which a lot is changed
	done      chan error
}

// submit hands an edit to the writer and waits until it is on disk.
func (a *App) submit(ctx context.Context, e *edit) error {
	e.done = make(chan error, 1)
	e.receipt, e.condition = web.ReceiptOf(ctx), web.ConditionOf(ctx)
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
	if e.look != nil {
		e.look(w)
		return nil
	}
	if e.read != nil {
		return e.read(w.engine, now)
	}
	if e.receipt != nil {
		if err := w.doneBefore(ctx, e.receipt); err != nil {
			return err
		}
		w.receipt = e.receipt
		defer func() { w.receipt = nil }()
	}
	if e.work != nil {
		return e.work(w)
	}
	if e.operation != nil {
		return w.operate(ctx, e.operation, now)
	}
	return w.changeLots(ctx, e, now)
}

// changeLots does changes of lots: all of them or none.
func (w *writer) changeLots(ctx context.Context, e *edit, now time.Time) error {
	var changes []lot.Change
	if e.change != nil {
		changes = []lot.Change{*e.change}
		if e.change.Kind == lot.Added {
			changes[0].Lot = w.engine.NextLot()
		}
	} else {
		var err error
		if changes, err = e.changes(w.engine.Book()); err != nil {
			return err
		}
	}
	for i := range changes {
		c := &changes[i]
		c.Recorded = now
		if c.At.IsZero() {
			c.At = now
		}
		if err := w.checkRoom(*c); err != nil {
			return err
		}
	}
	if err := w.meets(e.condition); err != nil {
		return err
	}
	if err := w.engine.CheckLots(changes); err != nil {
		return err
	}
	answer, err := w.answerOfLots(e, changes, now)
	if err != nil {
		return err
	}
	err = w.store.Commit(ctx, store.Batch{}, nil, now, func([]room.Reading) (store.Outcome, error) {
		return store.Outcome{Lots: changes, Answer: answer}, nil
	})
	w.committed(err)
	if err != nil {
		return err
	}
	w.at(crash.Edited)
	fx, err := w.engine.ChangeLots(changes)
	if err != nil {
		return err
	}
	w.take(fx)
	for _, c := range changes {
		if c.Lot == "" {
			continue // of a room
		}
		if e.result, err = w.engine.Lot(c.Lot); err != nil {
			return err
		}
		e.results = append(e.results, e.result)
	}
	w.shown = time.Time{} // publish at once: the answer must show what it promised
	return nil
}
