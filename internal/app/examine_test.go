package app

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

// What came in the last minute is what came in the six stretches of ten seconds
// before the one under way, whatever the clock does.
func TestFlow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var f flow
		now := time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)
		came := map[int64]int{}
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			step := rapid.SampledFrom([]time.Duration{0, time.Second, 9 * time.Second, 11 * time.Second, 70 * time.Second, time.Hour, -time.Hour}).Draw(t, "step")
			if now = now.Add(step); step < 0 {
				clear(came) // it begins anew
			}
			n := rapid.IntRange(0, 500).Draw(t, "n")
			f.add(n, now)
			came[now.Unix()/flowStretch] += n
			want := 0
			for back := int64(1); back <= 6; back++ {
				want += came[now.Unix()/flowStretch-back]
			}
			if got := f.lastMinute(now); got != uint64(want) {
				t.Fatalf("%d messages in the last minute, want %d", got, want)
			}
		}
	})
}
