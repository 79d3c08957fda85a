package thermal

import (
	"fmt"
	"math"

	"dryhold/internal/unit"
)

// year is the period of the annual wave in the ground, hours.
const year unit.Hours = 365.25 * 24

// Ground is the soil about a basement: the annual wave of the surface, damped
// and late with depth (Hillel 1982; models section 11). Walls and the house
// above add heat that it does not know of.
type Ground struct {
	Mean      unit.Celsius // of the surface over the year
	Amplitude float64      // K, half of the difference between the hottest and the coldest day
	// Diffusivity of the soil in m²/s: dry sand about 2e-7, moist loam 5e-7,
	// wet or stony soil up to 1e-6 (from memory).
	Diffusivity float64
	Coldest     float64 // day of the year on which the surface is coldest, 0 to 365
}

// Check reports, as an error, a value that no soil has.
func (g Ground) Check() error {
	switch {
	case !(g.Mean >= -40 && g.Mean <= 60):
		return fmt.Errorf("mean ground temperature %g °C is outside -40 to 60 °C", float64(g.Mean))
	case !(g.Amplitude >= 0 && g.Amplitude <= 50):
		return fmt.Errorf("annual amplitude %g K is outside 0 to 50 K", g.Amplitude)
	case !(g.Diffusivity >= 1e-8 && g.Diffusivity <= 1e-5):
		return fmt.Errorf("diffusivity %g m²/s is outside 1e-8 to 1e-5 m²/s", g.Diffusivity)
	case !(g.Coldest >= 0 && g.Coldest <= 366):
		return fmt.Errorf("coldest day %g is outside 0 to 366", g.Coldest)
	}
	return nil
}

// At is the temperature at a depth in m, 0 or more, on a day of the year
// (any number, the wave repeats):
//
//	Mean + Amplitude e^(-z/d) sin(2 pi (day-Coldest)/365.25 - z/d - pi/2)
func (g Ground) At(depth, day float64) (unit.Celsius, error) {
	if err := g.Check(); err != nil {
		return 0, fmt.Errorf("cannot find ground temperature: %w", err)
	}
	if !(depth >= 0) || math.IsInf(depth, 0) {
		return 0, fmt.Errorf("cannot find ground temperature: depth %g m is not 0 or more", depth)
	}
	if math.IsNaN(day) || math.IsInf(day, 0) {
		return 0, fmt.Errorf("cannot find ground temperature: day %g is not a number", day)
	}
	x := depth / dampingDepth(g.Diffusivity, year)
	phase := 2*math.Pi*(day-g.Coldest)*24/float64(year) - x - math.Pi/2
	return g.Mean + unit.Celsius(g.Amplitude*math.Exp(-x)*math.Sin(phase)), nil
}

// WaveLag is how many days later than at the surface the annual wave comes at
// a depth in m.
func (g Ground) WaveLag(depth float64) (unit.Days, error) {
	d, err := DampingDepth(g.Diffusivity, year)
	if err != nil {
		return 0, err
	}
	if !(depth >= 0) || math.IsInf(depth, 0) {
		return 0, fmt.Errorf("cannot find the lag of the ground: depth %g m is not 0 or more", depth)
	}
	return unit.Days(depth / d / (2 * math.Pi) * float64(year) / 24), nil
}

// DampingDepth is the depth in m at which a wave of the given period has
// fallen to 1/e: sqrt(2 D/omega), for a diffusivity in m²/s.
func DampingDepth(diffusivity float64, period unit.Hours) (float64, error) {
	if !(diffusivity > 0) || math.IsInf(diffusivity, 0) {
		return 0, fmt.Errorf("cannot find damping depth: diffusivity %g m²/s is not above 0", diffusivity)
	}
	if !(period > 0) || math.IsInf(float64(period), 0) {
		return 0, fmt.Errorf("cannot find damping depth: a period of %g h is not above 0", float64(period))
	}
	return dampingDepth(diffusivity, period), nil
}

func dampingDepth(diffusivity float64, period unit.Hours) float64 {
	return math.Sqrt(diffusivity * float64(period) * 3600 / math.Pi)
}
