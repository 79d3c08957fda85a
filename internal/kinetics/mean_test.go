package kinetics

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"dryhold/internal/reference"
	"dryhold/internal/unit"
)

// samplesOf reads the sample column of mean-kinetic-temperature.csv.
func samplesOf(t *testing.T, text string) []unit.Celsius {
	t.Helper()
	sine := func(n int, mean, swing float64) []unit.Celsius {
		ts := make([]unit.Celsius, n)
		for i := range ts {
			ts[i] = unit.Celsius(mean + swing*math.Sin(2*math.Pi*float64(i)/float64(n)))
		}
		return ts
	}
	switch text {
	case "daily_sine":
		return sine(1440, 22, 5)
	case "annual_sine":
		return sine(365, 18, 10)
	}
	var ts []unit.Celsius
	for _, field := range strings.Fields(text) {
		count, value, many := strings.Cut(field, "*")
		if !many {
			count, value = "1", field
		}
		n, err := strconv.Atoi(count)
		if err != nil {
			t.Fatal(err)
		}
		c, err := strconv.ParseFloat(value, 64)
		if err != nil {
			t.Fatal(err)
		}
		for range n {
			ts = append(ts, unit.Celsius(c))
		}
	}
	return ts
}

func TestMeanKineticPublished(t *testing.T) {
	for _, r := range reference.Published(t, "mean-kinetic-temperature.csv") {
		ea := ConventionalEa
		if r["energy"] != "" {
			ea = unit.KJPerMol(r.Num(t, "energy"))
		}
		ts := samplesOf(t, r["samples"])
		sum := 0.0
		for _, c := range ts {
			sum += float64(c)
		}
		near(t, r["samples"]+": mean", sum/float64(len(ts)), r.Num(t, "mean_celsius"), 5.001e-4)
		got := must[unit.Celsius](t)(MeanKinetic(ea, ts, nil))
		near(t, r["samples"]+" at "+r["energy"], float64(got), r.Num(t, "mkt_celsius"), 1e-3)
	}
}

func TestMeanKineticUnevenPublished(t *testing.T) {
	var at []float64
	var ts []unit.Celsius
	for _, r := range reference.Published(t, "mean-kinetic-uneven.csv") {
		at = append(at, r.Num(t, "hour"))
		ts = append(ts, unit.Celsius(r.Num(t, "celsius")))
	}
	f := func(what string, weights func([]float64) ([]float64, error), want float64) {
		t.Helper()
		got := must[unit.Celsius](t)(MeanKinetic(ConventionalEa, ts, must[[]float64](t)(weights(at))))
		near(t, what, float64(got), want, 1e-3)
	}
	f("trapezoid", TrapezoidWeights, 25.5033)
	f("held", HeldWeights, 26.1602)
}

// The convention is a quotient, 10000 K; constants rounded by other hands move
// the answer by less than 2e-4 K (models 2, computed).
func TestMeanKineticHardlyKnowsTheGasConstant(t *testing.T) {
	f := func(heat, r, want float64) {
		t.Helper()
		ea := unit.KJPerMol(heat / r * R)
		near(t, "MKT of 20 and 30 °C", float64(must[unit.Celsius](t)(MeanKinetic(ea, []unit.Celsius{20, 30}, nil))), want, 6e-6)
	}
	f(83.144, 8.3144e-3, 26.25989)
	f(83.144, 8.314e-3, 26.25995)
	f(83.144, 8.314462618e-3, 26.25988)
}

// A long window hides an excursion: one day of 40 °C among days of 20 °C
// (models 2, computed).
func TestMeanKineticWindowCaveat(t *testing.T) {
	f := func(days, want float64) {
		t.Helper()
		got := must[unit.Celsius](t)(MeanKinetic(ConventionalEa, []unit.Celsius{40, 20}, []float64{1, days - 1}))
		near(t, "MKT", float64(got), want, 0.005)
	}
	f(30, 22.01)
	f(365, 20.18)
}

