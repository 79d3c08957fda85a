package app

import (
	"context"
	"slices"

	"dryhold/internal/engine"
	"dryhold/internal/room"
	"dryhold/internal/store"
)

// machines are the channels that get every event of every alarm at once: those
// that are no way to people.
func (a *App) machines() []string {
	ways := a.opts.Settings.Ways()
	return slices.DeleteFunc(slices.Clone(a.channels), func(name string) bool { return slices.Contains(ways, name) })
}

// people lets the engine tell people what is due.
func (w *writer) people() {
	ways := engine.Ways{BrokerAway: w.client != nil && !w.client.Connected()}
	for _, c := range w.worker.Status().Channels {
		if c.Refused > 0 && c.Failures > 0 {
			ways.Refusing = append(ways.Refusing, c.Channel)
		}
	}
	w.take(w.engine.Dispatch(w.clock.judging(), ways))
}

// Drilled takes the acknowledgement of the yearly drill by a recipient: it is on
// disk when this returns without error. The error wraps lot.ErrNotFound,
// lot.ErrInvalid or lot.ErrNotNow, and then nothing has changed.
func (a *App) Drilled(ctx context.Context, name string) error {
	return a.submit(ctx, &edit{work: func(w *writer) error { return w.drilled(name) }})
}

func (w *writer) drilled(name string) error {
	told, err := w.engine.Drilled(name)
	if err != nil {
		return err
	}
	ctx := w.armed(context.Background()) // a commit is not broken off
	out := w.pending
	if out.Answer, err = w.answer(nil, w.now()); err != nil {
		return err
	}
	out.Told = append(slices.Clip(out.Told), told...)
	err = w.store.Commit(ctx, store.Batch{}, w.channels, w.now(), func([]room.Reading) (store.Outcome, error) { return out, nil })
	w.committed(err)
	if err == nil {
		w.engine.Know(told)
		w.stored()
	}
	return err
}
