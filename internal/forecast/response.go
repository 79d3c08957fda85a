package forecast

import (
	"fmt"
	"math"
	"time"

	"dryhold/internal/thermal"
	"dryhold/internal/unit"
)

const (
	// The response is learned from the last half year: as the house is now.
	responseHours = 180 * 24
	// leastTogether is how many hours both places must be known.
	leastTogether = 7 * 24
	// wall is the lag of heavy walls and ground, hours, taken as a second path
	// beside the quick one once slowHours are known (judgement).
	wall      = 20 * 24.0
	slowHours = 60 * 24
	// warmUp of the air before the room was known, hours.
	warmUp = 30 * 24
	// longGap of the air outdoors, hours, is not bridged: what follows it is
	// not learned from for as long again.
	longGap = 24
	// Two halves of the past, by weeks in turn: errors of one half are those of
	// a response learned from the other.
	halves = 2
)

// Response is how a room follows the air outdoors, from both their histories:
//
//	room = Base + Gain lag(air) + Wall lag480(air) + pattern of the hour + rest
//
// where the rest decays as it has in the past. Unlike thermal.Identify, which
// steps from reading to reading and takes the room to end at the air's
// temperature, it fits whole courses: noise of the sensor does not make it look
// quick, and a heated room or one in the ground may follow in part.
type Response struct {
	Lag        unit.Hours
	Base       float64 // °C
	Gain, Wall float64 // K per K
	Explained  float64 // share of the room's changes that the response explains
	Hours      int     // learned from

	start  int // hour of the day of the first hour
	hours  [24][hourly]float64
	fits   [halves]fit
	whole  fit
	keep   float64 // of the rest, from hour to hour
	indoor History
	air    []float64 // by the hours of indoor, bridged
	solid  []bool
	errors [][]float64
	left   float64 // sd of the rest, K
}

// fit is one set of coefficients.
type fit struct {
	lag float64
	x   [responses]float64
}

// responses: constant, quick, wall, pattern of the hour.
const responses = 3 + hourly

// FitResponse learns it. Both histories may have gaps and begin and end when
// they like; at least a week of hours must be known in both.
func FitResponse(indoor, outdoor History) (*Response, error) {
	r := &Response{}
	r.align(indoor, outdoor)
	together := 0
	for i := range r.air {
		if t := r.indoor.temp(i); r.solid[i] && t == t {
			together++
		}
	}
	if together < leastTogether {
		return nil, fmt.Errorf("cannot learn how the room follows the air outdoors: only %d hours are known of both, at least %d are needed", together, leastTogether)
	}
	best, total := math.Inf(1), 0.0
	slow := together >= slowHours
	try := func(lag float64) {
		if f, left, all := r.regress(lag, slow, -1); left < best {
			best, r.whole, total = left, f, all
		}
	}
	// From half an hour to five days in steps, then finer about the best.
	for lag := 0.5; lag < 130; lag *= 1.6 {
		try(lag)
	}
	for _, step := range []float64{1.26, 1.12, 1.06} {
		lag := r.whole.lag
		try(lag / step)
		try(lag * step)
	}
	for h := range r.fits {
		r.fits[h], _, _ = r.regress(r.whole.lag, slow, h)
	}
	r.Lag, r.Base, r.Gain, r.Wall = unit.Hours(r.whole.lag), r.whole.x[0], r.whole.x[1], r.whole.x[2]
	r.Hours = together
	if total > 0 {
		r.Explained = max(0, 1-best/total)
	}
	r.left = math.Sqrt(best / float64(together))
	r.persistence()
	r.learn()
	return r, nil
}

