package forecast

import (
	"fmt"
	"math"
	"time"

	"dryhold/internal/unit"
)

// Backtesting says how a history is held back from its own forecasts.
type Backtesting struct {
	Options
	// Train is how many years before an origin may be learned from (at most);
	// the first origin lies after so many. 0 means 3.
	Train float64
	// Every so many days there is an origin; 0 means 7.
	Every int
	// Ea of the exposure; 0 means 80 kJ/mol.
	Ea unit.KJPerMol
}

// What a back-test tells of.
const (
	OfTemp     = "temperature, K"
	OfExposure = "ln exposure"
	OfVapour   = "vapour pressure, Pa"
)

// span is a stretch ahead of an origin: its first day and its length.
type span struct {
	name       string
	from, days int
}

// spans of days: a single day for temperature, all days up to it for exposure.
func spans(of string) []span {
	s := []span{{"1 day", 0, 1}, {"3 days", 2, 1}, {"7 days", 6, 1}, {"month", 0, 30}, {"year", 0, 365}}
	if of == OfExposure {
		for i := range s {
			s[i].from, s[i].days = 0, s[i].from+s[i].days
		}
	}
	return s
}

// record is daily values with sums, so that any stretch is a subtraction.
type record struct {
	first int
	sum   []float64
	n     []int
	log   bool
}

func newRecord(first int, days []Day, value func(Day) float64, log bool) record {
	r := record{first, make([]float64, len(days)+1), make([]int, len(days)+1), log}
	for i, d := range days {
		r.sum[i+1], r.n[i+1] = r.sum[i], r.n[i]
		if v := value(d); v == v {
			r.sum[i+1] += v
			r.n[i+1]++
		}
	}
	return r
}

// over is the value of a stretch; not-a-number where less than nine tenths of
// it are known.
func (r *record) over(day, days int) float64 {
	a, b := day-r.first, day-r.first+days
	if a < 0 || b >= len(r.sum) || 10*(r.n[b]-r.n[a]) < 9*days {
		return math.NaN()
	}
	return r.of((r.sum[b] - r.sum[a]) / float64(r.n[b]-r.n[a]))
}

func (r *record) of(mean float64) float64 {
	if r.log {
		return math.Log(mean)
	}
	return mean
}

// Backtest forecasts from within a history, each time from the days before
// alone, and compares with what came. With hours give their Days.
func Backtest(first int, days []Day, b Backtesting) (Report, error) {
	if b.Train <= 0 {
		b.Train = 3
	}
	if b.Every <= 0 {
		b.Every = 7
	}
	if b.Ea == 0 {
		b.Ea = 80
	}
	train := int(b.Train * year)
	var r Report
	fields := []struct {
		of    string
		log   bool
		value func(Day) float64
	}{
		{OfTemp, false, func(d Day) float64 { return d.Temp }},
		{OfExposure, true, func(d Day) float64 {
			return math.Exp(LnFactor(b.Ea, unit.Celsius(d.Temp), zeroIfUnknown(d.Swing), 0))
		}},
		{OfVapour, false, func(d Day) float64 { return d.Vapour }},
	}
	records := make([]record, len(fields))
	for k, f := range fields {
		records[k] = newRecord(first, days, f.value, f.log)
		for _, s := range spans(f.of) {
			r.Lines = append(r.Lines, Line{Of: f.of, Lead: s.name})
		}
	}
	for o := train; o+7 <= len(days); o += b.Every {
		m := FitDays(first+o-train, days[o-train:o], b.Options)
		members := make([][][365]float64, len(fields))
		for k := range members {
			members[k] = make([][365]float64, m.options.Members)
		}
		m.ahead(first+o, 365, func(i, d int, x outcome) {
			day := Day{x.temp, x.swing, x.vapour}
			for k, f := range fields {
				members[k][i][d] = f.value(day)
			}
		})
		line := 0
		for k, f := range fields {
			for _, s := range spans(f.of) {
				r.Lines[line].score(&records[k], first+o, train, s, members[k])
				line++
			}
		}
		r.Origins++
	}
	if r.Origins == 0 {
		return r, fmt.Errorf("cannot back-test: %d days are too few, %d to learn from and 7 to compare with are needed", len(days), train)
	}
	for i := range r.Lines {
		for _, s := range []*Score{&r.Lines[i].Own, &r.Lines[i].Climatology, &r.Lines[i].Persistence} {
			s.finish()
		}
	}
	return r, nil
}

// score adds one stretch from one origin.
func (l *Line) score(r *record, origin, train int, s span, members [][365]float64) {
	value := r.over(origin+s.from, s.days)
	if value != value {
		return
	}
	vs := make([]float64, len(members))
	for i := range members {
		for _, v := range members[i][s.from : s.from+s.days] {
			vs[i] += v / float64(s.days)
		}
		vs[i] = r.of(vs[i])
	}
	if finite(vs) {
		l.Own.add(vs, value)
	}
	if vs = r.climatology(origin, train, s); len(vs) > 0 {
		l.Climatology.add(vs, value)
	}
	if vs = r.persistence(origin, train, s); len(vs) > 0 {
		l.Persistence.add(vs, value)
	}
}

