package forecast

import (
	"math"
	"slices"
)

// Score is how well bands did on values they had not seen.
type Score struct {
	N     int
	Cover float64 // share of values within the 10 to 90 % band
	Width float64 // mean width of the band
	// CRPS is the mean continuous ranked probability score (Gneiting &
	// Raftery 2007), in the unit of the value: the mean absolute error that a
	// forecast with a band is worth; less is better.
	CRPS float64
}

func (s *Score) add(members []float64, value float64) {
	low, high := tenths(members)
	s.N++
	if value >= low && value <= high {
		s.Cover++
	}
	s.Width += high - low
	s.CRPS += crps(members, value)
}

func (s *Score) finish() {
	n := float64(max(1, s.N))
	s.Cover /= n
	s.Width /= n
	s.CRPS /= n
}

// crps of sorted members: mean |X-y| less half of the mean |X-X'|, over all
// pairs of different members.
func crps(members []float64, y float64) float64 {
	n := float64(len(members))
	off, pairs := 0.0, 0.0
	for i, x := range members {
		off += math.Abs(x-y) / n
		pairs += float64(2*i+1-len(members)) * x
	}
	if n > 1 {
		off -= pairs / (n * (n - 1))
	}
	return off
}

// Line is one row of a report.
type Line struct {
	Of   string // what is forecast, with its unit
	Lead string
	// Own is this package, the others the yardsticks: the same days of past
	// years, and the present with the changes it has had.
	Own, Climatology, Persistence Score
}

// Report is the outcome of a back-test.
type Report struct {
	Origins int
	Lines   []Line
}

// Line finds one row; ok is false where the report has none.
func (r Report) Line(of, lead string) (Line, bool) {
	i := slices.IndexFunc(r.Lines, func(l Line) bool { return l.Of == of && l.Lead == lead })
	if i < 0 {
		return Line{}, false
	}
	return r.Lines[i], true
}
