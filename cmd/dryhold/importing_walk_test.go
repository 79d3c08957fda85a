package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/past"
)

// A walk asks for every second once, in order, whatever the store can bear.
func TestWalk(t *testing.T) {
	start := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	perDay := 1440
	var asked []string
	f := func(days int, trouble func(n int, width time.Duration) *past.Trouble, want ...string) error {
		t.Helper()
		asked = nil
		end, reached := start.AddDate(0, 0, days), start
		w := walk{from: start, to: end, wait: time.Nanosecond, say: func(string, ...any) {}, ask: func(_ context.Context, from, to time.Time) ([]past.Series, error) {
			width := to.Sub(from)
			if t := trouble(len(asked)+1, width); t != nil {
				asked = append(asked, "no")
				return nil, t
			}
			asked = append(asked, fmt.Sprint(width.Hours()))
			return []past.Series{{Samples: make([]past.Sample, int(width.Hours()/24*float64(perDay)))}}, nil
		}}
		err := w.each(t.Context(), func(until time.Time, _ []past.Series) error {
			if !until.After(reached) {
				t.Errorf("%v after %v", until, reached)
			}
			reached = until
			return nil
		})
		if err == nil && !reached.Equal(end) {
			t.Errorf("reached %v, not %v", reached, end)
		}
		if d := cmp.Diff(want, asked); d != "" {
			t.Errorf("%d days (-want +got):\n%s", days, d)
		}
		return err
	}
	fine := func(int, time.Duration) *past.Trouble { return nil }
	ok := func(err error) {
		t.Helper()
		if err != nil {
			t.Error(err)
		}
	}
	ok(f(1, fine, "24"))
	ok(f(100, fine, "24", "48", "96", "192", "384", "720", "720", "216"))
	perDay = 864_000 // ten a second
	ok(f(2, fine, "24", "12", "6", "3", "3"))
	perDay = 86_400
	ok(f(4, fine, "24", "24", "24", "24"))
	perDay = 1440
	// Too much at once, never too little.
	ok(f(2, func(_ int, width time.Duration) *past.Trouble {
		if width > 13*time.Hour {
			return &past.Trouble{Err: errors.New("too many"), Less: true}
		}
		return nil
	}, "no", "12", "no", "12", "no", "12", "12"))
	// Away for a while; one that stays away.
	ok(f(1, func(n int, _ time.Duration) *past.Trouble {
		if n < attempts {
			return &past.Trouble{Err: errors.New("away"), Again: true, After: time.Nanosecond}
		}
		return nil
	}, "no", "no", "no", "no", "no", "24"))
	err := f(1, func(int, time.Duration) *past.Trouble { return &past.Trouble{Err: errors.New("away"), Again: true} }, "no", "no", "no", "no", "no", "no")
	if err == nil || !strings.Contains(err.Error(), "asked 6 times: away") {
		t.Error(err)
	}
	// Not even a minute of it; not at all.
	many := strings.Fields(strings.Repeat("no ", 12))
	if err := f(1, func(int, time.Duration) *past.Trouble { return &past.Trouble{Err: errors.New("too many"), Less: true} }, many...); err == nil {
		t.Error("it ends well")
	}
	if err := f(1, func(int, time.Duration) *past.Trouble { return &past.Trouble{Err: errors.New("who are you")} }, "no"); err == nil || !strings.Contains(err.Error(), "who are you") {
		t.Error(err)
	}
}

func TestWalkEndsWhenToldTo(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	start := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	w := walk{from: start, to: start.AddDate(0, 0, 9), wait: time.Hour, say: func(string, ...any) { cancel() }, ask: func(context.Context, time.Time, time.Time) ([]past.Series, error) {
		return nil, &past.Trouble{Err: errors.New("away"), Again: true}
	}}
	if err := w.each(ctx, nil); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}
