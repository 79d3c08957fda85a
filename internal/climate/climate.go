// Package climate computes the state of moist air: saturation pressure over
// water and ice, vapour pressure, dew and frost point, humidity ratio,
// absolute humidity, vapour pressure deficit and the standard atmosphere.
//
// Temperatures are degrees Celsius, pressures pascal, relative humidity a
// fraction.
//
// Relative humidity is over liquid water at every temperature, below freezing
// too: that is how the common capacitive sensors are calibrated (models 1.2).
// Tables that switch to ice below 0 °C differ there: at -10 °C, 80 % over
// liquid is 229 Pa, over ice 208 Pa.
//
// Source of the saturation pressures: Hyland and Wexler 1983, as in ASHRAE
// Handbook Fundamentals 2017 chapter 1, equations 5 and 6.
package climate

import (
	"fmt"
	"math"

	"dryhold/internal/unit"
)

// TriplePoint of water in °C. Saturation switches from ice to liquid here.
const TriplePoint unit.Celsius = 0.01

// The ranges of the saturation functions in °C. The liquid equation is stated
// for 0 °C and above; for supercooled water it is extrapolated, within 0.35 %
// of the WMO form down to -40 °C and 0.6 % down to -45 °C (a test holds it).
const (
	liquidLow, liquidHigh = -60, 200
	iceLow, iceHigh       = -100, TriplePoint
)

// dewLow is the lowest dew point that is solved for, °C.
const dewLow = -100

// lnLiquid is the natural logarithm of the saturation pressure in Pa over
// liquid water at tk kelvin, and its derivative in 1/K. The conversions to
// float64 keep a compiler from fusing multiply and add: vapour pressure goes
// into hour slots that are compared bit by bit.
func lnLiquid(tk float64) (lnp, slope float64) {
	const (
		c8  = -5.8002206e3
		c9  = 1.3914993
		c10 = -4.8640239e-2
		c11 = 4.1764768e-5
		c12 = -1.4452093e-8
		c13 = 6.5459673
	)
	p := float64(tk*c12) + c11
	p = float64(tk*p) + c10
	p = float64(tk*p) + c9
	lnp = c8/tk + p + float64(c13*math.Log(tk))
	slope = -c8/(tk*tk) + c10 + tk*(2*c11+tk*3*c12) + c13/tk
	return lnp, slope
}

// lnIce is lnLiquid over ice.
func lnIce(tk float64) (lnp, slope float64) {
	const (
		c1 = -5.6745359e3
		c2 = 6.3925247
		c3 = -9.677843e-3
		c4 = 6.2215701e-7
		c5 = 2.0747825e-9
		c6 = -9.484024e-13
		c7 = 4.1635019
	)
	lnp = c1/tk + c2 + tk*(c3+tk*(c4+tk*(c5+tk*c6))) + c7*math.Log(tk)
	slope = -c1/(tk*tk) + c3 + tk*(2*c4+tk*(3*c5+tk*4*c6)) + c7/tk
	return lnp, slope
}

// SaturationOverLiquid is the saturation vapour pressure over liquid water,
// supercooled below freezing, for -60 to 200 °C.
func SaturationOverLiquid(t unit.Celsius) (unit.Pascal, error) {
	if err := within("over liquid water", t, liquidLow, liquidHigh); err != nil {
		return 0, err
	}
	lnp, _ := lnLiquid(float64(t.Kelvin()))
	return unit.Pascal(math.Exp(lnp)), nil
}

// SaturationOverIce is the saturation vapour pressure over ice, for -100 to
// 0.01 °C.
func SaturationOverIce(t unit.Celsius) (unit.Pascal, error) {
	if err := within("over ice", t, iceLow, iceHigh); err != nil {
		return 0, err
	}
	lnp, _ := lnIce(float64(t.Kelvin()))
	return unit.Pascal(math.Exp(lnp)), nil
}

// SaturationPressure is the saturation vapour pressure over the stable phase:
// ice up to the triple point, liquid water above, for -100 to 200 °C.
func SaturationPressure(t unit.Celsius) (unit.Pascal, error) {
	if t <= TriplePoint {
		return SaturationOverIce(t)
	}
	return SaturationOverLiquid(t)
}

func within(what string, t, low, high unit.Celsius) error {
	if t >= low && t <= high {
		return nil
	}
	return fmt.Errorf("saturation pressure %s is not known at %g °C: the range is %g to %g °C", what, float64(t), float64(low), float64(high))
}

// VapourPressure is the partial pressure of water vapour in air at t with
// relative humidity rh over liquid water. It is total and meant for
// integrators: a temperature outside -60 to 200 °C counts as the nearer end,
// and rh is taken as it comes; not-a-number stays not-a-number.
func VapourPressure(t unit.Celsius, rh unit.RH) unit.Pascal {
	return unit.Pascal(float64(rh) * saturation(t))
}

