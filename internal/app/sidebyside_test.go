package app

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
)

// TestSideBySide: each is done once; after an error none is begun, those under
// way are told, and the error is given; so is the end of who asked.
func TestSideBySide(t *testing.T) {
	var done [100]atomic.Int32
	if err := sideBySide(t.Context(), len(done), func(_ context.Context, i int) error {
		done[i].Add(1)
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	for i := range done {
		if n := done[i].Load(); n != 1 {
			t.Errorf("%d was done %d times", i, n)
		}
	}

	broken, begun := errors.New("broken"), atomic.Int32{}
	err := sideBySide(t.Context(), 100, func(ctx context.Context, i int) error {
		begun.Add(1)
		if i == 0 {
			return broken
		}
		<-ctx.Done()
		return ctx.Err()
	})
	if !errors.Is(err, broken) || begun.Load() == 100 {
		t.Errorf("%v after %d were begun", err, begun.Load())
	}

	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if err := sideBySide(ended, 3, func(context.Context, int) error { return nil }); !errors.Is(err, context.Canceled) {
		t.Errorf("%v where who asked has gone", err)
	}
}
