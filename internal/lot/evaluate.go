package lot

import (
	"math"
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/kinetics"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// Rooms is what a lot needs to know of the rooms it has stood in.
type Rooms interface {
	// Exposure of food behind a core lag in a room from one instant to
	// another.
	Exposure(room string, lag unit.Hours, ea unit.KJPerMol, from, to time.Time) room.Exposure
	// Plan storage temperature of a room.
	Plan(room string) unit.Celsius
}

// UnknownSpread is how far the temperature of an unknown stretch may lie on
// either side of plan storage, K (judgement).
const UnknownSpread = 10

// Range is a likely value between a low and a high one.
type Range struct{ Low, Likely, High float64 }

func (r Range) add(o Range) Range { return Range{r.Low + o.Low, r.Likely + o.Likely, r.High + o.High} }

// State is what is left of a lot at an instant. The low and high edges join
// the catalog's band of life, the hold of low oxygen and the room for error
// of estimated and unknown stretches, all at their worst at once.
type State struct {
	Atmosphere Atmosphere
	Modes      []ModeState
	Limiting   int // index of the mode with the largest consumed share
	// Remaining quality, 1 at packing and 0 at the limit of the limiting mode.
	// Its low edge is that of whichever mode may have come furthest, so that a
	// mode less likely but less certain is not overlooked.
	Remaining Range
	// EndAtPlan is when the first mode reaches its limit if the lot is kept
	// at plan storage from now on.
	EndAtPlan time.Time
	// LostBeyondPlan is the life of the limiting mode that heat beyond plan
	// storage has cost, in days of life at plan storage; negative when the
	// rooms were cooler than planned.
	LostBeyondPlan float64
	// Of the time since packing: estimated, and neither measured nor
	// estimated.
	Estimated, Unknown time.Duration
}

// ModeState is how far one deterioration mode has come.
type ModeState struct {
	Mode     catalog.Mode
	Exposure Range // days at the reference temperature since packing
	Consumed Range // share of the mode's life
	End      time.Time
}

// Evaluator computes the state of lots. It holds no state of its own.
type Evaluator struct {
	Catalog *catalog.Catalog
	Rooms   Rooms
}

// State is the state of a lot at an instant, or at its end if it is finished.
// It fails only on a class that the catalog does not know.
func (v Evaluator) State(l Lot, asOf time.Time) (State, error) {
	f, err := v.Catalog.Food(l.Packing.Food)
	if err != nil {
		return State{}, err
	}
	k, err := v.Catalog.Container(l.Packing.Container)
	if err != nil {
		return State{}, err
	}
	if l.Finished() && l.FinishedAt.Before(asOf) {
		asOf = l.FinishedAt
	}
	s := State{Atmosphere: AtmosphereOf(l.Packing, f, k)}
	var furthest Range
	ends := false // a mode that can end the lot was seen: nutrients do not
	for i, m := range f.Modes {
		ms, cover := v.mode(l, m, k, s.Atmosphere, asOf)
		s.Modes = append(s.Modes, ms)
		if m.Nutrient {
			continue
		}
		c := ms.Consumed
		if !ends {
			s.Estimated, s.Unknown, s.EndAtPlan, s.Limiting, furthest, ends = cover.Estimated, cover.Unknown, ms.End, i, c, true
		}
		if ms.End.Before(s.EndAtPlan) {
			s.EndAtPlan = ms.End
		}
		if c.Likely > s.Modes[s.Limiting].Consumed.Likely {
			s.Limiting = i
		}
		furthest = Range{max(furthest.Low, c.Low), max(furthest.Likely, c.Likely), max(furthest.High, c.High)}
	}
	s.Remaining = Range{1 - furthest.High, 1 - furthest.Likely, 1 - furthest.Low}
	s.LostBeyondPlan = v.Cost(l, s.Modes[s.Limiting].Mode, l.Packing.PackedAt, asOf)
	return s, nil
}

// mode adds up one mode over all stays, low oxygen and air apart.
func (v Evaluator) mode(l Lot, m catalog.Mode, k catalog.Container, a Atmosphere, asOf time.Time) (ModeState, room.Exposure) {
	var cover room.Exposure
	out := ModeState{Mode: m}
	lag, ea := unit.Hours(k.Lag.Likely), unit.KJPerMol(m.Ea.Likely)
	l.each(l.Packing.PackedAt, asOf, func(in string, from, to time.Time) {
		whole := v.Rooms.Exposure(in, lag, ea, from, to)
		cover = cover.Add(whole)
		all := v.exposure(whole, in, ea)
		out.Exposure = out.Exposure.add(all)
		low := Range{}
		if a.LowOxygen {
			until := func(t time.Time) Range {
				return v.exposure(v.Rooms.Exposure(in, lag, ea, from, earlier(to, t)), in, ea)
			}
			low = Range{until(a.UntilLate).Low, until(a.Until).Likely, until(a.UntilEarly).High}
		}
		g := m.LowOxygenGain
		out.Consumed = out.Consumed.add(Range{
			share(all.Low, low.Low, m.Life.High, g.High),
			share(all.Likely, low.Likely, m.Life.Likely, g.Likely),
			share(all.High, low.High, m.Life.Low, g.Low),
		})
	})
	out.End = v.endAtPlan(out.Consumed.Likely, m, a, v.Rooms.Plan(l.Room()), asOf)
	return out, cover
}

// share is the part of a life consumed by an exposure of which some passed in
// low oxygen, where life is longer by the gain.
func share(all, lowOxygen, life, gain float64) float64 {
	return (all-lowOxygen)/life + lowOxygen/(life*gain)
}

// exposure adds to what is known the unknown part: likely at plan storage,
// within the spread on either side.
func (v Evaluator) exposure(e room.Exposure, in string, ea unit.KJPerMol) Range {
	r := Range{float64(e.Low), float64(e.Days), float64(e.High)}
	if e.Unknown > 0 {
		d, plan := e.Unknown.Hours()/24, v.Rooms.Plan(in)
		at := func(t unit.Celsius) float64 { return d * kinetics.AccelerationFactor(ea, t, room.Reference) }
		r = r.add(Range{at(plan - UnknownSpread), at(plan), at(plan + UnknownSpread)})
	}
	return r
}

// each visits the stays of a lot within [from, to) in order.
func (l Lot) each(from, to time.Time, visit func(room string, from, to time.Time)) {
	for i, s := range l.Stays {
		a, b := s.From, to
		if i+1 < len(l.Stays) {
			b = earlier(b, l.Stays[i+1].From)
		}
		if a.Before(from) {
			a = from
		}
		if a.Before(b) {
			visit(s.Room, a, b)
		}
	}
}

// Cost is what a stretch of time has cost one mode of a lot beyond plan
// storage, in days of life at plan storage: exposure beyond what plan storage
// would have given, over the acceleration factor at plan storage. Unknown
// time is taken as plan storage and costs nothing; the caller shows it.
func (v Evaluator) Cost(l Lot, m catalog.Mode, from, to time.Time) float64 {
	k, err := v.Catalog.Container(l.Packing.Container)
	if err != nil {
		return 0
	}
	excess, ea := 0.0, unit.KJPerMol(m.Ea.Likely)
	factor := func(in string) float64 { return kinetics.AccelerationFactor(ea, v.Rooms.Plan(in), room.Reference) }
	l.each(from, to, func(in string, from, to time.Time) {
		e := v.Rooms.Exposure(in, unit.Hours(k.Lag.Likely), ea, from, to)
		excess += float64(e.Days) - float64(factor(in)*(e.Measured+e.Estimated).Hours()/24)
	})
	return excess / factor(l.Room())
}

// CostOfHolding is what a number of days at a steady temperature would cost a
// mode of a lot in its present room beyond plan storage, in days of life at
// plan storage.
func (v Evaluator) CostOfHolding(l Lot, m catalog.Mode, t unit.Celsius, days float64) float64 {
	ea := unit.KJPerMol(m.Ea.Likely)
	return days * (kinetics.AccelerationFactor(ea, t, v.Rooms.Plan(l.Room())) - 1)
}

// endAtPlan is when the rest of a mode's life is over at plan storage.
func (v Evaluator) endAtPlan(consumed float64, m catalog.Mode, a Atmosphere, plan unit.Celsius, asOf time.Time) time.Time {
	left := max(0, 1-consumed)
	perDay := kinetics.AccelerationFactor(unit.KJPerMol(m.Ea.Likely), plan, room.Reference) / m.Life.Likely
	if a.LowOxygen && asOf.Before(a.Until) {
		held := a.Until.Sub(asOf).Hours() / 24
		inHold := held * perDay / m.LowOxygenGain.Likely
		if left <= inHold {
			return asOf.Add(days(left / perDay * m.LowOxygenGain.Likely))
		}
		left, asOf = left-inHold, a.Until
	}
	if n := left / perDay; !math.IsInf(n, 0) {
		return asOf.Add(days(n))
	}
	return asOf
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}
