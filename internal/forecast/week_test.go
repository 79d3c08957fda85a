package forecast

import (
	"math"
	"strings"
	"testing"
	"time"
)

// The response of the simulated room is found again, noise and all.
func TestFitResponse(t *testing.T) {
	air := outdoorHours(t, "new_york")
	f := func(c chamber, days int, gain, lag float64) {
		t.Helper()
		inside := c.follow(t, air)
		start := 200 * 24
		inside.From = inside.From.Add(time.Duration(start) * time.Hour)
		inside.Hours = inside.Hours[start : start+days*24]
		for i := 40; i < 45; i++ {
			inside.Hours[i] = Unknown()
		}
		r, err := FitResponse(inside, air)
		if err != nil {
			t.Fatal(err)
		}
		// With less than two months the ground's path is left out.
		near(t, "gain", r.Gain+r.Wall, c.gain, gain)
		near(t, "lag", math.Log(float64(r.Lag/c.lag)), 0, lag)
		if r.Explained < 0.95 {
			t.Errorf("explains %.3f", r.Explained)
		}
	}
	f(pantry(), 180, 0.03, 0.15)
	f(pantry(), 30, 0.1, 0.25)
	f(chamber{2, 1, 6, 0.1}, 50, 0.05, 0.1)  // a loft
	f(chamber{8, 0.3, 90, 0}, 59, 0.06, 0.3) // a cellar
}

func TestFitResponseTooShort(t *testing.T) {
	air := outdoorHours(t, "seattle")
	inside := pantry().follow(t, air)
	f := func(in, out History) {
		t.Helper()
		if _, err := FitResponse(in, out); err == nil || !strings.Contains(err.Error(), "at least 168") {
			t.Errorf("error %v", err)
		}
	}
	f(History{}, air)
	f(inside, History{})
	f(inside.Before(inside.From.AddDate(0, 0, 6)), air)
	late := air
	late.From = air.From.AddDate(20, 0, 0)
	f(inside, late)
}

// A hot week is announced: the air is said to go up to 38 °C, and the room's
// limit will be passed on the third or fourth day.
func TestHotWeek(t *testing.T) {
	air := outdoorHours(t, "new_york")
	inside := pantry().follow(t, air)
	at := air.From.AddDate(1, 5, 15) // mid June
	r, err := FitResponse(inside.Before(at), air.Before(at))
	if err != nil {
		t.Fatal(err)
	}
	ahead := func(peak float64) []float64 {
		var hours []float64
		for i := range WeekHours {
			hours = append(hours, peak-6-6*math.Cos(2*math.Pi*(float64(i)-5)/24))
		}
		return hours
	}
	hot := r.Predict(at, OutdoorPaths(ahead(38), 1))
	mild := r.Predict(at, OutdoorPaths(ahead(24), 1))
	if !hot.Learned || len(hot.Mid) != WeekHours {
		t.Fatalf("learned %t, %d hours", hot.Learned, len(hot.Mid))
	}
	limit := 25.0
	h, m := hot.Above(limit, WeekHours), mild.Above(limit, WeekHours)
	if h.Chance < 0.9 || m.Chance > 0.1 {
		t.Errorf("chance of passing %g °C: %.2f in the hot week, %.2f in the mild one", limit, h.Chance, m.Chance)
	}
	if soon := hot.Above(limit, 12); soon.Chance > 0.1 || soon.Chance > h.Chance {
		t.Errorf("chance within 12 h: %.2f", soon.Chance)
	}
	if d := h.First.Sub(at).Hours(); d < 24 || d > 96 {
		t.Errorf("passes after %g h", d)
	}
	if !(h.DegreeHours > m.DegreeHours) || !(h.Highest > limit) || !m.First.IsZero() && m.Chance == 0 {
		t.Errorf("hot %+v, mild %+v", h, m)
	}
	// Settled, the room lies at base and gain of the air's mean: 11 + 0.5 x 32.
	near(t, "end of the week", hot.Mid[WeekHours-1], 27, 0.8)
	early, late := hot.High[6]-hot.Low[6], hot.High[150]-hot.Low[150]
	if !(late > 1.5*early) {
		t.Errorf("the band is %.2f K after 6 h, %.2f after 150", early, late)
	}
}

func TestAbove(t *testing.T) {
	from := time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	p := newPath(from, [][]float64{{20, 22, 24}, {20, 21, 21}, {20, 20, 26}, {20, 20, 20}}, true)
	got := p.Above(21, 3)
	near(t, "chance", got.Chance, 0.5, 0)
	near(t, "degree hours", got.DegreeHours, (1+3+5)/4.0, 1e-12)
	near(t, "highest", got.Highest, (24+21+26+20)/4.0, 1e-12)
	if !got.First.Equal(from.Add(2 * time.Hour)) {
		t.Errorf("first %s", got.First)
	}
	if two := p.Above(21, 2); two.Chance != 0.25 {
		t.Errorf("chance within two hours %g", two.Chance)
	}
	if none := p.Above(30, 99); none.Chance != 0 || !none.First.IsZero() || none.DegreeHours != 0 {
		t.Errorf("never: %+v", none)
	}
	if empty := (Path{}).Above(3, 5); empty != (Passing{}) {
		t.Errorf("empty: %+v", empty)
	}
}