// align lays the air outdoors beside the room's last hours and bridges its
// gaps.
func (r *Response) align(indoor, outdoor History) {
	n := min(len(indoor.Hours), responseHours)
	r.indoor = History{indoor.From.UTC().Truncate(time.Hour).Add(time.Duration(len(indoor.Hours)-n) * time.Hour), indoor.Hours[len(indoor.Hours)-n:]}
	// The air of a month before lets slow paths start where they were.
	if before := int(r.indoor.From.Sub(outdoor.From).Hours()); before > 0 && n > 0 {
		pad := make([]Hour, min(before, warmUp), n+warmUp)
		for i := range pad {
			pad[i] = Unknown()
		}
		r.indoor.From = r.indoor.From.Add(-time.Duration(len(pad)) * time.Hour)
		r.indoor.Hours = append(pad, r.indoor.Hours...)
		n += len(pad)
	}
	r.start = r.indoor.From.Hour()
	for h := range r.hours {
		r.hours[h] = waves(h)
	}
	shift := int(math.Floor(r.indoor.From.Sub(outdoor.From.UTC().Truncate(time.Hour)).Hours()))
	r.air, r.solid = make([]float64, n), make([]bool, n)
	for i := range r.air {
		r.air[i] = outdoor.temp(i + shift)
	}
	bridgeGaps(r.air, r.solid)
}

// bridgeGaps fills gaps in a straight line, at the ends with the nearest hour,
// and marks what can be learned from: not the hours of a long gap, nor as many
// after it as make it long.
func bridgeGaps(air []float64, solid []bool) {
	for i := range solid {
		solid[i] = true
	}
	spoil := func(from, to int) {
		for k := from; k < min(to, len(solid)); k++ {
			solid[k] = false
		}
	}
	for i := 0; i < len(air); {
		if air[i] == air[i] {
			i++
			continue
		}
		end := i
		for end < len(air) && air[end] != air[end] {
			end++
		}
		fill(air, i, end)
		if i == 0 || end == len(air) || end-i > longGap {
			spoil(i, end)
		}
		if end-i > longGap {
			spoil(end, end+longGap)
		}
		i = end
	}
}

// fill writes air[from:to] between its neighbours.
func fill(air []float64, from, to int) {
	before, after := 0.0, 0.0
	switch {
	case from > 0 && to < len(air):
		before, after = air[from-1], air[to]
	case from > 0:
		before, after = air[from-1], air[from-1]
	case to < len(air):
		before, after = air[to], air[to]
	}
	for k := from; k < to; k++ {
		air[k] = before + (after-before)*float64(k-from+1)/float64(to-from+1)
	}
}

// filtered is the air behind a lag, by the hour.
func filtered(air []float64, lag float64) []float64 {
	out := make([]float64, len(air))
	if len(air) == 0 {
		return out
	}
	// Start at the mean of the first days: nearer than the first hour.
	v := 0.0
	n := min(len(air), max(24, int(lag/2)))
	for _, u := range air[:n] {
		v += u / float64(n)
	}
	out[0] = v
	resume(stepOf(lag), out, air, 1)
	return out
}

// stepOf is the step of an hour behind a lag above 0; the zero step, which
// stays where it is, for any other, of which there is none here.
func stepOf(lag float64) thermal.Step {
	l, err := thermal.NewLag(unit.Hours(lag))
	if err != nil {
		return thermal.Step{}
	}
	return l.Step(1, 1)
}

// resume goes on from hour i, the hours before being done.
func resume(step thermal.Step, out, air []float64, i int) {
	for ; i < len(air); i++ {
		out[i] = float64(step.Core(unit.Celsius(out[i-1]), unit.Celsius(air[i-1]), unit.Celsius(air[i])))
	}
}

// half of the past that an hour belongs to.
func half(hour int) int { return hour / (7 * 24) % halves }

