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

const (
	day  = 24 * time.Hour
	year = 365 * day
)

// packed is when the lots of the tests were packed.
func packed() time.Time { return time.Date(2020, 3, 1, 9, 30, 0, 0, time.UTC) }

// after is an instant some days after packing.
func after(days float64) time.Time { return packed().Add(span(days)) }

func span(days float64) time.Duration { return time.Duration(days * float64(day)) }

// house is rooms of an invented house: the temperature of each is a function
// of time, taken as constant within each piece of it. Its food has no lag in
// the exposure, so that this can be worked out by hand.
type house struct {
	temp   func(room string, at time.Time) unit.Celsius
	humid  func(at time.Time) unit.RH
	plan   unit.Celsius
	piece  time.Duration
	blind  func(at time.Time) bool // time of which nothing is known
	spread unit.Celsius            // of estimates; 0 where all is measured
	lux    float64
}

func steady(t unit.Celsius, rh unit.RH) *house {
	return &house{
		temp:  func(string, time.Time) unit.Celsius { return t },
		humid: func(time.Time) unit.RH { return rh },
		plan:  21, piece: day,
	}
}

// spells is a room whose temperature changes at instants, days after packing.
func spells(plan unit.Celsius, temps map[float64]unit.Celsius) *house {
	h := steady(plan, 0.5)
	h.plan, h.piece = plan, 30*time.Minute
	h.temp = func(_ string, at time.Time) unit.Celsius {
		begun, t := math.Inf(-1), plan
		for from, x := range temps {
			if !at.Before(after(from)) && from > begun {
				begun, t = from, x
			}
		}
		return t
	}
	return h
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
		t := h.temp(in, at)
		days := func(t unit.Celsius) unit.Days {
			return unit.Days(d.Hours() / 24 * kinetics.AccelerationFactor(ea, t, room.Reference))
		}
		likely := days(t)
		x := room.Exposure{Days: likely, Low: likely, High: likely, Measured: d}
		if h.spread > 0 {
			x = room.Exposure{Days: likely, Low: days(t - h.spread), High: days(t + h.spread), Estimated: d}
		}
		e = e.Add(x)
	})
	return e
}

func (h *house) Mean(in string, from, to time.Time) room.Climate {
	var c room.Climate
	temp, vapour, hours := 0.0, 0.0, 0.0
	h.pieces(from, to, func(at time.Time, d time.Duration) {
		if !h.unknown(at) {
			t := h.temp(in, at)
			temp += d.Hours() * float64(t)
			vapour += d.Hours() * float64(climate.VapourPressure(t, h.humid(at)))
			hours += d.Hours()
		}
	})
	if hours > 0 {
		c.Temp, c.TempKnown = unit.Celsius(temp/hours), true
		c.Vapour, c.VapourKnown = unit.Pascal(vapour/hours), true
		c.Dose = hours * h.lux
	}
	return c
}

func (h *house) Plan(string) unit.Celsius { return h.plan }
func (h *house) Damp(string) unit.RH      { return 0.65 }

func shipped(t testing.TB) *catalog.Catalog {
	t.Helper()
	c, err := settings.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// lotOf is a lot of one container, filled by its volume.
func lotOf(t tb, c *catalog.Catalog, food, container string, capacity float64) lot.Lot {
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

// tb is testing.TB, or a check of package rapid.
type tb interface {
	Helper()
	Fatal(...any)
	Errorf(string, ...any)
}

// advance takes a lot from packing to an instant.
func advance(t tb, f *course.Follower, l lot.Lot, to time.Time) course.Course {
	t.Helper()
	c, err := f.Start(l)
	if err != nil {
		t.Fatal(err)
	}
	if c, err = f.Advance(c, l, to); err != nil {
		t.Fatal(err)
	}
	return c
}

func stateOf(t tb, f *course.Follower, c course.Course, l lot.Lot) course.State {
	t.Helper()
	s, err := f.State(c, l)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func outlookOf(t tb, f *course.Follower, c course.Course, l lot.Lot) course.Outlook {
	t.Helper()
	o, err := f.Outlook(c, l)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

// follow takes a lot to an age.
func follow(t tb, f *course.Follower, l lot.Lot, age time.Duration) (course.Course, course.State) {
	t.Helper()
	c := advance(t, f, l, l.Packing.PackedAt.Add(age))
	return c, stateOf(t, f, c, l)
}

func near(t tb, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.10g, want %.10g within %.2g", what, got, want, tolerance)
	}
}

func nearRange(t tb, what string, got, want lot.Range) {
	t.Helper()
	near(t, what+", low", got.Low, want.Low, 1e-9)
	near(t, what+", likely", got.Likely, want.Likely, 1e-9)
	near(t, what+", high", got.High, want.High, 1e-9)
}

func nearTime(t tb, what string, got, want time.Time, tolerance time.Duration) {
	t.Helper()
	if d := got.Sub(want).Abs(); d > tolerance {
		t.Errorf("%s: got %v, want %v", what, got, want)
	}
}
