package bench

import (
	"fmt"
	"maps"
	"slices"
)

// Tolerance is how much more than the baseline a benchmark may take before that
// is a regression.
const Tolerance = 0.20

// Counted are the units held against the baseline, each with the difference that
// is never a regression: what the runtime itself does beside a benchmark. None
// depends on how fast the machine is or on what else runs there.
func Counted() map[string]float64 {
	return map[string]float64{"allocs/op": 5, "B/op": 2048, "instructions/op": 20_000}
}

// Regressions says where results take more than a baseline allows, or miss a
// benchmark or a unit of it, one line each, sorted. The least of several runs
// counts. Better says where they take so much less that the baseline should be
// made again, or a later regression would hide in the difference.
func Regressions(baseline, now Results) (worse, better []string) {
	before, after := baseline.Least(), now.Least()
	for _, name := range slices.Sorted(maps.Keys(before)) {
		for _, unit := range slices.Sorted(maps.Keys(Counted())) {
			was, counted := before[name][unit]
			is, measured := after[name][unit]
			slack := Counted()[unit]
			switch {
			case !counted:
			case !measured:
				worse = append(worse, fmt.Sprintf("%s: no %s measured, the baseline has %.0f", name, unit, was))
			case is > was*(1+Tolerance) && is-was > slack:
				worse = append(worse, fmt.Sprintf("%s: %.0f %s, the baseline has %.0f (%+.0f %%)", name, is, unit, was, 100*(is/was-1)))
			case is < was*(1-Tolerance) && was-is > slack:
				better = append(better, fmt.Sprintf("%s: %.0f %s, the baseline has %.0f (%+.0f %%)", name, is, unit, was, 100*(is/was-1)))
			}
		}
	}
	for _, name := range slices.Sorted(maps.Keys(after)) {
		if before[name] == nil {
			worse = append(worse, name+": not in the baseline")
		}
	}
	return worse, better
}
