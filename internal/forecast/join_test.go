package forecast

import (
	"math"
	"slices"
	"testing"

	"dryhold/internal/unit"
)

// The rule of the package comment against brute force: every draw of a life
// with every member, followed day by day, against one number for each draw.
func TestJoinedBand(t *testing.T) {
	const (
		draws = 200
		ea    = unit.KJPerMol(90)
		lag   = unit.Hours(2)
		far   = 20 * 366
	)
	f := func(history int, life, constants float64) {
		t.Helper()
		first, days := invented(21, 4*365)
		m := FitDays(first+len(days)-history, days[len(days)-history:], Options{})
		now := first + len(days)

		// Lives and numbers of the draws, each in its own order.
		rng := source()
		normal := func() []float64 {
			z := make([]float64, draws)
			for i, k := range rng.Perm(draws) {
				z[i] = math.Sqrt2 * math.Erfinv(2*(float64(k)+0.5)/draws-1)
			}
			return z
		}
		lives, zs := normal(), normal()
		for i := range lives {
			lives[i] = life * math.Exp(constants*lives[i])
		}

		x := m.Ahead(instant(now)).Exposure(ea, lag)
		var ends []float64
		for i, l := range lives {
			low, high := 0.0, 100*year
			for high-low > 0.1 {
				if mid := (low + high) / 2; float64(x.UpTo(mid, zs[i])) < l {
					low = mid
				} else {
					high = mid
				}
			}
			ends = append(ends, low)
		}

		left := 1 / math.Sqrt(1+math.Pow(2*math.Pi*float64(lag)/24, 2))
		sorted := slices.Clone(lives)
		slices.Sort(sorted)
		sum, next := make([]float64, m.options.Members), make([]int, m.options.Members)
		var all []float64
		m.ahead(now, far, func(i, d int, o outcome) {
			sum[i] += math.Exp(LnFactor(ea, unit.Celsius(o.temp), left*o.swing, 0))
			for next[i] < draws && sorted[next[i]] <= sum[i] {
				all = append(all, float64(d)+0.5)
				next[i]++
			}
		})
		if len(all) < draws*m.options.Members*95/100 {
			t.Fatalf("only %d of the lives end within sight", len(all))
		}
		low, high := tenths(ends)
		wantLow, wantHigh := tenths(all)
		t.Logf("%d days of history: %.0f to %.0f days, by brute force %.0f to %.0f", history, low, high, wantLow, wantHigh)
		width := wantHigh - wantLow
		near(t, "early edge", low, wantLow, 0.1*width)
		near(t, "late edge", high, wantHigh, 0.15*width)
	}
	f(4*365, 300, 0.02) // climate and constants alike
	f(4*365, 1200, 0.2)
	f(400, 100, 0.05)
	f(300, 1500, 0.1)
}
