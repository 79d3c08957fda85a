package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"dryhold/internal/past"
)

// Widths of what a store is asked for at once, and how patient one is with it
// (judgement). A window holds some hundred thousand samples as a rule: an answer
// of a few megabytes.
const (
	firstWindow     = 24 * time.Hour
	narrowestWindow = time.Minute
	widestWindow    = 30 * 24 * time.Hour // some servers allow a month
	fewSamples      = 50_000
	manySamples     = 200_000
	attempts        = 6
	firstWait       = time.Second
	longestWait     = 5 * time.Minute
)

// walk asks a store for a range of time, window by window: as wide as its
// samples allow, and narrower where it can not bear that.
type walk struct {
	ask      func(ctx context.Context, from, to time.Time) ([]past.Series, error)
	from, to time.Time // on whole seconds
	wait     time.Duration
	say      func(format string, args ...any)
}

// each hands over one window after the other, and where it ends.
func (w walk) each(ctx context.Context, visit func(until time.Time, series []past.Series) error) error {
	width := firstWindow
	for at := w.from; at.Before(w.to); {
		until := at.Add(width)
		if until.After(w.to) {
			until = w.to
		}
		series, until, err := w.window(ctx, at, until)
		if err != nil {
			return fmt.Errorf("%s to %s: %w", at.Format(time.RFC3339), until.Format(time.RFC3339), err)
		}
		if err := visit(until, series); err != nil {
			return err
		}
		samples := 0
		for _, s := range series {
			samples += len(s.Samples) + s.Other
		}
		switch width = until.Sub(at); {
		case samples < fewSamples:
			width = min(2*width, widestWindow)
		case samples > manySamples:
			width = half(width)
		}
		at = until
	}
	return nil
}

// window asks for one window, again where that may help, and for less of it
// where that may; it gives where the window then ends.
func (w walk) window(ctx context.Context, at, until time.Time) ([]past.Series, time.Time, error) {
	for failures := 0; ; {
		series, err := w.ask(ctx, at, until)
		if err == nil {
			return series, until, nil
		}
		if ctx.Err() != nil {
			return nil, until, ctx.Err()
		}
		var t *past.Trouble
		if !errors.As(err, &t) {
			return nil, until, err
		}
		narrower := t.Less && until.Sub(at) > narrowestWindow
		if narrower {
			until = at.Add(half(until.Sub(at)))
		}
		if !t.Again {
			if narrower {
				continue
			}
			return nil, until, err
		}
		if failures++; failures == attempts {
			return nil, until, fmt.Errorf("asked %d times: %w", attempts, err)
		}
		pause := min(max(w.wait<<(failures-1), t.After), longestWait)
		w.say("%v; asked again in %v", err, pause)
		timer := time.NewTimer(pause)
		select {
		case <-ctx.Done():
			timer.Stop()
			return nil, until, ctx.Err()
		case <-timer.C:
		}
	}
}

func half(width time.Duration) time.Duration {
	return max((width / 2).Truncate(time.Second), narrowestWindow)
}
