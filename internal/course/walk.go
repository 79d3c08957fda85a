package course

import (
	"slices"
	"time"

	"dryhold/internal/climate"
	"dryhold/internal/kinetics"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// Effect is what one step did to one mode, all constants likely: its life was
// consumed by Exposure.Likely × Water × Oxygen days of it and by Light.
type Effect struct {
	// Exposure in days at the reference temperature, with the room for error
	// that estimated and unknown time leaves.
	Exposure lot.Range
	Water    float64 // factor of water activity against the one of Life; above 0
	Oxygen   float64 // factor the oxygen inside leaves of the rate in air; above 0
	Light    float64 // share of the life that light has cost
}

// Step is one step of a Walk.
type Step struct {
	Room     string
	From, To time.Time
	// Judged is for how much of the step the room's ledger has an answer, if
	// only that it is unknown; what comes after the last reading is not judged
	// yet and adds nothing.
	Judged time.Duration
	Dose   float64 // light that reached the food, lux hours
	// Modes has one for each mode of the food; the next step writes over it.
	Modes []Effect
}

// Walk follows one lot step by step and shows what each did.
type Walk struct {
	f *Follower
	s *subject
	c Course
}

// Walk starts from a course, which it leaves as it is.
func (f *Follower) Walk(c Course, l lot.Lot) (*Walk, error) {
	s, err := f.subject(l)
	if err != nil {
		return nil, err
	}
	c.modes = slices.Clone(c.modes)
	return &Walk{f, s, c}, nil
}

// WalkLikely is Walk on the likely track alone, in a third of the time. Its
// course has no bands and does not know of insects and seed: it serves for
// Step only.
func (f *Follower) WalkLikely(c Course, l lot.Lot) (*Walk, error) {
	w, err := f.Walk(c, l)
	if err == nil {
		w.s.alone = true
	}
	return w, err
}

// Step goes on by one step, the same that Advance takes, but not beyond an
// instant or the end of a lot that is finished. ok is false when it is there.
func (w *Walk) Step(to time.Time) (step Step, ok bool) {
	if l := &w.s.lot; l.Finished() && l.FinishedAt.Before(to) {
		to = l.FinishedAt
	}
	if !w.c.At.Before(to) {
		return Step{}, false
	}
	at := w.s.next(w.c.At, to, w.f.cut)
	dose, before := w.c.dose, w.c.cover
	w.f.step(&w.c, w.s, at)
	w.c.At = at.to
	dose = w.c.dose - dose
	for i := range w.s.food.Modes {
		m := &w.s.food.Modes[i]
		w.s.effects[i].Light = lightShare(m, m.LightRate.Likely, dose)
	}
	after := w.c.cover
	judged := after.Measured + after.Estimated + after.Unknown - before.Measured - before.Estimated - before.Unknown
	return Step{at.room, at.from, at.to, judged, dose, w.s.effects}, true
}

// Course is how far the walk has come, a value of its own.
func (w *Walk) Course() Course {
	c := w.c
	c.modes = slices.Clone(c.modes)
	return c
}

// Lives is how long each mode of a lot takes from packing to its limit where
// it is kept in one way from packing on, days. Beyond 100 years, or after all
// other modes, it is drawn out at the last rate.
func (f *Follower) Lives(l lot.Lot, k Keeping) ([]float64, error) {
	c, err := f.Start(l)
	if err != nil {
		return nil, err
	}
	s, err := f.subject(l)
	if err != nil {
		return nil, err
	}
	knots := f.ahead(c, s.around(k.Temperature, climate.VapourPressure(k.Temperature, k.Humidity)))
	var lives []float64
	for i := range s.food.Modes {
		m := &s.food.Modes[i]
		left := func(x *knot) float64 {
			return x.likely[i] + lightShare(m, m.LightRate.Likely, k.Light*x.days) - 1
		}
		a, b := &knots[len(knots)-2], &knots[len(knots)-1] // the first knot is at packing: there are two
		days := b.days
		if short := -left(b); short > 0 {
			days += short * (b.days - a.days) / (left(b) - left(a))
		} else {
			days = crossing(knots, left)
		}
		lives = append(lives, days)
	}
	return lives, nil
}

// Ends is when a lot ends under a Keeping: likely, and in each set of
// constants. Two of them are compared set by set, under the same luck.
type Ends struct {
	Days  float64   // until the likely end, 100 years where it is not within them
	By    string    // the mode that ends it, or the food's Limit of water activity
	Draws []float64 // the same in each of the Draws sets, unsorted
}

// Band is the likely end and its 10 to 90 % band, days.
func (e Ends) Band() lot.Range { return Between(e.Draws, e.Days) }

// Between is the 10 to 90 % band of one value for each draw, held to enclose
// the likely one. It leaves the values as they are.
func Between(draws []float64, likely float64) lot.Range { return band(slices.Clone(draws), likely) }

// Ends looks ahead as WhatIf does, with the light ahead in every draw.
func (f *Follower) Ends(c Course, l lot.Lot, k Keeping) (Ends, error) {
	s, err := f.kept(&c, l, k)
	if err != nil {
		return Ends{}, err
	}
	return f.ends(c, s.around(k.Temperature, climate.VapourPressure(k.Temperature, k.Humidity)), k.Light), nil
}

// Steady is rooms that never change, the plan storage of a lot for one.
type Steady struct {
	Temperature unit.Celsius
	Humidity    unit.RH
}

// Exposure implements Rooms.
func (r Steady) Exposure(_ string, _ unit.Hours, ea unit.KJPerMol, from, to time.Time) room.Exposure {
	long := to.Sub(from)
	days := unit.Days(long.Hours() / 24 * kinetics.AccelerationFactor(ea, r.Temperature, room.Reference))
	return room.Exposure{Days: days, Low: days, High: days, Measured: long}
}

// Mean implements Rooms.
func (r Steady) Mean(string, time.Time, time.Time) room.Climate {
	return room.Climate{
		Temp: r.Temperature, TempKnown: true,
		Vapour: climate.VapourPressure(r.Temperature, r.Humidity), VapourKnown: true,
	}
}

// Plan implements Rooms.
func (r Steady) Plan(string) unit.Celsius { return r.Temperature }

// Damp implements Rooms.
func (r Steady) Damp(string) unit.RH { return r.Humidity }
