package room

import "slices"

// patternDays is how many days of measured hours the estimate of a gap looks
// back on (judgement: long enough for a weekly rhythm, short enough to follow
// the season).
const patternDays = 7

// state is what one hour hands to the next. Sums run from the ledger's start,
// so that exposure over any interval is a subtraction.
type state struct {
	core      []float64 // core temperature per lag, °C
	coreKnown bool
	recent    pattern
	sum       []float64 // exposure per key, days at the reference
	below     []float64 // how much lower the exposure may be, from estimated hours
	above     []float64 // how much higher
	measured  int64     // ms with a measured temperature
	estimated int64     // ms with an estimated one
}

func newState(k Keys) state {
	n := k.Len()
	return state{
		core: make([]float64, len(k.lags)), sum: make([]float64, n),
		below: make([]float64, n), above: make([]float64, n),
	}
}

func (s state) clone() state {
	s.core, s.sum = slices.Clone(s.core), slices.Clone(s.sum)
	s.below, s.above = slices.Clone(s.below), slices.Clone(s.above)
	return s
}

// pattern holds the measured hour means of the last days by hour of the day
// (UTC), the room's own recent rhythm.
type pattern struct {
	mean [24][patternDays]float32
	n    [24]uint8 // filled
	next [24]uint8 // to overwrite
}

func (p *pattern) learn(hour int, mean float32) {
	p.mean[hour][p.next[hour]] = mean
	p.next[hour] = (p.next[hour] + 1) % patternDays
	p.n[hour] = min(p.n[hour]+1, patternDays)
}

// estimate gives the likely temperature of an hour of the day and the range
// of all hours remembered; ok is false before anything was measured.
func (p *pattern) estimate(hour int) (likely, low, high float64, ok bool) {
	all, n := 0.0, 0.0
	for h := range p.mean {
		for _, m := range p.mean[h][:p.n[h]] {
			v := float64(m)
			if n == 0 {
				low, high = v, v
			}
			low, high = min(low, v), max(high, v)
			all, n = all+v, n+1
		}
	}
	if n == 0 {
		return 0, 0, 0, false
	}
	likely = all / n
	if k := p.n[hour]; k > 0 {
		sum := 0.0
		for _, m := range p.mean[hour][:k] {
			sum += float64(m)
		}
		likely = sum / float64(k)
	}
	return likely, low, high, true
}
