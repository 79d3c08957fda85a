package lot

import (
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

// Evaluator computes what heat has cost lots. It holds no state of its own.
type Evaluator struct {
	Catalog *catalog.Catalog
	Rooms   Rooms
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
		e := v.Rooms.Exposure(in, l.Packing.Lag(k), ea, from, to)
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

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}
