package lot

import (
	"fmt"
	"time"

	"dryhold/internal/barrier"
	"dryhold/internal/catalog"
)

// headspace is the share of a container left unfilled (models section 5.5
// worked cases; judgement).
const headspace = 0.05

// Atmosphere is what the containers of a lot hold besides food.
type Atmosphere struct {
	// LowOxygen says that an absorber of sufficient capacity stands in a
	// container that holds what it achieves.
	LowOxygen bool
	// Until is when the likely, the shortest and the longest hold end.
	Until, UntilEarly, UntilLate time.Time
	// NeedCM3 is the oxygen enclosed at packing, cm3: the least capacity an
	// absorber must have. WithMarginCM3 has 20 % on top.
	NeedCM3, WithMarginCM3 float64
	// Why says in words why it is so.
	Why string
}

// EnclosedOxygen is the oxygen in the gas space of one container, cm3 at room
// conditions, under air.
func EnclosedOxygen(f catalog.Food, k catalog.Container) float64 {
	return barrier.AirOxygen * gasSpace(k.Volume.Likely, headspace, f.Void.Likely)
}

// gasSpace is the gas in a container of a volume in litres, of which a share
// is headspace and the rest food with a void fraction, cm3: V (h + (1-h) eps),
// models section 5.5.
func gasSpace(litres, headspace, void float64) float64 {
	return 1000 * litres * (headspace + (1-headspace)*void)
}

// AtmosphereOf judges what a packing holds. Ingress over the years is taken
// as the container's stated hold.
func AtmosphereOf(p Packing, f catalog.Food, k catalog.Container) Atmosphere {
	need := EnclosedOxygen(f, k)
	a := Atmosphere{NeedCM3: need, WithMarginCM3: need * barrier.Margin}
	capacity := p.Treatment.CapacityCM3
	switch {
	case p.Treatment.Kind != Absorber:
		a.Why = "no absorber"
	case f.NoAbsorber != "":
		a.Why = "an absorber does not go with this food: " + f.NoAbsorber
	case k.LowOxygenHold.High <= 0:
		a.Why = "the container does not hold low oxygen"
	case capacity < need:
		rest := 100 * barrier.AirOxygen * (1 - capacity/need)
		a.Why = fmt.Sprintf("absorber too small: %.0f of %.0f cm3, oxygen rests at about %.0f %%", capacity, need, rest)
	default:
		a.LowOxygen = true
		a.Until = p.PackedAt.Add(days(k.LowOxygenHold.Likely))
		a.UntilEarly = p.PackedAt.Add(days(k.LowOxygenHold.Low))
		a.UntilLate = p.PackedAt.Add(days(k.LowOxygenHold.High))
		a.Why = fmt.Sprintf("absorber of %.0f cm3 for %.0f cm3 enclosed; holds until about %s", capacity, need, a.Until.Format("2006-01"))
		if capacity < a.WithMarginCM3 {
			a.Why += fmt.Sprintf("; below the usual margin of 20 %% (%.0f cm3)", a.WithMarginCM3)
		}
	}
	return a
}

// days turns a number of days into a duration, at most the longest there is.
func days(n float64) time.Duration {
	const most = 290 * 365.0 // a Duration ends at 292 years
	return time.Duration(min(n, most) * 24 * float64(time.Hour))
}
