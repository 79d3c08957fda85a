package review

import (
	"iter"
	"math"
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/climate"
	"dryhold/internal/course"
	"dryhold/internal/kinetics"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

const day = 24 * time.Hour

// packed is when the lots of the tests were packed: a UTC midnight, so that
// steps and days are the same.
func packed() time.Time { return time.Date(2020, 3, 1, 0, 0, 0, 0, time.UTC) }

// after is an instant some days after packing.
func after(days float64) time.Time { return packed().Add(time.Duration(days * float64(day))) }

// weather is one room by the hour from the day of packing on, the hours coming
// round again; nothing is known before it.
type weather struct {
	slots []room.Slot
}

// house is the rooms of an invented house. Food has no lag in it, so that
// exposures can be worked out by hand.
type house struct {
	rooms map[string]*weather
	plan  map[string]unit.Celsius // of a room; else 20 °C
	sums  map[room.Key]map[string][]point
	means map[string][]mean2
}

type point struct{ days, low, high, known, estimated float64 }

// mean2 is running sums of a room.
type mean2 struct{ temp, hours, vapour, damp, dose float64 }

func newHouse() *house {
	return &house{map[string]*weather{}, map[string]unit.Celsius{}, map[room.Key]map[string][]point{}, map[string][]mean2{}}
}

// hour is a slot in which all is measured.
func hour(t unit.Celsius, rh unit.RH, lux float64) room.Slot {
	const ms = uint32(time.Hour / time.Millisecond)
	return room.Slot{
		TempMean: float32(t), TempMin: float32(t), TempMax: float32(t), MeasuredMS: ms,
		VapourMean: float32(climate.VapourPressure(t, rh)), HumidityMean: float32(rh), VapourMS: ms,
		Dose: float32(lux), DoseMS: ms,
	}
}

// set makes the weather of a room from its hours.
func (h *house) set(name string, slots ...room.Slot) *house {
	h.rooms[name] = &weather{slots}
	return h
}

// days makes hours by a function of the hour since packing.
func (h *house) by(name string, hours int, at func(i int) room.Slot) *house {
	var slots []room.Slot
	for i := range hours {
		slots = append(slots, at(i))
	}
	return h.set(name, slots...)
}

func (h *house) slot(name string, i int) room.Slot {
	w := h.rooms[name]
	if w == nil || i < 0 {
		return room.Slot{UnknownMS: uint32(time.Hour / time.Millisecond)}
	}
	return w.slots[i%len(w.slots)]
}

// longest is how far the running sums go, hours.
const longest = 500 * 24

func (h *house) running(in string, k room.Key) []point {
	if h.sums[k] == nil {
		h.sums[k] = map[string][]point{}
	}
	if s := h.sums[k][in]; s != nil {
		return s
	}
	const spread = 3
	var p point
	sums := []point{p}
	cache := map[float32]float64{}
	factor := func(t float32) float64 {
		f, ok := cache[t]
		if !ok {
			f = kinetics.AccelerationFactor(k.Ea, unit.Celsius(t), room.Reference) / 24
			cache[t] = f
		}
		return f
	}
	for i := range longest {
		s := h.slot(in, i)
		measured, estimated := float64(s.MeasuredMS)/3.6e6, float64(s.EstimatedMS)/3.6e6
		f := factor(s.TempMean)
		p.days += f * (measured + estimated)
		p.low += f*measured + factor(s.TempMean-spread)*estimated
		p.high += f*measured + factor(s.TempMean+spread)*estimated
		p.known += measured
		p.estimated += estimated
		sums = append(sums, p)
	}
	h.sums[k][in] = sums
	return sums
}

// place is an instant among the hours, and how far it is into one.
func place(at time.Time) (i int, share float64) {
	hours := max(0, at.Sub(packed()).Hours())
	i = int(math.Floor(hours))
	return i, hours - float64(i)
}

func (h *house) Exposure(in string, lag unit.Hours, ea unit.KJPerMol, from, to time.Time) room.Exposure {
	sums := h.running(in, room.Key{Ea: ea})
	get := func(t time.Time) point {
		i, x := place(t)
		a, b := sums[i], sums[i+1]
		mix := func(a, b float64) float64 { return a + x*(b-a) }
		return point{mix(a.days, b.days), mix(a.low, b.low), mix(a.high, b.high), mix(a.known, b.known), mix(a.estimated, b.estimated)}
	}
	a, b := get(from), get(to)
	hours := func(x float64) time.Duration { return time.Duration(math.Round(x*3.6e6)) * time.Millisecond }
	e := room.Exposure{
		Days: unit.Days(b.days - a.days), Low: unit.Days(b.low - a.low), High: unit.Days(b.high - a.high),
		Measured: hours(b.known - a.known), Estimated: hours(b.estimated - a.estimated),
	}
	e.Unknown = max(0, to.Sub(from)-e.Measured-e.Estimated)
	return e
}

func (h *house) Mean(in string, from, to time.Time) room.Climate {
	sums := h.means[in]
	if sums == nil {
		var p mean2
		sums = append(sums, p)
		for i := range longest {
			s := h.slot(in, i)
			known, damp := float64(s.MeasuredMS+s.EstimatedMS)/3.6e6, float64(s.VapourMS)/3.6e6
			p.temp += known * float64(s.TempMean)
			p.hours += known
			p.vapour += damp * float64(s.VapourMean)
			p.damp += damp
			p.dose += float64(s.Dose)
			sums = append(sums, p)
		}
		h.means[in] = sums
	}
	get := func(t time.Time) mean2 {
		i, x := place(t)
		a, b := sums[i], sums[i+1]
		mix := func(a, b float64) float64 { return a + x*(b-a) }
		return mean2{mix(a.temp, b.temp), mix(a.hours, b.hours), mix(a.vapour, b.vapour), mix(a.damp, b.damp), mix(a.dose, b.dose)}
	}
	a, b := get(from), get(to)
	c := room.Climate{Dose: b.dose - a.dose}
	if hours := b.hours - a.hours; hours > 1e-9 {
		c.Temp, c.TempKnown = unit.Celsius((b.temp-a.temp)/hours), true
	}
	if hours := b.damp - a.damp; hours > 1e-9 {
		c.Vapour, c.VapourKnown = unit.Pascal((b.vapour-a.vapour)/hours), true
	}
	return c
}

func (h *house) Hours(in string, from, to time.Time) iter.Seq2[time.Time, room.Slot] {
	return func(yield func(time.Time, room.Slot) bool) {
		for at := from.Truncate(time.Hour); at.Before(to); at = at.Add(time.Hour) {
			if !yield(at, h.slot(in, int(at.Sub(packed())/time.Hour))) {
				return
			}
		}
	}
}

func (h *house) Plan(in string) unit.Celsius {
	if t, ok := h.plan[in]; ok {
		return t
	}
	return 20
}

func (h *house) Damp(string) unit.RH { return 0.5 }

func exactly(v float64) catalog.Band {
	return catalog.Band{Low: v, Likely: v, High: v, Source: "invented"}
}

// plainCatalog has one food that takes up no water and whose only modes are as
// plain as can be, and two containers without lag: one open to the room, one
// a clear bottle.
func plainCatalog() *catalog.Catalog {
	crystals := catalog.Food{
		ID: "crystals", Name: "Crystals", Void: exactly(0.4), Moisture: exactly(0.01), Amber: exactly(0.85), Red: exactly(0.9), Limit: "dissolves",
		Modes: []catalog.Mode{
			{Name: "ageing", Ea: exactly(80), Life: exactly(1000), LowOxygenGain: exactly(1), OxygenHalf: exactly(0.02), ActivityAt: exactly(0.5), PerTenth: exactly(2)},
			{Name: "vitamin", Order: catalog.FirstOrder, Limit: 0.5, Nutrient: true, Ea: exactly(100), Life: exactly(10), LowOxygenGain: exactly(1), OxygenHalf: exactly(0.02), ActivityAt: exactly(0.5), PerTenth: exactly(1)},
			{Name: "fading", Order: catalog.FirstOrder, Limit: 0.5, Ea: exactly(50), Life: exactly(5000), LowOxygenGain: exactly(1), OxygenHalf: exactly(0.02), ActivityAt: exactly(0.5), PerTenth: exactly(1), LightRate: exactly(1e-5)},
		},
		Energy: exactly(4000),
	}
	quick := exactly(0.01)
	return &catalog.Catalog{
		Reference: room.Reference, Foods: []catalog.Food{crystals},
		Containers: []catalog.Container{
			{ID: "bottle", Name: "Bottle", Volume: exactly(2), Lag: quick, Clear: true, Sealed: true},
			{ID: "sack", Name: "Sack", Volume: exactly(2), Lag: quick, Clear: true, SealFailure: exactly(1)},
		},
	}
}

func shipped(t interface {
	Helper()
	Fatal(...any)
}) *catalog.Catalog {
	t.Helper()
	c, err := ships()
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// lotOf is a lot of ten containers of a kilogram, on an open shelf.
func lotOf(food, container, in string) lot.Lot {
	p := lot.Packing{
		Food: food, Container: container, Count: 10, NetMassKG: 1, PackedAt: packed(), Room: in,
		Shading: lot.OpenShelf, Treatment: lot.Treatment{Kind: lot.NoTreatment},
	}
	return p.Lot("L-1")
}

type fataler interface {
	Helper()
	Fatal(...any)
	Errorf(string, ...any)
}

// noSpells is rooms without any.
func noSpells(string) []Spell { return nil }

func reviewer(c *catalog.Catalog, h *house, spells func(string) []Spell) *Reviewer {
	return New(c, h, course.New(c, h), spells, time.UTC)
}

// advance takes the account of a lot from packing to an instant.
func advance(t fataler, r *Reviewer, l lot.Lot, to time.Time) Account {
	t.Helper()
	a, err := r.Start(l)
	if err != nil {
		t.Fatal(err)
	}
	if a, err = r.Advance(a, l, to); err != nil {
		t.Fatal(err)
	}
	return a
}

// constant is a climate ahead that never changes, in no doubt.
type constant struct {
	at time.Time
	course.Keeping
}

func (c constant) At() time.Time { return c.at }
func (c constant) Mean(_, _ float64) (unit.Celsius, unit.Pascal) {
	return c.Temperature, climate.VapourPressure(c.Temperature, c.Humidity)
}
func (c constant) Ageing(ea unit.KJPerMol, _ unit.Hours) course.Ageing {
	return steadily(kinetics.AccelerationFactor(ea, c.Temperature, room.Reference))
}
func (c constant) Light() float64 { return c.Keeping.Light }

type steadily float64

func (s steadily) Factor(_, _ float64) float64 { return float64(s) }
func (s steadily) LnSpread(float64) float64    { return 0 }

// asLately has every room go on as it was in the last 30 days, so that ends can
// be worked out by hand.
func asLately(r *Reviewer, rooms Rooms) Prospects {
	return func(in string, at time.Time, warmest *unit.Celsius, dampest *unit.RH) (course.Ahead, bool) {
		k, _, known := r.follower.In(hold(rooms, warmest, dampest, at.AddDate(0, 0, -31), at)).Lately(in, at)
		if !known {
			k = course.Keeping{Temperature: rooms.Plan(in), Humidity: rooms.Damp(in)}
		}
		return constant{at, k}, known
	}
}

func near(t fataler, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.10g, want %.10g within %.2g", what, got, want, tolerance)
	}
}

// factor is the acceleration against 21 °C by Arrhenius, by hand.
func factor(ea, celsius float64) float64 {
	return math.Exp(ea / 8.314462618e-3 * (1/294.15 - 1/(celsius+273.15)))
}

var _ Rooms = (*house)(nil)
