package review

import (
	"fmt"
	"time"

	"dryhold/internal/barrier"
	"dryhold/internal/catalog"
	"dryhold/internal/course"
	"dryhold/internal/lot"
	"dryhold/internal/unit"
)

// Scenario is another way to keep lots. What is at its zero value stays as it
// is.
type Scenario struct {
	// Past asks what would be if it had been so since packing: the lot packed
	// so, and up to now in such a room; from now on the room is that where the
	// lot is, as that was. Else it is done at the instant of the course, and
	// holds from then on.
	Past bool
	Room string // to which lots go
	// Warmest and Dampest bound the room, Dampest as a fraction.
	Warmest *unit.Celsius
	Dampest *unit.RH
	Boxed   bool // out of the light
	// Container is the class to repack into, filled as the old one was.
	// Without AbsorberCM3 what was packed with an absorber has none after a
	// repack now, and its own in the past.
	Container string
	// AbsorberCM3 is the capacity of a fresh absorber in each container.
	AbsorberCM3 float64
}

// Why a scenario does not go with a lot. They are shown to programs: never
// rename.
const (
	NotFinished  = "finished"         // the lot is finished
	NotForFood   = "no-absorber-food" // an absorber does not go with the food
	NotDry       = "too-moist"        // low oxygen in moist food may bring botulism
	NotSealed    = "not-sealed"       // the container holds no low oxygen
	NotKnownRoom = "room-not-known"   // too little is known of the other room
)

// Gain is what a scenario does for one lot.
type Gain struct {
	Lot string `json:"lot"`
	Not string `json:"not,omitempty"` // why it does not go with the lot
	// Days of life gained, lost where below 0: the likely end against the
	// likely end, and 10 to 90 % of the differences draw by draw, under the
	// same luck.
	Days lot.Range `json:"days"`
	// Beyond says that an end is not within 100 years, where it is cut.
	Beyond    bool        `json:"beyond"`
	Now, Then course.Ends `json:"-"`
}

// Prospects gives the climate ahead of a room, from the day of an instant on,
// held at most at bounds where they are not nil. known is false where too little
// is known of the room to send a lot there.
type Prospects func(room string, at time.Time, warmest *unit.Celsius, dampest *unit.RH) (ahead course.Ahead, known bool)

// Trial tries one scenario on lots. It holds what they share and is not safe
// for concurrent use.
type Trial struct {
	r        *Reviewer
	s        Scenario
	follower *course.Follower // in the rooms of the scenario
	ahead    Prospects
}

// Try prepares a scenario at an instant. rooms are those of the reviewer, ahead
// what comes in them, and first is when the first of the lots was packed.
func (r *Reviewer) Try(s Scenario, rooms Rooms, ahead Prospects, first, now time.Time) *Trial {
	bounded := hold(rooms, s.Warmest, s.Dampest, first, now)
	return &Trial{r, s, r.follower.In(bounded), ahead}
}

// Lot tries the scenario on a lot, given its course, under the forecast of its
// room. Nothing of the past is tried unless the scenario is of it.
func (t *Trial) Lot(c course.Course, l lot.Lot) (Gain, error) {
	g := Gain{Lot: l.ID}
	other, container, not, err := t.other(c, l)
	if g.Not = not; err != nil || not != "" {
		return g, err
	}
	now, _ := t.ahead(l.Room(), c.At, nil, nil)
	if g.Now, err = t.r.follower.Forecast(c, l, now, false); err != nil {
		return g, err
	}
	then, repacked := now, false
	if t.s.Past {
		if c, err = t.again(c, other); err != nil {
			return g, err
		}
	} else {
		known := false
		if then, known = t.ahead(other.Room(), c.At, t.s.Warmest, t.s.Dampest); t.s.Room != "" && !known {
			return Gain{Lot: l.ID, Not: NotKnownRoom}, nil
		}
		repacked = container || t.s.AbsorberCM3 > 0
	}
	if g.Then, err = t.follower.Forecast(c, other, then, repacked); err != nil {
		return g, err
	}
	g.compare()
	return g, nil
}

