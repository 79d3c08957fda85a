package course

import (
	"math"
	"sort"
	"time"

	"dryhold/internal/barrier"
	"dryhold/internal/climate"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

const (
	// lately is the stretch whose mean is taken as present conditions.
	lately = 30 * 24 * time.Hour
	// horizon is how far ahead an end is looked for, days.
	horizon = 100 * 365.25
)

// Levels are the oxygen fractions whose passing is dated.
func Levels() []float64 { return []float64{0.01, 0.02, 0.05} }

// Outlook is what comes if things stay as they are. The dates of water and
// oxygen hold under present conditions, the means of the last 30 days in the
// lot's room; the end holds at plan storage from now on, in air as humid as
// now.
type Outlook struct {
	Temperature      unit.Celsius // of present conditions
	TemperatureKnown bool         // else plan storage
	Humidity         unit.RH
	HumidityKnown    bool // else the room's damp limit

	Amber, Red Passing // water activity rising to the food's lines
	Spent      Passing // the absorber's end; Never without one
	Oxygen     []Passing

	// End is when the first mode reaches its limit or the water activity the
	// red line, with its 10 to 90 % band; zero beyond 100 years.
	EndEarly, End, EndLate time.Time
	// EndBy names that mode, or the food's Limit of water activity.
	EndBy string
	// Prior is the same band, early, likely, late, before any test; nil where
	// no test has spoken.
	Prior *[3]time.Time
}

// Passing is when something is passed. An instant is zero where it never is
// under these conditions, and that of the outlook where it may be past
// already.
type Passing struct {
	Level       float64
	Past        bool // it is likely past
	At          time.Time
	Early, Late time.Time // 10 to 90 %
}

// Outlook looks ahead from a course. What is finished has none.
func (f *Follower) Outlook(c Course, l lot.Lot) (Outlook, error) {
	s, err := f.subject(l)
	if err != nil {
		return Outlook{}, err
	}
	s.open = l.Open(c.At)
	o := Outlook{}
	in := l.Room()
	mean := f.rooms.Mean(in, c.At.Add(-lately), c.At)
	o.Temperature, o.TemperatureKnown = mean.Temp, mean.TempKnown
	if !mean.TempKnown {
		o.Temperature = f.rooms.Plan(in)
	}
	o.Humidity, o.HumidityKnown = f.humidity(in, mean, o.Temperature), mean.VapourKnown
	now := s.around(o.Temperature, climate.VapourPressure(o.Temperature, o.Humidity))
	f.water(&c, now, &o)
	f.gas(&c, now, &o)
	plan := f.rooms.Plan(in)
	f.end(c, s.around(plan, climate.VapourPressure(plan, o.Humidity)), &o)
	return o, nil
}

// humidity is that of a room's mean climate at a temperature, or its damp limit
// where the vapour is not known.
func (f *Follower) humidity(in string, mean room.Climate, at unit.Celsius) unit.RH {
	if !mean.VapourKnown {
		return f.rooms.Damp(in)
	}
	return climate.RelativeHumidity(at, mean.Vapour)
}

// around is a lot in constant surroundings, or in the climate that is coming.
type around struct {
	*subject
	temp   unit.Celsius
	vapour unit.Pascal
	coming *coming // nil where they are constant
}

func (s *subject) around(t unit.Celsius, vapour unit.Pascal) around {
	return around{subject: s, temp: t, vapour: vapour}
}

// expose sets what each mode ages by in a step, so many days ahead, and gives
// the mean climate of it.
func (a around) expose(from, step float64) (unit.Celsius, unit.Pascal) {
	if a.coming != nil {
		return a.coming.expose(a.subject, from, step)
	}
	for i := range a.exposed {
		x := exposed{}
		x.hold(a.food.Modes[i].Ea, step, a.temp)
		x.bounds = lot.Range{Low: x.likely, Likely: x.likely, High: x.likely}
		a.exposed[i] = x
	}
	return a.temp, a.vapour
}

// water dates the lines of water activity.
func (f *Follower) water(c *Course, a around, o *Outlook) {
	food := a.food
	for _, x := range []struct {
		to   *Passing
		line float64
	}{{&o.Amber, food.Amber.Likely}, {&o.Red, food.Red.Likely}} {
		*x.to = f.passing(c, a, x.line, place.damp, func(t int) float64 {
			in := &c.inside[t]
			if in.aw >= x.line {
				return 0
			}
			if food.Isotherm != nil {
				if d, ok := a.store(t, in.water, a.temp, a.vapour).Reaches(x.line, in.water, a.temp, a.vapour); ok {
					return float64(d)
				}
			}
			return math.Inf(1)
		})
	}
}

// gas dates the absorber's end and the passing of the oxygen levels.
func (f *Follower) gas(c *Course, a around, o *Outlook) {
	outside := func(t int) barrier.Surroundings {
		return barrier.Surroundings{Core: a.temp, Activity: c.inside[t].aw, Outside: airOxygen}
	}
	if a.lot.Packing.Treatment.CapacityCM3 > 0 && !a.open {
		o.Spent = f.passing(c, a, 0, place.leaky, func(t int) float64 {
			in := c.inside[t].gas
			if in.Left <= 0 {
				return 0
			}
			if d, ok := a.subject.gas[t].Spent(in, outside(t)); ok {
				return float64(d)
			}
			return math.Inf(1)
		})
	}
	for _, level := range Levels() {
		o.Oxygen = append(o.Oxygen, f.passing(c, a, level, place.leaky, func(t int) float64 {
			if !a.closed() {
				return 0
			}
			if d, ok := a.subject.gas[t].Passes(level, c.inside[t].gas, outside(t)); ok {
				return float64(d)
			}
			return math.Inf(1)
		}))
	}
}

// passing dates what each track passes after so many days, 0 when it has and
// infinite when it never does. A draw passes when the track that pick takes
// for it does.
func (f *Follower) passing(c *Course, a around, level float64, pick func(p place, at [tracks]float64) float64, days func(track int) float64) Passing {
	var at [tracks]float64
	for t := range tracks {
		at[t] = days(t)
	}
	v, failure := a.luck.vessel(a.food.ID), a.failure()
	values := make([]float64, Draws)
	for d := range values {
		values[d] = pick(v.place(d, failure), at)
	}
	r := band(values, at[likely])
	p := Passing{Level: level, Past: at[likely] <= 0, Early: after(c.At, r.Low), Late: after(c.At, r.High)}
	if !p.Past {
		p.At = after(c.At, at[likely])
	}
	return p
}

// knot is the progress of the modes at an instant ahead.
type knot struct {
	days   float64 // from now
	curves []curve
	likely []float64 // consumed
	spread []float64 // of ln of what each mode ages by until then; nil where it is certain
	damp   [tracks]bool
	inside [tracks]inside
}

// end looks for the end of the lot at plan storage: steps that grow with the
// time ahead, on all tracks, and between them a straight line.
func (f *Follower) end(c Course, plan around, o *Outlook) {
	e := f.ends(c, plan, 0)
	o.EndBy = e.By
	r := band(e.Draws, e.Days)
	o.EndEarly, o.End, o.EndLate = within(c.At, r.Low), within(c.At, r.Likely), within(c.At, r.High)
	if plan.informed() {
		plan.subject = plan.uninformed()
		p := f.ends(c, plan, 0)
		r := band(p.Draws, p.Days)
		o.Prior = &[3]time.Time{within(c.At, r.Low), within(c.At, r.Likely), within(c.At, r.High)}
	}
}

// ends looks for the end in every draw, in light of so many lux hours a day.
func (f *Follower) ends(c Course, a around, light float64) Ends {
	knots := f.ahead(c, a)
	e := Ends{Days: horizon, Draws: make([]float64, Draws)}
	for i := range a.food.Modes {
		if m := &a.food.Modes[i]; !m.Nutrient {
			d := crossing(knots, func(k *knot) float64 {
				return k.likely[i] + lightShare(m, m.LightRate.Likely, light*k.days) - 1
			})
			if d < e.Days {
				e.Days, e.By = d, m.Name
			}
		}
	}
	var damp [tracks]float64
	for t := range tracks {
		damp[t] = first(knots, func(k *knot) bool { return k.damp[t] })
	}
	if damp[likely] < e.Days {
		e.Days, e.By = damp[likely], a.food.Limit
	}
	causes := f.drawn(&c, a, knots, light, damp, e.Draws)
	if a.informed() {
		e.Days, e.By = a.middle(e.Draws, e.Days), ""
		if e.Days < horizon {
			e.By = most(causes)
		}
	}
	return e
}

// drawn sets the end in every draw, and says what ends it there; empty where
// it is not within the horizon.
func (f *Follower) drawn(c *Course, a around, knots []knot, light float64, damp [tracks]float64, draws []float64) (causes []string) {
	causes = make([]string, len(draws))
	failure, v := a.failure(), a.luck.vessel(a.food.ID)
	for d := range draws {
		if draws[d] = v.place(d, failure).damp(damp); draws[d] < horizon {
			causes[d] = a.food.Limit
		}
		draws[d] = min(horizon, draws[d])
	}
	for i := range a.food.Modes {
		m := &a.food.Modes[i]
		if m.Nutrient {
			continue
		}
		mode := f.going(c, a, knots, light, i)
		for d := range draws {
			x := mode.in(d)
			end := crossing(knots, func(k *knot) float64 { return x.spent(k) - 1 })
			if end < draws[d] {
				draws[d], causes[d] = end, m.Name
			}
		}
	}
	return causes
}

// most is the cause of most draws, of equals the one met first.
func most(causes []string) (best string) {
	count := map[string]int{}
	for _, c := range causes {
		if c != "" {
			count[c]++
		}
	}
	for _, c := range causes {
		if count[c] > count[best] {
			best = c
		}
	}
	return best
}

// damp picks among the days of each track the one nearest in moisture; a seal
// that leaks can only bring it forward, since it was packed as dry or damp as
// where it holds.
func (p place) damp(at [tracks]float64) float64 {
	if p.failed {
		return min(at[near(p.water)], at[failed])
	}
	return at[near(p.water)]
}

// leaky picks the one nearest in wall and seal.
func (p place) leaky(at [tracks]float64) float64 {
	if p.failed {
		return at[failed]
	}
	return at[near(p.wall)]
}

// near is the track nearest to a standard normal number.
func near(z float64) int {
	switch {
	case z < -edge/2:
		return tight
	case z > edge/2:
		return loose
	}
	return likely
}

// ahead follows a course, at plan storage for one, until the lot is well past
// its end.
func (f *Follower) ahead(c Course, plan around) []knot {
	modes := append([]progress(nil), c.modes...)
	c.modes = modes
	knots := f.knots[:0]
	days := 0.0
	for {
		if len(knots) == cap(knots) {
			knots = append(knots, knot{})
		} else {
			knots = knots[:len(knots)+1]
		}
		k := &knots[len(knots)-1]
		if done := k.set(&c, plan, days); done || days >= horizon {
			break
		}
		step := max(7, days/15)
		temp, vapour := plan.expose(days, step)
		c.core = temp
		c.carry(plan.subject, temp, vapour, unit.Days(step))
		days += step
	}
	f.knots = knots
	return knots
}

// set takes the progress of a course; done says that the lot has ended in
// every draw, with room for all constants.
func (k *knot) set(c *Course, plan around, days float64) (done bool) {
	k.days, k.curves, k.likely, k.spread, k.inside = days, k.curves[:0], k.likely[:0], nil, c.inside
	for i := range c.modes {
		if plan.coming != nil {
			k.spread = append(k.spread, plan.coming.spread(i, days))
		}
		m := &plan.food.Modes[i]
		k.curves = append(k.curves, c.modes[i].curve())
		k.likely = append(k.likely, c.modes[i].consumed(m, c.dose))
		done = done || !m.Nutrient && k.likely[i]*m.Life.Likely/m.Life.High > 4
	}
	for t := range tracks {
		k.damp[t] = plan.food.Red.Likely > 0 && c.inside[t].aw >= plan.food.Red.Likely
	}
	return done
}

// crossing is when a rising function of the knots passes 0, in days; the
// horizon if it does not.
func crossing(knots []knot, f func(*knot) float64) float64 {
	i := sort.Search(len(knots), func(i int) bool { return f(&knots[i]) >= 0 })
	switch i {
	case 0:
		return 0
	case len(knots):
		return horizon
	}
	a, b := f(&knots[i-1]), f(&knots[i])
	return knots[i-1].days + (knots[i].days-knots[i-1].days)*a/(a-b)
}

// first is the first knot for which a condition holds, in days.
func first(knots []knot, f func(*knot) bool) float64 {
	for i := range knots {
		if f(&knots[i]) {
			return knots[i].days
		}
	}
	return math.Inf(1)
}

func within(at time.Time, days float64) time.Time {
	if days >= horizon {
		return time.Time{}
	}
	return after(at, days)
}

// after adds days to an instant, zero where that is out of sight.
func after(at time.Time, days float64) time.Time {
	if !(days < 10*horizon) {
		return time.Time{}
	}
	whole := math.Floor(days)
	return at.AddDate(0, 0, int(whole)).Add(time.Duration((days - whole) * 24 * float64(time.Hour)))
}
