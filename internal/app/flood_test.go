package app

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// TestThinning: what is too dense in the time it is dated at is thinned to a
// stated number; a log that is handed over at once, in any order, is not.
func TestThinning(t *testing.T) {
	start := time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	every := func(step time.Duration, n int) (out []time.Time) {
		for i := range n {
			out = append(out, start.Add(time.Duration(i)*step))
		}
		return out
	}
	backwards := func(at []time.Time) []time.Time {
		slices.Reverse(at)
		return at
	}
	shuffled := func(at []time.Time) []time.Time {
		rand.New(rand.NewPCG(1, 2)).Shuffle(len(at), func(i, j int) { at[i], at[j] = at[j], at[i] })
		return at
	}
	f := func(name string, at []time.Time, want int) {
		t.Helper()
		var fl flood
		kept, other := 0, 0
		for i, x := range at {
			if !fl.thinned("rooms/loft", room.Reading{Series: room.Series{Room: "loft", Sensor: "loft", Quantity: unit.Temperature}, At: x}) {
				kept++
			}
			if i%1000 == 0 && !fl.thinned("rooms/cellar", room.Reading{Series: room.Series{Room: "cellar", Sensor: "cellar", Quantity: unit.Temperature}, At: x}) {
				other++
			}
		}
		if kept != want || fl.thin != uint64(len(at)-kept) {
			t.Errorf("%s: %d of %d kept, %d counted, want %d kept", name, kept, len(at), fl.thin, want)
		}
		if want := (len(at) + 999) / 1000; other != want {
			t.Errorf("%s: %d of %d of another sensor kept", name, other, want)
		}
	}
	const month = 30 * 24 * 60 // minutes
	f("one a minute for a month", every(time.Minute, month), month)
	f("the same, the newest first", backwards(every(time.Minute, month)), month)
	f("the same in disorder", shuffled(every(time.Minute, month)), month)
	f("the same twice", append(every(time.Minute, month), every(time.Minute, month)...), 2*month)
	f("ten a second for an hour", every(100*time.Millisecond, 36_000), 36_000)
	f("an hour of one a second at one instant", every(0, 3600), floodBurst)
	f("a thousand a second for a minute", every(time.Millisecond, 60_000), floodBurst+60*floodRate-1)
	f("a hundred a second for ten minutes", every(10*time.Millisecond, 60_000), floodBurst+600*floodRate-1)
	f("all at one instant", every(0, 100_000), floodBurst)
}
