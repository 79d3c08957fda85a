package course

import (
	"slices"
	"time"

	"dryhold/internal/barrier"
	"dryhold/internal/catalog"
	"dryhold/internal/lot"
	"dryhold/internal/unit"
)

// CutSteps makes the steps so many times shorter.
func (f *Follower) CutSteps(n int) { f.cut = time.Duration(n) }

// Flush takes the oxygen out of a container, as nitrogen does.
func (c *Course) Flush() {
	for t := range c.inside {
		c.inside[t].gas.Oxygen = 0
	}
}

// Drawn is a mode with every constant at its value in one draw.
func Drawn(food string, m catalog.Mode, i int) catalog.Mode {
	draw := shuffled(food + "\x00" + m.Name)
	next := func() float64 { return normal(draw())[i] }
	at := func(v float64) catalog.Band { return catalog.Band{Low: v, Likely: v, High: v} }
	m.Life = at(geometric(m.Life, next()))
	m.LowOxygenGain = at(max(1, geometric(m.LowOxygenGain, next())))
	m.LightRate = at(geometric(m.LightRate, next()))
	m.OxygenHalf = at(geometric(m.OxygenHalf, next()))
	m.PerTenth = at(max(1, linear(m.PerTenth, next())))
	m.Ea = at(max(0, linear(m.Ea, next())))
	return m
}

// DrawnLot is a lot and its container as one draw has them: seal, wall and
// closure for oxygen, and moisture at packing.
func (f *Follower) DrawnLot(l lot.Lot, i int) (lot.Lot, catalog.Container, error) {
	s, err := f.subject(l)
	if err != nil {
		return l, catalog.Container{}, err
	}
	p, k := s.luck.vessel(s.food.ID).place(i, s.failure()), s.container
	at := func(b catalog.Band) catalog.Band {
		x := geometric(b, p.wall)
		return catalog.Band{Low: x, Likely: x, High: x}
	}
	k.OxygenWall, k.OxygenClosure = at(k.OxygenWall), at(k.OxygenClosure)
	wet := func(t int) float64 { return float64(s.packed[t].WetBasis()) }
	l.Packing.MoistureWB = max(0.001, split(wet(tight), wet(likely), wet(loose), p.water))
	if p.failed {
		l.Seal = barrier.Failed
	}
	return l, k, nil
}

// LikelyOnly is a course whose lot was packed, and closed, as is likely.
func (c Course) LikelyOnly() Course {
	c = c.Copy()
	for _, t := range []int{tight, loose} {
		c.inside[t] = c.inside[likely]
		for i := range c.modes {
			p := &c.modes[i]
			for _, of := range []*[tracks]float64{&p.lean, &p.rich, &p.lowRich, &p.highRich, &p.halfLow, &p.halfHigh, &p.tenths} {
				of[t] = of[likely]
			}
		}
	}
	return c
}

// Balance is what came in and what is there: oxygen in cm3, the absorber's
// capacity in cm3 and water in grams, by track.
type Balance struct{ OxygenIn, OxygenGained, Absorbed, LeftLost, WaterIn, WaterGained [tracks]float64 }

// Audit follows a lot and sums up what moved in every step by stepping the
// gas and the water of each a second time, from what the course held before.
// The climate of the room must be known throughout.
func (f *Follower) Audit(l lot.Lot, to time.Time) (b Balance, err error) {
	c, err := f.Start(l)
	if err != nil {
		return b, err
	}
	s, err := f.subject(l)
	if err != nil {
		return b, err
	}
	start := c.inside
	for c.At.Before(to) {
		step, before, probe := s.next(c.At, to, f.cut), c.inside, c
		f.step(&c, s, step)
		c.At = step.to
		mean, hours := f.rooms.Mean(step.room, step.from, step.to), step.to.Sub(step.from).Hours()
		core, days := probe.warm(s, mean.Temp, unit.Hours(hours)), unit.Days(hours/24)
		for t := range tracks {
			_, flow := s.gas[t].Step(before[t].gas, barrier.Surroundings{Core: core, Activity: before[t].aw, Outside: airOxygen}, days)
			b.OxygenIn[t] += flow.In - flow.Absorbed - flow.Eaten
			b.Absorbed[t] += flow.Absorbed
			if s.food.Isotherm == nil {
				continue
			}
			_, gained := s.store(t, before[t].water, core, mean.Vapour).Step(before[t].water, core, mean.Vapour, days)
			b.WaterIn[t] += gained
		}
	}
	for t := range tracks {
		b.OxygenGained[t] = s.gas[t].Volume * (c.inside[t].gas.Oxygen - start[t].gas.Oxygen)
		b.LeftLost[t] = start[t].gas.Left - c.inside[t].gas.Left
		b.WaterGained[t] = 1000 * s.water[t].Dry * float64(c.inside[t].water-start[t].water)
	}
	return b, nil
}

// The parts of a Course, to be compared bit by bit.
type (
	Inside   = inside
	Progress = progress
)

// Copy shares nothing with the course.
func (c Course) Copy() Course {
	c.modes = slices.Clone(c.modes)
	return c
}
