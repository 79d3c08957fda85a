package room

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestRunningIsBetween: the difference of running exposures is what Between
// gives, and nothing grows outside of what was read.
func TestRunningIsBetween(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := rebuild(t, drawReadings(t), epoch(60))
		from := epoch(float64(rapid.IntRange(-30, 40).Draw(t, "from"))).Add(time.Duration(rapid.IntRange(0, 1).Draw(t, "half")) * 30 * time.Minute)
		begin := from.Add(30 * time.Minute).Truncate(time.Hour)
		for _, k := range l.Keys().list {
			n := rapid.IntRange(1, 120).Draw(t, "hours")
			sums, ok := l.Running(k.Lag, k.Ea, from, []int{0, n / 2, n})
			if !ok {
				t.Fatalf("%v is kept", k)
			}
			for i, span := range [][2]int{{0, n / 2}, {n / 2, n}} {
				at := func(h int) time.Time { return begin.Add(time.Duration(h) * time.Hour) }
				want := float64(l.Between(k.Lag, k.Ea, at(span[0]), at(span[1])).Days)
				if got := sums[i+1] - sums[i]; got != want {
					t.Fatalf("%v from %v to %v: %v, want %v", k, at(span[0]), at(span[1]), got, want)
				}
			}
		}
		if _, ok := l.Running(99, 99, from, nil); ok {
			t.Fatal("a key that is not kept")
		}
	})
}
