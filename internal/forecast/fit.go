package forecast

import (
	"math"
	"slices"
	"time"

	"dryhold/internal/climate"
	"dryhold/internal/unit"
)

// Normals are the monthly means that the keeper states, January first: of the
// room, or of the air outdoors for a Model of that.
type Normals struct {
	Temp     [12]unit.Celsius
	Humidity [12]unit.RH // all 0: not stated
	// Error is how far off they may be, K (one standard deviation); 0 means 1 K.
	Error float64
}

// Options are what is known beside the history. The zero value is a house of
// which nothing is known but that people live in it.
type Options struct {
	// Plan is the temperature, Damp the humidity of a room never measured:
	// plan storage. 0 means 18 °C and 0.55 (judgement). Both with a wide band.
	Plan unit.Celsius
	Damp unit.RH
	// Normals, when stated, take the place of Plan and Damp.
	Normals *Normals
	// Outdoor, when there, is a Model of the air outdoors: its seasons, as far
	// as this room follows it, fill those this room has not seen.
	Outdoor *Model
	// Open says that the history is of the air outdoors, whose priors are
	// wider.
	Open bool
	// Seed of the random numbers; keep it as it is for all rooms of a house.
	Seed uint64
	// Members of the ensemble; 0 means 50.
	Members int
}

// Model is the fitted climate of one room. It is a value to read only.
type Model struct {
	options Options
	first   int // day of the first rest
	end     int // day after the last
	known   bool
	temp    series
	swing   series
	damp    series // of ln(vapour / saturation at the expected temperature)
	follows Following
	days    []Day
	diurnal diurnal
	now     float64 // the slow departure at the end of the history, K
	tail    History // the last hours, for the week ahead
	blocks  pool
}

const (
	defaultPlan    = unit.Celsius(18)
	defaultDamp    = unit.RH(0.55)
	defaultMembers = 50
	// keptHours of history stay with the model: a year and a season, so that
	// the week ahead is judged by the same season a year ago.
	keptHours = 425 * 24
)

// Fit makes the model of a room from its history, of hours of any number and
// with any gaps; with none it is what the options say.
func Fit(h History, o Options) *Model {
	h.From = h.From.UTC().Truncate(time.Hour)
	first, days := h.Days()
	m := FitDays(first, days, o)
	m.diurnal = fitDiurnal(h)
	n := min(len(h.Hours), keptHours)
	m.tail = History{h.From.Add(time.Duration(len(h.Hours)-n) * time.Hour), h.Hours[len(h.Hours)-n:]}
	return m
}

// FitDays does the same from days in a row, the first of them so many days
// after 1 January 1970. Without hours the week ahead has no daily pattern.
func FitDays(first int, days []Day, o Options) *Model {
	if o.Plan == 0 {
		o.Plan = defaultPlan
	}
	if !(o.Damp > 0) {
		o.Damp = defaultDamp
	}
	if o.Members <= 0 {
		o.Members = defaultMembers
	}
	days = trimmed(&first, days)
	m := &Model{options: o, first: first, end: first + len(days), days: days, known: len(days) > 0}
	temps, swings := make([]float64, len(days)), make([]float64, len(days))
	for i, d := range days {
		temps[i], swings[i] = sane(d.Temp, -60, 90), sane(d.Swing, 0, 60)
	}
	p := m.tempPrior()
	if o.Outdoor != nil {
		m.follows = follow(first, temps, o.Outdoor)
		p = m.follows.prior(p, o)
	}
	c := newCount(first, m.end)
	m.temp = fitSeries(c, temps, p)
	m.now = fadingOf(m.temp.bond).now * m.temp.mean[slow]
	m.swing = fitSeries(c, swings, swingPrior(o.Open))
	damps := make([]float64, len(days))
	for i, d := range days {
		v := sane(d.Vapour, 1, 70000)
		damps[i] = math.Log(v) - m.lnSaturation(c.wave[i])
	}
	m.damp = fitSeries(c, damps, m.dampPrior())
	m.blocks = newPool(m)
	return m
}

