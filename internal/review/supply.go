package review

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/lot"
)

// PlanningEnergy is what one person is reckoned to need a day where nothing is
// known of who they are, kcal: the initial planning figure of UNHCR and WFP,
// for light activity at 20 °C (Guidelines for Estimating Food and Nutritional
// Needs in Emergencies, 1997, from WHO).
const PlanningEnergy = 2100

// Supply is how long the store feeds people by energy alone. It says nothing of
// protein, vitamins or variety.
type Supply struct {
	Persons float64 `json:"persons"`
	Need    float64 `json:"kcal_per_person_day"`
	// Energy in the store, kcal, and Days it lasts, with the bands of the
	// energy table taken together.
	Energy lot.Range    `json:"kcal"`
	Days   lot.Range    `json:"days"`
	Foods  []FoodSupply `json:"foods"` // most energy first
	// Uncounted are classes whose energy the catalog does not state, and Past
	// the kilograms of lots past their likely end, which are not counted.
	Uncounted []string `json:"uncounted,omitempty"`
	Past      float64  `json:"past_end_kg,omitempty"`
}

// FoodSupply is the share of one class.
type FoodSupply struct {
	Food   string  `json:"food"`
	KG     float64 `json:"kg"`
	Energy float64 `json:"kcal"`
	Days   float64 `json:"days"`
	Source string  `json:"source"`
}

// Supplies works out how long the stocks feed so many persons who need so many
// kcal a day each, both above 0. Lots past their likely end are left out.
func Supplies(c *catalog.Catalog, stocks []Stock, persons, need float64, now time.Time) (Supply, error) {
	out := Supply{Persons: persons, Need: need}
	if !(persons > 0 && persons <= 1e6) || !(need >= 100 && need <= 20_000) {
		return out, fmt.Errorf("cannot work out days of supply for %g persons at %g kcal a day: give above 0 persons and 100 to 20000 kcal", persons, need)
	}
	perDay := persons * need
	for _, s := range stocks {
		if !s.Likely.IsZero() && !s.Likely.After(now) {
			out.Past += s.KG
			continue
		}
		f, err := c.Food(s.Food)
		if err != nil {
			return out, fmt.Errorf("cannot work out days of supply: %w", err)
		}
		if f.Energy.Source == "" {
			if !slices.Contains(out.Uncounted, f.ID) {
				out.Uncounted = append(out.Uncounted, f.ID)
			}
			continue
		}
		out.Energy.Low += s.KG * f.Energy.Low
		out.Energy.Likely += s.KG * f.Energy.Likely
		out.Energy.High += s.KG * f.Energy.High
		i := slices.IndexFunc(out.Foods, func(x FoodSupply) bool { return x.Food == f.ID })
		if i < 0 {
			i = len(out.Foods)
			out.Foods = append(out.Foods, FoodSupply{Food: f.ID, Source: f.Energy.Source})
		}
		x := &out.Foods[i]
		x.KG, x.Energy = x.KG+s.KG, x.Energy+float64(s.KG*f.Energy.Likely)
		x.Days = x.Energy / perDay
	}
	out.Days = lot.Range{Low: out.Energy.Low / perDay, Likely: out.Energy.Likely / perDay, High: out.Energy.High / perDay}
	slices.SortStableFunc(out.Foods, func(a, b FoodSupply) int {
		return cmp.Or(cmp.Compare(b.Energy, a.Energy), cmp.Compare(a.Food, b.Food))
	})
	slices.Sort(out.Uncounted)
	return out, nil
}
