package forecast

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/room"
	"dryhold/internal/unit"
)

func instant(day int) time.Time { return time.Unix(int64(day)*86400, 0).UTC() }

func TestFromSlots(t *testing.T) {
	const hour = 3600 * 1000
	first := time.Date(2025, 3, 1, 5, 0, 0, 0, time.UTC)
	h := FromSlots(first, []room.Slot{
		{TempMean: 20, MeasuredMS: hour, VapourMean: 1100, VapourMS: hour},
		{TempMean: 21, MeasuredMS: hour / 4, EstimatedMS: 3 * hour / 4},
		{TempMean: 22, EstimatedMS: hour},
		{TempMean: 19, MeasuredMS: hour, VapourMean: 1000, VapourMS: hour / 8},
	})
	if !h.From.Equal(first) || h.temp(0) != 20 || h.vapour(0) != 1100 || h.temp(3) != 19 {
		t.Errorf("measured hours are not taken: %v", h)
	}
	for _, v := range []float64{h.temp(1), h.temp(2), h.vapour(1), h.vapour(3), h.temp(-1), h.temp(4)} {
		if v == v {
			t.Errorf("an hour hardly measured counts as %g", v)
		}
	}
}

func TestDays(t *testing.T) {
	h := History{From: time.Date(2025, 3, 1, 6, 0, 0, 0, time.UTC)}
	for i := range 24 * 3 {
		hour := (i + 6) % 24
		h.Hours = append(h.Hours, Hour{float32(15 + 2*math.Cos(2*math.Pi*float64(hour)/24)), 1000})
	}
	h.Hours[30] = Unknown()
	h.Hours[31] = Hour{500, -3} // no room has that
	first, days := h.Days()
	if first != int(h.From.Unix()/86400) || len(days) != 4 {
		t.Fatalf("%d days from %d on", len(days), first)
	}
	near(t, "whole day", days[2].Temp, 15, 1e-6)
	near(t, "its swing", days[2].Swing, 2, 1e-3)
	near(t, "its vapour", days[2].Vapour, 1000, 1e-6)
	near(t, "day with gaps", days[1].Temp, 15, 0.2)
	near(t, "day of 18 hours", days[0].Vapour, 1000, 1e-6)
	if days[3].Temp == days[3].Temp {
		t.Errorf("six hours pass for a day: %v", days[3])
	}
	before := h.Before(h.From.Add(90 * time.Minute))
	if len(before.Hours) != 1 {
		t.Errorf("%d hours before 1.5 h", len(before.Hours))
	}
}

// The parts a series was made of are found again.
func TestFitFindsTheParts(t *testing.T) {
	first, days := invented(1, 3652)
	m := FitDays(first, days, Options{})
	f := func(what string, at int, want float64) {
		t.Helper()
		sd := math.Sqrt(*m.temp.cov.at(at, at))
		near(t, what, m.temp.mean[at], want, 3*sd)
		if sd > 0.6 {
			t.Errorf("%s is open by %g", what, sd)
		}
	}
	f("level", level, 17)
	f("cosine", cos1, -4)
	f("sine", sin1, 0)
	f("second sine", sin2, 0.5)
	f("trend", trend, 0)
	near(t, "correlation of days", m.temp.keep, 0.85, 0.03)
	near(t, "news of a day", m.temp.news, 0.6, 0.03)
	near(t, "second-order correlation", m.temp.keeps[1], 0, 0.05)
	near(t, "humidity", math.Exp(m.damp.mean[level]), 0.5, 0.03)
	near(t, "swing", m.swing.mean[level], 1.5, 0.1)
	near(t, "swing in winter", m.swing.mean[cos1], -0.5, 0.1)
}

