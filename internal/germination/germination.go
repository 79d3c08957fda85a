// Package germination follows the share of seeds that can still sprout, by
// the seed viability equation of Ellis and Roberts 1980 (Annals of Botany
// 45:13):
//
//	v = Ki - p/sigma,  log10 sigma = KE - CW log10 m - CH t - CQ t²
//
// with v the viability and Ki its value at packing, both in probits, p the
// time in days, m the moisture in per cent of wet mass and t the temperature
// in °C (models section 8). Losses at changing moisture and temperature add:
// the sum of p/sigma.
//
// It is for wheat, beans, rice and seed kept to sow or to sprout. It assumes a
// hermetic container, no insects and no mould, and seed of good quality; it
// says how many seeds sprout, and nothing of the quality of the food or its
// safety. Moisture is a fraction of wet mass, temperature °C, time days.
package germination

import (
	"fmt"
	"math"

	"dryhold/internal/nearest"
	"dryhold/internal/unit"
)

// Constants are the viability constants of one species.
type Constants struct {
	ID     string // kebab-case: wheat
	Name   string // botanical
	KE, CW float64
	CH, CQ float64
	// Universal says that CH and CQ are the temperature constants common to
	// all species, not fitted to this one.
	Universal bool
	Source    string
}

// The constants were read from the table viabilityconstants of the R package
// viabilitymetrics, which names the reference of each row.
const (
	ellis2007 = "Ellis et al. 2007"
	ellis1992 = "Ellis et al. 1992"
	ellis1990 = "Ellis et al. 1990"
	ellis1989 = "Ellis et al. 1989"
	ellis1982 = "Ellis et al. 1982"
	ellis1980 = "Ellis and Roberts 1980"
)

// Species lists the species in the order of their ID. There are no constants
// for oats in the set.
func Species() []Constants {
	return []Constants{
		{"barley", "Hordeum vulgare", 9.144, 5.342, 0.0329, 0.000478, false, ellis1980},
		{"bean", "Phaseolus vulgaris", 9.090, 4.761, 0.0329, 0.000478, true, ellis1990},
		{"chickpea", "Cicer arietinum", 8.901, 4.847, 0.0329, 0.000478, false, ellis1982},
		{"corn", "Zea mays", 10.562, 6.366, 0.0332, 0.000577, false, ellis2007},
		{"cowpea", "Vigna unguiculata", 9.401, 5.118, 0.0329, 0.000478, false, ellis1982},
		{"pea", "Pisum sativum", 9.858, 5.390, 0.0329, 0.000478, true, ellis1989},
		{"rice", "Oryza sativa", 8.242, 4.345, 0.0307, 0.000501, false, ellis2007},
		{"rice-indica", "Oryza sativa indica", 8.810, 4.904, 0.0329, 0.000478, true, ellis1992},
		{"rice-japonica", "Oryza sativa japonica", 8.416, 4.904, 0.0329, 0.000478, true, ellis1992},
		{"soybean", "Glycine max", 7.525, 4.086, 0.0329, 0.000478, false, ellis1982},
		{"wheat", "Triticum aestivum", 9.043, 5.183, 0.0351, 0.000475, false, ellis2007},
	}
}

// Lookup finds a species by its ID; the error names the nearest known one.
func Lookup(id string) (Constants, error) {
	var ids []string
	for _, c := range Species() {
		if c.ID == id {
			return c, nil
		}
		ids = append(ids, c.ID)
	}
	return Constants{}, fmt.Errorf("unknown seed species %q%s", id, nearest.Hint(id, ids))
}

// The range the equation is stated for: drier seed gains nothing more, wetter
// seed breathes or sprouts.
const (
	MinMoisture = 0.05 // fraction of wet mass
	MaxMoisture = 0.25

	MinTemperature unit.Celsius = -20
	MaxTemperature unit.Celsius = 90
)

func (c Constants) check(moisture float64, t unit.Celsius) error {
	switch {
	case !(c.KE > 0 && c.CW > 0):
		return fmt.Errorf("species %q has no viability constants: take them from Lookup", c.ID)
	case !(moisture >= MinMoisture && moisture <= MaxMoisture):
		return fmt.Errorf("moisture %g of wet mass is outside %g to %g, the range of the viability equation", moisture, MinMoisture, MaxMoisture)
	}
	return checkTemperature(t)
}

func checkTemperature(t unit.Celsius) error {
	if !(t >= MinTemperature && t <= MaxTemperature) {
		return fmt.Errorf("temperature %g °C is outside %g to %g °C, the range of the viability equation", float64(t), float64(MinTemperature), float64(MaxTemperature))
	}
	return nil
}

// Sigma is the time in days in which viability falls by one probit, the
// standard deviation of the deaths of single seeds over time.
func (c Constants) Sigma(moisture float64, t unit.Celsius) (unit.Days, error) {
	if err := c.check(moisture, t); err != nil {
		return 0, fmt.Errorf("cannot find the spread of seed deaths: %w", err)
	}
	return unit.Days(c.sigma(moisture, t)), nil
}

