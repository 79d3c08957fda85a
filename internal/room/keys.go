package room

import (
	"cmp"
	"slices"

	"dryhold/internal/kinetics"
	"dryhold/internal/unit"
)

// Reference is the temperature to which exposure is related.
const Reference = unit.Celsius(21)

// AirEa is the activation energy of the mean kinetic temperature, always
// among the keys of a ledger.
const AirEa = kinetics.ConventionalEa

// Keys are the core lags and activation energies for which a ledger keeps
// exposure: those of the lots in the house. Sorted, without repeats; lag 0
// (the air itself) and AirEa are always there.
type Keys struct {
	Lags []unit.Hours
	Eas  []unit.KJPerMol
}

// NewKeys makes the keys of the given lags and energies.
func NewKeys(lags []unit.Hours, eas []unit.KJPerMol) Keys {
	return Keys{sorted(append([]unit.Hours{0}, lags...)), sorted(append([]unit.KJPerMol{AirEa}, eas...))}
}

func sorted[T cmp.Ordered](xs []T) []T {
	slices.Sort(xs)
	return slices.Compact(xs)
}

// Equal reports whether both keep the same exposures.
func (k Keys) Equal(o Keys) bool { return slices.Equal(k.Lags, o.Lags) && slices.Equal(k.Eas, o.Eas) }

// Len is the number of exposures kept.
func (k Keys) Len() int { return len(k.Lags) * len(k.Eas) }

// index finds one exposure; ok is false when it is not kept.
func (k Keys) index(lag unit.Hours, ea unit.KJPerMol) (i int, ok bool) {
	l, found := slices.BinarySearch(k.Lags, lag)
	e, foundEa := slices.BinarySearch(k.Eas, ea)
	return l*len(k.Eas) + e, found && foundEa
}
