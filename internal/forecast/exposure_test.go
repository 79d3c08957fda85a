package forecast

import (
	"math"
	"testing"
	"time"

	"dryhold/internal/kinetics"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

func near(t testing.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.6g, want %.6g ± %.2g", what, got, want, tolerance)
	}
}

// byIntegration is ln of the mean factor over a sine and a normal, by brute
// force.
func byIntegration(ea unit.KJPerMol, mean, swing, spread float64) float64 {
	sum, weight := 0.0, 0.0
	for z := -8.0; z <= 8; z += 0.02 {
		w := math.Exp(-z * z / 2)
		for k := range 48 {
			t := mean + math.Sqrt(spread)*z + swing*math.Cos(2*math.Pi*(float64(k)+0.5)/48)
			sum += w * kinetics.AccelerationFactor(ea, unit.Celsius(t), room.Reference)
			weight += w
		}
	}
	return math.Log(sum / weight)
}

func TestLnFactor(t *testing.T) {
	f := func(ea unit.KJPerMol, mean, swing, spread, tolerance float64) {
		t.Helper()
		near(t, "ln factor", LnFactor(ea, unit.Celsius(mean), swing, spread), byIntegration(ea, mean, swing, spread), tolerance)
	}
	for _, mean := range []float64{-5, 10, 21, 35} {
		f(0, mean, 5, 4, 1e-12)
		f(100, mean, 0, 0, 1e-9)
		f(50, mean, 6, 4, 0.002)
		f(100, mean, 6, 0, 0.002)
		f(100, mean, 6, 4, 0.005)
		f(100, mean, 12, 0, 0.015)
		f(200, mean, 3, 2, 0.005)
	}
}

// I0 at 1, 5 and 20 (Abramowitz & Stegun 1964, table 9.8, from memory, and
// checked against its integral here).
func TestBessel(t *testing.T) {
	for _, x := range []float64{0, 0.3, 1, 3.7, 3.8, 5, 20} {
		sum := 0.0
		for k := range 400 {
			sum += math.Exp(x*math.Cos(2*math.Pi*float64(k)/400)-x) / 400
		}
		near(t, "ln I0", lnBessel(x), math.Log(sum)+x, 3e-7)
	}
	near(t, "I0(1)", math.Exp(lnBessel(1)), 1.266066, 1e-6)
	near(t, "I0(5)", math.Exp(lnBessel(5)), 27.239872, 2e-5)
}

// The exposure at an energy and a lag between the nodes is that of the members
// themselves.
func TestExposureBetweenNodes(t *testing.T) {
	first, days := invented(3, 800)
	m := FitDays(first, days, Options{})
	at := time.Unix(int64(m.end)*86400, 0).UTC()
	a := m.Ahead(at)
	f := func(ea unit.KJPerMol, lag unit.Hours, day int) {
		t.Helper()
		left := 1 / math.Sqrt(1+math.Pow(2*math.Pi*float64(lag)/24, 2))
		lns := make([]float64, m.options.Members)
		m.ahead(m.end, day, func(i, _ int, o outcome) {
			lns[i] += math.Exp(LnFactor(ea, unit.Celsius(o.temp), left*o.swing, 0))
		})
		mean, square := 0.0, 0.0
		for _, x := range lns {
			mean += math.Log(x) / float64(len(lns))
			square += math.Log(x) * math.Log(x) / float64(len(lns))
		}
		x := a.Exposure(ea, lag)
		near(t, "ln of the exposure", math.Log(float64(x.UpTo(float64(day), 0))), mean, 0.003)
		near(t, "its spread", x.LnSpread(float64(day)), math.Sqrt((square-mean*mean)*50/49), 0.01)
	}
	f(80, 0, 10)
	f(80, 2.3, 366)
	f(30, 10, 366)
	f(130, 1, 366)
	f(250, 0, 366)
	f(70, 5, 366+monthDays*12)
}

// From a bench of constant temperature: exactly the factor, at any instant.
func TestExposureOfAConstantRoom(t *testing.T) {
	days := make([]Day, 2000)
	for i := range days {
		days[i] = Day{25, 0, 1500}
	}
	m := FitDays(10000, days, Options{})
	at := time.Unix(12000*86400+6*3600, 0).UTC()
	x := m.Ahead(at).Exposure(80, 4)
	want := kinetics.AccelerationFactor(80, 25, room.Reference)
	for _, d := range []float64{0.1, 1, 30, 365} {
		near(t, "exposure", float64(x.UpTo(d, 0))/d, want, 0.02*want)
	}
	// Nobody has seen the decades ahead, but it is a very even room.
	for _, d := range []float64{10 * year, 30 * year, 80 * year} {
		near(t, "exposure", float64(x.UpTo(d, 0))/d, want, 0.05*want)
	}
	near(t, "factor", x.Factor(5, 10), want, 0.02*want)
	if x.UpTo(0, 2) != 0 {
		t.Errorf("%g days of exposure in no time", float64(x.UpTo(0, 2)))
	}
}

// In every future time adds exposure, and a warmer future more.
func TestExposureGrows(t *testing.T) {
	first, days := invented(8, 20)
	for _, history := range [][]Day{nil, days} {
		m := FitDays(first, history, Options{})
		a := m.Ahead(time.Unix(int64(first+20)*86400+40000, 0).UTC())
		for _, ea := range []unit.KJPerMol{20, 90, 200, 400} {
			x := a.Exposure(ea, 2)
			for z := -3.0; z <= 3; z++ {
				last := unit.Days(0)
				for d := 0.25; d < 40000; d *= 1.3 {
					e := x.UpTo(d, z)
					if !(e >= last*(1-1e-12)) || !(z == -3 || e >= x.UpTo(d, z-1)*(1-1e-12)) {
						t.Fatalf("%g kJ/mol, z %g: %g days of exposure after %g days, %g before, %g in the cooler future", float64(ea), z, float64(e), d, float64(last), float64(x.UpTo(d, z-1)))
					}
					last = e
				}
			}
		}
	}
}