// sigma keeps multiply and add apart: losses are compared bit by bit.
func (c Constants) sigma(moisture float64, t unit.Celsius) float64 {
	x := float64(t)
	exponent := c.KE - float64(c.CW*math.Log10(100*moisture)) - float64(c.CH*x) - float64(c.CQ*float64(x*x))
	return math.Exp(math.Ln10 * exponent)
}

// Probit is the normal quantile of a share of seeds between 0 and 1, both out
// of range: v with Share(v) = share.
func Probit(share float64) (float64, error) {
	if !(share > 0 && share < 1) {
		return 0, fmt.Errorf("cannot find probit: a share of %g is not between 0 and 1: no lot of seeds is all alive or all dead for certain", share)
	}
	return math.Sqrt2 * math.Erfinv(2*share-1), nil
}

// Share is the share of seeds that germinate at a viability of v probits.
func Share(v float64) float64 { return 0.5 * math.Erfc(-v/math.Sqrt2) }

// Viability is the share of seeds that still germinate after days at one
// moisture and temperature, when the share initial did at packing.
func (c Constants) Viability(initial, moisture float64, t unit.Celsius, days unit.Days) (float64, error) {
	sigma, err := c.Sigma(moisture, t)
	if err != nil {
		return 0, err
	}
	if !(days >= 0) || math.IsInf(float64(days), 0) {
		return 0, fmt.Errorf("cannot find viability: a time of %g days is not 0 or more", float64(days))
	}
	return Loss{Probits: float64(days / sigma)}.Viable(initial)
}

// HalfLife is P50, the time in days until half of the seeds germinate: Ki
// sigma. It is 0 when no more than half did at packing.
func (c Constants) HalfLife(initial, moisture float64, t unit.Celsius) (unit.Days, error) {
	ki, err := Probit(initial)
	if err != nil {
		return 0, err
	}
	sigma, err := c.Sigma(moisture, t)
	return sigma * unit.Days(max(0, ki)), err
}

// MoistureFor is the moisture, a fraction of wet mass, at which the share
// initial falls to the share final in the given time at one temperature. It is
// an error where that moisture is outside the range of the equation.
func (c Constants) MoistureFor(initial, final float64, t unit.Celsius, days unit.Days) (float64, error) {
	fail := func(err error) (float64, error) {
		return 0, fmt.Errorf("cannot find the moisture to dry seed to: %w", err)
	}
	ki, err := Probit(initial)
	if err != nil {
		return fail(err)
	}
	v, err := Probit(final)
	if err != nil {
		return fail(err)
	}
	if !(ki > v) {
		return fail(fmt.Errorf("the final share %g is not below the initial one, %g", final, initial))
	}
	if !(days > 0) || math.IsInf(float64(days), 0) {
		return fail(fmt.Errorf("a time of %g days is not above 0", float64(days)))
	}
	if err := checkTemperature(t); err != nil {
		return fail(err)
	}
	if !(c.CW > 0) {
		return fail(c.check(MinMoisture, t))
	}
	x := float64(t)
	need := math.Log10(float64(days) / (ki - v))
	m := math.Pow(10, (c.KE-c.CH*x-c.CQ*x*x-need)/c.CW) / 100
	if err := c.check(m, t); err != nil {
		return fail(err)
	}
	return m, nil
}

// Loss is the viability a lot of seed has lost since packing, in probits: a
// plain value, kept as JSON. The zero value is a lot as it was packed.
type Loss struct {
	Probits float64 `json:"probits"`
	Hours   float64 `json:"h"` // time counted
	Unknown float64 `json:"unknown_h"`
}

// Step adds hours, 0 or more, at a moisture (fraction of wet mass) and core
// temperature. Seed drier or colder than the range of the equation, down to
// bone dry and -60 °C, loses as at its lower end, which is never too little.
// On an error the loss is as it was.
func (c Constants) Step(l Loss, moisture float64, t unit.Celsius, hours unit.Hours) (Loss, error) {
	if err := checkHours(hours); err != nil {
		return l, err
	}
	if moisture >= 0 && t >= -60 {
		moisture, t = max(moisture, MinMoisture), max(t, MinTemperature)
	}
	if err := c.check(moisture, t); err != nil {
		return l, fmt.Errorf("cannot count the loss of germination: %w", err)
	}
	l.Probits += float64(hours) / 24 / c.sigma(moisture, t)
	l.Hours += float64(hours)
	return l, nil
}

// Miss passes hours of which nothing is known. They are counted as unknown
// and cost nothing: whoever shows the result must say so, or estimate the
// hours and step through them.
func (l Loss) Miss(hours unit.Hours) (Loss, error) {
	if err := checkHours(hours); err != nil {
		return l, err
	}
	l.Unknown += float64(hours)
	return l, nil
}

// maxHours bounds one step: a thousand centuries, to catch a time that is
// none.
const maxHours = 1e9

func checkHours(hours unit.Hours) error {
	if !(hours >= 0 && hours <= maxHours) {
		return fmt.Errorf("cannot count the loss of germination: a time of %g h is not 0 or more", float64(hours))
	}
	return nil
}

// Viable is the share of seeds that still germinate when the share initial
// did at packing.
func (l Loss) Viable(initial float64) (float64, error) {
	ki, err := Probit(initial)
	if err != nil {
		return 0, err
	}
	return Share(ki - l.Probits), nil
}
