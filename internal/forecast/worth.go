package forecast

import (
	"math"
	"time"

	"dryhold/internal/unit"
)

// Gain is what one more sensor would be worth for a lot.
type Gain struct {
	What string
	// Now and Then are the spread of ln of the exposure over the lot's life
	// ahead (one standard deviation), without and with it.
	Now, Then float64
	// Narrower is the share by which the band of the projected end shrinks, 0
	// to 1: 1 - sqrt((c²+Then²)/(c²+Now²)), where c is the spread of ln life
	// that the food's constants leave. Both add as squares since neither
	// knows of the other.
	Narrower float64
}

// What a Gain may be.
const (
	SensorHere    = "a sensor in the room for a year"
	SensorOutdoor = "a sensor outdoors for a year"
)

// Worth tells for a lot in this room how far its band would narrow with a year
// of readings from the room, and with a year from outdoors. ea and lag are
// those of the mode that ends it, life its days ahead, constants the spread
// (one standard deviation) of ln of its life from all but the climate: of a
// 10 to 90 % band of life, ln(high/low)/2.563.
//
// What a sensor will read is unknown, but how far it will narrow what is open
// does not depend on it: in a linear model with known noise the posterior
// spread follows from the days of the readings alone (the preposterior
// analysis of Raiffa & Schlaifer 1961). So the band is that of today, had the
// sensor hung there for the year before.
func (m *Model) Worth(at time.Time, ea unit.KJPerMol, lag unit.Hours, life unit.Days, constants float64) []Gain {
	spread := func(m *Model) float64 {
		x := m.Ahead(at).Exposure(ea, lag)
		return x.LnSpread(float64(life))
	}
	now := spread(m)
	gain := func(what string, then float64) Gain {
		then = min(then, now)
		g := Gain{What: what, Now: now, Then: then}
		if total := math.Hypot(constants, now); total > 0 {
			g.Narrower = 1 - math.Hypot(constants, then)/total
		}
		return g
	}
	return []Gain{
		gain(SensorHere, spread(m.measured(at, 365))),
		gain(SensorOutdoor, spread(m.outdoors(at))),
	}
}

// measured is the model as if the room had been measured on so many days more,
// before its history.
func (m *Model) measured(at time.Time, days int) *Model {
	c, n := m.count(at), *m
	known := make([]float64, days, days+len(m.temp.rest))
	known = append(known, m.temp.rest...)
	long := newCount(c.first-days, c.end)
	n.temp = m.temp.narrowed(long, known, m.temp.prior)
	wet := make([]float64, days, days+len(m.temp.rest))
	n.damp = m.damp.narrowed(long, append(wet, m.damp.rest...), m.damp.prior)
	n.swing = m.swing.narrowed(long, known, m.swing.prior)
	return &n
}

// outdoors is the model as if the seasons of the air outdoors were known from a
// year of a sensor there.
func (m *Model) outdoors(at time.Time) *Model {
	n := *m
	f := m.follows
	if !f.Known {
		f = Following{Gain: 0.5, Error: 0.3}
		if m.temp.weight >= 30 { // with both, the relation is learned in a month
			f.Error = 0.1
		}
	}
	// The wave outdoors: by this room's, or that of a temperate place where
	// the room is unknown (8 K, judgement).
	size := 8.0
	if m.known {
		size = math.Hypot(m.temp.mean[cos1], m.temp.mean[sin1]) / max(0.2, f.Gain)
	}
	p := m.temp.prior
	for j := cos1; j < slow; j++ {
		wave := size
		if j >= cos2 {
			wave = size / 8
		}
		p.sd[j] = min(p.sd[j], math.Hypot(f.Error*wave, 0.25*f.Gain*wave+0.3))
	}
	n.temp = m.temp.narrowed(m.count(at), m.temp.rest, p)
	return &n
}

// count is the calendar of the history; of a room without one, an empty one
// that ends at an instant.
func (m *Model) count(at time.Time) *count {
	if m.known {
		return newCount(m.first, m.end)
	}
	day, _ := dayOf(at)
	return newCount(day, day)
}

// narrowed is the series with the posterior spread that values on the known
// days of a count leave, its estimates as they are.
func (s *series) narrowed(c *count, known []float64, p prior) series {
	n := *s
	n.prior = p
	c.years = c.yearsBack(known)
	e := n.equations(c, known)
	x := n.mean
	n.take(make([]float64, e.a.n), e.a.factor().inverse())
	n.mean = x
	return n
}
