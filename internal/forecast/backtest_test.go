package forecast

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"
)

// table is a report for the documents.
func (r Report) table() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d origins\n| what | lead | n | in the 80 %% band | width | CRPS | climatology | persistence |\n|---|---|---|---|---|---|---|---|\n", r.Origins)
	for _, l := range r.Lines {
		if l.Own.N == 0 {
			continue
		}
		other := func(s Score) string {
			if s.N < l.Own.N/2 {
				return "-"
			}
			return fmt.Sprintf("%.3g", s.CRPS)
		}
		fmt.Fprintf(&b, "| %s | %s | %d | %.0f %% | %.3g | %.3g | %s | %s |\n", l.Of, l.Lead, l.Own.N, 100*l.Own.Cover, l.Own.Width, l.Own.CRPS, other(l.Climatology), other(l.Persistence))
	}
	return b.String()
}

// joined adds up the scores of two reports.
func joined(a, b Report) Report {
	add := func(x, y Score) Score {
		n, m := float64(x.N), float64(y.N)
		mix := func(u, v float64) float64 { return (n*u + m*v) / max(1, n+m) }
		return Score{x.N + y.N, mix(x.Cover, y.Cover), mix(x.Width, y.Width), mix(x.CRPS, y.CRPS)}
	}
	out := Report{Origins: a.Origins + b.Origins}
	for i, l := range a.Lines {
		o := b.Lines[i]
		out.Lines = append(out.Lines, Line{l.Of, l.Lead, add(l.Own, o.Own), add(l.Climatology, o.Climatology), add(l.Persistence, o.Persistence)})
	}
	return out
}

func calibrated(t *testing.T, r Report, of, lead string, within float64) Line {
	t.Helper()
	l, ok := r.Line(of, lead)
	if !ok || l.Own.N == 0 {
		t.Fatalf("nothing of %s at %s", of, lead)
	}
	if math.Abs(l.Own.Cover-0.8) > within {
		t.Errorf("%s, %s: the 80 %% band holds %.1f %% of %d", of, lead, 100*l.Own.Cover, l.Own.N)
	}
	return l
}

func beatsBoth(t *testing.T, l Line) {
	t.Helper()
	if !(l.Own.CRPS < l.Climatology.CRPS && l.Own.CRPS < l.Persistence.CRPS) {
		t.Errorf("%s, %s: CRPS %.3g, climatology %.3g, persistence %.3g", l.Of, l.Lead, l.Own.CRPS, l.Climatology.CRPS, l.Persistence.CRPS)
	}
}

// Real weather, simulated room: the years 2014 and 2015 of two cities, each day
// forecast from the two years before alone. Months overlap and years are not
// enough for a verdict; those are tried on invented series here and on longer
// ones by TestBacktestLong.
func TestBacktestDays(t *testing.T) {
	var all Report
	for _, city := range []string{"seattle", "new_york"} {
		h := pantry().follow(t, outdoorHours(t, city))
		first, days := h.Days()
		r, err := Backtest(first, days, Backtesting{Train: 2, Every: 9})
		if err != nil {
			t.Fatal(err)
		}
		if all.Origins == 0 {
			all = r
		} else {
			all = joined(all, r)
		}
	}
	t.Log(all.table())
	for _, of := range []string{OfTemp, OfExposure} {
		for _, lead := range []string{"1 day", "3 days", "7 days"} {
			beatsBoth(t, calibrated(t, all, of, lead, 0.08))
		}
	}
	calibrated(t, all, OfVapour, "7 days", 0.08)
}

// The same by the hour, without and with the air outdoors as it was.
func TestBacktestHours(t *testing.T) {
	leads := []int{1, 6, 24, 72, 168}
	for _, with := range []bool{false, true} {
		var all Report
		for _, city := range []string{"seattle", "new_york"} {
			air := outdoorHours(t, city)
			h := pantry().follow(t, air)
			every := 17
			if !with {
				air = History{}
			} else {
				every = 60
			}
			r, err := BacktestHours(h, air, Backtesting{Train: 1, Every: every}, leads)
			if err != nil {
				t.Fatal(err)
			}
			if all.Origins == 0 {
				all = r
			} else {
				all = joined(all, r)
			}
		}
		t.Logf("air outdoors known: %t\n%s", with, all.table())
		cover := 0.0
		for _, l := range all.Lines {
			cover += l.Own.Cover / float64(len(all.Lines))
			if l.Lead == "24 h" || l.Lead == "72 h" {
				beatsBoth(t, l)
			}
		}
		if math.Abs(cover-0.8) > 0.08 {
			t.Errorf("over all leads the 80 %% band holds %.1f %%", 100*cover)
		}
		if l, _ := all.Line(OfTemp, "72 h"); with && l.Own.CRPS > 0.1 {
			t.Errorf("with the air known the room is off by %.2g K", l.Own.CRPS)
		}
	}
}