func (g *Gain) compare() {
	diff := make([]float64, len(g.Now.Draws))
	for i := range diff {
		diff[i] = g.Then.Draws[i] - g.Now.Draws[i]
	}
	g.Days = course.Between(diff, g.Then.Days-g.Now.Days)
	g.Beyond = g.Now.By == "" || g.Then.By == ""
}

// again follows the lot from packing in the rooms of the scenario.
func (t *Trial) again(c course.Course, other lot.Lot) (course.Course, error) {
	start, err := t.follower.Start(other)
	if err != nil {
		return c, err
	}
	return t.follower.Advance(start, other, c.At)
}

// other is the lot of the scenario; container says that it is in another one.
func (t *Trial) other(c course.Course, l lot.Lot) (other lot.Lot, container bool, not string, err error) {
	other = l
	if l.Finished() {
		return other, false, NotFinished, nil
	}
	if t.s.Room != "" {
		p := &other.Packing
		other.Stays = append(l.Stays[:len(l.Stays):len(l.Stays)], lot.Stay{Room: t.s.Room, From: c.At})
		if t.s.Past {
			p.Room, other.Stays = t.s.Room, []lot.Stay{{Room: t.s.Room, From: p.PackedAt}}
		}
	}
	if t.s.Boxed {
		other.Packing.Shading = lot.Boxed
	}
	k, err := t.r.catalog.Container(l.Packing.Container)
	if err != nil {
		return other, false, "", fmt.Errorf("cannot try another way for lot %s: %w", l.ID, err)
	}
	if container = t.s.Container != "" && t.s.Container != k.ID; container {
		to, err := t.r.catalog.Container(t.s.Container)
		if err != nil {
			return other, false, "", fmt.Errorf("cannot repack lot %s: %w", l.ID, err)
		}
		p := &other.Packing
		p.Container, p.PerCarton, other.Seal = to.ID, 0, barrier.Assumed
		p.NetMassKG *= to.Volume.Likely / k.Volume.Likely
		if !t.s.Past {
			p.Treatment = lot.Treatment{Kind: lot.NoTreatment}
		}
		k = to
	}
	if t.s.AbsorberCM3 > 0 {
		not, err = t.absorber(c, l, k)
		other.Packing.Treatment = lot.Treatment{Kind: lot.Absorber, CapacityCM3: t.s.AbsorberCM3}
	}
	return other, container, not, err
}

// absorber says why none may go into a lot; empty where one may.
func (t *Trial) absorber(c course.Course, l lot.Lot, k catalog.Container) (not string, err error) {
	food, err := t.r.catalog.Food(l.Packing.Food)
	switch {
	case err != nil:
		return "", fmt.Errorf("cannot try an absorber in lot %s: %w", l.ID, err)
	case food.NoAbsorber != "":
		return NotForFood, nil
	case !k.Sealed:
		return NotSealed, nil
	}
	s, err := t.r.follower.State(c, l)
	if err != nil {
		return "", err
	}
	p := l.Packing
	p.Treatment.Kind = lot.Absorber
	if p.MoistureWB > 0 {
		p.MoistureWB = max(p.MoistureWB, s.Moisture.Likely)
	}
	if p.Caution() != "" || s.Activity.Likely >= food.Amber.Likely {
		return NotDry, nil
	}
	return "", nil
}

// Total is the days gained by all lots together that the scenario goes with,
// summed draw by draw.
func Total(gains []Gain) lot.Range {
	likely, sums := 0.0, make([]float64, course.Draws)
	for _, g := range gains {
		if g.Not != "" {
			continue
		}
		likely += g.Days.Likely
		for i := range sums {
			sums[i] += g.Then.Draws[i] - g.Now.Draws[i]
		}
	}
	return course.Between(sums, likely)
}
