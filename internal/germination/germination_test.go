package germination

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/reference"
	"dryhold/internal/unit"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.10g, want %.10g within %.2g", what, got, want, tolerance)
	}
}

// halfDigit is half of the last digit of a printed number.
func halfDigit(printed string) float64 {
	_, decimals, _ := strings.Cut(printed, ".")
	return 0.5001 * math.Pow10(-len(decimals))
}

func seed(t testing.TB, id string) Constants {
	t.Helper()
	c, err := Lookup(id)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestPublished(t *testing.T) {
	rows := reference.Published(t, "seed-viability.csv")
	for _, r := range rows {
		num := func(column string) float64 { t.Helper(); return r.Num(t, column) }
		c, at := seed(t, r["species"]), unit.Celsius(num("celsius"))
		var got float64
		var err error
		switch r["quantity"] {
		case "sigma":
			var d unit.Days
			d, err = c.Sigma(num("moisture_percent")/100, at)
			got = float64(d)
		case "viability":
			got, err = c.Viability(num("initial_percent")/100, num("moisture_percent")/100, at, unit.Days(num("days")))
			got *= 100
		case "moisture":
			got, err = c.MoistureFor(num("initial_percent")/100, num("final_percent")/100, at, unit.Days(num("days")))
			got *= 100
		case "p50":
			var d unit.Days
			d, err = c.HalfLife(num("initial_percent")/100, num("moisture_percent")/100, at)
			got = float64(d)
		default:
			t.Fatalf("no quantity %q", r["quantity"])
		}
		if err != nil {
			t.Fatal(err)
		}
		near(t, r["species"]+" "+r["quantity"], got, num("value"), halfDigit(r["value"]))
	}
	if len(rows) != 8 {
		t.Errorf("%d values, want 8", len(rows))
	}
}

// More computed values of models section 8.
func TestEffectsOfTemperatureAndMoisture(t *testing.T) {
	sigma := func(id string, percent float64, at unit.Celsius) float64 {
		t.Helper()
		s, err := seed(t, id).Sigma(percent/100, at)
		if err != nil {
			t.Fatal(err)
		}
		return float64(s)
	}
	p50 := func(id string, percent float64, at unit.Celsius) float64 {
		t.Helper()
		d, err := seed(t, id).HalfLife(0.98, percent/100, at)
		if err != nil {
			t.Fatal(err)
		}
		return float64(d) / 365.25
	}
	near(t, "rice, years", sigma("rice", 10, 5)/365, 14.74627, 5e-6) // published with the value in days
	near(t, "wheat P50 10 %, 20 °C", p50("wheat", 10, 20), 5.22, 0.00501)
	near(t, "wheat P50 12 %, 30 °C", p50("wheat", 12, 30), 0.52, 0.00501)
	near(t, "wheat 12 to 11 %", sigma("wheat", 11, 20)/sigma("wheat", 12, 20), 1.570, 5.01e-4)
	near(t, "bean 12 to 11 %", sigma("bean", 11, 20)/sigma("bean", 12, 20), 1.513, 5.01e-4)
	// The universal temperature constants.
	near(t, "10 to 20 °C", sigma("bean", 12, 10)/sigma("bean", 12, 20), 2.968, 5.01e-4)
	near(t, "20 to 25 °C", sigma("bean", 12, 20)/sigma("bean", 12, 25), 1.871, 5.01e-4)
}

func TestProbit(t *testing.T) {
	f := func(share, want float64) {
		t.Helper()
		v, err := Probit(share)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "probit", v, want, 1e-9)
	}
	// Quantiles of the normal distribution (any table; scipy.stats.norm.ppf).
	f(0.5, 0)
	f(0.975, 1.959963985)
	f(0.02, -2.053748911)
	f(0.999, 3.090232306)
	for _, share := range []float64{0, 1, -0.1, 98, math.NaN()} {
		if _, err := Probit(share); err == nil {
			t.Errorf("a share of %g was accepted", share)
		}
	}
}

