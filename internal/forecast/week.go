package forecast

import (
	"math"
	"math/rand/v2"
	"time"
)

const (
	// WeekHours is how far a path may go, hours.
	WeekHours = 7 * 24
	// Origins of past forecasts lie so many hours apart: every hour of the
	// day has its turn.
	originStep = 23
	// leastPaths is how many of them a band is learned from, nearSeason how
	// many days to either side of the day of the year they may lie when
	// there are enough (judgement).
	leastPaths = 30
	nearSeason = 60
	// synthetic is how many paths stand in for a past that is not there.
	synthetic = 100
)

// Week is the next hours, up to WeekHours, without the air outdoors: the
// season and the pattern of the day, and the present departure from them, which
// goes on as it has in the past. The band is that of the errors which the same
// forecast made in the room's past, of this season where it saw it.
func (m *Model) Week(at time.Time, hours int) Path {
	hours = max(0, min(hours, WeekHours))
	at = at.UTC().Truncate(time.Hour)
	i := 0
	if len(m.tail.Hours) > 0 {
		i = int(math.Floor(at.Sub(m.tail.From).Hours()))
	}
	d := m.departures()
	mid := d.ahead(i, hours)
	errors := m.pastErrors(d, at, i, hours)
	learned := len(errors) >= leastPaths
	if !learned {
		errors = m.guessedErrors(d, at, i, hours)
	}
	for _, e := range errors {
		for j := range e {
			e[j] += mid[j] + m.climate(at.Add(time.Duration(j)*time.Hour))
		}
	}
	return newPath(at, errors, learned)
}

// pastErrors are the errors of forecasts from before hour i.
func (m *Model) pastErrors(d *departures, at time.Time, i, hours int) [][]float64 {
	collect := func(near float64) (errors [][]float64) {
		for o := min(i, len(d.hours)) - hours; o >= 48; o -= originStep {
			from := m.tail.From.Add(time.Duration(o) * time.Hour)
			if math.Abs(math.Remainder(at.Sub(from).Hours()/24, year)) > near {
				continue
			}
			if e, ok := differences(d.hour, o, d.ahead(o, hours)); ok {
				// The season was fitted to these hours too: as with the
				// weather, what it took is given back, within a day.
				for j := range e {
					e[j] *= 1 + (m.temp.stretch-1)*min(1, float64(j+1)/24)
				}
				errors = append(errors, e)
			}
		}
		return errors
	}
	if near := collect(nearSeason); len(near) >= leastPaths {
		return near
	}
	return collect(year)
}

// differences of what was measured from hour o on to a forecast; ok is false
// where the hours before or too many of these are unknown.
func differences(value func(int) float64, o int, forecast []float64) (e []float64, ok bool) {
	if t := value(o - 1); t != t {
		return nil, false
	}
	e = make([]float64, len(forecast))
	unknown, last := 0, 0.0
	for j := range forecast {
		if t := value(o + j); t == t {
			last = t - forecast[j]
		} else {
			unknown++
		}
		e[j] = last
	}
	return e, 10*unknown <= len(forecast)
}

// climate is what an hour is expected to be by season and hour.
func (m *Model) climate(at time.Time) float64 {
	day, share := dayOf(at)
	c := season(float64(day) + share - 0.5)
	return m.temp.at(c) + m.now + m.diurnal.at(at.Hour(), c)
}

// guessedErrors are drawn from the fitted correlation of days and what is open
// of the season, for a room with too short a past.
func (m *Model) guessedErrors(d *departures, at time.Time, i, hours int) [][]float64 {
	rng := rand.New(rand.NewPCG(m.options.Seed, 0x7765656b))
	day, _ := dayOf(at)
	c := season(float64(day))
	row := [unknowns]float64{1, 0, c[0], c[1], c[2], c[3], fadingOf(m.temp.bond).now}
	open := 0.0
	for a := range unknowns {
		for b := range unknowns {
			open += row[a] * row[b] * *m.temp.cov.at(a, b)
		}
	}
	keep := math.Pow(max(0.01, m.temp.keep), 1.0/24)
	sd := m.temp.sd()
	last := d.hour(i - 1)
	seen := last == last
	swing := max(0.3, m.swing.at(c))
	out := make([][]float64, synthetic)
	for k := range out {
		e := make([]float64, hours)
		off := math.Sqrt(max(0, open)) * rng.NormFloat64()
		v := sd * rng.NormFloat64()
		if seen {
			v = 0
		}
		phase, size := 2*math.Pi*rng.Float64(), swing*rng.NormFloat64()
		if m.diurnal.known {
			size *= 0.3
		}
		for j := range e {
			v = float64(keep*v) + sd*math.Sqrt(1-keep*keep)*rng.NormFloat64()
			e[j] = v + size*math.Sin(phase+2*math.Pi*float64(j)/24)
			if !seen {
				e[j] += off
			} else { // what is open of the season shows as the present decays
				e[j] += off * (1 - math.Pow(keep, float64(j+1)))
			}
		}
		out[k] = e
	}
	return out
}
