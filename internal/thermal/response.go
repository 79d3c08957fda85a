package thermal

import (
	"fmt"
	"math"

	"dryhold/internal/unit"
)

// Attenuation is the share of the amplitude of a sine of the given period that
// is left behind a first-order lag: 1/sqrt(1+(omega tau)²). tau must be 0 or
// more and the period above 0; else it is not-a-number.
func Attenuation(tau, period unit.Hours) float64 {
	x, ok := turn(tau, period)
	if !ok {
		return math.NaN()
	}
	return 1 / math.Sqrt(1+float64(x*x))
}

// WaveLag is how much later than the air such a sine comes: atan(omega
// tau)/omega, from 0 to a quarter of the period.
func WaveLag(tau, period unit.Hours) unit.Hours {
	x, ok := turn(tau, period)
	if !ok {
		return unit.Hours(math.NaN())
	}
	return unit.Hours(math.Atan(x)/(2*math.Pi)) * period
}

// turn is omega tau.
func turn(tau, period unit.Hours) (float64, bool) {
	return 2 * math.Pi * float64(tau/period), tau >= 0 && period > 0 && !math.IsInf(float64(period), 0)
}

// TimeConstantFromAmplitude is the time constant of a room whose temperature
// swings by the share ratio, between 0 and 1, of the swing outdoors, over a
// wave of the given period: sqrt(1/ratio² - 1)/omega. Take the swing from days
// without sun through the window and without heating: gains inside the room
// make the ratio, and so the time constant, wrong.
func TimeConstantFromAmplitude(ratio float64, period unit.Hours) (unit.Hours, error) {
	switch {
	case !(ratio > 0 && ratio < 1):
		return 0, fmt.Errorf("cannot find the time constant: the swing indoors is %g of that outdoors, which is not between 0 and 1", ratio)
	case !(period > 0) || math.IsInf(float64(period), 0):
		return 0, fmt.Errorf("cannot find the time constant: a period of %g h is not above 0", float64(period))
	}
	return unit.Hours(math.Sqrt((1-ratio)*(1+ratio))/ratio/(2*math.Pi)) * period, nil
}

// Response is how a room follows the air outdoors: as a first-order lag with
// a constant gain on top, dx/dt = (u + Gain - x)/TimeConstant. A single lag to
// outdoor air cannot damp the year: a basement follows the ground (see
// Ground).
type Response struct {
	TimeConstant unit.Hours `json:"time_constant_h"`
	// Low and High enclose the time constant in 8 of 10 cases, by the scatter
	// about the regression alone.
	Low  unit.Hours `json:"low_h"`
	High unit.Hours `json:"high_h"`
	// Gain is how much warmer than the mean outdoors the room rests, K:
	// heating, people, sun.
	Gain float64 `json:"gain_k"`
	// Pairs is the number of steps used, R2 the share of the room's movement
	// that the outdoor air explains.
	Pairs int     `json:"pairs"`
	R2    float64 `json:"r2"`
}

// minPairs is the least number of steps a response is taken from: two days of
// hours, so that one daily wave is seen whole.
const minPairs = 48

// Identify finds the response of a room from readings outdoors and indoors at
// the same equally spaced times, dt hours apart: the regression of x[k]-x[k-1]
// on u[k]-x[k-1] with an intercept, slope a, tau = -dt/ln(1-a) (models section
// 11). A missing reading is not-a-number; a step that touches one is left out.
//
// Noise of the indoor sensor appears on both sides and makes the room look
// quicker than it is, the more so the slower the room and the closer the
// readings (a test shows it). Take means over hours in a slow room, and
// compare with TimeConstantFromAmplitude.
func Identify(outdoors, indoors []unit.Celsius, dt unit.Hours) (Response, error) {
	fail := func(format string, args ...any) (Response, error) {
		return Response{}, fmt.Errorf("cannot find the response of the room: "+format, args...)
	}
	if len(outdoors) != len(indoors) {
		return fail("%d readings outdoors but %d indoors", len(outdoors), len(indoors))
	}
	if !(dt > 0) || math.IsInf(float64(dt), 0) {
		return fail("a spacing of %g h is not above 0", float64(dt))
	}
	var drive, move []float64
	for k := 1; k < len(indoors); k++ {
		pull, step := float64(outdoors[k]-indoors[k-1]), float64(indoors[k]-indoors[k-1])
		if math.IsInf(pull, 0) || math.IsInf(step, 0) {
			return fail("reading %d is not a temperature", k+1)
		}
		if !math.IsNaN(pull) && !math.IsNaN(step) {
			drive, move = append(drive, pull), append(move, step)
		}
	}
	if len(drive) < minPairs {
		return fail("%d steps with readings at both ends, at least %d are needed", len(drive), minPairs)
	}
	l := regress(drive, move)
	switch {
	case !(l.spread > 1e-9):
		return fail("the air outdoors does not move against the room")
	case !(l.slope < 1):
		return fail("the room follows within one step of %g h: take readings closer together", float64(dt))
	case !(l.slope-decile*l.slopeError > 0):
		return fail("slope %.3g with an error of %.2g: the room does not follow the air outdoors, or the readings are too few", l.slope, l.slopeError)
	}
	tau := func(a float64) unit.Hours { return -dt / unit.Hours(math.Log1p(-min(a, 1-1e-12))) }
	return Response{
		TimeConstant: tau(l.slope),
		Low:          tau(l.slope + decile*l.slopeError),
		High:         tau(l.slope - decile*l.slopeError),
		Gain:         l.intercept / l.slope,
		Pairs:        len(drive), R2: l.r2,
	}, nil
}

// decile is the distance of the 90 % point of the normal distribution from
// its mean, in standard deviations.
const decile = 1.2815515655446004

// line is a straight line through points by least squares.
type line struct {
	slope, intercept, slopeError, r2 float64
	spread                           float64 // variance of the abscissa
}

func regress(xs, ys []float64) line {
	n := float64(len(xs))
	var mx, my float64
	for i := range xs {
		mx += xs[i] / n
		my += ys[i] / n
	}
	var sxx, sxy, syy float64
	for i := range xs {
		dx, dy := xs[i]-mx, ys[i]-my
		sxx += float64(dx * dx)
		sxy += float64(dx * dy)
		syy += float64(dy * dy)
	}
	l := line{spread: sxx / n}
	if sxx == 0 {
		return l
	}
	l.slope = sxy / sxx
	l.intercept = my - float64(l.slope*mx)
	rest := max(0, syy-float64(l.slope*sxy))
	l.slopeError = math.Sqrt(rest / (n - 2) / sxx)
	if syy > 0 {
		l.r2 = 1 - rest/syy
	}
	return l
}

// Predict is the room's temperature dt hours on, when the air outdoors goes in
// a straight line from one temperature to another.
func (r Response) Predict(room, from, to unit.Celsius, dt unit.Hours) unit.Celsius {
	gain := unit.Celsius(r.Gain)
	return Lag{float64(max(0, r.TimeConstant))}.Core(room, from+gain, to+gain, dt, dt)
}
