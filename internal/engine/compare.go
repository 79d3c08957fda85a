package engine

import (
	"fmt"
	"math"
	"slices"
	"time"

	"dryhold/internal/barrier"
	"dryhold/internal/catalog"
	"dryhold/internal/kinetics"
	"dryhold/internal/lot"
	"dryhold/internal/review"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// Comparison is what a comparison of rooms starts from: the lots in store, the
// exposures they want, and the days that are over.
type Comparison struct {
	Lots     []review.Standing
	Keys     []room.Key
	Rooms    []string
	Outdoors string // the room of the air outdoors; empty where there is none
	First    time.Time
	End      time.Time // of the last whole hour
}

// Compare prepares the comparison of rooms between two days of the site; zero
// instants stand for the first reading and for now.
func (e *Engine) Compare(now, from, to time.Time) (Comparison, error) {
	if err := e.workOut(now); err != nil {
		return Comparison{}, fmt.Errorf("cannot compare the rooms: %w", err)
	}
	c := Comparison{Lots: []review.Standing{}, Rooms: e.Rooms(), Outdoors: e.cfg.Forecasting.Outdoors, End: now}
	if !to.IsZero() && to.Before(now) {
		c.End = to
	}
	c.End = c.End.Truncate(time.Hour)
	if c.First = from; from.IsZero() {
		c.First = c.End
		for _, r := range e.rooms {
			if first, _ := r.ledger.Slots(); r.ledger.Begun() && first.Before(c.First) {
				c.First = first
			}
		}
	}
	c.First = e.midnight(c.First, 0)
	if e.find(c.Outdoors) == nil {
		c.Outdoors = ""
	}
	for _, l := range e.book.Lots() {
		if l.Finished() {
			continue
		}
		s, err := e.standing(l)
		if err != nil {
			return c, err
		}
		c.Lots = append(c.Lots, s)
		if !slices.Contains(c.Keys, s.Key) {
			c.Keys = append(c.Keys, s.Key)
		}
	}
	return c, nil
}

// midnight is that of the day of an instant in the zone of the site, and so
// many days later.
func (e *Engine) midnight(at time.Time, days int) time.Time {
	y, m, d := at.In(e.cfg.Zone).Date()
	return time.Date(y, m, d+days, 0, 0, 0, 0, e.cfg.Zone)
}

// standing is a lot that is worked out, as a comparison wants it.
func (e *Engine) standing(l lot.Lot) (s review.Standing, err error) {
	food, err := e.cfg.Catalog.Food(l.Packing.Food)
	if err != nil {
		return s, err
	}
	k, err := e.cfg.Catalog.Container(l.Packing.Container)
	if err != nil {
		return s, err
	}
	t := e.lots[l.ID]
	m := &food.Modes[t.limiting]
	wall := barrier.Wall{
		Water:   barrier.WaterPermeance(k.WaterWall.Likely),
		Closure: barrier.Leak{Water: barrier.WaterPermeance(k.WaterClosure.Likely)},
	}
	if l.Seal == barrier.Failed {
		wall = wall.WithSeal(barrier.Failed)
	}
	moisture := l.Packing.MoistureWB
	if moisture <= 0 {
		moisture = food.Moisture.Likely
	}
	s = review.Standing{
		Lot: l.ID, Food: food.Name, Room: l.Room(), Mode: m.Name,
		Key:   room.Key{Lag: l.Packing.Lag(k), Ea: unit.KJPerMol(m.Ea.Likely)},
		EaLow: unit.KJPerMol(m.Ea.Low), EaHigh: unit.KJPerMol(m.Ea.High), Plan: e.Plan(l.Packing.Room),
		Water:    barrier.Water{Dry: barrier.DryMatter(l.Packing.NetMassKG, unit.WetBasis(moisture)), Isotherm: food.Isotherm, Wall: wall},
		Moisture: unit.WetBasis(t.view.Moisture.WetBasis.Likely).DryBasis(),
		Amber:    food.Amber.Likely, Sealed: k.Sealed && l.Seal != barrier.Failed,
	}
	if k.Clear && l.Packing.Shading == lot.OpenShelf {
		s.Light = lightAgeing(m)
	}
	return s, nil
}

// lightAgeing is what a lux hour at the food ages a mode by, days at the
// reference: its share of the mode's life, as package course has it.
func lightAgeing(m *catalog.Mode) float64 {
	share := m.LightRate.Likely
	if m.Order == catalog.FirstOrder {
		share /= -math.Log(m.Limit)
	}
	return share * m.Life.Likely
}

// AirOutdoors is the mean of each hour of the air outdoors from First to End,
// °C; NaN where it is not known, nil where there is no such room.
func (e *Engine) AirOutdoors(c Comparison) []float32 {
	r := e.find(c.Outdoors)
	if r == nil {
		return nil
	}
	var out []float32
	for _, s := range r.ledger.Hours(c.First, c.End) {
		t := float32(math.NaN())
		if s.MeasuredMS >= halfAnHour {
			t = s.TempMean
		}
		out = append(out, t)
	}
	return out
}

// halfAnHour of an hour must have been measured for it to be known, in
// milliseconds.
const halfAnHour = uint32(30 * time.Minute / time.Millisecond)

// AirOf tells the days of one room from First to End, beside the air outdoors
// as AirOutdoors gives it.
func (e *Engine) AirOf(c Comparison, name string, outdoors []float32) review.AirRoom {
	out := review.AirRoom{Name: name, Plan: e.Plan(name), Open: name == c.Outdoors, First: c.First, Ageing: map[room.Key][]float64{}}
	r := e.find(name)
	if r == nil || !c.First.Before(c.End) {
		return out
	}
	n := int(c.End.Sub(c.First)/time.Hour) + 2
	hours := make([]int, n)
	for i := range hours {
		hours[i] = i
	}
	air, _ := r.ledger.Running(0, room.AirEa, c.First, hours)
	plan := kinetics.AccelerationFactor(room.AirEa, out.Plan, room.Reference) / 24
	next, i := time.Time{}, 0
	var starts []int
	for at, s := range r.ledger.Hours(c.First, c.End) {
		if !at.Before(next) {
			out.Days, starts, next = append(out.Days, review.AirDay{}), append(starts, i), e.midnight(c.First, len(out.Days)+1)
		}
		t, known := 0.0, false
		if i < len(outdoors) && outdoors[i] == outdoors[i] {
			t, known = float64(outdoors[i]), true
		}
		out.Days[len(out.Days)-1].AirHour(s, air[i+1]-air[i], plan, out.Plan, t, known)
		i++
	}
	starts = append(starts, i)
	for _, k := range c.Keys {
		sums, ok := r.ledger.Running(k.Lag, k.Ea, c.First, starts)
		if !ok {
			continue
		}
		days := make([]float64, len(out.Days))
		for d := range days {
			days[d] = sums[d+1] - sums[d]
		}
		out.Ageing[k] = days
	}
	return out
}

// MeasuredHours gives the hours of a room in a stretch of time, as its fixed
// sensors tell them.
func (e *Engine) MeasuredHours(name string, from, to time.Time) []review.MeasuredHour {
	r := e.find(name)
	if r == nil {
		return nil
	}
	return review.MeasuredHours(r.ledger, from, to)
}
