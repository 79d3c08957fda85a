// Package thermal follows the temperature at the core of packed food behind
// that of the room's air, and derives the time constant of a container from
// its shape and stuff.
//
// Equations: models section 10. Temperatures are degrees Celsius, times hours.
package thermal

import (
	"fmt"
	"math"

	"dryhold/internal/unit"
)

// Lag is a first-order lag: dT/dt = (u-T)/tau, T the core and u the air. The
// zero value has tau 0: the core is the air.
type Lag struct {
	tau float64 // hours
}

// NewLag makes a lag with a time constant of 0 hours or more. A container of
// household size has 1 to 20 h, a stack of cartons days.
func NewLag(tau unit.Hours) (Lag, error) {
	if !(tau >= 0) || math.IsInf(float64(tau), 0) {
		return Lag{}, fmt.Errorf("cannot make core lag: time constant %g h is not a number of hours at or above 0", float64(tau))
	}
	return Lag{float64(tau)}, nil
}

// TimeConstant is the tau the lag was made with.
func (l Lag) TimeConstant() unit.Hours { return unit.Hours(l.tau) }

// Core is the core temperature at hours into a segment of dt hours over which
// the air goes in a straight line from one temperature to another, and whose
// start the core was at core. It is exact, whatever dt is to the time
// constant: cutting a segment in two changes only rounding. For at from 0 to
// dt the answer lies between the least and the greatest of core, from and to.
// A segment without length leaves the core as it is.
//
// With x = at/tau it is the known solution
//
//	u0 + r (at-tau) + (core-u0+r tau) e^-x,  r = (to-from)/dt
//
// written with 1-e^-x and x-(1-e^-x) so that short steps lose no digits.
func (l Lag) Core(core, from, to unit.Celsius, dt, at unit.Hours) unit.Celsius {
	return l.Step(dt, at).Core(core, from, to)
}

// Mean is the mean core temperature over a whole segment, exact in the same
// way. A segment without length gives the core as it is.
func (l Lag) Mean(core, from, to unit.Celsius, dt unit.Hours) unit.Celsius {
	return l.MeanStep(dt).Core(core, from, to)
}

// Step is a lag over a fixed length of time: two weights made once, used for
// every segment of that length. It gives the same bits as Lag.Core.
type Step struct {
	pull float64 // share of the distance to the air at the start that is closed
	lean float64 // share of the air's change that has arrived
}

// Step makes the step for the core at hours into segments of dt hours.
func (l Lag) Step(dt, at unit.Hours) Step {
	switch {
	case !(dt > 0):
		return Step{}
	case l.tau == 0:
		return Step{1, float64(at / dt)}
	}
	x := float64(at) / l.tau
	first, second := shares(x)
	return Step{float64(x * first), float64(at/dt) * float64(x*second)}
}

// MeanStep makes the step for the mean of the core over segments of dt hours.
func (l Lag) MeanStep(dt unit.Hours) Step {
	switch {
	case !(dt > 0):
		return Step{}
	case l.tau == 0:
		return Step{1, 0.5}
	}
	x := float64(dt) / l.tau
	_, second := shares(x)
	return Step{float64(x * second), float64(x * third(x))}
}

// Core applies the step: the core was at core when the segment began, the air
// goes from one temperature to another.
func (s Step) Core(core, from, to unit.Celsius) unit.Celsius {
	return unit.Celsius(float64(core) + float64(s.pull*float64(from-core)) + float64(s.lean*float64(to-from)))
}

// shares are (1-e^-x)/x and (x-1+e^-x)/x², which tend to 1 and 1/2 at 0.
func shares(x float64) (first, second float64) {
	switch {
	case math.Abs(x) < 0.125:
		second = secondNear0(x)
		return 1 - float64(x*second), second
	case math.Abs(x) < 1:
		second = series(x, 2)
		return 1 - float64(x*second), second
	}
	decay := -math.Expm1(-x)
	return decay / x, (x - decay) / (x * x)
}

// third is (x²/2-x+1-e^-x)/x³, which tends to 1/6 at 0.
func third(x float64) float64 {
	if math.Abs(x) < 1 {
		return series(x, 3)
	}
	return (0.5 + (-math.Expm1(-x)-x)/(x*x)) / x
}

// secondNear0 is series(x, 2) for |x| below 1/8, its terms written out: a fold of
// readings that are never the same time apart asks for it at every one of them,
// for every lag. What is left out is below the last bit.
func secondNear0(x float64) float64 {
	s := 1.0/6227020800 - float64(x*(1.0/87178291200))
	s = 1.0/479001600 - float64(x*s)
	s = 1.0/39916800 - float64(x*s)
	s = 1.0/3628800 - float64(x*s)
	s = 1.0/362880 - float64(x*s)
	s = 1.0/40320 - float64(x*s)
	s = 1.0/5040 - float64(x*s)
	s = 1.0/720 - float64(x*s)
	s = 1.0/120 - float64(x*s)
	s = 1.0/24 - float64(x*s)
	s = 1.0/6 - float64(x*s)
	return 0.5 - float64(x*s)
}

// series is the sum over k of (-x)^k/(k+n)!, for |x| below 1.
func series(x float64, n int) float64 {
	sum := 0.0
	for k := 20; k > 0; k-- { // 1/20! is below the last bit
		sum = (1 + sum) * (-x / float64(k+n))
	}
	sum++
	for k := 2; k <= n; k++ {
		sum /= float64(k)
	}
	return sum
}