func TestNothingKnown(t *testing.T) {
	at := time.Date(2026, 2, 3, 4, 0, 0, 0, time.UTC)
	m := Fit(History{}, Options{Plan: 16, Damp: 0.6})
	p := m.Ahead(at).Pieces()
	last := p[len(p)-1]
	near(t, "mean", float64(last.Mean), 16, 1)
	if w := last.High - last.Low; w < 10 {
		t.Errorf("the band of a room never measured is %g K wide", float64(w))
	}
	near(t, "humidity", float64(last.Humidity()), 0.6, 0.1)
	normals := Normals{}
	for i := range normals.Temp {
		normals.Temp[i], normals.Humidity[i] = unit.Celsius(15+5*math.Cos(2*math.Pi*(float64(i)-6.5)/12)), 0.7
	}
	m = Fit(History{}, Options{Normals: &normals})
	for _, p := range m.Ahead(at).Pieces()[nearDays:] {
		want := 15 + 5*math.Cos(2*math.Pi*(float64(p.From.YearDay())+float64(p.Days)/2-213)/year)
		near(t, "normal", float64(p.Mean), want, 0.6)
		near(t, "normal humidity", float64(p.Humidity()), 0.7, 0.05)
		if w := p.High - p.Low; w > 6 {
			t.Errorf("%s: the band about stated normals is %g K wide", p.From, float64(w))
		}
	}
	w := m.Week(at, 48)
	if len(w.Mid) != 48 || w.Learned {
		t.Errorf("a week of %d hours, learned %t", len(w.Mid), w.Learned)
	}
}

// A room warms by 1 K a year for five years, as when heating is turned up bit
// by bit: nobody believes that it will be 30 K warmer in 30 years.
func TestTrendStops(t *testing.T) {
	first, days := invented(4, 1826)
	for i := range days {
		days[i].Temp += float64(i) / year
	}
	m := FitDays(first, days, Options{})
	soon, far := yearsMean(m, nearDays, 48), yearsMean(m, len(edgesAhead())-12, 12)
	if math.Abs(far-soon) > 2 {
		t.Errorf("%.2f K from the first year to the last", far-soon)
	}
	near(t, "next year", soon, 17+4.5, 1.5)
}

func yearsMean(m *Model, from, n int) (sum float64) {
	for _, p := range m.Ahead(instant(m.end)).Pieces()[from : from+n] {
		sum += float64(p.Mean) / float64(n)
	}
	return sum
}

// A new boiler: the room is 3 K warmer from some day on, and stays so. What is
// ahead is the room as it is now.
func TestChangeForGood(t *testing.T) {
	f := func(since int, by float64) {
		t.Helper()
		first, days := invented(4, 1826)
		usual := yearsMean(FitDays(first, days, Options{}), nearDays, 48)
		for i := len(days) - since; i < len(days); i++ {
			days[i].Temp += by
		}
		m := FitDays(first, days, Options{})
		at := m.Changes()
		if len(at) != 1 || math.Abs(instant(m.end).Sub(at[0]).Hours()/24-float64(since)) > 45 {
			t.Errorf("changed at %v, not %d days before %s", at, since, instant(m.end))
		}
		near(t, "next year beyond the usual", yearsMean(m, nearDays, 48)-usual, by, 0.5)
	}
	f(900, 3)
	f(300, 3)
	f(500, -4)
	for seed := range uint64(20) {
		first, days := invented(seed, 5*365)
		if at := FitDays(first, days, Options{}).Changes(); len(at) > 0 {
			t.Errorf("a room that did not change did at %v", at)
		}
	}
}

