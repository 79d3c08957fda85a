package forecast

import "math"

// Unknowns of a series, in this order.
const (
	level = iota // at the end of the history
	trend        // per year
	cos1
	sin1
	cos2
	sin2
	slow // departure of the year that ends with the history
	unknowns
)

// mostYears bounds the departures that are told apart; older years share one.
const mostYears = 40

// prior is what is believed of a series before it is measured.
type prior struct {
	mean, sd [slow]float64
	year     float64 // sd of a year's departure, least
	share    float64 // the same as a share of the sd of single days
	keep     float64 // correlation of neighbouring days
	news     float64 // sd of what a day adds to it
	weight   float64 // how many days keep and news are worth
}

// yearsOfPrior is how many years the prior of a year's departure is worth
// (judgement).
const yearsOfPrior = 4

// yearBond is the correlation of the means of neighbouring years before it is
// known: that of a departure which lasts a year (judgement; a mild winter is
// forgotten by the next but one). Where years go on as they went, a new boiler
// or a moved shelf, it comes out higher.
const yearBond = 0.54

// series is a fitted series of days.
type series struct {
	prior   prior
	mean    [unknowns]float64
	cov     square  // of the unknowns
	year    float64 // sd of a year's departure
	bond    float64 // correlation of the departures of neighbouring years
	keep    float64 // first-order correlation of the weather
	keeps   [2]float64
	news    float64
	weight  float64   // days known
	stretch float64   // by how much more the weather spreads than what is left of it
	steps   []int     // days on which it changed for good
	before  []float64 // how much more it was before each of them
	rest    []float64 // the weather itself; not-a-number where unknown
}

// sd is that of the weather of single days.
func (s *series) sd() float64 { return s.news / math.Sqrt(1-float64(s.keep*s.keep)) }

// count is the calendar of a history: its days from first to before end, each
// with the season's wave.
type count struct {
	first, end int
	wave       [][4]float64
	years      int   // told apart
	steps      []int // the level was another before these days of the count
}

func newCount(first, end int) *count {
	c := &count{first: first, end: end, wave: make([][4]float64, end-first)}
	for i := range c.wave {
		c.wave[i] = season(float64(first + i))
	}
	return c
}

// fitSeries estimates a series of the days of a count, and looks for days on
// which it changed for good.
func fitSeries(c *count, ys []float64, p prior) series {
	c.steps = nil
	s := c.fit(ys, p)
	for len(c.steps) < mostSteps {
		at, ok := s.change(c, ys)
		if !ok {
			break
		}
		c.steps = append(c.steps, at)
		s = c.fit(ys, p)
	}
	for _, at := range c.steps {
		s.steps = append(s.steps, c.first+at)
	}
	return s
}

// fit: four rounds: unknowns, then what is left, then its correlation and the spread
// of the years; more change nothing that counts.
func (c *count) fit(ys []float64, p prior) series {
	s := series{prior: p, keep: p.keep, news: p.news}
	s.year, s.bond = max(p.year, p.share*s.sd()), yearBond
	c.years = c.yearsBack(ys)
	years := c.years
	for range 4 {
		e := s.equations(c, ys)
		l := e.a.factor()
		x := l.solve(e.b)
		inv := l.inverse()
		s.take(x, inv)
		s.before = x[slow+years:]
		s.rest = c.leftOver(ys, x)
		s.weather()
		s.years(x, inv, years)
	}
	s.second()
	s.loosen(years)
	return s
}

// loosen makes up for what the unknowns have taken from the weather that they
// were fitted to: n independent days less the unknowns the data had to pay for,
// by the rule of least squares. Days hang together, so that n is far below
// their number. Held to half as much again (judgement).
func (s *series) loosen(years int) {
	n := s.weight * (1 - s.keep) / (1 + s.keep)
	paid := float64(years)
	for i := range unknowns {
		sd := s.year
		if i < slow {
			sd, paid = s.prior.sd[i], paid+1
		}
		share := *s.cov.at(i, i) / (sd * sd)
		if i == slow {
			paid -= float64(years) * share
		} else {
			paid -= share
		}
	}
	s.stretch = math.Sqrt(min(2.25, n/max(n-max(0, paid), 1e-9)))
	if n <= 0 {
		s.stretch = 1
	}
}

// yearsBack is how many years of departures there are: at least the present.
func (c *count) yearsBack(ys []float64) int {
	for i, y := range ys {
		if y == y {
			return c.yearOf(i) + 1
		}
	}
	return 1
}

func (c *count) yearOf(i int) int {
	return min(mostYears-1, max(0, int(float64(c.end-1-c.first-i)/year)))
}

// equations are the normal equations of the unknowns, the first year's
// departure and those of the older years.
type equations struct {
	a square
	b []float64
}

// term is a coefficient of the sparse row of one day.
type term struct {
	at int
	v  float64
}

func (c *count) row(terms []term, i int, scale float64) []term {
	w := &c.wave[i]
	terms = append(terms,
		term{level, scale}, term{trend, scale * float64(c.first+i-c.end) / year},
		term{cos1, scale * w[0]}, term{sin1, scale * w[1]}, term{cos2, scale * w[2]}, term{sin2, scale * w[3]},
		term{slow + c.yearOf(i), scale})
	for k, at := range c.steps {
		v := scale
		if i >= at {
			v = 0
		}
		terms = append(terms, term{slow + c.years + k, v})
	}
	return terms
}