func TestLossAddsUpOverChangingConditions(t *testing.T) {
	c := seed(t, "wheat")
	step := func(l Loss, m float64, at unit.Celsius, hours unit.Hours) Loss {
		t.Helper()
		l, err := c.Step(l, m, at, hours)
		if err != nil {
			t.Fatal(err)
		}
		return l
	}
	// By hand: the parts of a probit each stretch takes.
	warm, _ := c.Sigma(0.12, 30)
	cool, _ := c.Sigma(0.11, 10)
	l := step(step(Loss{}, 0.12, 30, 24*100), 0.11, 10, 24*200)
	near(t, "loss", l.Probits, 100/float64(warm)+200/float64(cool), 1e-12)
	hourly := Loss{}
	for range 24 * 100 {
		hourly = step(hourly, 0.12, 30, 1)
	}
	near(t, "hour by hour", step(hourly, 0.11, 10, 24*200).Probits, l.Probits, 1e-12)
	viable, err := l.Viable(0.98)
	if err != nil {
		t.Fatal(err)
	}
	ki, _ := Probit(0.98)
	near(t, "viable", viable, Share(ki-l.Probits), 0)

	missed, err := l.Miss(12)
	if err != nil {
		t.Fatal(err)
	}
	if missed.Probits != l.Probits || missed.Unknown != 12 {
		t.Errorf("%+v after unknown hours", missed)
	}
	data, err := json.Marshal(missed)
	if err != nil {
		t.Fatal(err)
	}
	var back Loss
	if err := json.Unmarshal(data, &back); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(missed, back); diff != "" {
		t.Errorf("through JSON (-want +got):\n%s", diff)
	}
}

// Drier and colder than the range counts as its end.
func TestStepBelowTheRange(t *testing.T) {
	c := seed(t, "bean")
	f := func(m float64, at unit.Celsius, sameM float64, sameAt unit.Celsius) {
		t.Helper()
		got, err := c.Step(Loss{}, m, at, 1000)
		want, errWant := c.Step(Loss{}, sameM, sameAt, 1000)
		if err != nil || errWant != nil || got != want || got.Probits <= 0 {
			t.Errorf("got %+v (%v), want %+v (%v)", got, err, want, errWant)
		}
	}
	f(0.03, 20, 0.05, 20)
	f(0, -40, 0.05, -20)
	f(0.1, -25, 0.1, -20)
}

func TestLookup(t *testing.T) {
	last := ""
	for _, c := range Species() {
		if c.ID <= last || c.Name == "" || c.Source == "" || c.KE <= 0 || c.CW <= 0 || c.CH <= 0 || c.CQ <= 0 {
			t.Errorf("%+v after %q", c, last)
		}
		last = c.ID
		if got := seed(t, c.ID); got != c {
			t.Errorf("got %+v, want %+v", got, c)
		}
	}
	if _, err := Lookup("wheet"); err == nil || !strings.Contains(err.Error(), `"wheat"`) {
		t.Errorf("no hint in %v", err)
	}
}

