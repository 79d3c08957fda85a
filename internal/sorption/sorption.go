// Package sorption holds the isotherms of dry foods: how much water a food
// holds in balance with air of a given humidity and temperature, and back.
// Six equations: modified Henderson, Chung-Pfost, modified Oswin, modified
// Halsey, GAB and the seed equation of Cromarty, Ellis and Roberts, each in
// closed form both ways.
//
// Water activity is a fraction 0 to 1, temperature °C, moisture a fraction of
// the dry matter (unit.DryBasis). Equations, constants and check values:
// models section 4.
//
// An isotherm is a fit. Two equations for the same grain differ by 0.2 to 0.5
// points of moisture, and a food that dries holds 1 to 1.5 points more than
// one that takes up water at the same humidity (models 4.1, from memory): a
// line drawn on the result needs that margin. None of it says that a food is
// safe.
package sorption

import (
	"fmt"
	"math"

	"dryhold/internal/unit"
)

// Isotherm is one sorption equation with its constants. The implementations
// are plain comparable structs, all in this package: ModifiedHenderson,
// ChungPfost, ChungPfostPercent, ModifiedOswin, ModifiedHalsey, GAB and Seed.
type Isotherm interface {
	// Moisture is the moisture the food settles at in air of water activity
	// aw at t. Outside the hard range, or where the equation has no answer
	// there, it is a *RangeError; nonsense constants are an error too.
	Moisture(aw float64, t unit.Celsius) (unit.DryBasis, error)
	// Activity is the inverse of Moisture: the water activity of food that
	// holds m at t. Integrators use ActivityClamped, which is total.
	Activity(m unit.DryBasis, t unit.Celsius) (float64, error)
	// Valid is the range in which the equation is trusted. Beyond it and up
	// to Hard a result is given, but wants a warning: see Range.Check.
	Valid() Range
	// Check reports, as an error, constants that make no isotherm.
	Check() error

	// activity and moisture are the bare equations, without a look at ranges;
	// curve is activity and its derivative by moisture, for m above 0.
	activity(m, t float64) float64
	moisture(aw, t float64) float64
	curve(m, t float64) (aw, slope float64)
}

// Range bounds water activity and temperature, ends included.
type Range struct {
	AwLow, AwHigh float64
	TLow, THigh   unit.Celsius
}

// Trusted is the range of the published fits: water activity 0.1 to 0.9 and
// 0 to 50 °C (models 4.1). Some sets were fitted on less; who knows it may
// check against a narrower Range.
func Trusted() Range { return Range{0.1, 0.9, 0, 50} }

// Hard is the range outside which the equations are refused: water activity
// 0.02 to 0.98 and -10 to 60 °C (judgement: a cold garage and a hot attic,
// 10 K beyond the fits).
func Hard() Range { return Range{0.02, 0.98, -10, 60} }

// Check reports, as a *RangeError, what lies outside the range.
func (r Range) Check(aw float64, t unit.Celsius) error {
	if err := r.checkT(t); err != nil {
		return err
	}
	if !(aw >= r.AwLow && aw <= r.AwHigh) {
		return &RangeError{"water activity", aw, r.AwLow, r.AwHigh, ""}
	}
	return nil
}

func (r Range) checkT(t unit.Celsius) error {
	if !(t >= r.TLow && t <= r.THigh) {
		return &RangeError{"temperature", float64(t), float64(r.TLow), float64(r.THigh), " °C"}
	}
	return nil
}

// RangeError says which value lies outside which range.
type RangeError struct {
	What             string // water activity, temperature, moisture (percent, dry basis)
	Value, Low, High float64
	Symbol           string // unit with a leading space, or empty
}

// Error says what is out of range and what the range is.
func (e *RangeError) Error() string {
	return fmt.Sprintf("%s %.4g%s is outside the isotherm's range, %.4g to %.4g%s", e.What, e.Value, e.Symbol, e.Low, e.High, e.Symbol)
}

// moistureAt is Isotherm.Moisture for all equations.
func moistureAt[I Isotherm](i I, aw float64, t unit.Celsius) (unit.DryBasis, error) {
	if err := i.Check(); err != nil {
		return 0, fmt.Errorf("cannot find moisture: %w", err)
	}
	if err := Hard().Check(aw, t); err != nil {
		return 0, fmt.Errorf("cannot find moisture: %w", err)
	}
	m := i.moisture(aw, float64(t))
	if !(m >= 0 && m <= mostMoisture) {
		low, high := span(i, float64(t))
		return 0, fmt.Errorf("cannot find moisture at %.4g °C: %w", float64(t),
			&RangeError{"water activity", aw, i.activity(low, float64(t)), i.activity(high, float64(t)), ""})
	}
	return unit.DryBasis(m), nil
}

// activityAt is Isotherm.Activity for all equations.
func activityAt[I Isotherm](i I, m unit.DryBasis, t unit.Celsius) (float64, error) {
	if err := i.Check(); err != nil {
		return 0, fmt.Errorf("cannot find water activity: %w", err)
	}
	if err := m.Check(); err != nil {
		return 0, fmt.Errorf("cannot find water activity: %w", err)
	}
	if err := Hard().checkT(t); err != nil {
		return 0, fmt.Errorf("cannot find water activity: %w", err)
	}
	aw := i.activity(float64(m), float64(t))
	low, high := span(i, float64(t))
	// The ends are let through with the last digit to spare, so that what
	// Moisture gives there can come back.
	if !(float64(m) >= low*(1-1e-9) && float64(m) <= high*(1+1e-9)) || math.IsNaN(aw) {
		return 0, fmt.Errorf("cannot find water activity at %.4g °C: %w", float64(t),
			&RangeError{"moisture", m.Percent(), 100 * low, 100 * high, " % d.b."})
	}
	return aw, nil
}

// mostMoisture bounds the moisture an isotherm is asked about, dry basis:
// 1 g of water per gram of dry matter is no dry food any more (judgement).
const mostMoisture = 1

// span is the moisture range of the equation at t: from the dry end of the
// hard range, or no water where the equation reaches that first, to the wet
// end or mostMoisture.
func span(i Isotherm, t float64) (low, high float64) {
	h := Hard()
	low, high = i.moisture(h.AwLow, t), i.moisture(h.AwHigh, t)
	if !(low > 0) {
		low = 0
	}
	if !(high < mostMoisture) {
		high = mostMoisture
	}
	return low, high
}
