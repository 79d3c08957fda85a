package climate

import (
	"fmt"
	"math"

	"dryhold/internal/unit"
)

// HumidityRatio is kilograms of water vapour per kilogram of dry air at vapour
// pressure pw and total pressure p: 0.621945 pw/(p-pw) (ASHRAE Fundamentals
// 2017 chapter 1, equation 20). pw must be at least 0 and below p.
func HumidityRatio(pw, p unit.Pascal) (float64, error) {
	if !(pw >= 0 && pw < p) || math.IsInf(float64(p), 0) {
		return 0, fmt.Errorf("cannot find humidity ratio: vapour pressure %g Pa is not between 0 and the air pressure %g Pa", float64(pw), float64(p))
	}
	return 0.621945 * float64(pw) / float64(p-pw), nil
}

// AbsoluteHumidity is grams of water vapour per cubic metre of air at t with
// vapour pressure pw, as an ideal gas with 461.52 J/(kg K). pw must be at
// least 0, t -100 to 200 °C.
func AbsoluteHumidity(t unit.Celsius, pw unit.Pascal) (float64, error) {
	switch {
	case !(pw >= 0) || math.IsInf(float64(pw), 0):
		return 0, fmt.Errorf("cannot find absolute humidity: vapour pressure %g Pa is negative or not a number", float64(pw))
	case !(t >= iceLow && t <= liquidHigh):
		return 0, fmt.Errorf("cannot find absolute humidity: %g °C is outside %d to %d °C", float64(t), iceLow, liquidHigh)
	}
	return 1000 * float64(pw) / (461.52 * float64(t.Kelvin())), nil
}

// StandardPressure is the pressure of the standard atmosphere at a height in
// metres above the sea, -5000 to 11000 m (ASHRAE Fundamentals 2017 chapter 1,
// equation 3).
func StandardPressure(height float64) (unit.Pascal, error) {
	if !(height >= -5000 && height <= 11000) {
		return 0, fmt.Errorf("cannot find standard pressure: height %g m is outside -5000 to 11000 m", height)
	}
	return unit.Pascal(101325 * math.Pow(1-2.25577e-5*height, 5.2559)), nil
}
