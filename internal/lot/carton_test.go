package lot

import (
	"testing"

	"dryhold/internal/catalog"
	"dryhold/internal/unit"
)

// TestCartonIsOneBlock: packed cartons behave like one block, whose lag grows
// with the square of its size (models section 10).
func TestCartonIsOneBlock(t *testing.T) {
	bottle := catalog.Container{Volume: exactly(2), Lag: exactly(2.33)}
	lag := func(n int) unit.Hours { return Packing{PerCarton: n}.Lag(bottle) }
	for _, n := range []int{0, 1} {
		if lag(n) != 2.33 {
			t.Errorf("%d in a carton: %g h, want that of the bottle", n, float64(lag(n)))
		}
	}
	// Eight bottles: a test of package thermal has such a carton of 0.216 by
	// 0.432 by 0.30 m at more than three times the lag of a bottle.
	if eight := lag(8); !(eight > 3*2.33 && eight < 24) {
		t.Errorf("eight in a carton: %g h", float64(eight))
	}
	last := lag(2)
	for _, n := range []int{4, 6, 8, 12, 24, mostInCarton} {
		if !(lag(n) > last) {
			t.Errorf("%d in a carton: %g h, not slower than fewer", n, float64(lag(n)))
		}
		last = lag(n)
	}
	// Eight times the volume is twice the edge: between twice, where the film
	// decides, and four times, where the inside does.
	if r := lag(64) / lag(8); !(r > 2 && r < 4) {
		t.Errorf("twice the edge: %g times the lag", float64(r))
	}
}

func BenchmarkCartonLag(b *testing.B) {
	bottle := catalog.Container{Volume: exactly(2), Lag: exactly(2.33)}
	for range b.N {
		Packing{PerCarton: 12}.Lag(bottle)
	}
}
