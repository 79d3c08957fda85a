package review

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	"dryhold/internal/kinetics"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

const (
	// leastBlocks is how many whole days a place wants, and leastHours how many
	// hours of each must have been measured both there and by the fixed sensors
	// (judgement).
	leastBlocks, leastHours = 3, 18
	// daysTogether is the least correlation of neighbouring days that is
	// reckoned with: what few days tell of it comes out too low, and differences
	// that last ten hours make it 0.28. mostTogether is the most (judgement).
	daysTogether, mostTogether = 0.25, 0.9
)

// PlaceHour is one hour at a place and in its room, by the sensors that stay.
type PlaceHour struct {
	At time.Time
	// Stay and Day number the stretch the sensor stood there, and in it the
	// spans of 24 hours.
	Stay, Day int
	// Temperatures are means of the hour, °C, ageing is exposure at room.AirEa,
	// days at the reference.
	There, Room             float64
	ThereAgeing, RoomAgeing float64
	// Humidity is relative, fractions; both NaN where not both are known.
	ThereHumidity, RoomHumidity float64
}

// Offset is the mean difference between a place and its room, there less room,
// with its 95 % interval.
type Offset struct {
	Mean  float64 `json:"mean"`
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
	Hours int     `json:"hours"`
	Days  int     `json:"days"`
}

// Why a place is not known. Shown to programs: never rename.
const (
	NoHours    = "no-readings"      // the sensor carried there sent nothing
	NoFixed    = "no-fixed-sensors" // none measured the room at the same time
	TooFewDays = "too-few-days"     // fewer than three
)

// Place is what is known of one place of a room.
type Place struct {
	Room  string    `json:"room"`
	Place string    `json:"place"`
	From  time.Time `json:"from"` // of the first stretch
	To    time.Time `json:"to"`   // of the last
	Hours int       `json:"hours"`
	// Temperature is in kelvin and Humidity a fraction of relative humidity;
	// nil where not known.
	Temperature *Offset `json:"temperature"`
	Humidity    *Offset `json:"humidity"`
	// Ageing is how fast food ages there against the room as its fixed sensors
	// tell it, and Degrees how much warmer a room would have to be for the same:
	// what to add to its temperature, or to take off its warm limit and plan,
	// for what stands there. At the activation energy of the mean kinetic
	// temperature.
	Ageing  *float64 `json:"ageing_factor"`
	Degrees *float64 `json:"degrees_to_add"`
	Not     string   `json:"not,omitempty"`
}

// RoomMap is the places of a room, the hottest first, those not known last.
type RoomMap struct {
	Room   string  `json:"room"`
	Places []Place `json:"places"`
	// The extremes among the places known; empty with fewer than two of them.
	Hottest string `json:"hottest,omitempty"`
	Coldest string `json:"coldest,omitempty"`
	Driest  string `json:"driest,omitempty"`
	Dampest string `json:"dampest,omitempty"`
	// Sure says that hottest and coldest are told apart: their intervals do not
	// meet. SureDamp says it of dampest and driest.
	Sure     bool `json:"temperature_told_apart"`
	SureDamp bool `json:"humidity_told_apart"`
}

// MapPlace fills in what the hours at a place say of it. sent and fixed say
// whether the sensor carried there sent anything, and whether any other
// measured the room meanwhile.
//
// Differences of neighbouring hours hang together, and those of a day have its
// rhythm, so the hours of each span of 24 are one value, their mean; spans with
// fewer than 18 hours are left out. The interval is that of Student's t over
// those values, the method of batch means (Glynn & Whitt 1991, Operations Research
// Letters 10:431; Glynn & Lim 2009; abstracts read), widened by
// sqrt((1+r)/(1-r)) for values that follow each other with correlation r, as in
// a first-order autoregression.
func (p *Place) MapPlace(hours []PlaceHour, sent, fixed bool) {
	days := daysOf(hours)
	p.Temperature = offset(days, func(h *PlaceHour) float64 { return h.There - h.Room })
	p.Humidity = offset(days, func(h *PlaceHour) float64 { return h.ThereHumidity - h.RoomHumidity })
	p.Hours = len(hours)
	switch {
	case p.Temperature != nil:
		p.ages(days)
	case !sent:
		p.Not = NoHours
	case !fixed:
		p.Not = NoFixed
	default:
		p.Not = TooFewDays
	}
}

// daysOf parts hours, which are in order, into spans of 24.
func daysOf(hours []PlaceHour) (out [][]PlaceHour) {
	for i := 0; i < len(hours); {
		j := i
		for j < len(hours) && hours[j].Stay == hours[i].Stay && hours[j].Day == hours[i].Day {
			j++
		}
		out = append(out, hours[i:j])
		i = j
	}
	return out
}

// offset is the mean of the means of days; nil with too few.
func offset(days [][]PlaceHour, of func(h *PlaceHour) float64) *Offset {
	var means []float64
	x := Offset{}
	for _, d := range days {
		sum, n := 0.0, 0
		for i := range d {
			if v := of(&d[i]); v == v {
				sum, n = sum+v, n+1
			}
		}
		if n >= leastHours {
			means = append(means, sum/float64(n))
			x.Hours += n
		}
	}
	if x.Days = len(means); x.Days < leastBlocks {
		return nil
	}
	mean, square := 0.0, 0.0
	for _, m := range means {
		mean += m / float64(x.Days)
	}
	for _, m := range means {
		square += float64((m - mean) * (m - mean))
	}
	r := daysTogether
	if square > 0 {
		next := 0.0
		for i := range x.Days - 1 {
			next += float64((means[i] - mean) * (means[i+1] - mean))
		}
		r = min(mostTogether, max(r, next/square))
	}
	reach := student(x.Days-1) * math.Sqrt(square/float64(x.Days-1)/float64(x.Days)*(1+r)/(1-r))
	x.Mean, x.Low, x.High = mean, mean-reach, mean+reach
	return &x
}

