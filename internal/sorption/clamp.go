package sorption

import (
	"math"

	"dryhold/internal/unit"
)

// dryEnd is the moisture, dry basis, below which no equation is believed:
// some of them give a water activity above 0 to food without any water
// (Chung-Pfost of soybean, 0.07 at 25 °C). From there a straight line leads
// to the origin. Half a percent is drier than any stored food but sugar and
// salt (judgement).
const dryEnd = 0.005

// saturated is the highest water activity MoistureClamped answers for: at 1
// the moisture is unbounded.
const saturated = 0.9999

// ActivityClamped is the water activity for integrators: Activity wherever
// that has an answer, and total beyond. The temperature is held at the ends of
// Hard; below the dry end a straight line leads to 0 at no water; beyond the
// wet end the curve goes on with its own slope and bends to 1, which it never
// passes. So it rises everywhere with m, and finite arguments with constants
// that pass Check give a number in 0 to 1.
func ActivityClamped(i Isotherm, m unit.DryBasis, t unit.Celsius) float64 {
	x, held := float64(m), hold(t)
	if x <= 0 {
		return 0
	}
	if a := i.activity(x, held); inside(x, a) {
		return a
	}
	a, _ := beyond(i, x, held)
	return a
}

// ActivitySlope is ActivityClamped and its derivative by moisture, for
// implicit steps. At and below no water the derivative is that just above it.
func ActivitySlope(i Isotherm, m unit.DryBasis, t unit.Celsius) (aw, slope float64) {
	x, held := float64(m), hold(t)
	if x >= dryEnd && x <= mostMoisture {
		if aw, slope = i.curve(x, held); inside(x, aw) {
			return aw, slope
		}
	}
	return beyond(i, x, held)
}

// MoistureClamped is the inverse of ActivityClamped for water activities of 0
// to 0.9999, at which ends others are held.
func MoistureClamped(i Isotherm, aw float64, t unit.Celsius) unit.DryBasis {
	held := hold(t)
	aw = min(max(aw, 0), saturated)
	low, high := ends(i, held)
	if m := i.moisture(aw, held); m >= low && m <= high {
		return unit.DryBasis(m)
	}
	if a := i.activity(low, held); aw < a {
		return unit.DryBasis(low * aw / a)
	}
	a, slope := i.curve(high, held)
	share := min(max((aw-a)/(1-a), 0), 1-1e-15)
	return unit.DryBasis(high - float64((1-a)/slope*math.Log1p(-share)))
}

// inside reports that the bare equation is used at moisture x, where it gives
// water activity a.
func inside(x, a float64) bool {
	h := Hard()
	return x >= dryEnd && x <= mostMoisture && a >= h.AwLow && a <= h.AwHigh
}

// beyond is the curve outside: dry of the low end or wet of the high end.
func beyond(i Isotherm, x, t float64) (aw, slope float64) {
	low, high := ends(i, t)
	switch {
	case x < low:
		s := i.activity(low, t) / low
		return max(x, 0) * s, s
	case x <= high: // the last digit of an end
		return i.curve(x, t)
	}
	a, s := i.curve(high, t)
	left := (1 - a) * math.Exp(-(x-high)*s/(1-a))
	return 1 - left, s * left / (1 - a)
}

// ends is the moisture range in which the bare equation is used at t.
func ends(i Isotherm, t float64) (low, high float64) {
	low, high = span(i, t)
	return max(low, dryEnd), high
}

func hold(t unit.Celsius) float64 {
	h := Hard()
	return float64(min(max(t, h.TLow), h.THigh))
}
