package engine

import (
	"fmt"
	"math"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/kinetics"
	"dryhold/internal/lot"
	"dryhold/internal/review"
	"dryhold/internal/unit"
)

// Past is what the past has cost one lot, by month and room as well.
type Past struct {
	review.Review
	InMonths []review.InMonth
}

// Pasts is Review with the costs by month and room.
func (e *Engine) Pasts(now time.Time) ([]Past, error) {
	if err := e.workOut(now); err != nil {
		return nil, fmt.Errorf("cannot review the lots: %w", err)
	}
	var out []Past
	for _, l := range e.book.Lots() {
		a, err := e.accountOf(l)
		if err != nil {
			return nil, err
		}
		out = append(out, Past{a.Review(l), a.InMonths(l)})
	}
	return out, nil
}

// Air is the air of a room over a stretch of time, as sums, so that days make
// up months exactly. Temperatures, humidity, light and ageing are those of the
// hours in which they were measured.
type Air struct {
	Measured, Estimated, Unknown time.Duration
	min, max                     float64
	heat, ageing                 float64 // °C and acceleration, each times ms measured
	damp, dampMS                 float64 // fraction times ms
	dose                         float64 // lux hours
	doseMS                       float64
}

// Add joins two stretches.
func (a Air) Add(b Air) Air {
	if a.Measured == 0 {
		a.min, a.max = b.min, b.max
	} else if b.Measured > 0 {
		a.min, a.max = min(a.min, b.min), max(a.max, b.max)
	}
	a.Measured, a.Estimated, a.Unknown = a.Measured+b.Measured, a.Estimated+b.Estimated, a.Unknown+b.Unknown
	a.heat, a.ageing = a.heat+b.heat, a.ageing+b.ageing
	a.damp, a.dampMS = a.damp+b.damp, a.dampMS+b.dampMS
	a.dose, a.doseMS = a.dose+b.dose, a.doseMS+b.doseMS
	return a
}

// over is NaN where nothing was measured.
func over(sum, ms float64) float64 {
	if ms <= 0 {
		return math.NaN()
	}
	return sum / ms
}

func known(v float64, is bool) float64 {
	if !is {
		return math.NaN()
	}
	return v
}

// Mean temperature, °C; like all that follow NaN where it was not measured.
func (a Air) Mean() float64 { return over(a.heat, float64(a.Measured.Milliseconds())) }

// Min is the lowest temperature, °C.
func (a Air) Min() float64 { return known(a.min, a.Measured > 0) }

// Max is the highest temperature, °C.
func (a Air) Max() float64 { return known(a.max, a.Measured > 0) }

// Acceleration of ageing against plan storage, mean over the hours at 80
// kJ/mol, as it is shown for a room.
func (a Air) Acceleration() float64 { return over(a.ageing, float64(a.Measured.Milliseconds())) }

// Humidity is the mean relative humidity, fraction.
func (a Air) Humidity() float64 { return over(a.damp, a.dampMS) }

// Dose is the light received in the time it was measured, lux hours.
func (a Air) Dose() float64 { return known(a.dose, a.doseMS > 0) }

// DayAir is the air of one day of the calendar, or of the part that is over.
type DayAir struct {
	Date time.Time // its beginning, in the zone of the site
	Air
}

// RoomPast is a room in a stretch of days.
type RoomPast struct {
	Name string
	Warm unit.Celsius // plan storage
	// Damp (fraction) and Bright (lux) are NaN where they are not watched.
	Damp, Bright float64
	Days         []DayAir
}

// RoomDays tells the days of a room between two instants, both the beginning of
// a day in the zone of the site. Days to come are left out.
func (e *Engine) RoomDays(name string, from, to, now time.Time) (RoomPast, error) {
	r := e.find(name)
	if r == nil {
		return RoomPast{}, lot.NotFound("there is no room %q%s", name, hintOf(name, e.Rooms()))
	}
	out := RoomPast{Name: name, Warm: e.Plan(name), Damp: math.NaN(), Bright: math.NaN()}
	if rule, ok := r.rules[alarm.Damp]; ok {
		out.Damp = rule.Limit
	}
	if rule, ok := r.rules[alarm.Bright]; ok {
		out.Bright = rule.Limit
	}
	if to.After(now) {
		to = now
	}
	end := time.Time{}
	for at, s := range r.ledger.Hours(from, to) {
		if !at.Before(end) {
			y, m, d := at.In(e.cfg.Zone).Date()
			day := time.Date(y, m, d, 0, 0, 0, 0, e.cfg.Zone)
			out.Days, end = append(out.Days, DayAir{Date: day}), time.Date(y, m, d+1, 0, 0, 0, 0, e.cfg.Zone)
		}
		a := Air{
			Measured: time.Duration(s.MeasuredMS) * time.Millisecond, Estimated: time.Duration(s.EstimatedMS) * time.Millisecond,
			Unknown: time.Duration(s.UnknownMS) * time.Millisecond,
		}
		if ms := float64(s.MeasuredMS); ms > 0 {
			a.min, a.max, a.heat = float64(s.TempMin), float64(s.TempMax), float64(float64(s.TempMean)*ms)
			a.ageing = ms * kinetics.AccelerationFactor(shownEa, unit.Celsius(s.TempMean), out.Warm)
		}
		if ms := float64(s.VapourMS); ms > 0 {
			a.damp, a.dampMS = float64(float64(s.HumidityMean)*ms), ms
		}
		if s.DoseMS > 0 {
			a.dose, a.doseMS = float64(s.Dose), float64(s.DoseMS)
		}
		day := &out.Days[len(out.Days)-1]
		day.Air = day.Add(a)
	}
	return out, nil
}
