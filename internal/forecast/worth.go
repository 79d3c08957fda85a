package forecast

import (
	"math"
	"time"
)

// Sensor is one that a room does not have yet.
type Sensor int

// What may be hung up, for a year.
const (
	SensorHere     Sensor = iota // in the room
	SensorOutdoors               // outdoors
)

// Surer is the model as it would be had one more sensor hung for the year before
// an instant: what it expects is the same, but it leaves less open.
//
// What a sensor will read is unknown, but how far it will narrow what is open
// does not depend on it: in a linear model with known noise the posterior
// spread follows from the days of the readings alone (the preposterior analysis
// of Raiffa & Schlaifer 1961).
func (m *Model) Surer(at time.Time, s Sensor) *Model {
	if s == SensorOutdoors {
		return m.outdoors(at)
	}
	return m.measured(at, 365)
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
