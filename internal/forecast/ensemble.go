package forecast

import (
	"math"
	"math/rand/v2"
	"time"

	"dryhold/internal/climate"
	"dryhold/internal/unit"
)

const (
	// trendYears bounds how long a trend goes on: it adds up to no more than
	// that of so many years (judgement). trendMost bounds it, K a year.
	trendYears = 10.0
	trendMost  = 0.1
	// bridge is how many days after the last known one its weather is still
	// thought of; after that all of it is forgotten.
	bridge = 120
)

// outcome is one day of one member.
type outcome struct{ temp, swing, vapour float64 }

// calendar holds what all members share, by day ahead.
type calendar struct {
	wave       [][4]float64
	saturation []float64 // ln, at the expected temperature
	grown      []float64 // of the trend, in years of it
}

func (m *Model) calendar(from, days int) calendar {
	c := calendar{make([][4]float64, days), make([]float64, days), make([]float64, days)}
	drift := 0
	if m.known {
		drift = max(0, from-m.end)
	}
	for i := range days {
		c.grown[i] = trendYears * -math.Expm1(-float64(drift+i)/year/trendYears)
		c.wave[i] = season(float64(from + i))
		c.saturation[i] = m.lnSaturation(c.wave[i])
	}
	return c
}

// luck draws the unknowns of every member: standard normal numbers in Latin
// hypercube columns (McKay, Beckman & Conover 1979), so that their mean and
// spread are those of the posterior however few the members.
func (m *Model) luck() [][2][unknowns + 1]float64 {
	n := m.options.Members
	rng := rand.New(rand.NewPCG(m.options.Seed, 0x6c75636b))
	z := make([][2][unknowns + 1]float64, n)
	for s := range 2 {
		for k := range unknowns + 1 {
			for i, j := range rng.Perm(n) {
				z[i][s][k] = math.Sqrt2 * math.Erfinv(2*(float64(j)+0.5)/float64(n)-1)
			}
		}
	}
	return z
}

// drawn is the unknowns of a series in one member, and the slow departure it
// starts with.
func (s *series) drawn(factor square, z [unknowns + 1]float64) (x [unknowns]float64, now float64) {
	for i := range unknowns {
		x[i] = s.mean[i]
		for k := 0; k <= i; k++ {
			x[i] += float64(*factor.at(i, k) * z[k])
		}
	}
	x[trend] = min(trendMost, max(-trendMost, x[trend]))
	f := fadingOf(s.bond)
	return x, f.now*x[slow] + f.open*s.year*z[unknowns]
}

// fading is a slow departure as a process that forgets exponentially
// (Ornstein & Uhlenbeck).
type fading struct {
	years float64 // of its memory
	now   float64 // its value at the end of a year, per mean of that year
	open  float64 // spread of that value, per sd of the means of years
	sd    float64 // of its values, per sd of the means of years
}

// fadingOf finds the memory with which the means of neighbouring years have a
// correlation. With x = 1/memory and d = 1-e^-x the mean of a year has the
// variance 2(x-d)/x², two in a row the covariance d²/x², and the end of a year
// with its mean d/x.
func fadingOf(bond float64) fading {
	parts := func(x float64) (variance, next, end float64) {
		d := -math.Expm1(-x)
		return 2 * (x - d) / (x * x), d * d / (x * x), d / x
	}
	low, high := 0.01, 30.0
	for range 50 {
		mid := (low + high) / 2
		if v, n, _ := parts(mid); n/v > bond {
			low = mid
		} else {
			high = mid
		}
	}
	v, _, end := parts(low)
	return fading{1 / low, end / v, math.Sqrt(max(0, 1-end*end/v) / v), 1 / math.Sqrt(v)}
}