// trimmed cuts the unknown days at both ends.
func trimmed(first *int, days []Day) []Day {
	known := func(d Day) bool { return d.Temp == d.Temp || d.Vapour == d.Vapour }
	for len(days) > 0 && !known(days[0]) {
		days = days[1:]
		*first++
	}
	for len(days) > 0 && !known(days[len(days)-1]) {
		days = days[:len(days)-1]
	}
	return days
}

// lnSaturation is that of the vapour pressure at the expected temperature.
func (m *Model) lnSaturation(c [4]float64) float64 {
	t := min(80, max(-60, m.temp.at(c)))
	return math.Log(float64(climate.VapourPressure(unit.Celsius(t), 1)))
}

// Changes are the days on which the room seems to have changed for good, by its
// temperature: a new boiler, a sensor on another shelf. What came before counts
// for the seasons and the weather, not for the level.
func (m *Model) Changes() []time.Time {
	var at []time.Time
	for _, d := range m.temp.steps {
		at = append(at, time.Unix(int64(d)*86400, 0).UTC())
	}
	slices.SortFunc(at, time.Time.Compare)
	return at
}

// tempPrior: judgement throughout, but for the trend. Land has warmed by about
// 0.03 K a year for some decades (IPCC AR6, from memory); a room may follow or
// not, so that the prior is 0 with that as one standard deviation. The share
// of a year in the spread of days, 0.15, is what the Central England series
// shows (annual means spread by 0.6 K, days by 2.7 K; the rest of it follows
// from the correlation of days).
func (m *Model) tempPrior() prior {
	p := prior{
		mean: [slow]float64{level: float64(m.options.Plan)},
		sd:   [slow]float64{5, 0.03, 3.5, 3.5, 1, 1},
		year: 0.2, share: 0.15, keep: 0.85, news: 0.6, weight: 20,
	}
	if m.options.Open {
		p.sd = [slow]float64{10, 0.03, 8, 8, 1.5, 1.5}
		p.keep, p.news = 0.75, 2
	}
	if n := m.options.Normals; n != nil {
		var ys [12]float64
		for i, t := range n.Temp {
			ys[i] = float64(t)
		}
		e := n.Error
		if !(e > 0) {
			e = 1
		}
		p.mean = harmonicsOf(ys)
		p.sd = [slow]float64{e, 0.03, 0.7 * e, 0.7 * e, 0.5 * e, 0.5 * e}
	}
	return p
}

// swingPrior: judgement. A pantry swings by less than 1 K, a loft by 5.
func swingPrior(open bool) prior {
	p := prior{
		mean: [slow]float64{level: 1}, sd: [slow]float64{1, 0.01, 0.5, 0.5, 0.2, 0.2},
		year: 0.05, share: 0.1, keep: 0.5, news: 0.3, weight: 20,
	}
	if open {
		p.mean[level], p.sd[level] = 4, 2
	}
	return p
}

// dampPrior: judgement. The saturation at the season's temperature times a
// humidity: a household room lies within a factor of 1.3 of what is stated.
func (m *Model) dampPrior() prior {
	p := prior{
		mean: [slow]float64{level: math.Log(float64(m.options.Damp))},
		sd:   [slow]float64{0.25, 0.01, 0.15, 0.15, 0.05, 0.05},
		year: 0.03, share: 0.15, keep: 0.85, news: 0.05, weight: 20,
	}
	n := m.options.Normals
	if n == nil || n.Humidity == [12]unit.RH{} {
		return p
	}
	var ys [12]float64
	for i, rh := range n.Humidity {
		at := season(midMonth(i))
		ys[i] = math.Log(max(0.01, float64(rh))) + math.Log(float64(climate.VapourPressure(n.Temp[i], 1))) - m.lnSaturation(at)
	}
	p.mean, p.sd = harmonicsOf(ys), [slow]float64{0.1, 0.01, 0.07, 0.07, 0.05, 0.05}
	return p
}

