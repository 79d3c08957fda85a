package thermal

import (
	"math"
	"testing"
)

// TestShareNearZero holds the polynomial of short pieces against the whole
// series, and both shares against each other where they meet it.
func TestShareNearZero(t *testing.T) {
	for i := range 100_000 {
		x := 0.125 * float64(i) / 100_000
		got, want := secondNear0(x), series(x, 2)
		if math.Abs(got-want) > 2.3e-16 { // two in the last place of a number below 1/2
			t.Fatalf("%.17g at %g, want %.17g", got, x, want)
		}
		if first, _ := shares(x); math.Abs(first-series(x, 1)) > 2.3e-16 {
			t.Fatalf("the first share is %.17g at %g, want %.17g", first, x, series(x, 1))
		}
	}
}
