package lot

import (
	"fmt"

	"dryhold/internal/barrier"
	"dryhold/internal/catalog"
)

// Headspace is the share of a container left unfilled (models section 5.5
// worked cases; judgement).
const Headspace = 0.05

// AbsorberNote says in words what the absorber of a packing is worth in its
// food and container.
func (p Packing) AbsorberNote(f catalog.Food, k catalog.Container) string {
	gas, err := barrier.GasSpace(k.Volume.Likely, Headspace, f.Void.Likely)
	need, capacity := barrier.EnclosedOxygen(gas), p.Treatment.CapacityCM3
	switch {
	case p.Treatment.Kind != Absorber:
		return "no absorber"
	case f.NoAbsorber != "":
		return "an absorber does not go with this food: " + f.NoAbsorber
	case !k.Sealed:
		return "the container does not hold low oxygen"
	case err != nil:
		return "the absorber needed is not known: " + err.Error()
	case capacity < need:
		rest := 100 * barrier.AirOxygen * (1 - capacity/need)
		return fmt.Sprintf("absorber too small: %.0f of %.0f cm3, oxygen rests at about %.0f %%", capacity, need, rest)
	}
	note := fmt.Sprintf("absorber of %.0f cm3 for %.0f cm3 enclosed", capacity, need)
	if margin := need * barrier.Margin; capacity < margin {
		note += fmt.Sprintf("; below the usual margin of 20 %% (%.0f cm3)", margin)
	}
	return note
}
