package forecast

import (
	"math"
	"slices"
	"time"
)

// Path is the next hours of a place: hour i begins at From plus i hours. Low
// and High are the 10 and 90 % quantiles of the paths, Mid their median.
type Path struct {
	From           time.Time
	Mid, Low, High []float64
	// Learned says that the paths are errors the same forecast made in the
	// past of this place; without enough past they are what may be expected.
	Learned bool
	paths   [][]float64
}

func newPath(from time.Time, paths [][]float64, learned bool) Path {
	p := Path{From: from, Learned: learned, paths: paths}
	if len(paths) == 0 {
		return p
	}
	vs := make([]float64, len(paths))
	for i := range paths[0] {
		for k := range paths {
			vs[k] = paths[k][i]
		}
		low, high := tenths(vs)
		mid := quantile(vs, 0.5)
		p.Mid, p.Low, p.High = append(p.Mid, mid), append(p.Low, low), append(p.High, high)
	}
	return p
}

// Members are the paths, for Response.Predict; the caller's to read only.
func (p Path) Members() [][]float64 { return p.paths }

// Passing is what may happen to a limit.
type Passing struct {
	// Chance that an hour's mean is above the limit, 0 to 1.
	Chance float64
	// DegreeHours above the limit that are to be expected, K h.
	DegreeHours float64
	// First is when the middle of the paths that pass it do; zero when no
	// path does. Past is the highest hour to be expected (mean of the
	// highest of each path).
	First   time.Time
	Highest float64
}

// Above says what may happen to a limit within some hours.
func (p Path) Above(limit float64, within int) Passing {
	var r Passing
	var firsts []float64
	n := float64(len(p.paths))
	for _, path := range p.paths {
		first, highest := -1, math.Inf(-1)
		for i, v := range path[:max(0, min(within, len(path)))] {
			if v > limit {
				if first < 0 {
					first = i
				}
				r.DegreeHours += (v - limit) / n
			}
			highest = max(highest, v)
		}
		if first >= 0 {
			r.Chance += 1 / n
			firsts = append(firsts, float64(first))
		}
		if !math.IsInf(highest, 0) {
			r.Highest += highest / n
		}
	}
	if len(firsts) > 0 {
		slices.Sort(firsts)
		r.First = p.From.Add(time.Duration(firsts[len(firsts)/2]) * time.Hour)
	}
	r.Chance = min(1, r.Chance)
	return r
}
