package unit

import (
	"math"
	"strings"
	"testing"
)

func TestSplit(t *testing.T) {
	f := func(q Quantity, text string, value, difference float64) {
		t.Helper()
		v, u, err := Split(q, text)
		if err != nil || math.Abs(u.Canonical(v)-value) > 1e-12 || math.Abs(u.Difference(v)-difference) > 1e-12 {
			t.Errorf("%s: %v %v %v, want value %v, difference %v", text, u.Canonical(v), u.Difference(v), err, value, difference)
		}
	}
	f(Temperature, "0.4C", 0.4, 0.4)
	f(Temperature, " -0.3 K ", -273.45, -0.3)
	f(Temperature, "32F", 0, 160.0/9)
	f(Temperature, "-9°F", -205.0/9, -5)
	f(Temperature, "+.5degC", 0.5, 0.5)
	f(Humidity, "33%", 0.33, 0.33)
	f(Humidity, "0.33 fraction", 0.33, 0.33)
	f(Illuminance, "2klx", 2000, 2000)
	f(Link, "-70dBm", -70, -70)
	g := func(q Quantity, text, want string) {
		t.Helper()
		if v, u, err := Split(q, text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v %v %v, want %q", text, v, u, err, want)
		}
	}
	g(Temperature, "0.4", "has no unit: write one of C, °C")
	g(Temperature, "", "is not an amount")
	g(Temperature, "C", "is not an amount")
	g(Temperature, "1-2C", "is not an amount")
	g(Temperature, "NaNC", "is not an amount")
	g(Temperature, "0.4 bar", `"bar" is not a unit of temperature`)
	g(Temperature, strings.Repeat("9", 400)+"C", "is not an amount")
	g(Temperature, "1e3C", `"e3C" is not a unit`)
}

// Splitting never panics, and what it takes is a finite number.
func FuzzSplit(f *testing.F) {
	for _, s := range []string{"0.4C", "-0.3 K", "33%", "", "°", "-.C", "1e9F", "\xff1C"} {
		f.Add(s, uint8(1))
		f.Add(s, uint8(0))
	}
	f.Fuzz(func(t *testing.T, text string, q uint8) {
		v, u, err := Split(Quantity(q), text)
		if err == nil && (math.IsNaN(v) || math.IsInf(v, 0) || u.Quantity != Quantity(q)) {
			t.Errorf("%q: %v %v", text, v, u)
		}
	})
}
