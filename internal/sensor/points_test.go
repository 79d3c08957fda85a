package sensor

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"dryhold/internal/unit"
)

func TestFit(t *testing.T) {
	f := func(name string, q unit.Quantity, gain, offset float64, points ...Comparison) {
		t.Helper()
		g, o, err := Fit(q, points)
		if err != nil || math.Abs(g-gain) > 1e-12 || math.Abs(o-offset) > 1e-12 {
			t.Errorf("%s: gain %v, offset %v, %v; want %v, %v", name, g, o, err, gain, offset)
		}
	}
	ice, warm := Comparison{0.4, 0}, Comparison{30.9, 30}
	f("ice water", unit.Temperature, 1, -0.4, ice)
	f("ice water twice: an offset alone", unit.Temperature, 1, -0.3, ice, Comparison{0.2, 0})
	f("close together: an offset alone", unit.Temperature, 1, -0.4, Comparison{20.5, 20}, Comparison{24.3, 24})
	f("two points", unit.Temperature, 30/30.5, -0.4*30/30.5, ice, warm)
	f("the order does not matter", unit.Temperature, 30/30.5, -0.4*30/30.5, warm, ice)
	f("three on a line", unit.Temperature, 2, 1, Comparison{-1, -1}, Comparison{0, 1}, Comparison{4, 9})
	f("three not on a line: least squares", unit.Temperature, 0.75, 5.0/6, Comparison{0, 0}, Comparison{10, 10}, Comparison{20, 15}) // by hand: means 10 and 25/3
	// Salt pots, 33 % over magnesium chloride and 75 % over sodium chloride at
	// 25 °C (Greenspan 1977, J. Res. NBS 81A, 89: 32.8 and 75.3 %).
	f("salt pots", unit.Humidity, 0.425/0.45, 0.328-0.425/0.45*0.35, Comparison{0.35, 0.328}, Comparison{0.80, 0.753})
	g := func(name string, q unit.Quantity, points ...Comparison) {
		t.Helper()
		if gain, offset, err := Fit(q, points); err == nil {
			t.Errorf("%s: gain %v, offset %v", name, gain, offset)
		}
	}
	g("no point", unit.Temperature)
	g("a percentage", unit.Humidity, Comparison{35, 33})
	g("not a number", unit.Temperature, Comparison{math.NaN(), 0})
	g("stuck", unit.Temperature, Comparison{20, 0}, Comparison{20, 30})
}

// A line is found again from any points on it that are far enough apart.
func TestFitFindsTheLine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		gain := rapid.Float64Range(0.5, 2).Draw(t, "gain")
		offset := rapid.Float64Range(-5, 5).Draw(t, "offset")
		var points []Comparison
		for _, v := range append(rapid.SliceOf(rapid.Float64Range(-10, 40)).Draw(t, "readings"), 0, 15) {
			points = append(points, Comparison{v, gain*v + offset})
		}
		g, o, err := Fit(unit.Temperature, points)
		if err != nil || math.Abs(g-gain) > 1e-9 || math.Abs(o-offset) > 1e-9 {
			t.Fatalf("gain %v, offset %v, %v", g, o, err)
		}
	})
}