// student is the 97.5 % point of Student's t (NIST/SEMATECH e-Handbook, section
// 1.3.6.7.2, from memory; a test integrates the density). Beyond 30 degrees of
// freedom it stays that of 30, which makes an interval 4 % too wide at most.
func student(freedom int) float64 {
	return [...]float64{
		math.Inf(1), 12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228, 2.201, 2.179, 2.160, 2.145, 2.131,
		2.120, 2.110, 2.101, 2.093, 2.086, 2.080, 2.074, 2.069, 2.064, 2.060, 2.056, 2.052, 2.048, 2.045, 2.042,
	}[min(max(0, freedom), 30)]
}

// ages compares how food ages over the hours that count.
func (p *Place) ages(days [][]PlaceHour) {
	var there, in, hours float64
	for _, d := range days {
		if len(d) < leastHours {
			continue
		}
		for _, h := range d {
			there, in, hours = there+h.ThereAgeing, in+h.RoomAgeing, hours+1
		}
	}
	a, errA := kinetics.EffectiveTemperature(room.AirEa, room.Reference, there/(hours/24))
	b, errB := kinetics.EffectiveTemperature(room.AirEa, room.Reference, in/(hours/24))
	if errA != nil || errB != nil {
		return
	}
	factor, degrees := there/in, float64(a-b)
	p.Ageing, p.Degrees = &factor, &degrees
}

// MapOf puts the places of a room in order and names the extremes.
func MapOf(name string, places []Place) RoomMap {
	m := RoomMap{Room: name, Places: slices.Clone(places)}
	value := func(p *Place) float64 {
		if p.Temperature == nil {
			return math.Inf(-1)
		}
		return p.Temperature.Mean
	}
	slices.SortStableFunc(m.Places, func(a, b Place) int {
		return cmp.Or(cmp.Compare(value(&b), value(&a)), strings.Compare(a.Place, b.Place))
	})
	m.Coldest, m.Hottest, m.Sure = extremes(m.Places, func(p *Place) *Offset { return p.Temperature })
	m.Driest, m.Dampest, m.SureDamp = extremes(m.Places, func(p *Place) *Offset { return p.Humidity })
	return m
}

func extremes(places []Place, of func(p *Place) *Offset) (least, most string, sure bool) {
	var low, high *Place
	n := 0
	for i := range places {
		p := &places[i]
		x := of(p)
		if x == nil {
			continue
		}
		n++
		if low == nil || x.Mean < of(low).Mean {
			low = p
		}
		if high == nil || x.Mean > of(high).Mean {
			high = p
		}
	}
	if n < 2 {
		return "", "", false
	}
	return low.Place, high.Place, of(low).High < of(high).Low
}

// HoursApart pairs the hours of a stay at a place with those of its room. from
// is when the stay began. Hours not known on both sides are left out; sent and
// fixed say whether any is known at the place, and in the room.
func HoursApart(stay int, from time.Time, there, in []MeasuredHour) (out []PlaceHour, sent, fixed bool) {
	for i := range min(len(there), len(in)) {
		a, b := &there[i], &in[i]
		known, also := halfKnown(a.Slot.MeasuredMS), halfKnown(b.Slot.MeasuredMS)
		sent, fixed = sent || known, fixed || also
		if !known || !also {
			continue
		}
		h := PlaceHour{
			At: a.At, Stay: stay, Day: int(a.At.Sub(from) / (24 * time.Hour)),
			There: float64(a.Slot.TempMean), Room: float64(b.Slot.TempMean), ThereAgeing: a.Exposure, RoomAgeing: b.Exposure,
			ThereHumidity: math.NaN(), RoomHumidity: math.NaN(),
		}
		if halfKnown(a.Slot.VapourMS) && halfKnown(b.Slot.VapourMS) {
			h.ThereHumidity, h.RoomHumidity = float64(a.Slot.HumidityMean), float64(b.Slot.HumidityMean)
		}
		out = append(out, h)
	}
	return out, sent, fixed
}

// longestStay is how much of a stay at a place counts, the last of it: a sensor
// that was forgotten there is no reason to read years (judgement).
const longestStay = 60 * 24 * time.Hour

// StayFrom is from when on a stay at a place counts.
func StayFrom(from, to time.Time) time.Time {
	if last := to.Add(-longestStay); last.After(from) {
		return last
	}
	return from
}

// MeasuredHour is one hour of a ledger.
type MeasuredHour struct {
	At       time.Time
	Slot     room.Slot
	Exposure float64 // at room.AirEa, days at the reference
}

// MeasuredHours gives the hours of a ledger that begin in a stretch and are
// settled.
func MeasuredHours(l *room.Ledger, from, to time.Time) []MeasuredHour {
	if settled := l.Settled(); settled.Before(to) {
		to = settled.Truncate(time.Hour)
	}
	var hours []int
	for i := range max(0, int(to.Sub(from)/time.Hour)+3) {
		hours = append(hours, i)
	}
	sums, _ := l.Running(0, room.AirEa, from, hours)
	var out []MeasuredHour
	for at, s := range l.Hours(from, to) {
		i := len(out)
		out = append(out, MeasuredHour{at, s, sums[i+1] - sums[i]})
	}
	return out
}

// DegreesOff is a warm limit as it would have to be for a place.
func (p *Place) DegreesOff(limit unit.Celsius) (unit.Celsius, bool) {
	if p.Degrees == nil {
		return 0, false
	}
	return limit - unit.Celsius(*p.Degrees), true
}
