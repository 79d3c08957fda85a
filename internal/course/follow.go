package course

import (
	"fmt"
	"slices"
	"time"

	"dryhold/internal/barrier"
	"dryhold/internal/catalog"
	"dryhold/internal/climate"
	"dryhold/internal/germination"
	"dryhold/internal/lot"
	"dryhold/internal/pest"
	"dryhold/internal/room"
	"dryhold/internal/sorption"
	"dryhold/internal/unit"
)

// hourly is how long after packing a lot is followed by the hour: the absorber
// works within days and the treatments within weeks. After that the inside
// changes over months, and a step is a day; but in a container that is not
// sealed, or was opened, which follows the room within days, it is open.
const (
	hourly = 60 * 24 * time.Hour
	open   = 6 * time.Hour
)

const airOxygen = barrier.AirOxygen

// Rooms is what the rooms were like.
type Rooms interface {
	lot.Rooms
	// Mean climate of a stretch of a room.
	Mean(room string, from, to time.Time) room.Climate
	// Damp is the humidity to assume for a stretch whose humidity is not
	// known: the room's damp limit, since unknown is never taken as good.
	Damp(room string) unit.RH
}

// Follower follows lots. It holds what all of them share and is not safe for
// concurrent use.
type Follower struct {
	catalog *catalog.Catalog
	rooms   Rooms
	luck    *luck
	cut     time.Duration    // steps are that many times shorter: 1, but for the tests of their length
	knots   []knot           // scratch of the outlook
	beliefs map[string]*luck // after tests, by lot
}

// New makes a follower of lots in the classes of a catalog.
func New(c *catalog.Catalog, rooms Rooms) *Follower {
	return &Follower{catalog: c, rooms: rooms, luck: newLuck(), cut: 1, beliefs: map[string]*luck{}}
}

// In is the same follower in other rooms: lots are looked at by the same draws,
// and by what tests have made of them.
func (f *Follower) In(rooms Rooms) *Follower {
	x := *f
	x.rooms, x.knots = rooms, nil
	return &x
}

// Course is a lot at an instant: a value that Advance carries on.
type Course struct {
	At time.Time

	core    unit.Celsius
	started bool
	inside  [tracks]inside
	modes   []progress
	cover   room.Exposure // how much of the time was measured, estimated, unknown
	dose    float64       // light that reached the food, lux hours
	hold    pest.OxygenHold
	freeze  pest.FreezeHold
	pests   pest.Generations
	sprout  [loose + 1]germination.Loss
}

// inside is the food and the gas of one container.
type inside struct {
	water unit.DryBasis
	aw    float64
	gas   barrier.GasState
}

// Start is the lot as it was packed.
func (f *Follower) Start(l lot.Lot) (Course, error) {
	s, err := f.subject(l)
	if err != nil {
		return Course{}, err
	}
	c := Course{At: l.Packing.PackedAt, core: room.Reference, modes: make([]progress, len(s.food.Modes))}
	for t := range tracks {
		c.inside[t] = inside{water: s.packed[t], gas: s.gas[t].Packed()}
		c.inside[t].aw = s.activity(c.inside[t].water, c.core, climate.VapourPressure(c.core, f.rooms.Damp(l.Packing.Room)))
	}
	if l.Packing.Treatment.Kind == lot.FreezeThaw {
		if c.freeze, err = pest.NewFreezeHold(max(1, l.Packing.Treatment.Cycles)); err != nil {
			return c, fmt.Errorf("cannot follow lot %s: %w", l.ID, err)
		}
	}
	return c, nil
}

// Advance carries the course of a lot on to an instant, or to its end if it is
// finished; an instant that is not later changes nothing. The course given is
// left as it was.
func (f *Follower) Advance(c Course, l lot.Lot, to time.Time) (Course, error) {
	if l.Finished() && l.FinishedAt.Before(to) {
		to = l.FinishedAt
	}
	if !c.At.Before(to) {
		return c, nil
	}
	s, err := f.subject(l)
	if err != nil {
		return c, err
	}
	c.modes = slices.Clone(c.modes)
	for c.At.Before(to) {
		step := s.next(c.At, to, f.cut)
		f.step(&c, s, step)
		c.At = step.to
	}
	return c, nil
}

// stretch is a piece of time in one room.
type stretch struct {
	room     string
	from, to time.Time
}

// next is the step from an instant: up to the next whole UTC hour or day,
// whatever instants Advance is called with, cut only by a move, by the opening
// or by the end.
func (s *subject) next(at, to time.Time, cut time.Duration) stretch {
	size := 24 * time.Hour
	switch {
	case at.Before(s.lot.Packing.PackedAt.Add(hourly)):
		size = time.Hour
	case !s.container.Sealed || s.lot.Open(at):
		size = open
	}
	size /= cut
	end := at.Truncate(size).Add(size)
	if opened := s.lot.OpenedAt; opened.After(at) && opened.Before(end) {
		end = opened
	}
	in := s.lot.Stays[0].Room
	for _, stay := range s.lot.Stays[1:] {
		if !at.Before(stay.From) {
			in = stay.Room
		} else if stay.From.Before(end) {
			end = stay.From
		}
	}
	if end.After(to) {
		end = to
	}
	return stretch{in, at, end}
}

