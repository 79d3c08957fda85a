package review

import (
	"time"

	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// Season is a meteorological season: three whole months.
type Season int

// The seasons. December belongs to the year of the January that follows it.
const (
	DecFeb Season = iota
	MarMay
	JunAug
	SepNov
	seasonCount
)

// String names a season by its months: what is summer hangs on the side of the
// equator.
func (s Season) String() string {
	return [...]string{"Dec-Feb", "Mar-May", "Jun-Aug", "Sep-Nov"}[s]
}

// days of a season in a mean year, four years apart from a leap year.
func (s Season) days() float64 { return [...]float64{90.25, 92, 92, 91}[s] }

// seasonOf gives the season of a calendar day and the year it is counted to.
func seasonOf(day time.Time) (Season, int) {
	y, m, _ := day.Date()
	if m == time.December {
		return DecFeb, y + 1
	}
	return Season(m / 3), y
}

// AirDay is the air of one calendar day of the site as sums over its hours that
// are over, each counted to the day it begins in. An hour is known when at least
// half of it was measured. All sums are over known hours.
type AirDay struct {
	Hours, Known int
	Heat         float64 // of hour means, °C
	Ageing       float64 // exposure at room.AirEa, days at the reference
	Beyond       float64 // what of it is beyond plan storage, hour by hour, never below 0
	Above        int     // hours whose mean is above the warm limit
	// Vapour (Pa) is a sum over Damp hours, those with humidity known too;
	// Light (lux hours) one over Lit hours.
	Vapour float64
	Damp   int
	Light  float64
	Lit    int
	// Outdoors is how many hours are known of the air outdoors, and DegreeDays
	// what those add: of each its mean above the base, a 24th of it. Both is how
	// many hours are known here and outdoors, with the sums over those.
	Outdoors       int
	DegreeDays     float64
	Both           int
	BothBeyond     float64
	BothDegreeDays float64
}

// Add joins two stretches of time.
func (a AirDay) Add(b AirDay) AirDay {
	return AirDay{
		Hours: a.Hours + b.Hours, Known: a.Known + b.Known, Heat: a.Heat + b.Heat, Ageing: a.Ageing + b.Ageing,
		Beyond: a.Beyond + b.Beyond, Above: a.Above + b.Above, Vapour: a.Vapour + b.Vapour, Damp: a.Damp + b.Damp,
		Light: a.Light + b.Light, Lit: a.Lit + b.Lit, Outdoors: a.Outdoors + b.Outdoors, DegreeDays: a.DegreeDays + b.DegreeDays,
		Both: a.Both + b.Both, BothBeyond: a.BothBeyond + b.BothBeyond, BothDegreeDays: a.BothDegreeDays + b.BothDegreeDays,
	}
}

// AirRoom is the air of one room, day by day without a gap.
type AirRoom struct {
	Name string
	// Plan is the warm limit of the room, to which exposure beyond plan, hours
	// above and degree-days are related.
	Plan unit.Celsius
	// Open says that it is the air outdoors, where nothing is stored.
	Open bool
	// First is the first day, at midnight in the zone of the site; rooms that
	// are compared begin and end on the same days.
	First time.Time
	Days  []AirDay
	// Ageing is the exposure of each day for each key asked for, days at the
	// reference.
	Ageing map[room.Key][]float64
}

// dates gives the season of each day and the year it is counted to.
func dates(first time.Time, n int) []dated {
	out := make([]dated, n)
	y, m, d := first.Date()
	for i := range out {
		out[i].Season, out[i].Year = seasonOf(time.Date(y, m, d+i, 0, 0, 0, 0, time.UTC))
	}
	return out
}

type dated struct {
	Season Season
	Year   int
}

// halfKnown says whether an hour is known.
func halfKnown(ms uint32) bool { return ms >= halfHour }

// AirHour takes an hour of a room into a day: its slot, its exposure at
// room.AirEa, what plan storage would have been exposed to in an hour, and the
// mean of the air outdoors, where it is known.
func (a *AirDay) AirHour(s room.Slot, exposure, plan float64, limit unit.Celsius, outdoors float64, known bool) {
	a.Hours++
	degrees := max(0, outdoors-float64(limit)) / 24
	if known {
		a.Outdoors++
		a.DegreeDays += degrees
	}
	if s.DoseMS >= halfHour {
		a.Light += float64(s.Dose) * float64(time.Hour/time.Millisecond) / float64(s.DoseMS)
		a.Lit++
	}
	if !halfKnown(s.MeasuredMS) {
		return
	}
	a.Known++
	a.Heat += float64(s.TempMean)
	a.Ageing += exposure
	beyond := max(0, exposure-plan)
	a.Beyond += beyond
	if s.TempMean > float32(limit) {
		a.Above++
	}
	if halfKnown(s.VapourMS) {
		a.Vapour += float64(s.VapourMean)
		a.Damp++
	}
	if known {
		a.Both++
		a.BothBeyond += beyond
		a.BothDegreeDays += degrees
	}
}
