package barrier

import (
	"errors"
	"fmt"
	"math"

	"dryhold/internal/climate"
	"dryhold/internal/sorption"
	"dryhold/internal/unit"
)

// Water is the food of one container as a store of water behind a wall. The
// vapour in the gas space does not count: it is a few hundredths of a gram.
type Water struct {
	Dry      float64 // dry matter, kg
	Isotherm sorption.Isotherm
	Wall     Wall
}

// Check reports, as an error, figures that make no store.
func (w Water) Check() error {
	if !(w.Dry > 0) || math.IsInf(w.Dry, 0) {
		return fmt.Errorf("dry matter is %g kg: it must be above 0", w.Dry)
	}
	if w.Isotherm == nil {
		return errors.New("food has no isotherm: name one, or the general seed equation")
	}
	if err := w.Isotherm.Check(); err != nil {
		return err
	}
	return w.Wall.Check()
}

// DryMatter is the dry matter in mass of food at moisture m, in the unit of
// mass.
func DryMatter(mass float64, m unit.WetBasis) float64 { return mass * (1 - float64(m)) }

// Soaked is the moisture beyond which food takes up no more: in air that is
// above saturation at the core it would go on for ever, while in truth the
// water then runs off (judgement).
const Soaked unit.DryBasis = 1

// The bounds of one inner step, as fractions of the dry matter: its error by
// estimate, a hundred-thousandth of a point, and how far it may go, a point or
// a twentieth of the moisture.
// Without the second a long step can land where the curve meets its tangent
// again, and there the estimate of the error says nothing.
const (
	tolerance = 1e-7
	reach     = 0.01
	reachMore = 0.05
)

// innerSteps bounds the inner steps of one Step. The scheme is stable at any
// length, so the bound costs accuracy, never sense.
const innerSteps = 4096

// Step follows the moisture of the food for dt days while the core is at core
// and the air of the room has the given vapour pressure:
//
//	dm/dt = permeance (vapour - aw(m, core) saturation(core)) / dry matter.
//
// It gives the moisture after dt and the water gained, in grams, negative when
// lost. The scheme is exponential (Rosenbrock type, third order with a second
// order one inside), exact where the isotherm is straight, stable at any dt,
// and splits dt until its error is below a hundred-thousandth of a point: it
// follows a paper sack by the week and glass by the year. Food takes up water
// until it is Soaked. w must pass Check; a dt of 0 or less changes nothing,
// and one without end counts as longest.
func (w Water) Step(m unit.DryBasis, core unit.Celsius, vapour unit.Pascal, dt unit.Days) (unit.DryBasis, float64) {
	flow := w.flow(core, vapour)
	x, left := max(float64(m), 0), min(float64(dt), longest)
	h := left
	for n := 0; left > 0 && flow.gain > 0; n++ {
		if h = min(h, left); n >= innerSteps {
			h = left
		}
		next, fault := flow.step(x, h)
		if fault > tolerance && n < innerSteps {
			h /= 2
			continue
		}
		if next >= float64(Soaked) && next > x {
			x = max(x, float64(Soaked))
			break // under constant surroundings it stays so
		}
		x, left = max(next, 0), left-h
		if fault < tolerance/8 {
			h *= 2
		}
	}
	return unit.DryBasis(x), float64(1000*w.Dry) * (x - max(float64(m), 0))
}

// flow is the right-hand side under constant surroundings: moisture changes by
// gain (humidity - aw) per day.
type flow struct {
	isotherm sorption.Isotherm
	core     unit.Celsius
	humidity float64 // of the room's air, brought to the core's temperature
	gain     float64 // per day
}

func (w Water) flow(core unit.Celsius, vapour unit.Pascal) flow {
	saturation := float64(climate.VapourPressure(core, 1))
	return flow{
		isotherm: w.Isotherm,
		core:     core,
		humidity: max(float64(vapour), 0) / saturation,
		gain:     float64(w.Wall.WaterAll()) * saturation / 1000 / (1000 * w.Dry),
	}
}

// step is one exponential step of h days from moisture x, with an estimate of
// its error, infinite beyond reach: with f = J x + g(x), x2 = x + h phi1(hJ) f(x) and
// x1 = x2 + 2 h phi3(hJ) (g(x2) - g(x)) (Hochbruck and Ostermann 2010, Acta
// Numerica 19:209, scheme exprb32, from memory).
func (f flow) step(x, h float64) (next, fault float64) {
	aw, slope := sorption.ActivitySlope(f.isotherm, unit.DryBasis(x), f.core)
	z := -f.gain * slope * h
	second := x + float64(h*phi1(z)*f.gain*(f.humidity-aw))
	if math.Abs(second-x) > max(reach, reachMore*x) || second < -tolerance {
		return second, math.Inf(1)
	}
	bent := sorption.ActivityClamped(f.isotherm, unit.DryBasis(second), f.core)
	// g(x2) - g(x) = -gain (aw(x2) - aw(x) - slope (x2 - x))
	g := -f.gain * (bent - aw - float64(slope*(second-x)))
	correction := float64(2 * h * phi3(z) * g)
	return second + correction, math.Abs(correction)
}

// phi1 is (e^z - 1)/z for z of 0 or less.
func phi1(z float64) float64 {
	if z > -1e-8 {
		return 1 + z/2
	}
	return math.Expm1(z) / z
}

// phi3 is (e^z - 1 - z - z^2/2)/z^3 for z of 0 or less; near 0 by its series,
// since the difference would lose its digits.
func phi3(z float64) float64 {
	if z > -1 {
		sum, term := 0.0, 1.0/6
		for n := 4.0; n <= 17; n++ {
			sum += term
			term = term * z / n
		}
		return sum
	}
	return (math.Expm1(z) - z - float64(z*z)/2) / (z * z * z)
}

// Reaches is when the food, from moisture m under constant surroundings,
// reaches water activity line: 0 when it is there, false when it never gets
// there or moves away.
//
// Time is the integral of dm over the rate. Taken over the logarithm of the
// distance to the humidity of the room the integrand is smooth, and Gauss'
// rule gives it to better than 1e-6.
func (w Water) Reaches(line float64, m unit.DryBasis, core unit.Celsius, vapour unit.Pascal) (unit.Days, bool) {
	f := w.flow(core, vapour)
	aw := sorption.ActivityClamped(w.Isotherm, m, core)
	if aw == line {
		return 0, true
	}
	ratio := (f.humidity - line) / (f.humidity - aw)
	if !(ratio > 0 && ratio < 1) || !(f.gain > 0) || line >= 1 {
		return 0, false
	}
	const panels = 64
	width := -math.Log(ratio) / panels
	nodes := [...]float64{-0.8611363115940526, -0.3399810435848563, 0.3399810435848563, 0.8611363115940526}
	weights := [...]float64{0.3478548451374538, 0.6521451548625461, 0.6521451548625461, 0.3478548451374538}
	sum := 0.0
	for p := range panels {
		for i, node := range nodes {
			s := width * (float64(p) + 0.5 + node/2)
			at := f.humidity - float64((f.humidity-aw)*math.Exp(-s))
			_, slope := sorption.ActivitySlope(w.Isotherm, sorption.MoistureClamped(w.Isotherm, at, core), core)
			sum += weights[i] / 2 * width / slope
		}
	}
	return unit.Days(sum / f.gain), true
}