// Three weeks of July say little of January; the air outdoors does.
func TestOutdoorFillsTheSeasons(t *testing.T) {
	air := outdoorHours(t, "seattle")
	inside := pantry().follow(t, air)
	out := Fit(air.Before(air.From.AddDate(0, 0, 3*365)), Options{Open: true})
	july := air.From.AddDate(2, 6, 0)
	short := inside.Before(july.AddDate(0, 0, 21))
	short.Hours = short.Hours[int(july.Sub(air.From).Hours()):]
	short.From = july
	alone := Fit(short, Options{})
	with := Fit(short, Options{Outdoor: out})
	at := july.AddDate(0, 0, 21)
	january := func(m *Model) Piece {
		for _, p := range m.Ahead(at).Pieces() {
			if p.From.Month() == time.January && p.From.Day() > 7 {
				return p
			}
		}
		t.Fatal("no January")
		return Piece{}
	}
	a, b := january(alone), january(with)
	first, days := inside.Days()
	truth := 0.0
	for d := range b.Days {
		day, _ := dayOf(b.From)
		truth += days[day+d-first].Temp / float64(b.Days)
	}
	if off, alone := math.Abs(float64(b.Mean)-truth), math.Abs(float64(a.Mean)-truth); off > 2 || off > alone {
		t.Errorf("January is %.1f °C: %.1f with the air outdoors, %.1f without", truth, float64(b.Mean), float64(a.Mean))
	}
	if !(b.High-b.Low < 0.8*(a.High-a.Low)) {
		t.Errorf("band %.1f K with the air outdoors, %.1f without", float64(b.High-b.Low), float64(a.High-a.Low))
	}
	if f := with.Follows(); !f.Known || math.Abs(f.Gain-0.5) > 0.2 {
		t.Errorf("the room follows by %+v", f)
	}
}

func TestPool(t *testing.T) {
	first, days := invented(2, 3*365)
	for i := 400; i < 430; i++ {
		days[i].Temp = math.NaN()
	}
	m := FitDays(first, days, Options{})
	p := &m.blocks
	if len(p.order) != 3*365-30 {
		t.Errorf("%d days in the pool", len(p.order))
	}
	rng := m.start(source(), first, 0).rng
	for _, d := range []int{0, 5, 100, 200, 360, 365} {
		for range 200 {
			i, ok := p.pick(rng, d)
			if !ok || !p.known[i] {
				t.Fatalf("day %d of the year: %d, %t", d, i, ok)
			}
			apart := math.Abs(math.Remainder(float64(dayOfYear(first+i)-d), 366))
			if apart > window {
				t.Fatalf("day %d of the year takes its weather from day %d", d, dayOfYear(first+i))
			}
		}
	}
	short := FitDays(first, days[:90], Options{})
	seen := dayOfYear(first + 45)
	if _, ok := short.blocks.pick(rng, seen); !ok {
		t.Error("the season just seen has no weather")
	}
	if _, ok := short.blocks.pick(rng, (seen+183)%366); ok {
		t.Error("the season never seen has weather")
	}
	near(t, "block of ten years", blockLength(0.8, 3652), 47, 1) // 1.1447 (19.75 3652)^(1/3)
	near(t, "block of a slow room", blockLength(0.99, 3652), 60, 0)
	near(t, "block of noise", blockLength(0, 3652), 15, 0)
}

func TestSameEveryTime(t *testing.T) {
	first, days := invented(6, 500)
	h := hoursOf(first, days)
	at := h.From.Add(time.Duration(len(h.Hours)) * time.Hour)
	a, b := Fit(h, Options{}), Fit(h, Options{})
	if d := cmp.Diff(a.Ahead(at).Pieces(), b.Ahead(at).Pieces()); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff(a.Week(at, 72).Mid, b.Week(at, 72).Mid); d != "" {
		t.Error(d)
	}
	if slices.Equal(a.Week(at, 72).Mid, Fit(h, Options{Seed: 9}).Week(at, 72).Low) {
		t.Error("low is mid")
	}
}