func finite(vs []float64) bool {
	for _, v := range vs {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

// climatology is the same stretch in the years before, up to 10 days to either
// side.
func (r *record) climatology(origin, train int, s span) []float64 {
	var vs []float64
	for back := 1; float64(back)*year < float64(train)+11; back++ {
		for off := -10; off <= 10; off++ {
			day := origin + s.from - int(math.Round(float64(back)*year)) + off
			if day < origin-train || day+s.days > origin {
				continue
			}
			if v := r.over(day, s.days); v == v {
				vs = append(vs, v)
			}
		}
	}
	return vs
}

// persistence is the last stretch of that length, with the changes it has had
// over the same lead at this season before.
func (r *record) persistence(origin, train int, s span) []float64 {
	last := r.over(origin-s.days, s.days)
	if last != last {
		return nil
	}
	var vs []float64
	for day := origin - train + s.days; day+s.from+s.days <= origin; day++ {
		if math.Abs(math.Remainder(float64(origin-day), year)) > 45 && s.days < 365 {
			continue
		}
		if c := r.over(day+s.from, s.days) - r.over(day-s.days, s.days); c == c {
			vs = append(vs, last+c)
		}
	}
	return vs
}

// BacktestHours compares the week ahead, hour by hour, at leads of hours, with
// the pattern of the season (climatology) and with the same hour of the last
// day (persistence, the lead's changes in the past added). air, when it has
// hours, is that outdoors as it was: the error is then the room's alone.
func BacktestHours(h, air History, b Backtesting, leads []int) (Report, error) {
	if b.Train <= 0 {
		b.Train = 1
	}
	if b.Every <= 0 {
		b.Every = 7
	}
	var r Report
	for _, l := range leads {
		r.Lines = append(r.Lines, Line{Of: OfTemp, Lead: fmt.Sprintf("%d h", l)})
	}
	train := int(b.Train * year * 24)
	// An odd step takes every hour of the day in turn.
	for o := train; o+WeekHours <= len(h.Hours); o += b.Every*24 + 1 {
		at := h.From.Add(time.Duration(o) * time.Hour)
		past := h.Before(at)
		m := Fit(past, b.Options)
		path, err := weekOf(m, past, air, at)
		if err != nil {
			return r, err
		}
		for i, lead := range leads {
			y := h.temp(o + lead - 1)
			if lead < 1 || lead > WeekHours || y != y {
				continue
			}
			l := &r.Lines[i]
			vs := make([]float64, 0, len(path.paths))
			for _, p := range path.paths {
				vs = append(vs, p[lead-1])
			}
			l.Own.add(vs, y)
			if vs := m.hourClimatology(o+lead-1, h.From); len(vs) > 0 {
				l.Climatology.add(vs, y)
			}
			if vs := hourPersistence(&past, o, lead); len(vs) > 0 {
				l.Persistence.add(vs, y)
			}
		}
		r.Origins++
	}
	if r.Origins == 0 {
		return r, fmt.Errorf("cannot back-test: %d hours are too few, %d to learn from and %d to compare with are needed", len(h.Hours), train, WeekHours)
	}
	for i := range r.Lines {
		for _, s := range []*Score{&r.Lines[i].Own, &r.Lines[i].Climatology, &r.Lines[i].Persistence} {
			s.finish()
		}
	}
	return r, nil
}

func weekOf(m *Model, past, air History, at time.Time) (Path, error) {
	if len(air.Hours) == 0 {
		return m.Week(at, WeekHours), nil
	}
	resp, err := FitResponse(past, air.Before(at))
	if err != nil {
		return Path{}, err
	}
	from := int(at.Sub(air.From).Hours())
	ahead := make([]float64, 0, WeekHours)
	for i := range WeekHours {
		ahead = append(ahead, air.temp(from+i))
	}
	return resp.Predict(at, [][]float64{ahead}), nil
}

// hourClimatology is the pattern of the season at an hour with the departures
// it has had within a month of that day of the year.
func (m *Model) hourClimatology(hour int, from time.Time) []float64 {
	at := from.Add(time.Duration(hour) * time.Hour)
	mid := m.climate(at)
	var vs []float64
	for i := range m.tail.Hours {
		was := m.tail.From.Add(time.Duration(i) * time.Hour)
		if math.Abs(math.Remainder(at.Sub(was).Hours()/24, year)) > window || i%7 != 0 {
			continue
		}
		if t := m.tail.temp(i); t == t {
			vs = append(vs, mid+t-m.climate(was))
		}
	}
	return vs
}

// hourPersistence is the same hour of the last day known, with the changes
// over the lead in the past two months.
func hourPersistence(h *History, o, lead int) []float64 {
	back := (lead + 23) / 24 * 24
	last := h.temp(o + lead - 1 - back)
	var vs []float64
	for i := max(back, o-60*24); i < o; i += 5 {
		if c := h.temp(i) - h.temp(i-back); c == c {
			vs = append(vs, last+c)
		}
	}
	if last != last {
		return nil
	}
	return vs
}
