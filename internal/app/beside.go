package app

import (
	"context"
	"time"

	"dryhold/internal/engine"
)

// beside runs what works beside the writer on a goroutine of its own, and gives
// what ends it: its context first, then it is waited for.
func beside(ctx context.Context, run func(ctx context.Context)) (stop func(context.Context) error) {
	ctx, cancel := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		run(ctx)
	}()
	return func(stopping context.Context) error {
		cancel()
		return await(stopping, ended)
	}
}

// await waits for an end, no longer than ctx.
func await(ctx context.Context, ended <-chan struct{}) error {
	select {
	case <-ended:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// told has the writer answer a question of its engine between two edits. Where
// ctx ends first the writer may still be at it: nothing is read of an answer
// that was not waited for.
func told[T any](ctx context.Context, a *App, read func(e *engine.Engine, now time.Time) (T, error)) (T, error) {
	var out, none T
	err := a.ask(ctx, func(e *engine.Engine, now time.Time) (err error) {
		out, err = read(e, now)
		return err
	})
	if err != nil {
		return none, err
	}
	return out, nil
}

// worked has the writer do what only it may, with the same care as told.
func worked[T any](ctx context.Context, a *App, work func(w *writer) (T, error)) (T, error) {
	var out, none T
	err := a.submit(ctx, &edit{work: func(w *writer) (err error) {
		out, err = work(w)
		return err
	}})
	if err != nil {
		return none, err
	}
	return out, nil
}
