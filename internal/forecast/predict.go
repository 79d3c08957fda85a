package forecast

import (
	"math"
	"math/rand/v2"
	"time"
)

// OutdoorPaths makes an ensemble of an outdoor forecast: hourly temperatures
// from some instant on. Its error grows from 1 K to 3 K over five days and lasts
// about a day, both judgement: a household that has kept its forecasts can
// do better with paths of its own.
func OutdoorPaths(hours []float64, seed uint64) [][]float64 {
	rng := rand.New(rand.NewPCG(seed, 0x61697220))
	keep := math.Exp(-1.0 / 24)
	fresh := math.Sqrt(1 - keep*keep)
	out := make([][]float64, synthetic)
	for k := range out {
		z := rng.NormFloat64()
		out[k] = make([]float64, len(hours))
		for j, t := range hours {
			sd := min(3, 1+2*float64(j)/(5*24))
			out[k][j] = t + sd*z
			z = float64(keep*z) + fresh*rng.NormFloat64()
		}
	}
	return out
}

// Predict is the next hours of the room: from an instant on, which should be
// the end of the history it was learned from or soon after, with the air
// outdoors by hours from that instant on as an ensemble (OutdoorPaths, or the
// Members of a Week of the model of the air outdoors). It goes as far as the
// shortest of them, up to WeekHours. Each path takes one of the air's and one
// of the errors that the same forecast made in the past with the air as it was.
// More than a week after the history the path is empty.
func (r *Response) Predict(at time.Time, outdoor [][]float64) Path {
	at = at.UTC().Truncate(time.Hour)
	o := int(math.Floor(at.Sub(r.indoor.From).Hours()))
	hours := WeekHours
	for _, p := range outdoor {
		hours = min(hours, len(p))
	}
	if len(outdoor) == 0 || o <= 0 || hours == 0 || o > len(r.air)+WeekHours {
		return Path{From: at}
	}
	air := append([]float64(nil), r.air[:min(o, len(r.air))]...)
	for len(air) < o { // the last hour holds until now
		air = append(air, air[len(air)-1])
	}
	air = append(air, make([]float64, hours)...)
	quickly, walls := filtered(air, r.whole.lag), filtered(air, wall)
	errors := r.errors
	learned := len(errors) >= leastPaths
	if !learned {
		errors = r.guessedErrors(hours)
	}
	paths := make([][]float64, max(len(outdoor), len(errors)))
	for k := range paths {
		p := outdoor[k%len(outdoor)]
		for j := range hours {
			air[o+j] = p[j]
			if p[j] != p[j] {
				air[o+j] = air[o+j-1]
			}
		}
		resume(stepOf(r.whole.lag), quickly, air, o)
		resume(stepOf(wall), walls, air, o)
		paths[k] = r.course(&r.whole, o, quickly, walls, hours)
		for j := range paths[k] {
			paths[k][j] += errors[k%len(errors)][j]
		}
	}
	return newPath(at, paths, learned)
}

// guessedErrors stand in where the past is too short to have learned from: the
// rest, half as large again since the response was fitted to it, comes back as
// fast as it decays (judgement).
func (r *Response) guessedErrors(hours int) [][]float64 {
	rng := rand.New(rand.NewPCG(uint64(r.Hours), 0x726f6f6d))
	sd := 1.5*r.left + 0.1
	out := make([][]float64, synthetic)
	for k := range out {
		out[k] = make([]float64, hours)
		v := 0.0
		for j := range out[k] {
			v = float64(r.keep*v) + sd*math.Sqrt(1-r.keep*r.keep)*rng.NormFloat64()
			out[k][j] = v
		}
	}
	return out
}
