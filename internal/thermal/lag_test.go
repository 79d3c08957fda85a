package thermal

import (
	"math"
	"testing"

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

func newLag(t testing.TB, tau unit.Hours) Lag {
	t.Helper()
	l, err := NewLag(tau)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// halfDigit is half of the last digit of a printed number.
func halfDigit(printed string) float64 {
	digits := 0
	for i := range printed {
		if printed[i] == '.' {
			digits = len(printed) - i - 1
		}
	}
	return 0.5001 * math.Pow10(-digits)
}

// closed is the solution as it is usually written.
func closed(tau, core, from, to, dt, at float64) float64 {
	r := (to - from) / dt
	return from + r*(at-tau) + (core-from+r*tau)*math.Exp(-at/tau)
}

func TestCoreAgainstClosedForm(t *testing.T) {
	f := func(tau, core, from, to, dt, at, tolerance float64) {
		t.Helper()
		got := newLag(t, unit.Hours(tau)).Core(unit.Celsius(core), unit.Celsius(from), unit.Celsius(to), unit.Hours(dt), unit.Hours(at))
		near(t, "core", float64(got), closed(tau, core, from, to, dt, at), tolerance)
	}
	f(2.33, 15, 20, 30, 1, 1, 1e-13)
	f(2.33, 15, 20, 30, 100, 2.3, 1e-13) // both sides of the switch from series to exponential
	f(2.33, 15, 20, 30, 100, 2.4, 1e-13)
	f(2.33, 15, 20, 30, 100, 90, 1e-13)
	f(10.2, -18, 21, 21, 24, 6, 1e-13)
	f(0.01, 40, 10, -10, 1, 0.5, 1e-13)
	f(500, 20, 0, 40, 1.0/60, 1.0/60, 1e-9) // here the closed form loses digits
}

// A step so short that 1-e^-x rounds badly: the truth to first order in x.
func TestShortStepsKeepTheirDigits(t *testing.T) {
	const tau, dt = 1e6, 1e-6
	s := newLag(t, tau).Step(dt, dt)
	near(t, "pull", s.pull/1e-12, 1, 1e-11)
	near(t, "lean", s.lean/0.5e-12, 1, 1e-11)
	m := newLag(t, tau).MeanStep(dt)
	near(t, "mean pull", m.pull/0.5e-12, 1, 1e-11)
	near(t, "mean lean", m.lean/(1e-12/6), 1, 1e-11)
}

func TestSeriesMeetsTheExponential(t *testing.T) {
	below, above := math.Nextafter(1, 0), 1.0
	f := func(what string, a, b float64) {
		t.Helper()
		near(t, what, a, b, 4e-16)
	}
	a1, a2 := shares(below)
	b1, b2 := shares(above)
	f("first", a1, b1)
	f("second", a2, b2)
	f("third", third(below), third(above))
	near(t, "first at 0", series(0, 1), 1, 0)
	near(t, "second at 0", series(0, 2), 0.5, 0)
	near(t, "third at 0", series(0, 3), 1.0/6, 1e-17)
}

func TestEdgesOfALag(t *testing.T) {
	none, some := Lag{}, newLag(t, 5)
	f := func(what string, got, want unit.Celsius) {
		t.Helper()
		if got != want {
			t.Errorf("%s: got %g, want %g", what, float64(got), float64(want))
		}
	}
	f("no lag, middle", none.Core(5, 20, 30, 2, 1), 25)
	f("no lag, end", none.Core(5, 20, 30, 2, 2), 30)
	f("no lag, mean", none.Mean(5, 20, 30, 2), 25)
	f("start", some.Core(5, 20, 30, 2, 0), 5)
	f("no length", some.Core(5, 20, 30, 0, 0), 5)
	f("no length, no lag", none.Core(5, 20, 30, 0, 0), 5)
	f("negative length", some.Core(5, 20, 30, -1, -1), 5)
	f("mean of no length", some.Mean(5, 20, 30, 0), 5)
	f("at rest", some.Core(21.3, 21.3, 21.3, 0.7, 0.3), 21.3)
	f("forgotten", some.Core(5, 20, 20, 1e6, 1e6), 20)
	for _, tau := range []unit.Hours{-1, unit.Hours(math.NaN()), unit.Hours(math.Inf(1))} {
		if _, err := NewLag(tau); err == nil {
			t.Errorf("time constant %g h was accepted", float64(tau))
		}
	}
	if some.TimeConstant() != 5 {
		t.Errorf("time constant %g", float64(some.TimeConstant()))
	}
}

// segment draws a lag, a core, and a stretch of air.
func segment(t *rapid.T) (l Lag, core, from, to unit.Celsius, dt unit.Hours) {
	temperature := rapid.Float64Range(-60, 100)
	tau := rapid.OneOf(rapid.Just(0.0), rapid.Float64Range(0.01, 500)).Draw(t, "tau")
	l, err := NewLag(unit.Hours(tau))
	if err != nil {
		t.Fatal(err)
	}
	return l, unit.Celsius(temperature.Draw(t, "core")), unit.Celsius(temperature.Draw(t, "from")),
		unit.Celsius(temperature.Draw(t, "to")), unit.Hours(rapid.Float64Range(1e-6, 72).Draw(t, "dt"))
}

func TestCoreStaysBetweenBounds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l, core, from, to, dt := segment(t)
		at := dt * unit.Hours(rapid.Float64Range(0, 1).Draw(t, "share"))
		low, high := min(core, from, to)-1e-12, max(core, from, to)+1e-12
		if got := l.Core(core, from, to, dt, at); !(got >= low && got <= high) {
			t.Fatalf("core %g outside %g to %g", float64(got), float64(low), float64(high))
		}
		if got := l.Mean(core, from, to, dt); !(got >= low && got <= high) {
			t.Fatalf("mean %g outside %g to %g", float64(got), float64(low), float64(high))
		}
	})
}

func TestCuttingASegmentChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l, core, from, to, dt := segment(t)
		share := rapid.Float64Range(0.01, 0.99).Draw(t, "share")
		first := dt * unit.Hours(share)
		rest := dt - first
		middle := from + (to-from)*unit.Celsius(share)
		atCut := l.Core(core, from, middle, first, first)
		near := func(what string, got, want unit.Celsius) {
			if math.Abs(float64(got-want)) > 1e-12 {
				t.Fatalf("%s: %.17g in two parts, %.17g in one", what, float64(got), float64(want))
			}
		}
		near("core at the cut", atCut, l.Core(core, from, to, dt, first))
		near("core at the end", l.Core(atCut, middle, to, rest, rest), l.Core(core, from, to, dt, dt))
		mean := (l.Mean(core, from, middle, first)*unit.Celsius(first) + l.Mean(atCut, middle, to, rest)*unit.Celsius(rest)) / unit.Celsius(dt)
		near("mean", mean, l.Mean(core, from, to, dt))
	})
}

// The mean is the integral of the core: five Gauss points are exact enough.
func TestMeanIsTheIntegralOfTheCore(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l, core, from, to, dt := segment(t)
		if l.tau == 0 || float64(dt)/l.tau > 1 {
			t.Skip("the quadrature is for smooth courses")
		}
		place := []float64{0, 0.5384693101056831, -0.5384693101056831, 0.9061798459386640, -0.9061798459386640}
		weight := []float64{0.5688888888888889, 0.4786286704993665, 0.4786286704993665, 0.2369268850561891, 0.2369268850561891}
		sum := 0.0
		for i, p := range place {
			sum += weight[i] / 2 * float64(l.Core(core, from, to, dt, dt*unit.Hours((1+p)/2)))
		}
		if got := float64(l.Mean(core, from, to, dt)); math.Abs(got-sum) > 1e-8 {
			t.Fatalf("mean %.12g, integral %.12g", got, sum)
		}
	})
}

func TestStepIsTheSameToTheBit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l, core, from, to, dt := segment(t)
		if a, b := l.Step(dt, dt).Core(core, from, to), l.Core(core, from, to, dt, dt); a != b {
			t.Fatalf("step %g, core %g", float64(a), float64(b))
		}
	})
}

// wave follows a sine of the air, period hours long, until the start is
// forgotten and gives the amplitude left and the lag in hours, by projection
// on sine and cosine over the last period.
func wave(l Lag, period float64) (amplitude, lag float64) {
	const steps = 2000
	dt := period / steps
	step := l.Step(unit.Hours(dt), unit.Hours(dt))
	air := func(i int) unit.Celsius { return unit.Celsius(math.Sin(2 * math.Pi * float64(i) / steps)) }
	rounds := 2 + int(30*l.tau/period)
	core, inPhase, behind := unit.Celsius(0), 0.0, 0.0
	for i := range rounds * steps {
		core = step.Core(core, air(i), air(i+1))
		if i >= (rounds-1)*steps {
			sin, cos := math.Sincos(2 * math.Pi * float64(i+1) / steps)
			inPhase += 2.0 / steps * float64(core) * sin
			behind -= 2.0 / steps * float64(core) * cos
		}
	}
	return math.Hypot(inPhase, behind), math.Atan2(behind, inPhase) / (2 * math.Pi) * period
}

func TestWavesPublished(t *testing.T) {
	for _, r := range reference.Published(t, "first-order-room.csv") {
		l := newLag(t, unit.Hours(r.Num(t, "tau_h")))
		f := func(column string, got float64) {
			t.Helper()
			near(t, r["tau_h"]+" h: "+column, got, r.Num(t, column), halfDigit(r[column]))
		}
		daily, lag := wave(l, 24)
		weekly, _ := wave(l, 24*7)
		annual, _ := wave(l, 24*365)
		f("daily", daily)
		f("lag_h", lag)
		f("weekly", weekly)
		f("annual", annual)
	}
}

// A lag of 24 h has followed these shares of a step (models section 11,
// 1-exp(-t/tau)).
func TestStepResponsePublished(t *testing.T) {
	f := func(hours unit.Hours, want float64) {
		t.Helper()
		near(t, "share of the step", float64(newLag(t, 24).Core(0, 1, 1, hours, hours)), want, 5.001e-5)
	}
	f(6, 0.2212)
	f(24, 0.6321)
	f(72, 0.9502)
}

func BenchmarkCore(b *testing.B) {
	l := newLag(b, 2.33)
	core := unit.Celsius(15)
	for b.Loop() {
		core = l.Core(core, 20, 30, 1.0/60, 1.0/60)
	}
}

func BenchmarkStepCore(b *testing.B) {
	s := newLag(b, 2.33).Step(1.0/60, 1.0/60)
	core := unit.Celsius(15)
	for b.Loop() {
		core = s.Core(core, 20, 30)
	}
}
