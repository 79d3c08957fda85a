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

// Key names one exposure: behind a core lag (0 is the air itself), with an
// activation energy.
type Key struct {
	Lag unit.Hours
	Ea  unit.KJPerMol
}

// Keys are the exposures a ledger keeps: those of the lots in the house, and
// always that of the air with AirEa. Sorted, without repeats.
type Keys struct {
	list []Key
	lags []group
}

// group is the keys of one lag: list[first : first+len(eas)].
type group struct {
	lag   unit.Hours
	first int
	eas   []unit.KJPerMol
}

// NewKeys makes a set of keys.
func NewKeys(keys ...Key) Keys {
	k := Keys{list: append([]Key{{0, AirEa}}, keys...)}
	slices.SortFunc(k.list, compareKeys)
	k.list = slices.Compact(k.list)
	for i, x := range k.list {
		if n := len(k.lags); n == 0 || k.lags[n-1].lag != x.Lag {
			k.lags = append(k.lags, group{lag: x.Lag, first: i})
		}
		g := &k.lags[len(k.lags)-1]
		g.eas = append(g.eas, x.Ea)
	}
	return k
}

// Grid is every lag with every energy.
func Grid(lags []unit.Hours, eas []unit.KJPerMol) []Key {
	var keys []Key
	for _, lag := range lags {
		for _, ea := range eas {
			keys = append(keys, Key{lag, ea})
		}
	}
	return keys
}

func compareKeys(a, b Key) int { return cmp.Or(cmp.Compare(a.Lag, b.Lag), cmp.Compare(a.Ea, b.Ea)) }

// Equal reports whether both keep the same exposures.
func (k Keys) Equal(o Keys) bool { return slices.Equal(k.list, o.list) }

// Len is the number of exposures kept.
func (k Keys) Len() int { return len(k.list) }

// index finds one exposure; ok is false when it is not kept.
func (k Keys) index(lag unit.Hours, ea unit.KJPerMol) (i int, ok bool) {
	return slices.BinarySearchFunc(k.list, Key{lag, ea}, compareKeys)
}
