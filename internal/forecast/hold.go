package forecast

import (
	"math"

	"dryhold/internal/climate"
	"dryhold/internal/unit"
)

// Hold bounds the air of a room from an instant on: it is never warmer than
// Warmest and never damper than Dampest. nil leaves it as it comes.
type Hold struct {
	Warmest *unit.Celsius
	Dampest *unit.RH
}

// coldest is how many standard deviations below the likely future that lies in
// which a bound is taken to be never reached.
const coldest = 3

// within keeps the spread of a held room wide enough that no future down to the
// coldest ages food more than were the room free: a bound cuts the hot futures
// and leaves the cold ones, which a spread that is the same to both sides does
// not know.
func (g grid) within(free grid) {
	for p := range g {
		for s := range shares {
			for e := range energies {
				x, y := &g[p][s][e], &free[p][s][e]
				x.spread = max(x.spread, y.spread-(y.mid-x.mid)/coldest)
			}
		}
	}
}

// bound holds a day. Vapour is bounded by the humidity at the bounded
// temperature, and where that was lowered by saturation there, since a cooled
// room condenses what is above it.
func (h Hold) bound(o outcome) outcome {
	most, lowered := unit.RH(1), false
	if h.Warmest != nil {
		x := o
		x.temp, x.swing = capped(o.temp, o.swing, float64(*h.Warmest))
		lowered, o = x != o, x
	}
	if h.Dampest != nil {
		most = *h.Dampest
	}
	if lowered || h.Dampest != nil {
		t := unit.Celsius(min(90, max(-90, o.temp)))
		o.vapour = min(o.vapour, float64(climate.VapourPressure(t, most)))
	}
	return o
}

// capped gives the mean of a day that swings as a sine of an amplitude about a
// mean and is cut at a bound, and the amplitude of the sine that has its
// variance. With s = (bound-mean)/amplitude and a = asin(s), over the angle of
// a turn min(sin, s) has the mean (s (pi-2a) - 2 cos a)/2pi and the mean square
// (pi/2 + a - sin(2a)/2 + s² (pi-2a))/2pi.
func capped(mean, swing, bound float64) (m, s float64) {
	switch {
	case mean+swing <= bound:
		return mean, swing
	case mean-swing >= bound:
		return bound, 0
	}
	s = (bound - mean) / swing
	a := math.Asin(s)
	over := math.Pi - 2*a
	first := (float64(s*over) - 2*math.Cos(a)) / (2 * math.Pi)
	second := (math.Pi/2 + a - math.Sin(2*a)/2 + float64(s*s*over)) / (2 * math.Pi)
	return mean + float64(swing*first), swing * math.Sqrt(2*max(0, second-float64(first*first)))
}