// regress by least squares with weak priors (judgement) on all hours but those
// of one half, -1 for none left out.
func (r *Response) regress(lag float64, slow bool, without int) (f fit, left, total float64) {
	quickly, walls := filtered(r.air, lag), filtered(r.air, wall)
	a, b := newSquare(responses), make([]float64, responses)
	prior := [responses]float64{20, 1, 0.5, 3, 3, 3, 3}
	if !slow {
		prior[2] = 1e-6
	}
	var sum, square, n float64
	start := min(240, max(48, len(r.air)/6)) // until then paths find their way
	visit := func(each func(x *[responses]float64, y float64)) {
		for i := range r.air {
			t := r.indoor.temp(i)
			if !r.solid[i] || t != t || i < start || without >= 0 && half(i) == without {
				continue
			}
			x := r.row(i, quickly[i], walls[i])
			each(&x, t)
		}
	}
	visit(func(x *[responses]float64, y float64) { sum, square, n = sum+y, square+y*y, n+1 })
	mean := sum / max(1, n)
	total = max(0, square-n*mean*mean)
	// Hours are alike: a day of them counts as one.
	w := 1.0 / 24
	for i, sd := range prior {
		*a.at(i, i) = 1 / (sd * sd)
	}
	b[0] = mean / (prior[0] * prior[0])
	visit(func(x *[responses]float64, y float64) {
		for i, v := range x {
			b[i] += float64(w * v * y)
			line := a.a[i*responses : (i+1)*responses]
			for j := range line {
				line[j] += float64(w * v * x[j])
			}
		}
	})
	f.lag = lag
	copy(f.x[:], a.factor().solve(b))
	visit(func(x *[responses]float64, y float64) {
		e := y - f.value(x)
		left += float64(e * e)
	})
	return f, left, total
}

func (r *Response) row(i int, quickly, walls float64) (x [responses]float64) {
	x[0], x[1], x[2] = 1, quickly, walls
	copy(x[3:], r.hours[(r.start+i)%24][:])
	return x
}

func (f *fit) value(x *[responses]float64) float64 {
	v := 0.0
	for i := range x {
		v += float64(f.x[i] * x[i])
	}
	return v
}

// persistence of the rest, from one day to the next.
func (r *Response) persistence() {
	quickly, walls := filtered(r.air, r.whole.lag), filtered(r.air, wall)
	rest := make([]float64, len(r.air))
	for i := range rest {
		x := r.row(i, quickly[i], walls[i])
		rest[i] = r.indoor.temp(i) - r.whole.value(&x)
	}
	// A week's worth of 0.5 beforehand (judgement).
	cross, before := 0.0, 0.0
	for i := 24; i < len(rest); i++ {
		if a, b := rest[i], rest[i-24]; a == a && b == b && r.solid[i] {
			cross, before = cross+float64(a*b), before+float64(b*b)
		}
	}
	n := float64(max(1, len(rest)))
	weight := 7 * 24 * before / n
	day := min(0.995, max(0.01, (cross+0.5*weight)/(before+weight+1e-12)))
	r.keep = math.Pow(day, 1.0/24)
}

// learn collects the errors of forecasts from the past with the air as it was.
func (r *Response) learn() {
	walls := filtered(r.air, wall)
	var quickly [halves][]float64
	for h := range quickly {
		quickly[h] = filtered(r.air, r.fits[h].lag)
	}
	for o := len(r.air) - WeekHours; o >= 72; o -= originStep {
		solid := 0
		for i := o - 24; i < o+WeekHours; i++ {
			if r.solid[i] {
				solid++
			}
		}
		if 10*solid < 9*(24+WeekHours) {
			continue
		}
		h := half(o)
		mid := r.course(&r.fits[h], o, quickly[h], walls, WeekHours)
		if e, ok := differences(r.indoor.temp, o, mid); ok {
			r.errors = append(r.errors, e)
		}
	}
}

// course is the likely course of so many hours from hour o on, known before it,
// with the air behind both lags.
func (r *Response) course(f *fit, o int, quickly, walls []float64, hours int) []float64 {
	rest := func(from int) (v float64, ok bool) {
		sum, n := 0.0, 0
		for i := max(0, from); i < min(o, len(r.indoor.Hours)); i++ {
			if t := r.indoor.temp(i); t == t {
				x := r.row(i, quickly[i], walls[i])
				sum += t - f.value(&x)
				n++
			}
		}
		return sum / float64(max(1, n)), n > 0
	}
	day, ok := rest(o - 24)
	lately, also := rest(o - 3)
	if !also {
		lately = day
	}
	if !ok {
		day, lately = 0, 0
	}
	out := make([]float64, hours)
	for j := range out {
		x := r.row(o+j, quickly[o+j], walls[o+j])
		h := float64(j) + 0.5
		out[j] = f.value(&x) + day*math.Pow(r.keep, h) + (lately-day)*math.Exp(-(h+1.5)/quick)
	}
	return out
}