// saturation is SaturationOverLiquid in Pa, held at the ends of its range.
func saturation(t unit.Celsius) float64 {
	lnp, _ := lnLiquid(float64(min(max(t, liquidLow), liquidHigh).Kelvin()))
	return math.Exp(lnp)
}

// RelativeHumidity is the inverse of VapourPressure: the relative humidity
// over liquid water that air of vapour pressure pw has at t. It exceeds 1
// where the air would condense. It is total in the same way.
func RelativeHumidity(t unit.Celsius, pw unit.Pascal) unit.RH {
	return unit.RH(float64(pw) / saturation(t))
}

// Deficit is the vapour pressure deficit: how far the air is from saturation
// over liquid water. It is total in the same way as VapourPressure.
func Deficit(t unit.Celsius, rh unit.RH) unit.Pascal {
	return unit.Pascal((1 - float64(rh)) * saturation(t))
}

// DewPoint is the temperature at which air at t with relative humidity rh
// (over liquid water, above 0 to 1) is saturated over liquid water; below 0 °C
// it is the dew point of supercooled water, which lies under the frost point.
// t must be -60 to 200 °C. Air drier than a dew point of -100 °C is an error,
// and so is rh of 0, which has none.
func DewPoint(t unit.Celsius, rh unit.RH) (unit.Celsius, error) {
	if err := moist(t, rh); err != nil {
		return 0, fmt.Errorf("cannot find dew point: %w", err)
	}
	td, err := DewPointAt(VapourPressure(t, rh))
	return min(td, t), err // at saturation rounding must not put it above t
}

// FrostPoint is the temperature at which air at t with relative humidity rh
// (over liquid water, above 0 to 1) is saturated over ice. Air whose vapour
// pressure is above that of the triple point has none: an error; use DewPoint.
func FrostPoint(t unit.Celsius, rh unit.RH) (unit.Celsius, error) {
	if err := moist(t, rh); err != nil {
		return 0, fmt.Errorf("cannot find frost point: %w", err)
	}
	return FrostPointAt(VapourPressure(t, rh))
}

func moist(t unit.Celsius, rh unit.RH) error {
	if !(rh > 0 && rh <= 1) {
		return fmt.Errorf("relative humidity %g is outside the range above 0 to 1", float64(rh))
	}
	return within("over liquid water", t, liquidLow, liquidHigh)
}

// DewPointAt is the temperature at which vapour of pressure pw saturates over
// liquid water, -100 to 200 °C.
func DewPointAt(pw unit.Pascal) (unit.Celsius, error) {
	td, err := invert(lnLiquid, pw, dewLow, liquidHigh)
	if err != nil {
		return 0, fmt.Errorf("cannot find dew point: %w", err)
	}
	return td, nil
}

// FrostPointAt is the temperature at which vapour of pressure pw saturates
// over ice, -100 to 0.01 °C.
func FrostPointAt(pw unit.Pascal) (unit.Celsius, error) {
	tf, err := invert(lnIce, pw, iceLow, iceHigh)
	if err != nil {
		return 0, fmt.Errorf("cannot find frost point: %w", err)
	}
	return tf, nil
}

// invert solves ln p(t) = ln pw by Newton, kept inside a shrinking bracket:
// the curve rises everywhere, so a step that leaves the bracket is replaced by
// its middle.
func invert(curve func(tk float64) (lnp, slope float64), pw unit.Pascal, low, high unit.Celsius) (unit.Celsius, error) {
	want := math.Log(float64(pw))
	a, b := float64(low.Kelvin()), float64(high.Kelvin())
	atLow, _ := curve(a)
	atHigh, _ := curve(b)
	if !(want >= atLow && want <= atHigh) {
		return 0, fmt.Errorf("vapour pressure %g Pa is outside %.3g to %.6g Pa, the range of %g to %g °C",
			float64(pw), math.Exp(atLow), math.Exp(atHigh), float64(low), float64(high))
	}
	tk := min(max(guess(want), a), b)
	for range 60 { // Newton needs about 4; halving alone would need 45
		lnp, slope := curve(tk)
		if lnp < want {
			a = tk
		} else {
			b = tk
		}
		next := tk - (lnp-want)/slope
		if !(next >= a && next <= b) {
			next = a + (b-a)/2
		}
		if math.Abs(next-tk) < 1e-10 {
			return unit.Kelvin(next).Celsius(), nil
		}
		tk = next
	}
	return unit.Kelvin(tk).Celsius(), nil
}

// guess is the closed-form dew point of the Magnus equation in kelvin for the
// logarithm of a pressure in Pa (WMO-No. 8 coefficients, from memory): only
// the start of Newton.
func guess(lnp float64) float64 {
	g := lnp - math.Log(611.2)
	if g > 10 { // the closed form has a pole at 17.62
		g = 10
	}
	return 243.12*g/(17.62-g) + unit.ZeroCelsius
}