// midMonth is the day of the year in the middle of a month, January 0. Day 0
// of the count is a first of January.
func midMonth(i int) float64 { return (float64(i) + 0.5) * year / 12 }

// harmonicsOf twelve values in the middle of the months: exact, since twelve
// points in a circle are orthogonal to all of them.
func harmonicsOf(ys [12]float64) (x [slow]float64) {
	for i, y := range ys {
		x[level] += y / 12
		for k, c := range season(midMonth(i)) {
			x[cos1+k] += y * c / 6
		}
	}
	return x
}

// Following is how far a room follows the air outdoors from day to day.
type Following struct {
	Known bool
	Gain  float64 // K per K
	Error float64 // its standard deviation
	Days  int     // of lag behind the air
	// Explained is the share of the room's changes that the air explains.
	Explained float64
}

// Follows tells the relation to the outdoor model given, if any.
func (m *Model) Follows() Following { return m.follows }

// follow regresses the room's day on the mean of the air over some days
// before, both less the day before, so that a season both have in common does
// not pass for a gain.
func follow(first int, temps []float64, out *Model) (best Following) {
	const least = 10 // days
	air := func(day int) float64 {
		if i := day - out.first; i >= 0 && i < len(out.days) {
			return sane(out.days[i].Temp, -60, 90)
		}
		return math.NaN()
	}
	for lag := 1; lag <= 16; lag *= 2 {
		keep := math.Exp(-1 / float64(lag))
		if lag == 1 {
			keep = 0
		}
		var sxx, sxy, syy, n float64
		f := math.NaN()
		for i, y := range temps {
			was := f
			switch u := air(first + i); {
			case u != u:
				f = math.NaN()
			case f != f:
				f = u
			default:
				f = float64(keep*f) + float64((1-keep)*u)
			}
			if i == 0 || was != was || f != f || y != y || temps[i-1] != temps[i-1] {
				continue
			}
			dx, dy := f-was, y-temps[i-1]
			sxx, sxy, syy, n = sxx+float64(dx*dx), sxy+float64(dx*dy), syy+float64(dy*dy), n+1
		}
		if n < least || !(sxx > 1e-9) || !(syy > 1e-9) {
			continue
		}
		// Prior: half of the way, give or take 0.3 (judgement).
		r2 := min(1, sxy*sxy/(sxx*syy))
		noise := max(1e-6, syy*(1-r2)/n)
		w := sxx/noise + 1/(0.3*0.3)
		x := Following{true, (sxy/noise + 0.5/(0.3*0.3)) / w, 1 / math.Sqrt(w), lag, r2}
		if !best.Known || x.Explained > best.Explained {
			best = x
		}
	}
	if !best.Known {
		best = Following{Gain: 0.5, Error: 0.3, Days: 4}
	}
	return best
}

// prior takes the seasons of the air, as far as the room follows them and as
// late. Its level stays its own: heating and sun raise it.
func (f Following) prior(p prior, o Options) prior {
	if o.Normals != nil {
		return p
	}
	gain := min(1.2, max(0, f.Gain))
	out := &o.Outdoor.temp
	for i, k := range [2]int{cos1, cos2} {
		w := 2 * math.Pi * float64(i+1) / year * float64(f.Days)
		c, s := out.mean[k], out.mean[k+1]
		shrink := gain / (1 + w*w)
		p.mean[k], p.mean[k+1] = shrink*(c-w*s), shrink*(s+w*c)
		// A house is heated in winter: a quarter of the wave beside what the
		// regression and the air's own seasons leave open (judgement).
		size := math.Hypot(c, s)
		for j := k; j <= k+1; j++ {
			own := gain * math.Sqrt(*out.cov.at(j, j))
			p.sd[j] = min(p.sd[j], math.Hypot(math.Hypot(f.Error*size, own), 0.25*gain*size+0.3))
		}
	}
	return p
}
