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

// Trial tries one scenario on lots. It holds what they share and is not safe
// for concurrent use.
type Trial struct {
	r        *Reviewer
	s        Scenario
	rooms    course.Rooms     // of the scenario
	follower *course.Follower // in them
	now      time.Time
	keepings map[keepingKey]keeping
}

type keepingKey struct {
	room     string
	scenario bool
}

type keeping struct {
	course.Keeping
	known bool
}

// year is how much of the past says what a room is like from now on: all
// seasons alike.
const year = 365 * 24 * time.Hour

// Try prepares a scenario at an instant. rooms are those of the reviewer, and
// first is when the first of the lots was packed.
func (r *Reviewer) Try(s Scenario, rooms Rooms, first, now time.Time) *Trial {
	if back := now.Add(-year); back.Before(first) {
		first = back
	}
	bounded := hold(rooms, s.Warmest, s.Dampest, first, now)
	return &Trial{r, s, bounded, course.New(r.catalog, bounded), now, map[keepingKey]keeping{}}
}

// Lot tries the scenario on a lot, given its course. From now on a room is
// taken to be as it was in the last year, or as plan storage where that is not
// known.
func (t *Trial) Lot(c course.Course, l lot.Lot) (Gain, error) {
	g := Gain{Lot: l.ID}
	other, container, not, err := t.other(c, l)
	if g.Not = not; err != nil || not != "" {
		return g, err
	}
	now, err := t.lit(t.keeping(l.Room(), false), l)
	if err != nil {
		return g, err
	}
	if g.Now, err = t.r.follower.Ends(c, l, now); err != nil {
		return g, err
	}
	k := t.keeping(l.Room(), false)
	if !t.s.Past {
		if k = t.keeping(other.Room(), true); t.s.Room != "" && !k.known {
			return Gain{Lot: l.ID, Not: NotKnownRoom}, nil
		}
	} else if c, err = t.again(c, other); err != nil {
		return g, err
	}
	then, err := t.lit(k, other)
	if err != nil {
		return g, err
	}
	then.Repacked = !t.s.Past && (container || t.s.AbsorberCM3 > 0)
	if g.Then, err = t.follower.Ends(c, other, then); err != nil {
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

// keeping is how a room keeps what stands in it from now on.
func (t *Trial) keeping(in string, scenario bool) keeping {
	key := keepingKey{in, scenario}
	k, ok := t.keepings[key]
	if !ok {
		f, rooms := t.r.follower, t.r.rooms
		if scenario {
			f, rooms = t.follower, t.rooms
		}
		k.Keeping, _, k.known = f.Over(in, t.now.Add(-year), t.now)
		if !k.known {
			k.Keeping = course.Keeping{Temperature: rooms.Plan(in), Humidity: rooms.Damp(in)}
		}
		t.keepings[key] = k
	}
	return k
}

// lit leaves the light of a room to a lot that it reaches.
func (t *Trial) lit(k keeping, l lot.Lot) (course.Keeping, error) {
	c, err := t.r.catalog.Container(l.Packing.Container)
	if err != nil {
		return k.Keeping, fmt.Errorf("cannot look ahead for lot %s: %w", l.ID, err)
	}
	if !c.Clear || l.Packing.Shading != lot.OpenShelf {
		k.Light = 0
	}
	return k.Keeping, nil
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