// equations with the correlation and spreads as they stand.
func (s *series) equations(c *count, ys []float64) equations {
	years, n := c.years, slow+c.years+len(c.steps)
	e := equations{newSquare(n), make([]float64, n)}
	for i := slow + years; i < n; i++ {
		*e.a.at(i, i) = 1 / (stepSize * stepSize)
	}
	for i := range slow {
		w := 1 / (s.prior.sd[i] * s.prior.sd[i])
		*e.a.at(i, i), e.b[i] = w, w*s.prior.mean[i]
	}
	// Neighbouring years are correlated: the precision of a first-order chain.
	k := s.bond
	w := 1 / (s.year * s.year * (1 - k*k))
	for i := range years {
		at := slow + i
		*e.a.at(at, at) = w
		if i > 0 {
			*e.a.at(at-1, at), *e.a.at(at, at-1) = -k*w, -k*w
			if i+1 < years {
				*e.a.at(at, at) = w * (1 + k*k)
			}
		}
	}
	if years == 1 {
		*e.a.at(slow, slow) = 1 / (s.year * s.year)
	}
	w = 1 / (s.news * s.news)
	alone := math.Sqrt(1 - float64(s.keep*s.keep))
	var terms []term
	last := math.NaN()
	for i, v := range ys {
		if v != v {
			last = v
			continue
		}
		if last == last {
			terms = c.row(c.row(terms[:0], i, 1), i-1, -s.keep)
			e.add(terms, v-float64(s.keep*last), w)
		} else {
			terms = c.row(terms[:0], i, alone)
			e.add(terms, alone*v, w)
		}
		last = v
	}
	return e
}

func (e *equations) add(terms []term, y, w float64) {
	// The terms of two neighbouring days are the same unknowns in pairs.
	half := len(terms) / 2
	if half > slow && terms[slow].at == terms[half+slow].at {
		for i := range half {
			terms[i].v += terms[half+i].v
		}
		terms = terms[:half]
	}
	for _, p := range terms {
		wp := w * p.v
		e.b[p.at] += float64(wp * y)
		line := e.a.a[p.at*e.a.n : (p.at+1)*e.a.n]
		for _, q := range terms {
			line[q.at] += float64(wp * q.v)
		}
	}
}

func (s *series) take(x []float64, inv square) {
	s.cov = newSquare(unknowns)
	for i := range unknowns {
		s.mean[i] = x[i]
		for j := range unknowns {
			*s.cov.at(i, j) = *inv.at(i, j)
		}
	}
}

func (c *count) leftOver(ys, x []float64) []float64 {
	rest := make([]float64, len(ys))
	var terms []term
	for i, y := range ys {
		terms = c.row(terms[:0], i, 1)
		for _, t := range terms {
			if y == y {
				y -= float64(t.v * x[t.at])
			}
		}
		rest[i] = y
	}
	return rest
}

// weather estimates correlation and news of what is left, with the prior as so
// many days more.
func (s *series) weather() {
	p := &s.prior
	own := p.news * p.news / (1 - p.keep*p.keep)
	cross, before := p.weight*own*p.keep, p.weight*own
	last := math.NaN()
	for _, r := range s.rest {
		if r == r && last == last {
			cross, before = cross+float64(r*last), before+float64(last*last)
		}
		last = r
	}
	s.keep = min(0.995, max(0, cross/before))
	sum, n := p.weight*p.news*p.news, p.weight
	last = math.NaN()
	s.weight = 0
	for _, r := range s.rest {
		if r == r {
			s.weight++
			if last == last {
				e := r - float64(s.keep*last)
				sum, n = sum+float64(e*e), n+1
			}
		}
		last = r
	}
	s.news = math.Sqrt(sum / n)
}

// years estimates spread and bond of the departures of years by one step of
// expectation and maximisation (Dempster, Laird & Rubin 1977).
func (s *series) years(x []float64, inv square, years int) {
	start := max(s.prior.year, s.prior.share*s.sd())
	sum, n := yearsOfPrior*start*start, float64(yearsOfPrior)
	cross, before := yearBond*sum, sum
	for i := slow; i < slow+years; i++ {
		square := float64(x[i]*x[i]) + *inv.at(i, i)
		sum, n = sum+square, n+1
		if i > slow {
			cross, before = cross+float64(x[i]*x[i-1])+*inv.at(i, i-1), before+square
		}
	}
	s.year = math.Sqrt(sum / n)
	s.bond = min(0.95, max(0.1, cross/before))
}

// second fits the second-order correlation of the weather: a room that lags
// behind the air goes on as it went. Until enough is known it is that of the
// first order.
func (s *series) second() {
	const least = 60 // days in a row of three
	s.keeps = [2]float64{s.keep, 0}
	var s11, s12, s22, t1, t2, n float64
	for i := 2; i < len(s.rest); i++ {
		a, b, c := s.rest[i], s.rest[i-1], s.rest[i-2]
		if a == a && b == b && c == c {
			s11, s12, s22 = s11+float64(b*b), s12+float64(b*c), s22+float64(c*c)
			t1, t2, n = t1+float64(a*b), t2+float64(a*c), n+1
		}
	}
	det := float64(s11*s22) - float64(s12*s12)
	if n < least || !(det > 1e-9*s11*s22) {
		return
	}
	k2 := min(0.9, max(-0.9, (float64(t2*s11)-float64(t1*s12))/det))
	k1 := (float64(t1*s22) - float64(t2*s12)) / det
	s.keeps = [2]float64{min(0.995-k2, max(-(0.995-k2), k1)), k2}
}

// at is the expected value on a day, without weather and slow departure, at
// the end of the history.
func (s *series) at(c [4]float64) float64 { return value(&s.mean, c) }

func value(x *[unknowns]float64, c [4]float64) float64 {
	return x[level] + float64(x[cos1]*c[0]) + float64(x[sin1]*c[1]) + float64(x[cos2]*c[2]) + float64(x[sin2]*c[3])
}