// With no forecast of the air its own model will do, and a reading missing in
// either history moves no hour.
func TestPredictFromTheModelOfTheAir(t *testing.T) {
	air := outdoorHours(t, "seattle")
	inside := pantry().follow(t, air)
	at := air.From.AddDate(2, 0, 10)
	out := Fit(air.Before(at), Options{Open: true})
	r, err := FitResponse(inside.Before(at), air.Before(at))
	if err != nil {
		t.Fatal(err)
	}
	alone := Fit(inside.Before(at), Options{}).Week(at, WeekHours)
	with := r.Predict(at, out.Week(at, WeekHours).Members())
	for _, i := range []int{3, 24} {
		if a, b := alone.High[i]-alone.Low[i], with.High[i]-with.Low[i]; !(b < a) {
			t.Errorf("hour %d: band %.2f K alone, %.2f K with the air", i, a, b)
		}
	}
	gaps := inside.Before(at)
	gaps.Hours = append([]Hour(nil), gaps.Hours...)
	n := len(gaps.Hours)
	for i := n - 5; i < n; i++ {
		gaps.Hours[i] = Unknown()
	}
	r, err = FitResponse(gaps, air.Before(at.Add(-20*time.Hour)))
	if err != nil {
		t.Fatal(err)
	}
	holes := r.Predict(at, out.Week(at, WeekHours).Members())
	near(t, "after a gap", holes.Mid[24], with.Mid[24], 1.5)
	for _, p := range []Path{r.Predict(at.AddDate(0, 1, 0), [][]float64{{1, 2}}), r.Predict(at, nil), r.Predict(at, [][]float64{{}}), r.Predict(at.AddDate(-5, 0, 0), [][]float64{{1}})} {
		if len(p.Mid) != 0 {
			t.Errorf("a path of %d hours from nothing", len(p.Mid))
		}
	}
	nan := math.NaN()
	for i, v := range r.Predict(at.Add(3*time.Hour), [][]float64{{nan, 4, nan, 5}}).Mid {
		if v != v {
			t.Errorf("hour %d is not a number", i)
		}
	}
}

func TestWeekStartsAtThePresent(t *testing.T) {
	first, days := invented(12, 700)
	days[699].Temp += 6 // a hot day
	days[698].Temp += 4
	h := hoursOf(first, days)
	at := h.From.Add(time.Duration(len(h.Hours)) * time.Hour)
	m := Fit(h, Options{})
	w := m.Week(at, WeekHours)
	if !w.Learned {
		t.Error("a year and more teaches nothing")
	}
	usual := m.climate(at.AddDate(0, 0, 6))
	near(t, "first hour", w.Mid[0], float64(h.Hours[len(h.Hours)-1].Temp), 1.5)
	if !(w.Mid[3]-m.climate(at.Add(3*time.Hour)) > 2) || !(math.Abs(w.Mid[144]-usual) < 2.5) {
		t.Errorf("%.1f °C in 3 h, %.1f in six days, %.1f is usual", w.Mid[3], w.Mid[144], usual)
	}
}

// TestSurer: how much less one more sensor leaves open of what a lot ages by in
// five years. Where nothing is known it is most, where years are known little.
func TestSurer(t *testing.T) {
	at := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	narrower := func(what string, m *Model, at time.Time) (here, outdoors float64) {
		t.Helper()
		spread := func(m *Model) float64 {
			x := m.Ahead(at).Exposure(80, 2)
			return x.LnSpread(5 * year)
		}
		now := spread(m)
		here, outdoors = 1-spread(m.Surer(at, SensorHere))/now, 1-spread(m.Surer(at, SensorOutdoors))/now
		t.Logf("%s: ln exposure spreads by %.4f, with a sensor here by %.0f %% less, outdoors by %.0f %%", what, now, 100*here, 100*outdoors)
		return here, outdoors
	}
	none, _ := narrower("never measured", Fit(History{}, Options{}), at)
	first, days := invented(3, 5*365)
	_, short := narrower("measured for two months", FitDays(first, days[:60], Options{}), instant(first+60))
	m := FitDays(first, days, Options{})
	long, _ := narrower("measured for five years", m, instant(first+len(days)))
	if none < 0.3 || short < 0.05 || long > 0.1 || long > none {
		t.Error("that is not what one more sensor is worth")
	}
	// What is expected is the same.
	if a, b := m.temp.mean, m.Surer(instant(first+len(days)), SensorHere).temp.mean; a != b {
		t.Errorf("expected %v, with one more sensor %v", a, b)
	}
}
