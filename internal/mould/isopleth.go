package mould

import (
	"fmt"
	"math"

	"dryhold/internal/unit"
)

// Growth is a rate of growth across a surface, mm/day, for which an isopleth
// is known.
type Growth float64

// The isopleths: the lowest humidity for any growth, and for a tenth and a
// half of a millimetre and one and more millimetres a day.
const (
	AnyGrowth Growth = 0
	Tenth     Growth = 0.1
	Half      Growth = 0.5
	One       Growth = 1
	Two       Growth = 2
	Three     Growth = 3
	Four      Growth = 4
)

// Growths lists the rates of the isopleths, slowest first.
func Growths() []Growth { return []Growth{AnyGrowth, Tenth, Half, One, Two, Three, Four} }

// base is the constant of each isopleth, %.
func (g Growth) base() (float64, bool) {
	switch g {
	case AnyGrowth:
		return 71.53, true
	case Tenth:
		return 73.00, true
	case Half:
		return 76.75, true
	case One:
		return 79.50, true
	case Two:
		return 82.50, true
	case Three:
		return 85.02, true
	case Four:
		return 87.01, true
	}
	return 0, false
}

// The temperatures for which the isopleths are used: the source fits 30 °C as
// the optimum and is mirrored about it; the ends are a judgement.
const (
	isoplethLow  unit.Celsius = 0
	isoplethHigh unit.Celsius = 45
)

// Isopleth is the lowest relative humidity at which Cladosporium, Penicillium
// or Aspergillus grow at the rate on a surface at t, 0 to 45 °C (Zeng et al.
// 2023, Building Services Engineering Research and Technology 44:63):
//
//	2.633 cosh(0.10083 (t-30)) + 71.53 %
//
// for any growth, with a greater constant for the faster rates. Above 1 there
// is no such growth at that temperature.
func Isopleth(g Growth, t unit.Celsius) (unit.RH, error) {
	base, ok := g.base()
	if !ok {
		return 0, fmt.Errorf("cannot find isopleth: no isopleth of %g mm/day is known, only of %v", float64(g), Growths())
	}
	if !(t >= isoplethLow && t <= isoplethHigh) {
		return 0, fmt.Errorf("cannot find isopleth: %g °C is outside %g to %g °C", float64(t), float64(isoplethLow), float64(isoplethHigh))
	}
	return unit.RH((float64(2.633*math.Cosh(0.10083*float64(t-30))) + base) / 100), nil
}

// Fastest is the greatest rate whose isopleth rh reaches at t, and whether
// there is growth at all: the second opinion beside the index.
func Fastest(t unit.Celsius, rh unit.RH) (Growth, bool, error) {
	if err := check(t, rh); err != nil {
		return 0, false, fmt.Errorf("cannot judge mould by isopleth: %w", err)
	}
	fastest, grows := AnyGrowth, false
	for _, g := range Growths() {
		least, err := Isopleth(g, t)
		if err != nil {
			return 0, false, err
		}
		if rh >= least {
			fastest, grows = g, true
		}
	}
	return fastest, grows, nil
}