// Whatever the history holds, no result is not-a-number and no band is turned
// over.
func TestAnyHistory(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 1500).Draw(t, "hours")
		kind := rapid.SampledFrom([]string{"constant", "wild", "walk", "extreme", "gaps"}).Draw(t, "kind")
		rngs := rapid.SliceOfN(rapid.Float64Range(-1, 1), 16, 16).Draw(t, "values")
		h := History{From: time.Unix(rapid.Int64Range(-4e9, 4e9).Draw(t, "from"), 0).UTC()}
		v := 20.0
		for i := range n {
			x := rngs[i%16] * rngs[(i/16)%16]
			hour := Hour{float32(v), float32(1000 + 900*x)}
			switch kind {
			case "wild":
				hour.Temp = float32(20 + 70*x)
			case "walk":
				v += x
				hour.Temp = float32(v)
			case "extreme":
				hour = Hour{float32(x * math.Inf(1)), float32(1e30 * x)}
			case "gaps":
				if rngs[(i/24)%16] > 0 {
					hour = Unknown()
				}
			}
			h.Hours = append(h.Hours, hour)
		}
		o := Options{Members: 6, Open: rapid.Bool().Draw(t, "open"), Plan: 17}
		m := Fit(h, o)
		at := h.From.Add(time.Duration(n)*time.Hour + time.Duration(rapid.IntRange(0, 5000).Draw(t, "later"))*time.Hour)
		a := m.Ahead(at)
		for _, p := range a.Pieces() {
			if !(p.Low <= p.Mean && p.Mean <= p.High && p.VapourLow <= p.Vapour && p.Vapour <= p.VapourHigh && p.Swing >= 0 && p.Spread >= 0) ||
				!(p.Humidity() >= 0 && p.Humidity() <= 1) {
				t.Fatalf("%s: %+v", kind, p)
			}
		}
		x := a.Exposure(unit.KJPerMol(rapid.Float64Range(0, 400).Draw(t, "ea")), unit.Hours(rapid.Float64Range(0, 200).Draw(t, "lag")))
		for _, d := range []float64{0, 0.5, 3, 400, 11000, 36525} {
			if e, s := x.UpTo(d, 1), x.LnSpread(d); !(e >= 0) || math.IsInf(float64(e), 0) || !(s >= 0) {
				t.Fatalf("%s: exposure %g after %g days, spread %g", kind, float64(e), d, s)
			}
			if mean, vapour := a.Mean(d, d+40); !(mean > -300 && mean < 400 && vapour >= 0) {
				t.Fatalf("%s: mean %g °C, %g Pa", kind, float64(mean), float64(vapour))
			}
		}
		w := m.Week(at, 100)
		for i := range w.Mid {
			if !(w.Low[i] <= w.Mid[i] && w.Mid[i] <= w.High[i]) {
				t.Fatalf("%s: hour %d: %g, %g, %g", kind, i, w.Low[i], w.Mid[i], w.High[i])
			}
		}
	})
}

// The more is known, the narrower the band, on average over invented rooms.
func TestMoreHistoryNarrows(t *testing.T) {
	last := math.Inf(1)
	for _, days := range []int{0, 3, 21, 330, 3 * 365, 10 * 365} {
		sum := 0.0
		const rooms = 8
		for seed := range uint64(rooms) {
			first, all := invented(seed, 10*365)
			m := FitDays(first+len(all)-days, all[len(all)-days:], Options{Members: 100})
			sum += yearSpread(m, first+len(all)) / rooms
		}
		t.Logf("%d days: spread of the mean of a year %.3f", days, sum)
		if sum > 1.03*last {
			t.Errorf("%d days of history: spread %.4f, with less history %.4f", days, sum, last)
		}
		last = sum
	}
}

// yearSpread is the standard deviation over the members of the mean of the
// year from a day on.
func yearSpread(m *Model, from int) float64 {
	means := make([]float64, m.options.Members)
	m.ahead(from, 365, func(i, _ int, o outcome) { means[i] += o.temp / 365 })
	mean, square := 0.0, 0.0
	for _, x := range means {
		mean, square = mean+x/float64(len(means)), square+x*x/float64(len(means))
	}
	return math.Sqrt(square - mean*mean)
}
