package forecast

import (
	"math"
	"time"

	"dryhold/internal/room"
)

// Hour is what was measured in one hour; not-a-number says that it was not.
type Hour struct {
	Temp   float32 // °C
	Vapour float32 // Pa
}

// History is hours in a row, the first beginning at From (UTC, on the hour).
// Values no room has, beyond -60 to 90 °C or 0 to 70 kPa, count as missing.
type History struct {
	From  time.Time
	Hours []Hour
}

// Unknown is an hour of which nothing was measured.
func Unknown() Hour { return Hour{float32(math.NaN()), float32(math.NaN())} }

// halfHour is how much of an hour must be measured for it to count, ms.
const halfHour = 30 * 60 * 1000

// FromSlots takes the measured hours of a ledger (room.Ledger.Slots).
// Estimates are left out: they are a forecast themselves.
func FromSlots(first time.Time, slots []room.Slot) History {
	h := History{From: first.UTC(), Hours: make([]Hour, len(slots))}
	for i := range slots {
		s, x := &slots[i], Unknown()
		if s.MeasuredMS >= halfHour {
			x.Temp = s.TempMean
		}
		if s.VapourMS >= halfHour {
			x.Vapour = s.VapourMean
		}
		h.Hours[i] = x
	}
	return h
}

// Before is the part of a history that ends at an instant.
func (h History) Before(at time.Time) History {
	n := int(math.Floor(at.Sub(h.From).Hours()))
	h.Hours = h.Hours[:max(0, min(n, len(h.Hours)))]
	return h
}

// temp is the temperature of an hour counted from the first; not-a-number
// where it is unknown.
func (h *History) temp(i int) float64 {
	if i < 0 || i >= len(h.Hours) {
		return math.NaN()
	}
	return sane(float64(h.Hours[i].Temp), -60, 90)
}

func (h *History) vapour(i int) float64 {
	if i < 0 || i >= len(h.Hours) {
		return math.NaN()
	}
	return sane(float64(h.Hours[i].Vapour), 1, 70000)
}

func sane(v, low, high float64) float64 {
	if v >= low && v <= high {
		return v
	}
	return math.NaN()
}

// Day is one UTC day of a room; not-a-number says unknown.
type Day struct {
	Temp float64 // mean, °C
	// Swing is the amplitude of the sine that has the variance of the day's
	// hours, K: of all shapes the one that ages food as much.
	Swing  float64
	Vapour float64 // mean, Pa
}

// leastHours is how many hours of a day must be known for its mean and swing
// to count (judgement).
const leastHours = 18

// Days are the days of a history; the first is so many days after 1 January
// 1970 (UTC).
func (h *History) Days() (first int, days []Day) {
	if len(h.Hours) == 0 {
		return 0, nil
	}
	hour := floorDiv(h.From.Unix(), 3600)
	first = int(floorDiv(hour, 24))
	last := int(floorDiv(hour+int64(len(h.Hours))-1, 24))
	days = make([]Day, last-first+1)
	for d := range days {
		days[d] = h.day(int(int64(first+d)*24 - hour))
	}
	return first, days
}

// day gathers the 24 hours from one on.
func (h *History) day(from int) Day {
	var sum, square, damp, n, wet float64
	for i := from; i < from+24; i++ {
		if t := h.temp(i); t == t {
			sum, square, n = sum+t, square+float64(t*t), n+1
		}
		if v := h.vapour(i); v == v {
			damp, wet = damp+v, wet+1
		}
	}
	d := Day{math.NaN(), math.NaN(), math.NaN()}
	if n >= leastHours {
		d.Temp = sum / n
		d.Swing = math.Sqrt(2 * max(0, square/n-float64(d.Temp*d.Temp)))
	}
	if wet >= leastHours {
		d.Vapour = damp / wet
	}
	return d
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

// dayOf is the UTC day of an instant, in days after 1 January 1970, and how
// much of it is over.
func dayOf(at time.Time) (day int, share float64) {
	s := at.Unix()
	d := floorDiv(s, 86400)
	return int(d), float64(s-d*86400) / 86400
}

const year = 365.25 // days

// season is cosine and sine of the first two harmonics of a day of the year.
func season(day float64) [4]float64 {
	a := 2 * math.Pi * day / year
	s, c := math.Sincos(a)
	return [4]float64{c, s, float64(c*c) - float64(s*s), 2 * s * c}
}
