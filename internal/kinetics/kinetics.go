// Package kinetics turns temperatures into the speed of quality loss: rate
// laws of zero and first order, the Arrhenius factor and its Q10 form, time at
// a reference temperature that does the same harm, mean kinetic temperature,
// and the kernel that sums exposure over years of readings.
//
// Equations and constants: models section 2 and 3.1. Temperatures are degrees
// Celsius, activation energies kJ/mol, times days. What it computes is about
// quality and says nothing about safety.
//
// The laws fail where the food itself changes: glass transition, melting,
// wetting, freezing.
package kinetics

import (
	"fmt"
	"math"

	"dryhold/internal/unit"
)

// R is the molar gas constant in kJ/(mol K) (CODATA 2018, exact in the SI).
const R = 8.314462618e-3

// MaxEa is the greatest activation energy the package takes, kJ/mol. The
// greatest published for a dry food is near 200 (whole milk powder, Thomsen
// et al. 2005); twice that leaves room for a band.
const MaxEa unit.KJPerMol = 400

// CheckEa reports, as an error, an activation energy that is not a number or
// outside 0 to MaxEa.
func CheckEa(ea unit.KJPerMol) error {
	if ea >= 0 && ea <= MaxEa {
		return nil
	}
	return fmt.Errorf("activation energy %g kJ/mol is outside 0 to %g kJ/mol", float64(ea), float64(MaxEa))
}

// AccelerationFactor is the rate at t relative to the rate at ref, by
// Arrhenius: exp(Ea/R (1/Tref - 1/T)). It is 1 at the reference, dimensionless
// and never negative. It is total: at or below absolute zero nothing reacts
// and it is 0; not-a-number stays not-a-number.
func AccelerationFactor(ea unit.KJPerMol, t, ref unit.Celsius) float64 {
	return arrhenius(float64(ea)/R, float64(t), float64(ref))
}

// arrhenius is exp(e (1/Tref - 1/T)) for e in kelvin and t, ref in °C. The
// difference of the reciprocals is taken as (T-Tref)/(T Tref): subtracting
// the reciprocals would lose four digits near the reference.
func arrhenius(e, t, ref float64) float64 {
	tk, rk := t+unit.ZeroCelsius, ref+unit.ZeroCelsius
	switch {
	case e == 0:
		return 1
	case tk <= 0:
		return 0
	}
	return math.Exp(e * ((t - ref) / (tk * rk)))
}
