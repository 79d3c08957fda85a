package app

import (
	"context"
	"fmt"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/audit"
	"dryhold/internal/crash"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/store"
)

// operation is what a person does to an alarm, and where that may be done only
// once, under which name.
type operation struct {
	engine.Operation
	once string // of the link or command; empty for any number of times
}

// doneError is the answer to what may be done once and was.
type doneError struct {
	store.Once
	zone *time.Location
}

func (e *doneError) Error() string {
	return fmt.Sprintf("it was done already, on %s by %s: %s", localTime(e.At, e.zone), e.By, e.What)
}

// Unwrap makes it a mistake of who asks.
func (e *doneError) Unwrap() error { return lot.ErrInvalid }

// Operate implements web.Alarmer.
func (a *App) Operate(ctx context.Context, op engine.Operation) error {
	return a.operate(ctx, operation{Operation: op})
}

// operate does what a person wants done to an alarm: it is on disk when this
// returns without error. The error wraps lot.ErrNotFound, lot.ErrInvalid or
// lot.ErrNotNow, and then nothing has changed.
func (a *App) operate(ctx context.Context, op operation) error {
	if op.Do != alarm.ActShelve {
		op.Until = time.Time{}
	}
	return a.submit(ctx, &edit{operation: &op})
}

// AlarmEvents implements web.Alarmer.
func (a *App) AlarmEvents(ctx context.Context, from, to time.Time, key string, limit int) ([]alarm.Event, error) {
	return a.store.AlarmEvents(ctx, from, to, key, limit)
}

// operate takes an operation whole or not at all: one that cannot be stored
// leaves the alarm as it was.
func (w *writer) operate(ctx context.Context, op *operation, now time.Time) error {
	if op.once != "" {
		if done, found, err := w.store.Done(ctx, op.once); err != nil {
			return err
		} else if found {
			return &doneError{done, w.opts.Settings.Zone}
		}
	}
	answer, err := w.answer(nil, now)
	if err != nil {
		return err
	}
	before, pending := w.engine.Condition(op.Key), w.pending
	fx, err := w.engine.Operate(now, op.Operation)
	if err != nil {
		return err
	}
	w.take(fx)
	w.pending.Actions = append(w.pending.Actions, store.Action{At: now, Action: op.Do, Key: op.Key, By: op.By, Note: op.Note, Until: op.Until})
	if op.once != "" {
		what := op.Key.String() + " " + audit.AlarmWords(op.Do, op.Until)
		w.pending.Once = append(w.pending.Once, store.Once{ID: op.once, At: now, What: what, By: op.By})
	}
	w.pending.Answer = answer
	w.at(crash.Confirmed)
	err = w.store.Commit(ctx, store.Batch{}, w.channels, now, func([]room.Reading) (store.Outcome, error) { return w.pending, nil })
	if err != nil {
		w.engine.Restore(before)
		w.pending = pending
	}
	w.committed(err)
	if err == nil {
		w.at(crash.Acknowledges)
		w.stored()
	}
	w.shown = time.Time{} // at once: the answer must show what it promised
	return err
}
