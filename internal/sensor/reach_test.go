package sensor

import (
	"testing"
	"time"

	"dryhold/internal/unit"
)

// TestRestartWithinReach: where the last readings are voided, the one before
// them is the last known. A watch that has forgotten it says so, and must be
// fed all again.
func TestRestartWithinReach(t *testing.T) {
	w := watched()
	for i, day := range []float64{0, 10, 200} {
		r := reading("a", unit.Temperature, 24*day+1, 18+float64(i))
		w.Add(r, r)
		w.Close(at(24 * (day - 1)))
	}
	w.Close(at(24 * 201))
	f := func(day float64, reaches bool, last float64) {
		t.Helper()
		if got := w.Reaches(at(24 * day)); got != reaches {
			t.Fatalf("reaches back to day %g: %v", day, got)
		}
		if !reaches {
			return
		}
		w.Restart(at(24 * day))
		for l := range w.Latest() {
			if l.Value != last {
				t.Errorf("from day %g on there is nothing; before it the last is %g, want %g", day, l.Value, last)
			}
		}
	}
	f(5, false, 0) // the reading of day 0 is forgotten
	f(10, false, 0)
	f(150, true, 19)
	f(11, true, 19)
	w = watched() // nothing was ever forgotten
	r := reading("a", unit.Temperature, 1, 18)
	w.Add(r, r)
	w.Close(at(48))
	if f(0, true, 0); len(w.streams) != 0 || !w.Reaches(time.UnixMilli(0)) {
		t.Errorf("%d streams are left", len(w.streams))
	}
}
