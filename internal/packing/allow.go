package packing

import (
	"dryhold/internal/catalog"
	"dryhold/internal/lot"
	"dryhold/internal/sorption"
	"dryhold/internal/unit"
)

// Allow reports, wrapping lot.ErrInvalid, a lot that must not be registered as
// it was packed, since it may poison: hazardous food without oxygen, and food
// measured at or above its red line of water activity in a closed container. A
// Packing with an Override passes; the reason is kept with it. What only costs
// quality passes too, and is told with the lot.
func Allow(c *catalog.Catalog, p lot.Packing) error {
	const mend = "or give with --override (\"override\" in the API) the reason why it is so, which is kept with the lot"
	f, err := c.Food(p.Food)
	if err != nil || p.Override != "" {
		return nil // an unknown class is refused by the check of the packing
	}
	k, err := c.Container(p.Container)
	if err != nil {
		return nil
	}
	low := p.Treatment.Kind == lot.Absorber
	if j := verdictOf(f, judged()); low && j.Verdict == Hazardous {
		return lot.Invalid("the packing advice refuses %s with an absorber: %s (%s). Take the absorber out, %s", f.Name, j.Why, j.Source, mend)
	}
	if f.Isotherm == nil || !(p.MoistureWB > 0) || !k.Sealed && !low {
		return nil
	}
	w := unit.WetBasis(p.MoistureWB)
	if w > 0.5 {
		return nil // refused by the check of the packing
	}
	if aw := sorption.ActivityClamped(f.Isotherm, w.DryBasis(), catalog.ReferenceTemperature); aw >= f.Red.Likely {
		return lot.Invalid("the packing advice refuses %s at %s moisture: its water activity of %.2f is at or above the red line of %.2f (%s), and closed up it may poison. Dry it and test again, %s",
			f.Name, percent(p.MoistureWB), aw, f.Red.Likely, f.Limit, mend)
	}
	return nil
}