// Invented series check that the method agrees with itself where years are
// many; they say nothing about rooms.
func TestBacktestInvented(t *testing.T) {
	var all Report
	for seed := range uint64(4) {
		first, days := invented(100+seed, 33*365)
		r, err := Backtest(first, days, Backtesting{Train: 3, Every: 183})
		if err != nil {
			t.Fatal(err)
		}
		if seed == 0 {
			all = r
		} else {
			all = joined(all, r)
		}
	}
	t.Log(all.table())
	for _, of := range []string{OfTemp, OfExposure} {
		for _, lead := range []string{"1 day", "3 days", "7 days", "month", "year"} {
			l := calibrated(t, all, of, lead, 0.08)
			// For a day such a series is what persistence takes it for, and
			// two changes of years that overlap are no yardstick.
			if lead != "1 day" && lead != "year" {
				beatsBoth(t, l)
			}
		}
	}
}

// TestBacktestLong runs on a series of your own: DRYHOLD_TEST_WEATHER names a
// CSV file with the columns date (2006-01-02) and mean (°C outdoors, may be
// empty), which a simulated room follows by half, 30 h late.
func TestBacktestLong(t *testing.T) {
	name := os.Getenv("DRYHOLD_TEST_WEATHER")
	if name == "" {
		t.Skip("long mode: name a series in DRYHOLD_TEST_WEATHER")
	}
	first, days := longSeries(t, name)
	v, follow := math.NaN(), 1-math.Exp(-24.0/30)
	for i := range days {
		if u := 11 + 0.5*days[i].Temp; u == u {
			if v != v {
				v = u
			}
			v += (u - v) * follow
			days[i].Temp, days[i].Swing = v, 0.4
		}
	}
	for _, train := range []float64{1, 2, 3, 5, 10} {
		r, err := Backtest(first, days, Backtesting{Train: train, Every: 97})
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%g years to learn from, %s", train, r.table())
		for _, of := range []string{OfTemp, OfExposure} {
			for _, lead := range []string{"1 day", "3 days", "7 days", "month", "year"} {
				// One year has no change of years to persist in.
				if l := calibrated(t, r, of, lead, 0.08); train > 1 || lead != "year" {
					beatsBoth(t, l)
				}
			}
		}
	}
}

func longSeries(t *testing.T, name string) (first int, days []Day) {
	t.Helper()
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	nan := math.NaN()
	for _, r := range rows[1:] {
		at, err := time.Parse(time.DateOnly, r[0])
		if err != nil {
			t.Fatal(err)
		}
		day, _ := dayOf(at)
		if len(days) == 0 {
			first = day
		}
		for len(days) < day-first {
			days = append(days, Day{nan, nan, nan})
		}
		v, err := strconv.ParseFloat(r[1], 64)
		if err != nil {
			v = nan
		}
		days = append(days, Day{v, nan, nan})
	}
	return first, days
}

// The score of a normal forecast in closed form: at its mean, with standard
// deviation 1, (sqrt 2 - 1)/sqrt pi (Gneiting & Raftery 2007, eq. 21).
func TestCRPS(t *testing.T) {
	const n = 4000
	var vs []float64
	for i := range n {
		vs = append(vs, math.Sqrt2*math.Erfinv(2*(float64(i)+0.5)/n-1))
	}
	near(t, "at the mean", crps(vs, 0), (math.Sqrt2-1)/math.Sqrt(math.Pi), 5e-4)
	// y (2 Phi(y) - 1) + 2 phi(y) - 1/sqrt pi at y = 1
	near(t, "off the mean", crps(vs, 1), 0.682689+2*0.2419707-1/math.Sqrt(math.Pi), 5e-4)
	near(t, "one member", crps([]float64{3}, 5), 2, 0)
	low, high := tenths(vs)
	near(t, "10 %", low, -1.28155, 1e-3)
	near(t, "90 %", high, 1.28155, 1e-3)
}

func TestBacktestTooShort(t *testing.T) {
	first, days := invented(1, 100)
	if _, err := Backtest(first, days, Backtesting{}); err == nil || !strings.Contains(err.Error(), "too few") {
		t.Errorf("a hundred days: %v", err)
	}
	if _, err := BacktestHours(hoursOf(first, days), History{}, Backtesting{}, []int{24}); err == nil || !strings.Contains(err.Error(), "too few") {
		t.Errorf("a hundred days of hours: %v", err)
	}
}
