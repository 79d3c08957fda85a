package forecast

import (
	"math"
	"time"
)

const (
	// quick is how long what is beyond the mean of the last day lasts, hours
	// (judgement).
	quick = 12.0
	// leastToLearn is how many past hours teach how departures go on
	// (judgement: a month, taken every learnStep hours).
	leastToLearn = 30 * 24
	learnStep    = 5
)

// senses is what a forecast by the hour sees of the departures: of the last
// three hours, the last day and the day before.
const senses = 3

// departures are the hours of a room less its season and pattern of the day,
// and how they go on: for some leads a linear law of what is seen, between them
// a straight line.
type departures struct {
	hours []float64 // not-a-number where unknown
	leads []int
	laws  [][senses]float64
}

// departures of the last hours. The laws are learned by least squares, held to
// those that follow from the correlation of days as if by a month of hours.
func (m *Model) departures() *departures {
	d := &departures{hours: make([]float64, len(m.tail.Hours)), leads: []int{1, 3, 6, 12, 24, 48, 72, 120, WeekHours}}
	known := 0
	for i := range d.hours {
		t := m.tail.temp(i)
		if t == t {
			known++
			t -= m.climate(m.tail.From.Add(time.Duration(i) * time.Hour))
		}
		d.hours[i] = t
	}
	for _, lead := range d.leads {
		law := m.temp.law(lead)
		if known >= leastToLearn {
			law = d.learn(lead, law)
		}
		d.laws = append(d.laws, law)
	}
	return d
}

// law is how the departures of days go on by their correlation: day means
// stand in the middle of their days, the first 12 h ago, and what the last
// hours have beyond them decays.
func (s *series) law(lead int) (law [senses]float64) {
	h := float64(lead) - 0.5
	x := (h + 12) / 24
	// Weights of the last day and the one before in the day means ahead.
	a, b := [2]float64{1, 0}, [2]float64{0, 1}
	for range int(x) {
		a, b = [2]float64{s.keeps[0]*a[0] + s.keeps[1]*b[0], s.keeps[0]*a[1] + s.keeps[1]*b[1]}, a
	}
	next := [2]float64{s.keeps[0]*a[0] + s.keeps[1]*b[0], s.keeps[0]*a[1] + s.keeps[1]*b[1]}
	share := x - math.Floor(x)
	rest := math.Exp(-h / quick)
	law[0] = rest
	law[1] = a[0] + share*(next[0]-a[0]) - rest
	law[2] = a[1] + share*(next[1]-a[1])
	return law
}

func (d *departures) hour(i int) float64 {
	if i < 0 || i >= len(d.hours) {
		return math.NaN()
	}
	return d.hours[i]
}

// seen is what is known before hour i; ok is false when nothing is.
func (d *departures) seen(i int) (x [senses]float64, ok bool) {
	mean := func(from, to int) float64 {
		sum, n := 0.0, 0.0
		for k := max(0, from); k < min(to, len(d.hours)); k++ {
			if v := d.hours[k]; v == v {
				sum, n = sum+v, n+1
			}
		}
		return sum / n // not-a-number when none is known
	}
	x = [senses]float64{mean(i-3, i), mean(i-24, i), mean(i-48, i-24)}
	switch {
	case x[1] != x[1]:
		return [senses]float64{}, false
	case x[0] != x[0]:
		x[0] = x[1]
	}
	if x[2] != x[2] {
		x[2] = x[1]
	}
	return x, true
}

func (d *departures) learn(lead int, prior [senses]float64) (law [senses]float64) {
	a, b := newSquare(senses), make([]float64, senses)
	spread, n := 0.0, 0.0
	for i := 48; i+lead <= len(d.hours); i += learnStep {
		y := d.hours[i+lead-1]
		x, ok := d.seen(i)
		if y != y || !ok {
			continue
		}
		spread, n = spread+float64(x[1]*x[1]), n+1
		for j := range senses {
			b[j] += float64(x[j] * y)
			for k := range senses {
				*a.at(j, k) += float64(x[j] * x[k])
			}
		}
	}
	if n == 0 {
		return prior
	}
	ridge := float64(leastToLearn/learnStep)/10*spread/n + 1e-9
	for j := range senses {
		*a.at(j, j) += ridge
		b[j] += ridge * prior[j]
	}
	copy(law[:], a.factor().solve(b))
	return law
}

// ahead is the likely course of the departures from hour i on.
func (d *departures) ahead(i, hours int) []float64 {
	out := make([]float64, hours)
	x, ok := d.seen(i)
	if !ok {
		return out
	}
	at := func(k int) float64 {
		v := 0.0
		for j := range senses {
			v += float64(d.laws[k][j] * x[j])
		}
		return v
	}
	k := 0
	for j := range out {
		for k+2 < len(d.leads) && j+1 > d.leads[k+1] {
			k++
		}
		share := float64(j+1-d.leads[k]) / float64(d.leads[k+1]-d.leads[k])
		out[j] = at(k) + share*(at(k+1)-at(k))
	}
	return out
}
