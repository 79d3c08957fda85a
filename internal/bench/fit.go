package bench

import "math"

// Line is a cost that grows with a size: At + Each*size.
type Line struct {
	At, Each float64
	// R2 is the part of the spread of the costs that the line explains, 1 where
	// all lie on it.
	R2 float64
}

// Fit lays the line through sizes and costs whose errors, relative to the cost,
// are the least in squares: the largest size, measured in a busy moment, must not
// decide alone. Fewer than two sizes give no numbers.
func Fit(sizes, costs []float64) Line {
	var w, x, y, xx, xy float64
	for i, size := range sizes {
		weight := 1 / (costs[i] * costs[i])
		w, x, y = w+weight, x+weight*size, y+weight*costs[i]
		xx, xy = xx+weight*size*size, xy+weight*size*costs[i]
	}
	l := Line{Each: (w*xy - x*y) / (w*xx - x*x)}
	l.At = (y - l.Each*x) / w
	var off, spread, mean float64
	for _, c := range costs {
		mean += c / float64(len(costs))
	}
	for i, c := range costs {
		off += math.Pow(c-l.Of(sizes[i]), 2)
		spread += math.Pow(c-mean, 2)
	}
	l.R2 = 1 - off/spread
	return l
}

// Of is the cost of a size by the line.
func (l Line) Of(size float64) float64 { return l.At + l.Each*size }
