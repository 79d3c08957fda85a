package course

import (
	"math"

	"dryhold/internal/catalog"
	"dryhold/internal/kinetics"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// farEa is a second activation energy at which the ledger of every room keeps
// the exposure of its air, beside room.AirEa.
const farEa = unit.KJPerMol(160)

// AirKeys are the exposures of the air that a ledger must keep for bands.
func AirKeys() []room.Key { return []room.Key{{Ea: farEa}} }

// exposed is the thermal exposure of one mode over a step, in days at the
// reference temperature: at the likely activation energy, at the low and the
// high edge of its band, and the room for error of estimates.
type exposed struct {
	likely    float64
	low, high float64
	bounds    lot.Range
}

// exposures sets s.exposed for a stretch in a room. At the likely activation
// energy it is that of the core. At the edges of its band the ratio is taken
// from the air, which has the same course but for hours: the logarithm of the
// mean acceleration is a smooth function of the energy (a cumulant generating
// function), 0 at energy 0, so that a parabola through the two energies kept
// gives it at any other. Unknown time counts at plan storage.
// It returns the exposure of the first mode, for how much of the stretch was
// known.
func (f *Follower) exposures(s *subject, in string, plan unit.Celsius, c stretch) (cover room.Exposure) {
	near := f.rooms.Exposure(in, 0, room.AirEa, c.from, c.to)
	far := f.rooms.Exposure(in, 0, farEa, c.from, c.to)
	known := (near.Measured + near.Estimated).Hours() / 24
	var cumulant func(ea float64) float64
	if known > 0 && near.Days > 0 && far.Days > 0 {
		a, b := float64(room.AirEa), float64(farEa)
		ya, yb := math.Log(float64(near.Days)/known)/a, math.Log(float64(far.Days)/known)/b
		slope := (yb - ya) / (b - a)
		cumulant = func(ea float64) float64 { return ea * (ya + float64(slope*(ea-a))) }
	}
	for i := range s.food.Modes {
		m := &s.food.Modes[i]
		ea := unit.KJPerMol(m.Ea.Likely)
		e := f.rooms.Exposure(in, s.lag.TimeConstant(), ea, c.from, c.to)
		if i == 0 {
			cover = e
		}
		x := exposed{likely: float64(e.Days), bounds: lot.Range{Low: float64(e.Low), Likely: float64(e.Days), High: float64(e.High)}}
		x.low, x.high = x.likely, x.likely
		if cumulant != nil {
			k := cumulant(m.Ea.Likely)
			x.low *= math.Exp(cumulant(m.Ea.Low) - k)
			x.high *= math.Exp(cumulant(m.Ea.High) - k)
		}
		if days := e.Unknown.Hours() / 24; days > 0 {
			x.hold(m.Ea, days, plan)
			x.bounds.Low += days * kinetics.AccelerationFactor(ea, plan-lot.UnknownSpread, room.Reference)
			x.bounds.Likely += days * kinetics.AccelerationFactor(ea, plan, room.Reference)
			x.bounds.High += days * kinetics.AccelerationFactor(ea, plan+lot.UnknownSpread, room.Reference)
		}
		s.exposed[i] = x
	}
	return cover
}

// hold adds days at a steady temperature.
func (x *exposed) hold(ea catalog.Band, days float64, t unit.Celsius) {
	at := func(ea float64) float64 {
		return days * kinetics.AccelerationFactor(unit.KJPerMol(ea), t, room.Reference)
	}
	x.low, x.likely, x.high = x.low+at(ea.Low), x.likely+at(ea.Likely), x.high+at(ea.High)
}

// progress sums up one mode since packing. Its lean sums are exposure times
// the effect of water activity, what the mode would have come to without
// oxygen but for the gain; its rich sums are that times the share of the
// oxygen-driven rate that the oxygen inside allows, 1 in air.
type progress struct {
	lean, rich        [tracks]float64 // at the likely activation energy
	lowLean, highLean float64         // likely track, at the edges of its band
	lowRich, highRich [tracks]float64
	halfLow, halfHigh [tracks]float64 // rich at the edges of OxygenHalf
	tenths            [tracks]float64 // sum of lean times the water activity beyond that of Life, in tenths
	exposure          lot.Range
}

// add takes a mode through a step at the water activity and the oxygen of
// each track followed. It returns what water and oxygen made of the likely one.
func (p *progress) add(m *catalog.Mode, lnTenth float64, x exposed, aw, oxygen [tracks]float64, first, end int) (effect Effect) {
	for t := first; t < end; t++ {
		beyond := tenthsBeyond(m, aw[t])
		water := math.Exp(lnTenth * beyond)
		lean, air := x.likely*water, allowed(m.OxygenHalf.Likely, oxygen[t])
		p.lean[t] += lean
		p.rich[t] += float64(lean * air)
		p.lowRich[t] += float64(x.low * water * air)
		p.highRich[t] += float64(x.high * water * air)
		p.halfLow[t] += float64(lean * allowed(m.OxygenHalf.Low, oxygen[t]))
		p.halfHigh[t] += float64(lean * allowed(m.OxygenHalf.High, oxygen[t]))
		p.tenths[t] += float64(lean * beyond)
		if t == likely {
			p.lowLean += float64(x.low * water)
			p.highLean += float64(x.high * water)
			g := m.LowOxygenGain.Likely
			effect = Effect{Exposure: x.bounds, Water: water, Oxygen: 1/g + float64((1-1/g)*air)}
		}
	}
	p.exposure.Low += x.bounds.Low
	p.exposure.Likely += x.bounds.Likely
	p.exposure.High += x.bounds.High
	return effect
}

// The water activities between which its effect on a rate is believed: below
// there is no water to speak of, above it grows no further (judgement).
const driest, dampest = 0.1, 0.8

// tenthsBeyond is how far a water activity is beyond the one for which the
// life of a mode is stated, in tenths.
func tenthsBeyond(m *catalog.Mode, aw float64) float64 {
	if m.PerTenth.Likely <= 1 {
		return 0
	}
	return (min(dampest, max(driest, aw)) - m.ActivityAt.Likely) / 0.1
}

// allowed is the share of its oxygen-driven rate in air that an oxygen
// fraction allows: x/(x+half), related to air. A mode without a half needs no
// oxygen.
func allowed(half, oxygen float64) float64 {
	if half <= 0 {
		return 1
	}
	x := max(0, oxygen)
	return x / (x + half) * (airOxygen + half) / airOxygen
}

// consumed is the share of its life that a mode has consumed, all constants at
// their likely values.
func (p *progress) consumed(m *catalog.Mode, dose float64) float64 {
	g := m.LowOxygenGain.Likely
	return (p.lean[likely]/g+float64((1-1/g)*p.rich[likely]))/m.Life.Likely + lightShare(m, m.LightRate.Likely, dose)
}

// lightShare is the share of a mode's life lost to a dose of light, which
// comes on top of what warmth does.
func lightShare(m *catalog.Mode, rate, dose float64) float64 {
	if m.Order == catalog.FirstOrder {
		return rate * dose / -math.Log(m.Limit)
	}
	return rate * dose
}
