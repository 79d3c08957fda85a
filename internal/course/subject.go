package course

import (
	"fmt"
	"math"

	"dryhold/internal/barrier"
	"dryhold/internal/catalog"
	"dryhold/internal/germination"
	"dryhold/internal/lot"
	"dryhold/internal/pest"
	"dryhold/internal/thermal"
	"dryhold/internal/unit"
)

// The tracks on which the inside of a container is followed.
const (
	tight  = iota // wall and closure at their tight edge, food as dry as it may be
	likely        // as the seal is believed to be
	loose         // wall and closure at their loose edge, food as damp as it may be
	failed        // as likely, but the seal leaks
	tracks
)

const (
	// uptakeEa is the activation energy of a food's own oxygen uptake: the
	// middle of 40 to 105 kJ/mol for lipid oxidation (Labuza & Riboh 1982,
	// from memory).
	uptakeEa = unit.KJPerMol(65)
	// meterError of a measured moisture and isothermError, two equations for
	// one grain beside each other, are half widths in points of wet mass
	// (models 4.1: 0.2 to 0.5 points; the meter is judgement).
	meterError    = 0.005
	isothermError = 0.005
	// The insects whose generations are counted: in whole seed the weevil
	// that spends its life inside the grain, with published degree-days; in
	// all other food the moth that lives on most of it.
	inSeed, inFood = "granary-weevil", "meal-moth"
	// openWater is what an opened container lets through, whatever its lid:
	// as a paper sack of the catalog, behind which food follows the room in
	// days to weeks (judgement, the cautious side).
	openWater = barrier.WaterPermeance(35)
)

// subject is a lot with its classes and the physics made of them.
type subject struct {
	lot       lot.Lot
	food      catalog.Food
	container catalog.Container
	lag       thermal.Lag
	gas       [tracks]barrier.Gas
	water     [tracks]barrier.Water // Isotherm nil: the food takes up no water
	aired     [tracks]barrier.Water // the same once the container is open
	open      bool                  // the container is open, in the step under way or ahead
	packed    [tracks]unit.DryBasis // moisture at packing
	species   *germination.Constants
	insect    pest.Species // zero for crystals, on which none lives
	lnTenth   []float64    // of each mode: ln PerTenth
	exposed   []exposed    // scratch of step, one for each mode
	effects   []Effect     // of the last step, one for each mode
	luck      *luck        // the draws by which it is looked at
	alone     bool         // only the likely track is followed, and no pest or seed
}

func (f *Follower) subject(l lot.Lot) (*subject, error) {
	s := &subject{lot: l, luck: f.luckOf(l.ID)}
	if err := s.prepare(f.catalog); err != nil {
		return nil, fmt.Errorf("cannot follow lot %s: %w", l.ID, err)
	}
	return s, nil
}

func (s *subject) prepare(c *catalog.Catalog) (err error) {
	p := s.lot.Packing
	if s.food, err = c.Food(p.Food); err != nil {
		return err
	}
	if s.container, err = c.Container(p.Container); err != nil {
		return err
	}
	if s.lag, err = thermal.NewLag(p.Lag(s.container)); err != nil {
		return err
	}
	if s.food.Isotherm != nil {
		if s.insect, err = pest.LookupSpecies(inFood); err != nil {
			return err
		}
	}
	if s.food.Species != "" {
		k, err := germination.Lookup(s.food.Species)
		if err != nil {
			return err
		}
		s.species = &k
		if s.insect, err = pest.LookupSpecies(inSeed); err != nil {
			return err
		}
	}
	for _, m := range s.food.Modes {
		s.lnTenth = append(s.lnTenth, math.Log(max(1, m.PerTenth.Likely)))
	}
	s.exposed, s.effects = make([]exposed, len(s.food.Modes)), make([]Effect, len(s.food.Modes))
	if err := s.walls(); err != nil {
		return err
	}
	s.moistures()
	return nil
}

// walls makes the gas space and the wall of each track.
func (s *subject) walls() error {
	p, k := s.lot.Packing, s.container
	volume, err := barrier.GasSpace(k.Volume.Likely, lot.Headspace, s.food.Void.Likely)
	if err != nil {
		return err
	}
	kind := barrier.SelfActivated
	if p.Treatment.MoistureActivated {
		kind = barrier.MoistureActivated
	}
	pick := func(t int, b catalog.Band) float64 { return [tracks]float64{b.Low, b.Likely, b.High, b.Likely}[t] }
	dry := barrier.DryMatter(p.NetMassKG, unit.WetBasis(s.moisture()))
	for t := range tracks {
		wall := barrier.Wall{
			Oxygen: barrier.OxygenConductance(pick(t, k.OxygenWall)), OxygenEa: unit.KJPerMol(k.WallEa.Likely),
			Water: barrier.WaterPermeance(pick(t, k.WaterWall)),
			Closure: barrier.Leak{
				Oxygen: barrier.OxygenConductance(pick(t, k.OxygenClosure)), Water: barrier.WaterPermeance(pick(t, k.WaterClosure)),
			},
		}
		if t == failed || s.lot.Seal == barrier.Failed {
			wall = wall.WithSeal(barrier.Failed)
		}
		s.gas[t] = barrier.Gas{
			Volume: volume, Wall: wall, Absorber: barrier.NewAbsorber(kind, p.Treatment.CapacityCM3),
			Uptake: barrier.Uptake{Rate: s.food.Uptake.Likely, Ea: uptakeEa, Mass: p.NetMassKG},
		}
		s.water[t] = barrier.Water{Dry: dry, Isotherm: s.food.Isotherm, Wall: wall}
		wall.Closure.Water += openWater
		s.aired[t] = barrier.Water{Dry: dry, Isotherm: s.food.Isotherm, Wall: wall}
	}
	return nil
}

// closed says that the container keeps the air of the room out.
func (s *subject) closed() bool { return s.container.Sealed && !s.open }

// stores are the food behind the wall as it is.
func (s *subject) stores() *[tracks]barrier.Water {
	if s.open {
		return &s.aired
	}
	return &s.water
}

// moisture at packing, fraction of wet mass: measured, else usual for the
// food.
func (s *subject) moisture() float64 {
	if m := s.lot.Packing.MoistureWB; m > 0 {
		return m
	}
	return s.food.Moisture.Likely
}

// moistures sets how dry or damp the food may have been packed. The error of
// the isotherm is taken as moisture: what counts is the water activity.
func (s *subject) moistures() {
	m := s.moisture()
	below, above := meterError, meterError
	if s.lot.Packing.MoistureWB <= 0 {
		below, above = m-s.food.Moisture.Low, s.food.Moisture.High-m
	}
	low := max(m/2, m-math.Hypot(below, isothermError))
	high := min(0.5, m+math.Hypot(above, isothermError))
	for t, wb := range [tracks]float64{low, m, high, m} {
		s.packed[t] = unit.WetBasis(wb).DryBasis()
	}
}

// failure is the share of such containers whose seal does not hold, low,
// likely and high: the published prior of the class while nobody has looked.
func (s *subject) failure() lot.Range {
	switch {
	case !s.container.Sealed:
		return lot.Range{} // nothing to fail: it is open on every track
	case s.lot.Seal == barrier.Assumed:
		b := s.container.SealFailure
		return lot.Range{Low: b.Low, Likely: b.Likely, High: b.High}
	}
	low, mid, high := s.lot.Seal.FailureShare()
	return lot.Range{Low: low, Likely: mid, High: high}
}
