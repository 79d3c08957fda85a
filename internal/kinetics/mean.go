package kinetics

import (
	"fmt"
	"math"

	"dryhold/internal/unit"
)

// ConventionalEa is the activation energy of the mean kinetic temperature by
// convention: dH/R is 10,000 K (83.14 kJ/mol; Haynes 1971, ICH Q1A(R2)). For a
// food give the energy of its own deterioration instead.
const ConventionalEa unit.KJPerMol = 10000 * R

// MeanKinetic is the mean kinetic temperature of samples: the constant
// temperature that does the same harm to a reaction of energy ea, above 0. A
// weight is the time a sample stands for in any unit, at least 0 with a sum
// above 0; nil weights count each sample once. The weights for a trace sampled
// unevenly are TrapezoidWeights or HeldWeights.
//
// It is at or above the weighted mean for ea above 2RT (6.2 kJ/mol at 100 °C).
// A long window hides an excursion: show several, and the worst day beside
// them. It does not apply to frozen goods.
func MeanKinetic(ea unit.KJPerMol, ts []unit.Celsius, weights []float64) (unit.Celsius, error) {
	if !(ea > 0 && ea <= MaxEa) {
		return 0, fmt.Errorf("cannot find mean kinetic temperature: activation energy %g kJ/mol is not above 0 and up to %g kJ/mol", float64(ea), float64(MaxEa))
	}
	if len(ts) == 0 {
		return 0, fmt.Errorf("cannot find mean kinetic temperature: no samples")
	}
	if weights != nil && len(weights) != len(ts) {
		return 0, fmt.Errorf("cannot find mean kinetic temperature: %d samples but %d weights", len(ts), len(weights))
	}
	weight := func(i int) float64 {
		if weights == nil {
			return 1
		}
		return weights[i]
	}
	// Relative to the hottest sample that counts no exponential can overflow,
	// and the answer keeps its digits when all are alike.
	hottest, total := unit.Celsius(math.Inf(-1)), 0.0
	for i, t := range ts {
		w := weight(i)
		if !(t > -unit.ZeroCelsius) || math.IsInf(float64(t), 0) {
			return 0, fmt.Errorf("cannot find mean kinetic temperature: sample %d, %g °C, is not a temperature", i+1, float64(t))
		}
		if !(w >= 0) || math.IsInf(w, 0) {
			return 0, fmt.Errorf("cannot find mean kinetic temperature: weight %d, %g, is not a number at or above 0", i+1, w)
		}
		if w > 0 {
			hottest = max(hottest, t)
		}
		total += w
	}
	if !(total > 0) || math.IsInf(total, 0) {
		return 0, fmt.Errorf("cannot find mean kinetic temperature: the weights sum to %g, not to a number above 0", total)
	}
	sum := 0.0
	for i, t := range ts {
		if w := weight(i); w > 0 {
			sum += float64(w / total * AccelerationFactor(ea, t, hottest))
		}
	}
	return effective(float64(ea)/R, hottest, math.Log(sum))
}

// TrapezoidWeights gives each of a run of samples, taken at the times at in
// any one unit, half of the spans to its neighbours: with them MeanKinetic
// integrates the exponential by the trapezoid rule. Times must not go back;
// samples at the same time share what is theirs.
func TrapezoidWeights(at []float64) ([]float64, error) {
	w := make([]float64, len(at))
	for i := 1; i < len(at); i++ {
		span, err := span(at, i)
		if err != nil {
			return nil, err
		}
		w[i-1] += span / 2
		w[i] += span / 2
	}
	return w, nil
}

// HeldWeights gives each sample the span to the next, as if its value held
// until then; the last has none. Times must not go back.
func HeldWeights(at []float64) ([]float64, error) {
	w := make([]float64, len(at))
	for i := 1; i < len(at); i++ {
		span, err := span(at, i)
		if err != nil {
			return nil, err
		}
		w[i-1] = span
	}
	return w, nil
}

func span(at []float64, i int) (float64, error) {
	d := at[i] - at[i-1]
	if !(d >= 0) || math.IsInf(d, 0) {
		return 0, fmt.Errorf("cannot weigh samples: time %d, %g, does not follow time %d, %g", i+1, at[i], i, at[i-1])
	}
	return d, nil
}