// step follows everything over one stretch.
func (f *Follower) step(c *Course, s *subject, at stretch) {
	s.open = s.lot.Open(at.from)
	mean := f.rooms.Mean(at.room, at.from, at.to)
	plan := f.rooms.Plan(at.room)
	known := mean.TempKnown
	if !known {
		mean.Temp = plan
	}
	if !mean.VapourKnown {
		mean.Vapour = climate.VapourPressure(mean.Temp, f.rooms.Damp(at.room))
	}
	hours := unit.Hours(at.to.Sub(at.from).Hours())
	core := c.warm(s, mean.Temp, hours)
	c.cover = c.cover.Add(f.exposures(s, at.room, plan, at))
	if s.lit() {
		c.dose += mean.Dose
	}
	c.carry(s, core, mean.Vapour, unit.Days(hours/24))
	if !s.alone {
		c.treat(s, known, hours)
		c.sprouting(s, hours)
	}
}

// warm takes the core through a step at one air temperature and gives its mean.
func (c *Course) warm(s *subject, air unit.Celsius, hours unit.Hours) (mean unit.Celsius) {
	if !c.started { // food is taken to start at the temperature of the room
		c.core, c.started = air, true
	}
	mean = s.lag.Mean(c.core, air, air, hours)
	c.core = s.lag.Core(c.core, air, air, hours, hours)
	return mean
}

// lit says that light reaches the food.
func (s *subject) lit() bool { return s.container.Clear && s.lot.Packing.Shading == lot.OpenShelf }

// carry follows water, oxygen and modes over a step with the given mean core;
// the modes run at it, at the moisture halfway and at the mean oxygen.
func (c *Course) carry(s *subject, core unit.Celsius, vapour unit.Pascal, days unit.Days) {
	var aw, oxygen [tracks]float64
	first, end := s.followed()
	for t := first; t < end; t++ {
		in := &c.inside[t]
		water := in.water
		oxygen[t] = s.fill(in, t, core, vapour, days)
		in.aw = s.activity(in.water, c.core, vapour)
		aw[t] = s.activity((water+in.water)/2, core, vapour)
	}
	for i := range c.modes {
		s.effects[i] = c.modes[i].add(&s.food.Modes[i], s.lnTenth[i], s.exposed[i], aw, oxygen, first, end)
	}
}

// followed are the tracks a step goes along, from the first to before the end.
func (s *subject) followed() (first, end int) {
	if s.alone {
		return likely, likely + 1
	}
	return 0, tracks
}

// fill takes the gas and the water of one inside through a step and gives the
// mean oxygen.
func (s *subject) fill(in *inside, t int, core unit.Celsius, vapour unit.Pascal, days unit.Days) (oxygen float64) {
	oxygen = airOxygen
	if s.closed() {
		around := barrier.Surroundings{Core: core, Activity: in.aw, Outside: airOxygen}
		var flow barrier.GasFlow
		in.gas, flow = s.gas[t].Step(in.gas, around, days)
		oxygen = flow.Mean
	} else {
		in.gas = barrier.GasState{Oxygen: airOxygen} // a packet in a sack is spent on the room
	}
	if s.food.Isotherm != nil {
		in.water, _ = s.store(t, in.water, core, vapour).Step(in.water, core, vapour, days)
	}
	return oxygen
}

// store is the food behind the wall that takes a track further to its side:
// for damp food the loose wall while the room is damper than the food and the
// tight one while it is drier, for dry food the other way round.
func (s *subject) store(t int, water unit.DryBasis, core unit.Celsius, vapour unit.Pascal) barrier.Water {
	if t != tight && t != loose {
		return s.stores()[t]
	}
	damper := float64(climate.RelativeHumidity(core, vapour)) > s.activity(water, core, vapour)
	if damper == (t == loose) {
		return s.stores()[loose]
	}
	return s.stores()[tight]
}

// sprouting follows seed, through unknown time at plan storage. Wetter than its
// equation reaches, it loses as at its wet end and more.
func (c *Course) sprouting(s *subject, hours unit.Hours) {
	if s.species == nil {
		return
	}
	for t := range c.sprout {
		wet := min(germination.MaxMoisture, float64(c.inside[t].water.WetBasis()))
		c.sprout[t], _ = s.species.Step(c.sprout[t], wet, c.core, hours) // refuses nonsense only
	}
}

// treat follows insects.
func (c *Course) treat(s *subject, known bool, hours unit.Hours) {
	frozen := s.lot.Packing.Treatment.Kind == lot.FreezeThaw
	if !known {
		// Miss refuses only stretches beyond a day, which no step is.
		c.hold, _ = c.hold.Miss(hours)
		c.pests, _ = c.pests.Miss(hours)
		if frozen {
			c.freeze, _ = c.freeze.Miss(hours)
		}
		return
	}
	// These steps refuse nonsense and then leave the value as it was; what the
	// room measured is plausible.
	c.hold, _ = c.hold.Step(c.core, min(1, c.inside[likely].gas.Oxygen), hours)
	if frozen {
		c.freeze, _ = c.freeze.Step(c.core, hours)
	}
	if c.hold.Done || frozen && c.freeze.Done() {
		c.pests = c.pests.End()
	}
	if s.insect.ID != "" {
		c.pests, _ = s.insect.Step(c.pests, c.core, hours)
	}
}

// crystalsDry is the humidity in a sealed container of sugar or salt: they
// were packed dry and give nothing off (judgement).
const crystalsDry = 0.4

// activity is the water activity of the food. What takes up no water has the
// humidity of the room behind a container that is not sealed.
func (s *subject) activity(m unit.DryBasis, core unit.Celsius, vapour unit.Pascal) float64 {
	switch {
	case s.food.Isotherm != nil:
		return sorption.ActivityClamped(s.food.Isotherm, m, core)
	case s.closed():
		return crystalsDry
	}
	return min(1, float64(climate.RelativeHumidity(core, vapour)))
}
