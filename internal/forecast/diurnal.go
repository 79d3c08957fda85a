package forecast

import (
	"math"
	"time"
)

// diurnal is the pattern of the day: two harmonics of the UTC hour, each with
// a constant part and one that turns with the season.
type diurnal struct {
	known bool
	x     [diurnals]float64
}

const (
	hourly   = 4 // cosine and sine of one and two turns a day
	turning  = 3 // constant, cosine and sine of the year
	diurnals = hourly * turning
	// Hours of weather that count as one for the pattern (judgement: the
	// departures of neighbouring hours are alike).
	alike = 6
	// The pattern is that of the last three years: as the house is now.
	patternHours = 3 * 366 * 24
)

// fitDiurnal regresses hours, less the mean of their day, on the pattern.
// Priors (judgement) hold it near 0, the turning part more so, and by as much
// as is needed: with a season seen the pattern is that season's.
func fitDiurnal(h History) diurnal {
	if n := len(h.Hours) - patternHours; n > 0 {
		h = History{h.From.Add(time.Duration(n) * time.Hour), h.Hours[n:]}
	}
	a, b := newSquare(diurnals), make([]float64, diurnals)
	for i := range diurnals {
		sd := 3.0
		if i >= hourly {
			sd = 1
		}
		*a.at(i, i) = 1 / (sd * sd)
	}
	first, days := h.Days()
	start := floorDiv(h.From.Unix(), 3600)
	var d diurnal
	for k, day := range days {
		if day.Temp != day.Temp {
			continue
		}
		d.known = true
		year := season(float64(first + k))
		from := int(int64(first+k)*24 - start)
		for hour := range 24 {
			t := h.temp(from + hour)
			if t != t {
				continue
			}
			x := pattern(hour, year)
			for i := range diurnals {
				b[i] += float64(x[i]*(t-day.Temp)) / alike
				line := a.a[i*diurnals : (i+1)*diurnals]
				for j := range line {
					line[j] += float64(x[i]*x[j]) / alike
				}
			}
		}
	}
	copy(d.x[:], a.factor().solve(b))
	return d
}

// waves are the harmonics of the day in the middle of an hour.
func waves(hour int) [hourly]float64 {
	s, c := math.Sincos(2 * math.Pi * (float64(hour) + 0.5) / 24)
	return [hourly]float64{c, s, float64(c*c) - float64(s*s), 2 * s * c}
}

// pattern is the row of one hour; the value stands for the middle of the hour.
func pattern(hour int, year [4]float64) (x [diurnals]float64) {
	own := waves(hour)
	for k, turn := range [turning]float64{1, year[0], year[1]} {
		for i := range hourly {
			x[k*hourly+i] = own[i] * turn
		}
	}
	return x
}

// at is the departure of an hour from the mean of its day, K.
func (d *diurnal) at(hour int, year [4]float64) float64 {
	if !d.known {
		return 0
	}
	sum := 0.0
	for i, v := range pattern(hour, year) {
		sum += float64(v * d.x[i])
	}
	return sum
}
