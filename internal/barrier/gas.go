package barrier

import (
	"fmt"

	"dryhold/internal/unit"
)

// Margin is the factor by which an absorber should exceed the oxygen that is
// enclosed and comes in (models 5.5, judgement).
const Margin = 1.2

// IronLimit is the most oxygen that iron can bind, cm3 at 0 °C and one
// atmosphere per gram, as Fe2O3 (models 5.5, computed).
const IronLimit = 301

// atmosphere in kPa.
const atmosphere = 101.325

// GasSpace is the gas in a container of litres, of which a share is headspace
// and the rest food with void as the share of its bulk that is gas, in cm3:
// V (h + (1-h) eps).
func GasSpace(litres, headspace, void float64) (float64, error) {
	if err := amount("container volume", litres); err != nil {
		return 0, fmt.Errorf("cannot find gas space: %w", err)
	}
	for _, f := range []struct {
		what  string
		value float64
	}{{"headspace", headspace}, {"void fraction", void}} {
		if !(f.value >= 0 && f.value <= 1) {
			return 0, fmt.Errorf("cannot find gas space: %s %g is not a fraction of 0 to 1", f.what, f.value)
		}
	}
	return 1000 * litres * (headspace + float64((1-headspace)*void)), nil
}

// EnclosedOxygen is the oxygen in gas cm3 of air, cm3: the least that an
// absorber must be able to take up. Ingress over the years and Margin come on
// top.
func EnclosedOxygen(gas float64) float64 { return gas * AirOxygen }

// PressureDrop is by how much the pressure in a stiff container falls when
// oxygen goes from one partial pressure to another (atm) and the temperature
// from one value to another, in kPa. A drop of 21 kPa buckles a bottle in: a
// free sign that its seal holds.
func PressureDrop(oxygenFrom, oxygenTo float64, from, to unit.Celsius) float64 {
	return atmosphere * (1 - (1-(oxygenFrom-oxygenTo))*float64(to.Kelvin()/from.Kelvin()))
}

// Breathing is the gas that a container without a seal exchanges when it warms
// or cools by one kelvin at t, cm3: V/T.
func Breathing(gas float64, t unit.Celsius) float64 { return gas / float64(t.Kelvin()) }
