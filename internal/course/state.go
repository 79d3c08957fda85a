package course

import (
	"math"
	"time"

	"dryhold/internal/barrier"
	"dryhold/internal/catalog"
	"dryhold/internal/lot"
	"dryhold/internal/pest"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// State is what is left of a lot at an instant, and what it is like inside.
// Ranges are 10 to 90 %.
type State struct {
	At       time.Time
	Modes    []ModeState
	Limiting int // index of the mode with the largest consumed share; nutrients never limit
	// Remaining quality, 1 at packing and 0 at the limit of the limiting mode;
	// below 0 past it.
	Remaining lot.Range
	Cover     room.Exposure // Measured, Estimated and Unknown time since packing

	Core     unit.Celsius
	Moisture lot.Range // fraction of wet mass
	Activity lot.Range // water activity
	Oxygen   lot.Range // fraction of the gas inside
	Enclosed float64   // oxygen enclosed at packing, cm3 in each container
	Absorber float64   // capacity left, cm3 in each container
	Failure  lot.Range // share of such containers whose seal does not hold

	Dose   float64 // light that reached the food, lux hours
	Hold   pest.OxygenHold
	Freeze pest.FreezeHold
	Pests  pest.Generations
	Insect string     // the insect counted; empty for food none lives on
	Viable *lot.Range // share of seeds that still sprout; nil for food that does not
	Prior  *Prior     // nil where no test has spoken
}

// ModeState is how far one mode has come.
type ModeState struct {
	Mode     catalog.Mode
	Exposure lot.Range // days at the reference temperature since packing
	Consumed lot.Range // share of the mode's life
	// Retention of what a first-order mode measures, 1 at packing; nil for a
	// zero-order mode.
	Retention *lot.Range
	// Water is the factor by which water activity has quickened the mode
	// against the one for which its life is stated.
	Water float64
	// Allowed is the share of its oxygen-driven rate in air that the oxygen
	// inside has allowed, and Oxygen the factor that leaves of its rate in air.
	Allowed, Oxygen float64
	Light           float64 // share of the life that light has cost
}

// State works out the state of a lot from its course.
func (f *Follower) State(c Course, l lot.Lot) (State, error) {
	s, err := f.subject(l)
	if err != nil {
		return State{}, err
	}
	return f.state(&c, s)
}

func (f *Follower) state(c *Course, s *subject) (State, error) {
	out := State{
		At: c.At, Cover: c.cover, Core: c.core, Failure: s.failure(), Dose: c.dose,
		Enclosed: barrier.EnclosedOxygen(s.gas[likely].Volume), Absorber: c.inside[likely].gas.Left,
		Hold: c.hold, Freeze: c.freeze, Pests: c.pests, Insect: s.insect.Name,
	}
	v := s.luck.vessel(s.food.ID)
	worst := make([]float64, Draws)
	values := make([]float64, Draws)
	found := false
	for i := range s.food.Modes {
		m := &s.food.Modes[i]
		t, k := s.luck.of(s.food.ID, m), c.modes[i].curve()
		for d := range Draws {
			values[d] = k.consumed(m, t, d, v.place(d, out.Failure), c.dose)
			if !m.Nutrient {
				worst[d] = max(worst[d], values[d])
			}
		}
		ms := c.mode(i, m)
		ms.Consumed = band(values, s.middle(values, c.modes[i].consumed(m, c.dose)))
		ms.retain()
		out.Modes = append(out.Modes, ms)
		if !m.Nutrient && (!found || ms.Consumed.Likely > out.Modes[out.Limiting].Consumed.Likely) {
			out.Limiting, found = i, true
		}
	}
	used := band(worst, s.middle(worst, out.Modes[out.Limiting].Consumed.Likely))
	out.Remaining = lot.Range{Low: 1 - used.High, Likely: 1 - used.Likely, High: 1 - used.Low}
	c.insides(&out, v, values)
	if err := c.viable(&out, s); err != nil || !s.informed() {
		return out, err
	}
	before, err := f.state(c, s.uninformed())
	out.Prior = &Prior{before.Remaining, before.Viable}
	return out, err
}

func (c *Course) mode(i int, m *catalog.Mode) ModeState {
	p := &c.modes[i]
	ms := ModeState{Mode: *m, Exposure: p.exposure, Water: 1, Allowed: 1, Oxygen: 1, Light: lightShare(m, m.LightRate.Likely, c.dose)}
	if p.exposure.Likely > 0 {
		ms.Water = p.lean[likely] / p.exposure.Likely
		ms.Allowed = p.rich[likely] / p.lean[likely]
		g := m.LowOxygenGain.Likely
		ms.Oxygen = 1/g + float64((1-1/g)*ms.Allowed)
	}
	return ms
}

// retain sets what is left of a first-order attribute.
func (ms *ModeState) retain() {
	if ms.Mode.Order != catalog.FirstOrder {
		return
	}
	left := func(consumed float64) float64 { return math.Pow(ms.Mode.Limit, consumed) }
	ms.Retention = &lot.Range{Low: left(ms.Consumed.High), Likely: left(ms.Consumed.Likely), High: left(ms.Consumed.Low)}
}

// insides sets water and oxygen with their bands.
func (c *Course) insides(out *State, v *vessels, values []float64) {
	spread := func(of func(*inside) float64, at func(p place, low, mid, high, failed float64) float64) lot.Range {
		low, mid, high, bad := of(&c.inside[tight]), of(&c.inside[likely]), of(&c.inside[loose]), of(&c.inside[failed])
		for d := range values {
			values[d] = min(1, max(0, at(v.place(d, out.Failure), low, mid, high, bad)))
		}
		return band(values, mid)
	}
	water := func(p place, low, mid, high, bad float64) float64 {
		x := split(low, mid, high, p.water)
		if p.failed { // packed as dry or damp as where the seal holds
			x += bad - mid
		}
		return x
	}
	oxygen := func(p place, low, mid, high, bad float64) float64 {
		if p.failed {
			return bad
		}
		return split(low, mid, high, p.wall)
	}
	out.Activity = spread(func(in *inside) float64 { return in.aw }, water)
	out.Moisture = spread(func(in *inside) float64 { return float64(in.water.WetBasis()) }, water)
	out.Oxygen = spread(func(in *inside) float64 { return in.gas.Oxygen }, oxygen)
}

// The share of good seed that sprouts at packing (judgement).
const fewSprout, mostSprout, allSprout = 0.90, 0.95, 0.98

func (c *Course) viable(out *State, s *subject) error {
	if s.species == nil {
		return nil
	}
	r, err := c.seeds()
	if err != nil {
		return err
	}
	if s.informed() {
		v := s.luck.vessel(s.food.ID)
		values := make([]float64, Draws)
		for d := range values {
			values[d] = germinates(r, v.water[d])
		}
		r = band(values, s.middle(values, r.Likely))
	}
	out.Viable = &r
	return nil
}

// seeds is the share of seeds that still sprout, the low edge of the
// dampest.
func (c *Course) seeds() (r lot.Range, err error) {
	for _, x := range []struct {
		to      *float64
		track   int
		initial float64
	}{{&r.Low, loose, fewSprout}, {&r.Likely, likely, mostSprout}, {&r.High, tight, allSprout}} {
		if *x.to, err = c.sprout[x.track].Viable(x.initial); err != nil {
			return r, err
		}
	}
	return r, nil
}
