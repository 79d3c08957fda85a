package lot

import (
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/kinetics"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// year is that of the worked cases, days.
const year = 365.25

// packed is when the lots of these tests are packed.
var packed = time.Date(2026, time.March, 14, 12, 0, 0, 0, time.UTC)

// day is an instant some days after packing.
func day(n float64) time.Time { return packed.Add(time.Duration(n * 24 * float64(time.Hour))) }

func exactly(v float64) catalog.Band { return catalog.Band{Low: v, Likely: v, High: v} }

// pantry is a small catalog with round numbers, so that results can be worked
// out by hand.
func pantry() *catalog.Catalog {
	one := exactly(1)
	return &catalog.Catalog{
		Reference: room.Reference,
		Foods: []catalog.Food{
			{ID: "hard-wheat", Name: "Hard wheat", Void: exactly(0.40), Modes: []catalog.Mode{
				{Name: "staling", Ea: exactly(80), Life: catalog.Band{Low: 5 * year, Likely: 10 * year, High: 20 * year}, LowOxygenGain: one},
			}},
			{ID: "rolled-oats", Name: "Rolled oats", Void: exactly(0.70), Modes: []catalog.Mode{
				{Name: "rancidity", Ea: exactly(60), Life: catalog.Band{Low: 300, Likely: 600, High: 900}, LowOxygenGain: catalog.Band{Low: 5, Likely: 12, High: 16}},
				{Name: "fading", Ea: exactly(100), Life: exactly(4000), LowOxygenGain: one},
			}},
			{ID: "sugar", Name: "Sugar", Void: exactly(0.45), NoAbsorber: "it turns to a block", Modes: []catalog.Mode{
				{Name: "caking", Ea: exactly(40), Life: exactly(30 * year), LowOxygenGain: one},
			}},
			{ID: "white-rice", Name: "White rice", Void: exactly(0.42), Modes: []catalog.Mode{
				{Name: "staling", Ea: exactly(75), Life: exactly(8 * year), LowOxygenGain: exactly(3)},
			}},
		},
		Containers: []catalog.Container{
			{ID: "paper-sack", Name: "paper sack", Volume: exactly(14), Lag: exactly(7)},
			{ID: "pet-2l", Name: "2 L PET bottle", Volume: exactly(2), Lag: exactly(2.33), Sealed: true},
		},
	}
}

// good is a packing with nothing wrong.
func good() Packing {
	return Packing{
		Food: "rolled-oats", Container: "pet-2l", Count: 4, NetMassKG: 0.8, PackedAt: packed,
		Treatment: Treatment{Kind: NoTreatment}, Shading: Boxed, Room: "cellar",
	}
}

func with(p Packing, change func(*Packing)) Packing {
	change(&p)
	return p
}

// lotOf is a lot that has stood in its room since packing.
func lotOf(p Packing) Lot {
	return Lot{ID: "L-1", Packing: p, Stays: []Stay{{p.Room, p.PackedAt}}}
}

// spell is a stretch of steady air, until the next one begins. A spread above
// zero says that it is estimated.
type spell struct {
	from    time.Time
	t       unit.Celsius
	unknown bool
	spread  unit.Celsius
}

// house is rooms of steady spells, with the exposure in closed form and no
// core lag.
type house map[string]struct {
	plan   unit.Celsius
	spells []spell
}

func (h house) Plan(name string) unit.Celsius { return h[name].plan }

func (h house) Exposure(name string, _ unit.Hours, ea unit.KJPerMol, from, to time.Time) room.Exposure {
	var out room.Exposure
	spells := h[name].spells
	for i, s := range spells {
		a, b := s.from, to
		if i+1 < len(spells) {
			b = earlier(b, spells[i+1].from)
		}
		if a.Before(from) {
			a = from
		}
		if !a.Before(b) {
			continue
		}
		span := b.Sub(a)
		if s.unknown {
			out.Unknown += span
			continue
		}
		at := func(t unit.Celsius) unit.Days {
			return unit.Days(span.Hours() / 24 * kinetics.AccelerationFactor(ea, t, room.Reference))
		}
		e := room.Exposure{Days: at(s.t), Low: at(s.t - s.spread), High: at(s.t + s.spread), Measured: span}
		if s.spread > 0 {
			e.Measured, e.Estimated = 0, span
		}
		out = out.Add(e)
	}
	return out
}

// steady is one room, cellar, at one temperature.
func steady(plan, t unit.Celsius) house {
	return house{"cellar": {plan, []spell{{from: packed, t: t}}}}
}