func TestRefusals(t *testing.T) {
	c, nan := seed(t, "wheat"), math.NaN()
	f := func(what string, err error) {
		t.Helper()
		if err == nil {
			t.Errorf("%s was accepted", what)
		}
	}
	for _, m := range []float64{0.8, 0.049, 12, 0, -0.1, nan, math.Inf(1)} {
		_, err := c.Sigma(m, 20)
		f("moisture", err)
		_, err = c.Viability(0.98, m, 20, 1)
		f("moisture", err)
	}
	for _, m := range []float64{0.8, 12, -0.1, nan, math.Inf(1)} {
		_, err := c.Step(Loss{}, m, 20, 1)
		f("moisture", err)
	}
	for _, at := range []float64{400, -61, 90.1, nan, math.Inf(-1)} {
		_, err := c.Step(Loss{}, 0.12, unit.Celsius(at), 1)
		f("temperature", err)
	}
	for _, at := range []float64{400, -20.1, 90.1, nan, math.Inf(-1)} {
		_, err := c.Sigma(0.12, unit.Celsius(at))
		f("temperature", err)
		_, err = c.MoistureFor(0.98, 0.9, unit.Celsius(at), 365)
		f("temperature", err)
		_, err = c.HalfLife(0.98, 0.12, unit.Celsius(at))
		f("temperature", err)
	}
	for _, h := range []float64{-1, nan, math.Inf(1)} {
		kept, err := c.Step(Loss{Probits: 1}, 0.12, 20, unit.Hours(h))
		f("hours", err)
		if kept != (Loss{Probits: 1}) {
			t.Errorf("an error changed the loss to %+v", kept)
		}
		_, err = Loss{}.Miss(unit.Hours(h))
		f("hours", err)
		_, err = c.MoistureFor(0.98, 0.9, 20, unit.Days(h))
		f("days", err)
		_, err = c.Viability(0.98, 0.12, 20, unit.Days(h))
		f("days", err)
	}
	for _, share := range []float64{0, 1, 98, nan} {
		_, err := c.HalfLife(share, 0.12, 20)
		f("share", err)
		_, err = Loss{}.Viable(share)
		f("share", err)
		_, err = c.MoistureFor(share, 0.9, 20, 365)
		f("share", err)
		_, err = c.MoistureFor(0.98, share, 20, 365)
		f("share", err)
	}
	_, err := c.MoistureFor(0.9, 0.95, 20, 365)
	f("seed that comes alive", err)
	_, err = c.MoistureFor(0.98, 0.97, 40, 365000)
	f("moisture below the range", err)
	_, err = Constants{}.Sigma(0.12, 20)
	f("no species", err)
	_, err = Constants{}.MoistureFor(0.98, 0.9, 20, 365)
	f("no species", err)
	// Half-dead seed has no half-life left.
	if d, err := c.HalfLife(0.4, 0.12, 20); err != nil || d != 0 {
		t.Errorf("half-life %g (%v)", float64(d), err)
	}
}

// Hotter, wetter or longer never leaves more seeds alive. The equation turns
// at -CH/(2 CQ), below -28 °C for every species, which is out of range.
func TestMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.SampledFrom(Species()).Draw(t, "species")
		initial := rapid.Float64Range(0.01, 0.999).Draw(t, "initial")
		m := rapid.Float64Range(MinMoisture, MaxMoisture).Draw(t, "moisture")
		at := rapid.Float64Range(float64(MinTemperature), float64(MaxTemperature)).Draw(t, "t")
		days := rapid.Float64Range(0, 20000).Draw(t, "days")
		more := rapid.Float64Range(0, 1).Draw(t, "more")
		viable := func(m, at, days float64) float64 {
			v, err := c.Viability(initial, m, unit.Celsius(at), unit.Days(days))
			if err != nil || !(v >= 0 && v <= 1) {
				t.Fatalf("viability %g (%v)", v, err)
			}
			return v
		}
		base := viable(m, at, days)
		if v := viable(m, at, days+more*1000); v > base+1e-15 {
			t.Fatalf("longer: %g, not at most %g", v, base)
		}
		if v := viable(m, at+more*(90-at), days); v > base+1e-15 {
			t.Fatalf("hotter: %g, not at most %g", v, base)
		}
		if v := viable(m+more*(MaxMoisture-m), at, days); v > base+1e-15 {
			t.Fatalf("wetter: %g, not at most %g", v, base)
		}
	})
}

// MoistureFor is the inverse of Viability.
func TestMoistureForIsTheInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.SampledFrom(Species()).Draw(t, "species")
		m := rapid.Float64Range(0.0501, 0.2499).Draw(t, "moisture")
		at := unit.Celsius(rapid.Float64Range(-20, 40).Draw(t, "t"))
		sigma, err := c.Sigma(m, at)
		if err != nil {
			t.Fatal(err)
		}
		days := sigma * unit.Days(rapid.Float64Range(0.1, 3).Draw(t, "probits"))
		final, err := c.Viability(0.98, m, at, days)
		if err != nil {
			t.Fatal(err)
		}
		back, err := c.MoistureFor(0.98, final, at, days)
		if err != nil || math.Abs(back-m) > 1e-9 {
			t.Fatalf("moisture %g came back as %g (%v)", m, back, err)
		}
	})
}

func BenchmarkStep(b *testing.B) {
	c, l := seed(b, "wheat"), Loss{}
	for b.Loop() {
		l, _ = c.Step(l, 0.12, 21.3, 1)
	}
	if l.Probits <= 0 {
		b.Fatal("nothing was lost")
	}
}
