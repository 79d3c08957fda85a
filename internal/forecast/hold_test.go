package forecast

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"dryhold/internal/climate"
	"dryhold/internal/unit"
)

// TestCapped: the closed form against a turn of the sine in a thousand steps.
func TestCapped(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		mean, swing := rapid.Float64Range(-10, 40).Draw(t, "mean"), rapid.Float64Range(0, 15).Draw(t, "swing")
		bound := rapid.Float64Range(-20, 50).Draw(t, "bound")
		m, s := capped(mean, swing, bound)
		const n = 1000
		sum, square := 0.0, 0.0
		for i := range n {
			v := min(bound, mean+swing*math.Sin(2*math.Pi*(float64(i)+0.5)/n))
			sum, square = sum+v/n, square+v*v/n
		}
		if want := math.Sqrt(2 * max(0, square-sum*sum)); math.Abs(m-sum) > 1e-3 || math.Abs(s-want) > 0.02 {
			t.Errorf("%g ± %g, in steps %g ± %g", m, s, sum, want)
		}
		if m > mean+1e-12 || s > swing+1e-12 {
			t.Errorf("bounded to %g ± %g from %g ± %g", m, s, mean, swing)
		}
	})
}

// TestHeld: a bound that nothing reaches changes not a digit; one below all that
// comes makes a room that is always there; none warms, and no air is damper than
// its bound or than saturated.
func TestHeld(t *testing.T) {
	first, days := invented(5, 800)
	m := FitDays(first, days, Options{Members: 8})
	at := instant(first + len(days))
	free := m.Ahead(at)
	hold := func(warmest unit.Celsius, dampest unit.RH) *Ahead {
		return m.Held(at, Hold{&warmest, &dampest})
	}
	a, b := free.Exposure(80, 2), hold(80, 1).Exposure(80, 2)
	for _, d := range []float64{1, 30, 400, 5000} {
		if a.UpTo(d, 1) != b.UpTo(d, 1) {
			t.Errorf("%g days: %v, under a bound of 80 °C %v", d, a.UpTo(d, 1), b.UpTo(d, 1))
		}
	}
	cold := hold(2, 0.4)
	x := cold.Exposure(80, 2)
	near(t, "always at 2 °C", x.Factor(100, 500), math.Exp(LnFactor(80, 2, 0, 0)), 0.002*x.Factor(100, 500))
	temp, vapour := cold.Mean(100, 500)
	if temp > 2+1e-9 || climate.RelativeHumidity(temp, vapour) > 0.401 {
		t.Errorf("held at 2 °C and 40 %% it is %v and %v", temp, climate.RelativeHumidity(temp, vapour))
	}
	rapid.Check(t, func(t *rapid.T) {
		warmest := unit.Celsius(rapid.Float64Range(0, 35).Draw(t, "°C"))
		ea := unit.KJPerMol(rapid.Float64Range(30, 150).Draw(t, "kJ/mol"))
		bounded := hold(warmest, 1).Exposure(ea, 2)
		open := free.Exposure(ea, 2)
		for _, d := range []float64{1, 40, 400, 4000} {
			if bounded.UpTo(d, 0) > open.UpTo(d, 0)*(1+1e-9) {
				t.Errorf("held at %v it ages by %v in %g days, free by %v", warmest, bounded.UpTo(d, 0), d, open.UpTo(d, 0))
			}
		}
	})
}
