package barrier

import (
	"fmt"
	"math"

	"dryhold/internal/kinetics"
	"dryhold/internal/unit"
)

// Kind is how an oxygen absorber starts.
type Kind uint8

// Kinds of absorber. Their numbers are stored: never renumber.
const (
	// SelfActivated packets bring their own water: the kind for dry staples.
	SelfActivated Kind = 0
	// MoistureActivated packets take water from the food, and in a dry one
	// deliver a small part of their rating.
	MoistureActivated Kind = 1
)

// String is the word for the kind.
func (k Kind) String() string {
	switch k {
	case SelfActivated:
		return "self-activated"
	case MoistureActivated:
		return "moisture-activated"
	}
	return fmt.Sprintf("kind(%d)", uint8(k))
}

// Published figures of absorbers (models 5.5).
const (
	// AbsorberReference is the temperature at which a rate is stated.
	AbsorberReference unit.Celsius = 25
	// AbsorberEa follows from half-lives of 1.0 h at 25 °C and 7.1 h at
	// -1.5 °C (Tewari et al. 2002, Int. J. Food Sci. Technol. 37:209).
	AbsorberEa unit.KJPerMol = 49.8
	// SelfActivatedRate and MoistureActivatedRate are first-order constants
	// per hour, means over 10 to 40 °C (Int. J. Food Sci. Technol. 2013,
	// 10.1111/ijfs.12100). They hold for a packet that fits its gas space;
	// packets of one kind differ by up to a factor of two, and others are
	// faster (0.69 per hour in air, Tewari et al. 2002). Over weeks and years
	// the rate does not matter: the packet waits for what comes in.
	SelfActivatedRate     = 0.306
	MoistureActivatedRate = 0.153

	// A moisture-activated packet took up 3.82 cm3 at 43 % humidity and 43.40
	// cm3 at 75 % (same source).
	dryHumidity, dampHumidity = 0.43, 0.75
	dryCapacity, dampCapacity = 3.82, 43.40
)

// Absorber is the packets in one container. The zero Absorber is none.
type Absorber struct {
	Kind  Kind
	Rated float64       // cm3 of oxygen, all packets together
	Rate  float64       // first-order constant of the gas space per hour at 25 °C
	Ea    unit.KJPerMol // of the rate
}

// NewAbsorber is an absorber of a rated capacity in cm3 with the published
// rate of its kind.
func NewAbsorber(k Kind, rated float64) Absorber {
	a := Absorber{Kind: k, Rated: rated, Rate: SelfActivatedRate, Ea: AbsorberEa}
	if k == MoistureActivated {
		a.Rate = MoistureActivatedRate
	}
	return a
}

// Usable is the share of the rating that is delivered in food of water
// activity aw: 1 for the self-activated kind. For the other it runs in
// proportion through the two published points on a logarithmic scale, at most
// 1 (the scale between and below them is judgement).
func (a Absorber) Usable(aw float64) float64 {
	if a.Kind != MoistureActivated || aw >= dampHumidity {
		return 1
	}
	return math.Pow(dryCapacity/dampCapacity, (dampHumidity-max(aw, 0))/(dampHumidity-dryHumidity))
}

// perDay is the first-order constant per day at t.
func (a Absorber) perDay(t unit.Celsius) float64 {
	return 24 * a.Rate * kinetics.AccelerationFactor(a.Ea, t, AbsorberReference)
}

// Check reports, as an error, figures that make no absorber.
func (a Absorber) Check() error {
	if a.Kind > MoistureActivated {
		return fmt.Errorf("absorber is of no known kind (%d)", uint8(a.Kind))
	}
	if err := amount("rated capacity of the absorber in cm3", a.Rated); err != nil {
		return err
	}
	if err := amount("rate of the absorber per hour", a.Rate); err != nil {
		return err
	}
	if a.Rated > 0 && a.Rate == 0 {
		return fmt.Errorf("absorber of %g cm3 has a rate of 0: it would take up nothing", a.Rated)
	}
	if err := kinetics.CheckEa(a.Ea); err != nil {
		return fmt.Errorf("rate of the absorber: %w", err)
	}
	return nil
}
