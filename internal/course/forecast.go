package course

import (
	"math"
	"time"

	"dryhold/internal/lot"
	"dryhold/internal/unit"
)

// Ahead is the climate ahead of the room in which a lot stands. Stretches are
// in days after At.
type Ahead interface {
	// At is the instant it looks ahead from.
	At() time.Time
	// Mean is the likely mean temperature of the air and its vapour pressure
	// over a stretch; to lies after from.
	Mean(from, to float64) (unit.Celsius, unit.Pascal)
	// Ageing is what a core behind a lag ages by at an activation energy.
	Ageing(ea unit.KJPerMol, lag unit.Hours) Ageing
	// Light is the dose that the room receives, lux hours a day, 0 or more.
	Light() float64
}

// Ageing is the thermal exposure ahead, relative to room.Reference.
type Ageing interface {
	// Factor is the mean acceleration factor over a stretch of the likely
	// future; to lies after from.
	Factor(from, to float64) float64
	// LnSpread is the standard deviation over the futures of ln of the
	// exposure up to so many days ahead.
	LnSpread(days float64) float64
}

// Projection is when a lot ends, with its 10 to 90 % band; an instant is zero
// beyond 100 years.
type Projection struct {
	Early, Likely, Late time.Time
	By                  string // the mode that ends it, or the food's Limit of water activity
}

// Projection is that of ends counted from an instant.
func (e Ends) Projection(at time.Time) Projection {
	b := e.Band()
	return Projection{within(at, b.Low), within(at, b.Likely), within(at, b.High), e.By}
}

// Forecast looks ahead from a course as Ends does, but in the climate ahead of
// a room, and in its light where that reaches the food. l may differ from the
// lot that was followed in container, mass, treatment, seal and shading;
// repacked opens every container to the air as Keeping.Repacked does.
//
// The likely end is that in the likely future. In a draw, what a mode ages from
// now on is that of the likely future times exp(z × LnSpread), where z is one
// standard normal number for all modes and all lots, since one summer is hot
// for all of them, and LnSpread grows with the activation energy of the draw.
// Water and gas inside go along with the likely future in every draw.
func (f *Follower) Forecast(c Course, l lot.Lot, a Ahead, repacked bool) (Ends, error) {
	s, err := f.kept(&c, l, Keeping{Repacked: repacked})
	if err != nil {
		return Ends{}, err
	}
	light := 0.0
	if s.lit() {
		light = a.Light()
	}
	return f.ends(c, around{subject: s, coming: newComing(s, a, c.At)}, light), nil
}

// coming is the climate ahead as a lot meets it.
type coming struct {
	ahead Ahead
	shift float64     // days from the instant of the climate ahead to that of the course
	modes [][3]Ageing // of each mode: at the low edge of its energy, at the likely one, at the high edge
}

func newComing(s *subject, a Ahead, at time.Time) *coming {
	k := &coming{ahead: a, shift: max(0, at.Sub(a.At()).Hours()/24)}
	for i := range s.food.Modes {
		ea := s.food.Modes[i].Ea
		var edges [3]Ageing
		for n, x := range [3]float64{ea.Low, ea.Likely, ea.High} {
			edges[n] = a.Ageing(unit.KJPerMol(x), s.lag.TimeConstant())
		}
		k.modes = append(k.modes, edges)
	}
	return k
}

// expose sets what each mode ages by in a step ahead, and gives the mean
// climate of it.
func (k *coming) expose(s *subject, from, step float64) (unit.Celsius, unit.Pascal) {
	from += k.shift
	for i, m := range k.modes {
		days := func(n int) float64 { return step * m[n].Factor(from, from+step) }
		x := exposed{low: days(0), likely: days(1), high: days(2)}
		x.bounds = lot.Range{Low: x.likely, Likely: x.likely, High: x.likely}
		s.exposed[i] = x
	}
	return k.ahead.Mean(from, from+step)
}

// spread is LnSpread of a mode's exposure up to so many days after the course.
func (k *coming) spread(mode int, days float64) float64 {
	return k.modes[mode][1].LnSpread(days + k.shift)
}

// future is the place of each draw among the futures of the climate: the same
// for all lots.
func (k *luck) future() []float64 {
	if k.futures == nil {
		k.futures = normal(shuffled("climate ahead")())
	}
	return k.futures
}

// warmth is z times how much steeper the energy of a draw is than the likely
// one. The weights of the parabola give a straight line back as it is.
func (t *traits) warmth(z float64, ea, low, high float64, i int) float64 {
	if !(ea > 0) {
		return 0
	}
	own := ea + float64(t.low[i]*(low-ea)) + float64(t.high[i]*(high-ea))
	return z * max(0, own) / ea
}

// drawn is what a mode has consumed at a knot in draw i, where warm is its
// place among the futures and now what it had consumed at the first.
func (k *knot) drawn(mode int, consumed, now, warm float64) float64 {
	if k.spread == nil {
		return consumed
	}
	return now + float64((consumed-now)*math.Exp(float64(warm*k.spread[mode])))
}
