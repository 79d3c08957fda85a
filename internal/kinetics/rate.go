package kinetics

import (
	"fmt"
	"math"

	"dryhold/internal/unit"
)

// ZeroOrder is what is left of an attribute q0 that is lost at k per day,
// after t days: q0 - k t. It may fall below zero; what that means is for the
// caller.
func ZeroOrder(q0, k float64, t unit.Days) float64 { return q0 - float64(k*float64(t)) }

// FirstOrder is what is left of an attribute q0 of which the share k is lost
// per day, after t days: q0 exp(-k t).
func FirstOrder(q0, k float64, t unit.Days) float64 { return q0 * math.Exp(-k*float64(t)) }

// FirstOrderRate is the rate per day at which the share limit, in (0,1), is
// left after life days, above 0.
func FirstOrderRate(limit float64, life unit.Days) (float64, error) {
	switch {
	case !(limit > 0 && limit < 1):
		return 0, fmt.Errorf("cannot find rate of first order: the share left at the limit, %g, is not between 0 and 1", limit)
	case !(life > 0) || math.IsInf(float64(life), 0):
		return 0, fmt.Errorf("cannot find rate of first order: life of %g days is not above 0", float64(life))
	}
	return -math.Log(limit) / float64(life), nil
}

// Q10 is the ratio of the rate at t+10 °C to that at t, for an activation
// energy. It falls as t rises: a Q10 without its temperature says little.
func Q10(ea unit.KJPerMol, t unit.Celsius) float64 { return AccelerationFactor(ea, t+10, t) }

// EaFromQ10 is the activation energy whose rates at t and t+10 °C have the
// ratio q10, at least 1: R ln Q10 T (T+10)/10. t must be above absolute zero
// and the energy not above MaxEa.
func EaFromQ10(q10 float64, t unit.Celsius) (unit.KJPerMol, error) {
	if !(q10 >= 1) {
		return 0, fmt.Errorf("cannot find activation energy: Q10 %g is below 1", q10)
	}
	tk := float64(t.Kelvin())
	if !(tk > 0) || math.IsInf(tk, 0) {
		return 0, fmt.Errorf("cannot find activation energy: %g °C is not above absolute zero", float64(t))
	}
	ea := unit.KJPerMol(R * math.Log(q10) * tk * (tk + 10) / 10)
	if err := CheckEa(ea); err != nil {
		return 0, fmt.Errorf("cannot find activation energy of Q10 %g at %g °C: %w", q10, float64(t), err)
	}
	return ea, nil
}

// EaFromRatio is the activation energy whose rate at t is ratio times that at
// ref: what two published storage times say, ratio being life at ref over life
// at t. The two temperatures must differ and the energy lie in 0 to MaxEa.
func EaFromRatio(ratio float64, t, ref unit.Celsius) (unit.KJPerMol, error) {
	tk, rk := float64(t.Kelvin()), float64(ref.Kelvin())
	switch {
	case !(ratio > 0) || math.IsInf(ratio, 0):
		return 0, fmt.Errorf("cannot find activation energy: ratio of rates %g is not above 0", ratio)
	case !(tk > 0 && rk > 0) || t == ref || math.IsInf(tk, 0) || math.IsInf(rk, 0):
		return 0, fmt.Errorf("cannot find activation energy: %g and %g °C are not two temperatures", float64(t), float64(ref))
	}
	ea := unit.KJPerMol(R * math.Log(ratio) * tk * rk / float64(t-ref))
	if err := CheckEa(ea); err != nil {
		return 0, fmt.Errorf("cannot find activation energy of a ratio of %g between %g and %g °C: %w", ratio, float64(ref), float64(t), err)
	}
	return ea, nil
}

// EquivalentTime is the time at ref that does the same as spending days[i] at
// ts[i], one after the other, in any order: the sum of days[i]*AF(ts[i]).
func EquivalentTime(ea unit.KJPerMol, ref unit.Celsius, ts []unit.Celsius, days []unit.Days) (unit.Days, error) {
	if err := CheckEa(ea); err != nil {
		return 0, fmt.Errorf("cannot find equivalent time: %w", err)
	}
	if len(ts) != len(days) {
		return 0, fmt.Errorf("cannot find equivalent time: %d temperatures but %d times", len(ts), len(days))
	}
	sum := 0.0
	for i, t := range ts {
		sum += float64(AccelerationFactor(ea, t, ref) * float64(days[i]))
	}
	return unit.Days(sum), nil
}

// EffectiveTemperature is the inverse of AccelerationFactor: the constant
// temperature at which the factor relative to ref is factor, above 0. Given
// exposure divided by time it is the mean kinetic temperature for that energy.
// ea must be above 0: a rate that does not know the temperature cannot tell it.
func EffectiveTemperature(ea unit.KJPerMol, ref unit.Celsius, factor float64) (unit.Celsius, error) {
	switch {
	case !(ea > 0 && ea <= MaxEa):
		return 0, fmt.Errorf("cannot find effective temperature: activation energy %g kJ/mol is not above 0 and up to %g kJ/mol", float64(ea), float64(MaxEa))
	case !(factor > 0) || math.IsInf(factor, 0):
		return 0, fmt.Errorf("cannot find effective temperature: acceleration factor %g is not above 0", factor)
	}
	return effective(float64(ea)/R, ref, math.Log(factor))
}

// effective finds T in 1/T = 1/Tref - lnf/e as Tref + Tref s/(1-s), with
// s = Tref lnf/e, which keeps the digits of a small difference.
func effective(e float64, ref unit.Celsius, lnf float64) (unit.Celsius, error) {
	s := float64(ref.Kelvin()) * lnf / e
	if !(s < 1) || math.IsInf(s, 0) {
		return 0, fmt.Errorf("cannot find effective temperature: no temperature gives a factor of exp(%g)", lnf)
	}
	return ref + unit.Celsius(float64(ref.Kelvin())*s/(1-s)), nil
}
