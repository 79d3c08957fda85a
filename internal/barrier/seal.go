package barrier

import (
	"fmt"
	"math"
)

// Seal is what is known of a container's seal.
type Seal uint8

// What can be known of a seal. Their numbers are stored: never renumber.
const (
	// Assumed: closed with care, not verified. The honest default.
	Assumed Seal = 0
	// Verified: tested, or seen to hold, as a bottle that buckled in.
	Verified Seal = 1
	// Failed: seen to leak, or oxygen measured inside.
	Failed Seal = 2
)

// Seals lists every state in the order of its number.
func Seals() []Seal { return []Seal{Assumed, Verified, Failed} }

// String is the word for the state.
func (s Seal) String() string {
	switch s {
	case Assumed:
		return "assumed"
	case Verified:
		return "verified"
	case Failed:
		return "failed"
	}
	return fmt.Sprintf("seal(%d)", uint8(s))
}

// ParseSeal reads the word for a state.
func ParseSeal(word string) (Seal, error) {
	for _, s := range Seals() {
		if s.String() == word {
			return s, nil
		}
	}
	return 0, fmt.Errorf("unknown seal state %q: it is assumed, verified or failed", word)
}

// MarshalText writes the word for the state.
func (s Seal) MarshalText() ([]byte, error) {
	if s > Failed {
		return nil, fmt.Errorf("cannot write seal state %d: it is none", uint8(s))
	}
	return []byte(s.String()), nil
}

// UnmarshalText reads the word for a state.
func (s *Seal) UnmarshalText(b []byte) (err error) {
	*s, err = ParseSeal(string(b))
	return err
}

// Prior is a published count of sealed containers that did not hold.
type Prior struct {
	Name       string
	Share      float64 // that failed
	Failed, Of int     // counts, where published; 0 of 0 where only the share is
	Source     string
}

// Published shares of sealed cans whose seal did not hold (models 3.3, 5.1).
const (
	PriorLow    = 0.20 // oats
	PriorLikely = 0.25 // rice
	PriorHigh   = 0.70 // milk powder, 14 of 20
)

// Priors lists the published counts from the lowest share up.
func Priors() []Prior {
	return []Prior{
		{"rolled oats, over 2 % oxygen", PriorLow, 0, 0, "McEwan et al. 2003, abstract: 1/5 of the cans"},
		{"white rice at retail, seam out of specification", PriorLikely, 0, 0, "survey of ten brands of retail rice, abstract: 1/4 of the cans"},
		{"nonfat dry milk, over 2 % oxygen", PriorHigh, 14, 20, "Lloyd et al., abstract: 6 of 20 cans under 2 %"},
	}
}

// FailureShare is the share of containers in this state that do not hold, low,
// likely and high, for the band of a lot. For a seal that is only assumed it
// is the published prior; a verified one may have been misjudged or fail later
// (0, 2 and 10 %: judgement).
func (s Seal) FailureShare() (low, likely, high float64) {
	switch s {
	case Verified:
		return 0, 0.02, 0.10
	case Failed:
		return 1, 1, 1
	}
	return PriorLow, PriorLikely, PriorHigh
}

// Diffusivities in air at 25 °C, cm2/s (textbook figures, from memory).
const (
	oxygenInAir = 0.20
	vapourInAir = 0.25
)

// vapourDensity is grams of water per cm3 and kPa at 25 °C: an ideal gas of
// 461.52 J/(kg K). The 1000 Pa of a kPa and the 1000 of kg/m3 to g/cm3 cancel.
const vapourDensity = 1 / (461.52 * 298.15)

// Hole is the leak of a round hole of a diameter and length in mm, by
// diffusion alone: D A/(l + pi d/4), the last term for the ends. Wind, pumping
// by warmth and a pull inside come on top, so it is a lower bound. It shows
// that a hole which lets the air of a bottle in within weeks hardly passes
// water.
func Hole(diameter, length float64) Leak {
	d := diameter / 10
	geometry := math.Pi * d * d / 4 / (length/10 + math.Pi*d/4) // cm
	return Leak{
		Oxygen: OxygenConductance(oxygenInAir * 86_400 * geometry),
		Water:  WaterPermeance(vapourInAir * 86_400 * geometry * vapourDensity),
	}
}

// FailedLeak is the leak that a failed seal is taken to have: a hole of 0.5 mm
// through a millimetre of lid (judgement). A two-litre bottle then has lost
// its low oxygen within days.
func FailedLeak() Leak { return Hole(0.5, 1) }
