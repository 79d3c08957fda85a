package forecast

import (
	"math"
	"math/rand/v2"
)

const (
	// window is how many days to either side of a day of the year its weather
	// is taken from (judgement: the season, not the month).
	window = 30
	// leastPool is how many days the window must hold; with fewer the weather
	// is drawn from the autoregression (judgement).
	leastPool = 30
)

// weather of one day, beyond what is expected of it.
type weather struct{ temp, swing, damp float64 }

// pool holds the weather of a room by day and finds it by season.
type pool struct {
	days  []weather
	known []bool
	order []int32    // known days by day of the year
	start [367]int32 // in order, of each day of the year
	block float64    // mean length of a block
}

func newPool(m *Model) pool {
	p := pool{days: make([]weather, len(m.days)), known: make([]bool, len(m.days))}
	for i := range m.days {
		t := m.temp.rest[i]
		if t != t {
			continue
		}
		p.known[i] = true
		p.days[i] = weather{t, m.swing.stretch * zeroIfUnknown(m.swing.rest[i]), zeroIfUnknown(m.damp.rest[i])}
		p.start[dayOfYear(m.first+i)+1]++
	}
	for d := range 366 {
		p.start[d+1] += p.start[d]
	}
	p.order = make([]int32, p.start[366])
	next := p.start
	for i, k := range p.known {
		if k {
			d := dayOfYear(m.first + i)
			p.order[next[d]] = int32(i)
			next[d]++
		}
	}
	p.block = blockLength(m.temp.keep, len(p.order))
	return p
}

func zeroIfUnknown(v float64) float64 {
	if v != v {
		return 0
	}
	return v
}

// dayOfYear is 0 to 365 by the mean year: at most a day off the calendar.
func dayOfYear(day int) int {
	return int(math.Mod(math.Mod(float64(day), year)+year, year))
}

// blockLength is the mean length of the blocks, days: 1.1447 (alpha n)^(1/3)
// with alpha = 4 k²/(1-k²)², for a first-order correlation k (Andrews 1991,
// Econometrica 59:817, from memory), held to 15 to 60 days: a spell of weather
// stays whole, a season is not left.
func blockLength(keep float64, n int) float64 {
	k2 := keep * keep
	alpha := 4 * k2 / ((1 - k2) * (1 - k2))
	return min(60, max(15, 1.1447*math.Cbrt(alpha*float64(n))))
}

// pick draws a day from the season of a day of the year; ok is false where too
// few are known.
func (p *pool) pick(rng *rand.Rand, d int) (i int, ok bool) {
	low := p.before(d - window)
	total := p.before(d+window+1) - low
	if total < leastPool {
		return 0, false
	}
	n := len(p.order)
	return int(p.order[((low+rng.IntN(total))%n+n)%n]), true
}

// before counts the known days before a day of the year, which may run over
// either end of it.
func (p *pool) before(d int) int {
	turns := int(floorDiv(int64(d), 366))
	return turns*len(p.order) + int(p.start[d-366*turns])
}

// stream is the weather of one member, day after day.
type stream struct {
	m    *Model
	rng  *rand.Rand
	day  int  // of the pool
	from bool // the pool, else the autoregression
	now  weather
	// hold is how many days the present block lasts at least.
	hold int
}

// start begins with a day of the season and holds its block for as long.
func (m *Model) start(rng *rand.Rand, day, hold int) stream {
	s := stream{m: m, rng: rng}
	s.jump(day)
	s.hold = hold
	return s
}

// jump goes to another day of the season, or to the autoregression.
func (s *stream) jump(day int) {
	p := &s.m.blocks
	i, ok := p.pick(s.rng, dayOfYear(day))
	if ok {
		s.day, s.from, s.now = i, true, p.days[i]
		return
	}
	if s.from || s.now == (weather{}) {
		z := func(x *series) float64 { return x.sd() * s.rng.NormFloat64() }
		s.now = weather{z(&s.m.temp), z(&s.m.swing), z(&s.m.damp)}
	}
	s.from = false
}

// next goes on by a day.
func (s *stream) next(day int) {
	p := &s.m.blocks
	s.hold--
	over := s.hold < 0 && s.rng.Float64()*p.block < 1
	switch {
	case over:
		s.jump(day)
		if s.from {
			return
		}
	case s.from:
		if i := s.day + 1; i < len(p.days) && p.known[i] {
			s.day, s.now = i, p.days[i]
			return
		}
		s.jump(day)
		if s.from {
			return
		}
	}
	on := func(x *series, v float64) float64 {
		return float64(x.keep*v) + float64(x.news*s.rng.NormFloat64())
	}
	s.now = weather{on(&s.m.temp, s.now.temp), on(&s.m.swing, s.now.swing), on(&s.m.damp, s.now.damp)}
}
