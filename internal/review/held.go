package review

import (
	"iter"
	"math"
	"time"

	"dryhold/internal/climate"
	"dryhold/internal/course"
	"dryhold/internal/kinetics"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// Rooms is what the rooms were like, by the hour as well.
type Rooms interface {
	course.Rooms
	// Hours of a room that begin in a stretch, in order and none left out, as
	// room.Ledger.Hours.
	Hours(room string, from, to time.Time) iter.Seq2[time.Time, room.Slot]
}

// held is rooms that were never warmer and never damper than a bound, all else
// as it was. It holds what the bounds take away, hour by hour, so that where
// they take nothing away the rooms are what they were to the last digit.
//
// The bound is laid on the core of the food and not on the air: food behind a
// lag that followed bounded air would be cooler still, so the gain is not
// overstated. Vapour is bounded by the humidity at the bounded temperature, and
// by saturation there, since a cooled room condenses what is above it.
type held struct {
	Rooms
	warmest *unit.Celsius
	dampest *unit.RH
	first   time.Time
	end     time.Time

	climates  map[string]*taken
	exposures map[exposureKey][]float64 // running sums of days taken away, at each hour
}

type exposureKey struct {
	room string
	room.Key
}

// taken is running sums at each hour: what is known, in hours, and what the
// bounds take away in degree hours and pascal hours.
type taken struct{ knownTemp, temp, knownVapour, vapour []float64 }

// hold bounds rooms between two instants.
func hold(rooms Rooms, warmest *unit.Celsius, dampest *unit.RH, first, end time.Time) *held {
	first = first.Truncate(time.Hour)
	return &held{
		Rooms: rooms, warmest: warmest, dampest: dampest, first: first, end: end,
		climates: map[string]*taken{}, exposures: map[exposureKey][]float64{},
	}
}

// Plan is what unknown time is taken at: no warmer than the bound.
func (h *held) Plan(in string) unit.Celsius {
	if plan := h.Rooms.Plan(in); h.warmest == nil || plan < *h.warmest {
		return plan
	}
	return *h.warmest
}

// Damp is what unknown humidity is taken as: no damper than the bound.
func (h *held) Damp(in string) unit.RH {
	if damp := h.Rooms.Damp(in); h.dampest == nil || damp < *h.dampest {
		return damp
	}
	return *h.dampest
}

// Exposure is that of the room less what the bound takes away.
func (h *held) Exposure(in string, lag unit.Hours, ea unit.KJPerMol, from, to time.Time) room.Exposure {
	e := h.Rooms.Exposure(in, lag, ea, from, to)
	if h.warmest == nil {
		return e
	}
	less := unit.Days(h.between(h.exposure(in, room.Key{Lag: lag, Ea: ea}), from, to))
	if less > 0 {
		e.Days, e.Low, e.High = max(0, e.Days-less), max(0, e.Low-less), max(0, e.High-less)
	}
	return e
}

// Mean is that of the room less what the bounds take away.
func (h *held) Mean(in string, from, to time.Time) room.Climate {
	c := h.Rooms.Mean(in, from, to)
	if h.warmest == nil && h.dampest == nil {
		return c
	}
	t := h.climate(in)
	if less := h.between(t.temp, from, to); less > 0 && c.TempKnown {
		c.Temp -= unit.Celsius(less / h.between(t.knownTemp, from, to))
	}
	if less := h.between(t.vapour, from, to); less > 0 && c.VapourKnown {
		c.Vapour = max(0, c.Vapour-unit.Pascal(less/h.between(t.knownVapour, from, to)))
	}
	return c
}

// between is how far running sums rise from one instant to another, evenly
// within an hour.
func (h *held) between(sums []float64, from, to time.Time) float64 {
	at := func(t time.Time) float64 {
		hours := t.Sub(h.first).Hours()
		last := float64(len(sums) - 1)
		hours = min(last, max(0, hours))
		i := int(math.Floor(hours))
		if i+1 >= len(sums) {
			return sums[len(sums)-1]
		}
		return sums[i] + float64((sums[i+1]-sums[i])*(hours-float64(i)))
	}
	return at(to) - at(from)
}

func (h *held) exposure(in string, k room.Key) []float64 {
	key := exposureKey{in, k}
	if sums, ok := h.exposures[key]; ok {
		return sums
	}
	perDay := kinetics.AccelerationFactor(k.Ea, *h.warmest, room.Reference)
	sum, sums := 0.0, []float64{0}
	for at := h.first; at.Before(h.end); at = at.Add(time.Hour) {
		e := h.Rooms.Exposure(in, k.Lag, k.Ea, at, at.Add(time.Hour))
		bound := perDay * (e.Measured + e.Estimated).Hours() / 24
		if over := float64(e.Days) - bound; over > 1e-12*bound { // no digit of rounding
			sum += over
		}
		sums = append(sums, sum)
	}
	h.exposures[key] = sums
	return sums
}

func (h *held) climate(in string) *taken {
	if t := h.climates[in]; t != nil {
		return t
	}
	t := &taken{[]float64{0}, []float64{0}, []float64{0}, []float64{0}}
	rise := func(sums *[]float64, by float64) { *sums = append(*sums, (*sums)[len(*sums)-1]+by) }
	const hour = float64(time.Hour / time.Millisecond)
	for _, s := range h.Hours(in, h.first, h.end) {
		temp := float64(s.TempMean)
		bounded := temp
		if h.warmest != nil {
			bounded = min(temp, float64(*h.warmest))
		}
		known := float64(s.MeasuredMS+s.EstimatedMS) / hour
		rise(&t.knownTemp, known)
		rise(&t.temp, known*(temp-bounded))
		vapour, over := float64(s.VapourMean), 0.0
		if s.VapourMS > 0 && (bounded < temp || h.dampest != nil) {
			most := unit.RH(1)
			if h.dampest != nil {
				most = *h.dampest
			}
			over = max(0, vapour-float64(climate.VapourPressure(unit.Celsius(bounded), most)))
		}
		damp := float64(s.VapourMS) / hour
		rise(&t.knownVapour, damp)
		rise(&t.vapour, damp*over)
	}
	h.climates[in] = t
	return t
}
