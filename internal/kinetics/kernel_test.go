package kinetics

import (
	"math"
	"slices"
	"sync"
	"testing"

	"pgregory.net/rapid"

	"dryhold/internal/unit"
)

// wideEnergies span what NewKernel takes.
var wideEnergies = [...]unit.KJPerMol{0, 1, 20, 40, 50, 80, 83.144, 120, 200, 300, MaxEa}

func newKernel(t testing.TB, eas ...unit.KJPerMol) *Kernel {
	t.Helper()
	k, err := NewKernel(21, eas)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// direct is the plain form of the factor, one exponential of a difference of
// reciprocals, written apart from the code under test.
func direct(ea unit.KJPerMol, t float64) float64 {
	return math.Exp(float64(ea) / 8.314462618e-3 * (1/(21+273.15) - 1/(t+273.15)))
}

// The bar: 1e-9 relative against the direct exponential from -60 to 100 °C.
// Asserted far below it, on nodes, half way between them and anywhere.
func TestKernelAgainstDirect(t *testing.T) {
	k := newKernel(t, wideEnergies[:]...)
	got := make([]float64, k.Len())
	worst := 0.0
	check := func(c float64) {
		t.Helper()
		k.Factors(got, unit.Celsius(c))
		for i, ea := range wideEnergies {
			tolerance := 2e-11
			if ea <= 200 && c >= 0 {
				tolerance = 3e-13
			}
			off := math.Abs(got[i]/direct(ea, c) - 1)
			worst = max(worst, off)
			if !(off <= tolerance) {
				t.Fatalf("%g kJ/mol at %.17g °C: %.17g, off by %g", float64(ea), c, got[i], off)
			}
		}
	}
	for c := -60.0; c <= 100; c += 1.0 / 256 { // nodes and middles by turns
		check(c)
		check(math.Nextafter(c, 1000))
		check(math.Nextafter(c, -1000))
	}
	for i := range 200_000 {
		check(-60 + 160*math.Mod(float64(i)*0.6180339887498949, 1))
	}
	t.Logf("worst relative error %.2g", worst)
}

func TestKernelOutsideItsTable(t *testing.T) {
	k := newKernel(t, 50, 80)
	f := func(c unit.Celsius) {
		t.Helper()
		got := make([]float64, 2)
		k.Factors(got, c)
		for i, ea := range []unit.KJPerMol{50, 80} {
			if want := AccelerationFactor(ea, c, 21); got[i] != want && !(math.IsNaN(got[i]) && math.IsNaN(want)) {
				t.Errorf("%g kJ/mol at %g °C: got %g, want %g", float64(ea), float64(c), got[i], want)
			}
		}
	}
	f(unit.Celsius(math.Nextafter(-60, -61)))
	f(unit.Celsius(math.Nextafter(100, 101)))
	f(-80)
	f(150)
	f(-300)
	f(1e300)
	f(unit.Celsius(math.Inf(1)))
	f(unit.Celsius(math.Inf(-1)))
	f(unit.Celsius(math.NaN()))
}

func TestKernelRefusals(t *testing.T) {
	f := func(ref unit.Celsius, eas ...unit.KJPerMol) {
		t.Helper()
		if _, err := NewKernel(ref, eas); err == nil {
			t.Errorf("reference %g, energies %v: accepted", float64(ref), eas)
		}
	}
	f(-61, 80)
	f(101, 80)
	f(unit.Celsius(math.NaN()), 80)
	f(21, 80, -1)
	f(21, MaxEa+1)
	f(21, unit.KJPerMol(math.NaN()))
}

func TestKernelWithoutEnergies(t *testing.T) {
	k := newKernel(t)
	k.Add(nil, 20, 1)
	k.AddAll(nil, []float64{20, math.NaN(), 30}, 1)
	k.Factors(nil, 20)
	if k.Len() != 0 {
		t.Errorf("length %d", k.Len())
	}
}

// Neighbouring temperatures across every border between nodes.
func TestKernelRises(t *testing.T) {
	k := newKernel(t, 1, 50, 80, 120, 200)
	below, above := make([]float64, k.Len()), make([]float64, k.Len())
	for n := range (tableHigh - tableLow) * tableSteps {
		border := tableLow + (float64(n)+0.5)/tableSteps
		k.Factors(below, unit.Celsius(math.Nextafter(border, -1000)))
		k.Factors(above, unit.Celsius(math.Nextafter(border, 1000)))
		tolerance := 2e-12
		if border > 0 {
			tolerance = 3e-13
		}
		for i := range below {
			if above[i] < below[i]*(1-tolerance) {
				t.Fatalf("energy %d falls by %g at %g °C", i, 1-above[i]/below[i], border)
			}
		}
	}
	rapid.Check(t, func(t *rapid.T) { // a thousandth of a degree is far more than rounding
		cold := rapid.Float64Range(-60, 99.9).Draw(t, "cold")
		k.Factors(below, unit.Celsius(cold))
		k.Factors(above, unit.Celsius(cold+rapid.Float64Range(0.001, 0.1).Draw(t, "step")))
		for i := range below {
			if above[i] <= below[i] {
				t.Fatalf("energy %d does not rise above %g °C", i, cold)
			}
		}
	})
}

// The sums do not depend, to the last bit, on how samples are batched.
func TestKernelBatchesGiveTheSameBits(t *testing.T) {
	k := newKernel(t, 40, 50.5, 80, 120, 83.144)
	rapid.Check(t, func(t *rapid.T) {
		sample := rapid.OneOf(rapid.Float64Range(-60, 100), rapid.Float64Range(15, 30), rapid.SampledFrom([]float64{-60, 100, -60.5, 101, -300}))
		ts := rapid.SliceOfN(sample, 0, 150).Draw(t, "ts")
		days := rapid.SliceOfN(rapid.Float64Range(0, 2), len(ts), len(ts)).Draw(t, "days")
		one, cut := make([]float64, k.Len()), make([]float64, k.Len())
		for i, c := range ts {
			k.Add(one, unit.Celsius(c), days[i])
		}
		at := 0
		if len(ts) > 0 {
			at = rapid.IntRange(0, len(ts)).Draw(t, "cut")
		}
		k.AddEach(cut, ts[:at], days[:at])
		k.AddEach(cut, ts[at:], days[at:])
		if !slices.Equal(one, cut) {
			t.Fatalf("AddEach %v, Add %v", cut, one)
		}
		clear(one)
		clear(cut)
		for _, c := range ts {
			k.Add(one, unit.Celsius(c), 1.0/1440)
		}
		k.AddAll(cut[:], ts, 1.0/1440)
		if !slices.Equal(one, cut) {
			t.Fatalf("AddAll %v, Add %v", cut, one)
		}
	})
}

func TestKernelAddsToWhatIsThere(t *testing.T) {
	k := newKernel(t, 50, 80)
	sums := []float64{10, 20}
	k.Add(sums, 30, 2)
	near(t, "50 kJ/mol", sums[0], 10+2*direct(50, 30), 1e-12)
	near(t, "80 kJ/mol", sums[1], 20+2*direct(80, 30), 1e-12)
}

func TestKernelMayBeShared(t *testing.T) {
	k := newKernel(t, 40, 80, 120)
	want := make([]float64, 3)
	ts := benchYear()[:20000]
	k.AddAll(want, ts, 1.0/1440)
	got := make([][]float64, 4)
	var wait sync.WaitGroup
	for i := range got {
		wait.Go(func() {
			got[i] = make([]float64, 3)
			k.AddAll(got[i], ts, 1.0/1440)
		})
	}
	wait.Wait()
	for _, sums := range got {
		if !slices.Equal(sums, want) {
			t.Errorf("got %v, want %v", sums, want)
		}
	}
}

func TestKernelDoesNotAllocate(t *testing.T) {
	k := newKernel(t, 40, 80, 120)
	sums, ts, days := make([]float64, 3), []float64{20, 21, 22}, []float64{1, 1, 1}
	if n := testing.AllocsPerRun(100, func() {
		k.Add(sums, 20, 1)
		k.AddAll(sums, ts, 1)
		k.AddEach(sums, ts, days)
		k.Factors(sums, 20)
	}); n != 0 {
		t.Errorf("%g allocations", n)
	}
}