// A trap: for an energy below 2RT the exponential bends the other way and the
// mean kinetic temperature lies below the mean, so that it is no safe bound.
func TestMeanKineticOfAFlatReactionIsBelowTheMean(t *testing.T) {
	got := must[unit.Celsius](t)(MeanKinetic(1, []unit.Celsius{0, 40}, nil))
	if got >= 20 {
		t.Errorf("got %g °C, want below 20", float64(got))
	}
}

func TestMeanKineticRefusals(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	f := func(what string, ea unit.KJPerMol, ts []unit.Celsius, weights []float64) {
		t.Helper()
		if got, err := MeanKinetic(ea, ts, weights); err == nil {
			t.Errorf("%s: got %g °C, want an error", what, float64(got))
		}
	}
	one := []unit.Celsius{20}
	f("no samples", 80, nil, nil)
	f("zero energy", 0, one, nil)
	f("great energy", MaxEa+1, one, nil)
	f("no energy", unit.KJPerMol(nan), one, nil)
	f("weights of another length", 80, one, []float64{1, 2})
	f("weights of zero", 80, one, []float64{0})
	f("negative weight", 80, []unit.Celsius{20, 30}, []float64{2, -1})
	f("endless weight", 80, one, []float64{inf})
	f("sample not a number", 80, []unit.Celsius{20, unit.Celsius(nan)}, nil)
	f("sample below absolute zero", 80, []unit.Celsius{-274}, nil)
	f("endless sample", 80, []unit.Celsius{unit.Celsius(inf)}, nil)
	for _, at := range [][]float64{{0, 2, 1}, {0, nan}, {0, inf}} {
		if w, err := TrapezoidWeights(at); err == nil {
			t.Errorf("trapezoid weights of %v: got %v, want an error", at, w)
		}
		if w, err := HeldWeights(at); err == nil {
			t.Errorf("held weights of %v: got %v, want an error", at, w)
		}
	}
}

func TestMeanKineticProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 30).Draw(t, "n")
		ea := unit.KJPerMol(rapid.Float64Range(7, 200).Draw(t, "ea"))
		ts, weights := make([]unit.Celsius, n), make([]float64, n)
		least, most, sum, total := math.Inf(1), math.Inf(-1), 0.0, 0.0
		for i := range ts {
			c, w := rapid.Float64Range(-40, 60).Draw(t, "t"), rapid.Float64Range(0.01, 10).Draw(t, "w")
			ts[i], weights[i] = unit.Celsius(c), w
			least, most = min(least, c), max(most, c)
			sum, total = sum+w*c, total+w
		}
		mkt, err := MeanKinetic(ea, ts, weights)
		if err != nil {
			t.Fatal(err)
		}
		if float64(mkt) < sum/total-1e-9 || float64(mkt) < least-1e-9 || float64(mkt) > most+1e-9 {
			t.Fatalf("MKT %g °C with mean %g in %g to %g", float64(mkt), sum/total, least, most)
		}
		// A constant temperature of MKT does the same harm.
		harm := 0.0
		for i, c := range ts {
			harm += weights[i] * AccelerationFactor(ea, c, 21)
		}
		if same := total * AccelerationFactor(ea, mkt, 21); math.Abs(same/harm-1) > 1e-9 {
			t.Fatalf("harm %g at the MKT, %g in truth", same, harm)
		}
		// Samples may come in any order and be told twice.
		twice, err := MeanKinetic(ea, append(append([]unit.Celsius{}, ts[n/2:]...), ts[:n/2]...), append(append([]float64{}, weights[n/2:]...), weights[:n/2]...))
		if err != nil || math.Abs(float64(twice-mkt)) > 1e-9 {
			t.Fatalf("in another order: %g °C (%v), not %g", float64(twice), err, float64(mkt))
		}
	})
}

// A sample repeated at its own time changes nothing.
func TestTrapezoidWithDuplicates(t *testing.T) {
	plain := must[[]float64](t)(TrapezoidWeights([]float64{0, 6, 7}))
	again := must[[]float64](t)(TrapezoidWeights([]float64{0, 6, 6, 6, 7}))
	near(t, "weight of the repeated sample", again[1]+again[2]+again[3], plain[1], 0)
	near(t, "first weight", again[0], plain[0], 0)
	near(t, "last weight", again[4], plain[2], 0)
}