// ahead visits the days from one on: day by day, member by member. Days before
// from are passed through, since the weather starts at the last known day.
func (m *Model) ahead(from, days int, visit func(member, day int, o outcome)) {
	start := m.end
	present := m.known && from-start <= bridge && from >= start
	if !present {
		start = from
	}
	total := from + days - start
	c := m.calendar(start, total)
	drift := 0.0
	if m.known {
		drift = max(0, float64(start-m.end)/year)
	}
	tf, sf, df := m.temp.cov.factor(), m.swing.cov.factor(), m.damp.cov.factor()
	fade := fadingOf(m.temp.bond)
	keep := math.Exp(-1 / (fade.years * year))
	fresh := math.Sqrt(1-keep*keep) * fade.sd * m.temp.year
	gone := math.Exp(-drift / fade.years)
	a0, a1 := m.temp.present()
	b0, _ := m.damp.present()
	s0, _ := m.swing.present()
	for i, z := range m.luck() {
		rng := rand.New(rand.NewPCG(m.options.Seed, uint64(i)+1))
		x, departure := m.temp.drawn(tf, z[0])
		y, swinging := m.swing.drawn(sf, z[1])
		dampZ := z[1]
		for k := range dampZ {
			dampZ[k] = rng.NormFloat64()
		}
		w, wet := m.damp.drawn(df, dampZ)
		departure, swinging, wet = departure*gone, swinging*gone, wet*gone

		slowly, damply := giveBack(rng, &m.temp), giveBack(rng, &m.damp)
		s := m.start(rng, start-2, 9)
		d1 := a1 - s.now.temp
		s.next(start - 1)
		d0 := a0 - s.now.temp
		if present && a0 == a0 { // what these unknowns explain, the weather need not
			off := m.temp.explained(c.wave[0]) - value(&x, c.wave[0]) - departure - slowly.now
			d0, d1 = d0+off, d1+off
		} else {
			d0, d1 = 0, 0
		}
		e0 := b0 - s.now.damp + m.damp.explained(c.wave[0]) - value(&w, c.wave[0]) - wet - damply.now
		f0 := s0 - s.now.swing + m.swing.explained(c.wave[0]) - value(&y, c.wave[0]) - swinging
		if !present || b0 != b0 {
			e0 = 0
		}
		if !present || s0 != s0 {
			f0 = 0
		}
		for d := range total {
			s.next(start + d)
			d0, d1 = float64(m.temp.keeps[0]*d0)+float64(m.temp.keeps[1]*d1), d0
			e0, f0 = m.damp.keep*e0, m.swing.keep*f0
			departure = float64(keep*departure) + float64(fresh*rng.NormFloat64())
			slowly.next(rng)
			damply.next(rng)
			if start+d < from {
				continue
			}
			o := outcome{
				temp:  value(&x, c.wave[d]) + float64(x[trend]*c.grown[d]) + departure + s.now.temp + d0 + slowly.now,
				swing: max(0, value(&y, c.wave[d])+swinging+s.now.swing+f0),
			}
			o.vapour = math.Exp(min(12, c.saturation[d]+value(&w, c.wave[d])+wet+s.now.damp+e0+damply.now))
			visit(i, start+d-from, o)
		}
	}
}

// slowDays is the memory of what the unknowns have taken from the weather, days
// (judgement: weeks; of 20 to 40 the bands of a month and of a year held the
// share they should on the long series of the back-test best with this).
const slowDays = 20

// given is the part of the weather that the unknowns took from it, given back:
// level and waves of the year take the slow part, which the departures that are
// drawn again have not got any more. Its variance is what loosen finds missing,
// so that it counts with a year of history and hardly with ten.
type given struct{ now, keep, news float64 }

func giveBack(rng *rand.Rand, s *series) given {
	sd := s.sd() * math.Sqrt(max(0, s.stretch*s.stretch-1))
	keep := math.Exp(-1.0 / slowDays)
	return given{sd * rng.NormFloat64(), keep, sd * math.Sqrt(1-keep*keep)}
}

func (g *given) next(rng *rand.Rand) {
	g.now = float64(g.keep*g.now) + float64(g.news*rng.NormFloat64())
}

// explained is what the estimates, but for the weather, are at the end.
func (s *series) explained(c [4]float64) float64 { return s.at(c) + s.mean[slow] }

// present is the weather of the last day and of the one before; not-a-number
// where the last is unknown.
func (s *series) present() (last, before float64) {
	n := len(s.rest)
	if n == 0 {
		return math.NaN(), math.NaN()
	}
	last, before = s.rest[n-1], s.rest[n-1]
	if n > 1 && s.rest[n-2] == s.rest[n-2] {
		before = s.rest[n-2]
	}
	return last, before
}

// Piece is a stretch of the climate ahead. Low and High are the 10 and 90 %
// quantiles over the members.
type Piece struct {
	From time.Time
	Days int
	Mean unit.Celsius // of the stretch
	Low  unit.Celsius
	High unit.Celsius
	// Swing is the daily amplitude, Spread the standard deviation of the days
	// of the stretch about its mean, K.
	Swing, Spread float64
	Vapour        unit.Pascal
	VapourLow     unit.Pascal
	VapourHigh    unit.Pascal
}

// Humidity is the relative humidity of the mean vapour pressure at the mean
// temperature, 0 to 1.
func (p Piece) Humidity() unit.RH {
	return min(1, max(0, climate.RelativeHumidity(p.Mean, p.Vapour)))
}
