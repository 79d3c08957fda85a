package course

import (
	"fmt"
	"time"

	"dryhold/internal/climate"
	"dryhold/internal/kinetics"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// Keeping is how a lot is kept from an instant on, without change.
type Keeping struct {
	Temperature unit.Celsius
	Humidity    unit.RH
	// Light is the dose that reaches the food, lux hours a day, 0 or more.
	Light float64
	// Repacked says that every container is opened to the air and closed
	// again as the lot given now says: with its container, treatment and seal.
	Repacked bool
}

// Ending is how long a lot lasts under a Keeping.
type Ending struct {
	// Days from the instant of the course to the likely end, and to the early
	// edge of its band (10 %); 100 years where it is not within them.
	Days, EarlyDays float64
	At              time.Time // likely end; zero beyond 100 years
	By              string    // the mode that ends it, or the food's Limit of water activity
	// Modes is the days until each mode of the food likely reaches its limit by
	// the constants of the catalog, nutrients too, in the order of the catalog;
	// 100 years for one that does not reach it while the lot lasts.
	Modes []float64
}

// Beyond says that the likely end is not within 100 years.
func (e Ending) Beyond() bool { return e.At.IsZero() }

// WhatIf looks ahead from a course as Outlook does for plan storage, but with
// the lot kept, and from now on packed, in another way: l may differ from the
// lot that was followed in container, mass, treatment, seal and shading. What
// the past has cost stays. At plan storage, in air as humid as the outlook
// says, in the dark and not repacked the likely end is that of Outlook.
func (f *Follower) WhatIf(c Course, l lot.Lot, k Keeping) (Ending, error) {
	s, err := f.kept(&c, l, k)
	if err != nil {
		return Ending{}, err
	}
	x := f.ends(c, s.around(k.Temperature, climate.VapourPressure(k.Temperature, k.Humidity)), k.Light)
	e := Ending{Days: x.Days, EarlyDays: x.Band().Low, At: within(c.At, x.Days), By: x.By}
	for i := range s.food.Modes { // f.ends has left its knots
		m := &s.food.Modes[i]
		e.Modes = append(e.Modes, crossing(f.knots, func(x *knot) float64 {
			return x.likely[i] + lightShare(m, m.LightRate.Likely, k.Light*x.days) - 1
		}))
	}
	return e, nil
}

// kept is the lot as it is kept from a course on.
func (f *Follower) kept(c *Course, l lot.Lot, k Keeping) (*subject, error) {
	s, err := f.subject(l)
	if err != nil {
		return nil, err
	}
	if len(s.food.Modes) != len(c.modes) {
		return nil, fmt.Errorf("cannot look ahead for lot %s: its course is of a food with %d modes, not of %s", l.ID, len(c.modes), l.Packing.Food)
	}
	if k.Repacked {
		s.lot.OpenedAt = time.Time{}
	}
	s.open = s.lot.Open(c.At)
	if k.Repacked {
		for t := range c.inside {
			c.inside[t].gas = s.gas[t].Packed()
		}
	}
	return s, nil
}

// least is how much of the last 30 days must be known to say what a room is
// like (judgement).
const least = 7 * 24 * time.Hour

// Lately is what a room was like in the 30 days before an instant: the mean
// kinetic temperature of its air, at which food ages as it did then, the mean
// humidity, and the light. ok is false where the temperature of less than 7 of
// the days is known; an unknown humidity is the room's damp limit, and is told
// by damp.
func (f *Follower) Lately(in string, at time.Time) (k Keeping, damp, ok bool) {
	from := at.Add(-lately)
	e := f.rooms.Exposure(in, 0, room.AirEa, from, at)
	known := e.Measured + e.Estimated
	if known < least {
		return k, false, false
	}
	t, err := kinetics.EffectiveTemperature(room.AirEa, room.Reference, float64(e.Days)/(known.Hours()/24))
	if err != nil {
		return k, false, false
	}
	mean := f.rooms.Mean(in, from, at)
	k = Keeping{Temperature: t, Humidity: min(1, f.humidity(in, mean, mean.Temp)), Light: mean.Dose / (at.Sub(from).Hours() / 24)}
	return k, !mean.VapourKnown, true
}
