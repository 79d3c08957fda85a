package course_test

import (
	"math"
	"testing"
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/climate"
	"dryhold/internal/course"
	"dryhold/internal/kinetics"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/settings"
	"dryhold/internal/unit"
)

// packed is when the lots of the tests were packed.
func packed() time.Time { return time.Date(2020, 3, 1, 9, 30, 0, 0, time.UTC) }

// house is rooms of an invented house: the temperature of each is a function
// of time, taken as constant within each piece of it.
type house struct {
	temp  func(room string, at time.Time) unit.Celsius
	rh    unit.RH
	plan  unit.Celsius
	piece time.Duration
	blind func(at time.Time) bool // time of which nothing is known
}

func steady(t unit.Celsius, rh unit.RH) *house {
	return &house{temp: func(string, time.Time) unit.Celsius { return t }, rh: rh, plan: 21, piece: 24 * time.Hour}
}

func (h *house) pieces(from, to time.Time, visit func(at time.Time, d time.Duration)) {
	for from.Before(to) {
		end := from.Truncate(h.piece).Add(h.piece)
		if end.After(to) {
			end = to
		}
		visit(from, end.Sub(from))
		from = end
	}
}

func (h *house) unknown(at time.Time) bool { return h.blind != nil && h.blind(at) }

func (h *house) Exposure(in string, _ unit.Hours, ea unit.KJPerMol, from, to time.Time) room.Exposure {
	var e room.Exposure
	h.pieces(from, to, func(at time.Time, d time.Duration) {
		if h.unknown(at) {
			e.Unknown += d
			return
		}
		days := d.Hours() / 24 * kinetics.AccelerationFactor(ea, h.temp(in, at), room.Reference)
		e.Days += unit.Days(days)
		e.Low, e.High = e.Days, e.Days
		e.Measured += d
	})
	return e
}

func (h *house) Mean(in string, from, to time.Time) room.Climate {
	var c room.Climate
	sum, hours := 0.0, 0.0
	h.pieces(from, to, func(at time.Time, d time.Duration) {
		if !h.unknown(at) {
			sum += d.Hours() * float64(h.temp(in, at))
			hours += d.Hours()
		}
	})
	if hours > 0 {
		c.Temp, c.TempKnown = unit.Celsius(sum/hours), true
		c.Vapour, c.VapourKnown = climate.VapourPressure(c.Temp, h.rh), true
	}
	return c
}

func (h *house) Plan(string) unit.Celsius { return h.plan }
func (h *house) Damp(string) unit.RH      { return 0.65 }

func shipped(t testing.TB) *catalog.Catalog {
	t.Helper()
	sources, err := settings.Shipped()
	if err != nil {
		t.Fatal(err)
	}
	c, err := settings.ParseCatalog(sources...)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// lotOf is a lot of one container, filled by its volume.
func lotOf(t testing.TB, c *catalog.Catalog, food, container string, capacity float64) lot.Lot {
	t.Helper()
	f, err := c.Food(food)
	if err != nil {
		t.Fatal(err)
	}
	k, err := c.Container(container)
	if err != nil {
		t.Fatal(err)
	}
	p := lot.Packing{
		Food: food, Container: container, Count: 1, PackedAt: packed(), Room: "store", Shading: lot.DarkRoom,
		NetMassKG: math.Round(f.BulkDensity.Likely*k.Volume.Likely*0.95) / 1000,
		Treatment: lot.Treatment{Kind: lot.NoTreatment},
	}
	if capacity > 0 {
		p.Treatment = lot.Treatment{Kind: lot.Absorber, CapacityCM3: capacity}
	}
	return lot.Lot{ID: "L-1", Packing: p, Stays: []lot.Stay{{Room: p.Room, From: p.PackedAt}}}
}

// follow takes a lot to an age.
func follow(t testing.TB, f *course.Follower, l lot.Lot, age time.Duration) (course.Course, course.State) {
	t.Helper()
	c, err := f.Start(l)
	if err != nil {
		t.Fatal(err)
	}
	if c, err = f.Advance(c, l, l.Packing.PackedAt.Add(age)); err != nil {
		t.Fatal(err)
	}
	s, err := f.State(c, l)
	if err != nil {
		t.Fatal(err)
	}
	return c, s
}

const day = 24 * time.Hour
const year = 365 * day
