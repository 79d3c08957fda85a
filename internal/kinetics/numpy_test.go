package kinetics

import (
	"encoding/json"
	"math"
	"testing"

	"dryhold/internal/reference"
)

// numpyYear is the year of testdata/figures/exposure.py: minutes of whole
// thousandths of a degree, so that both programs have the same bits.
func numpyYear() []float64 {
	ts := make([]float64, 365*24*60)
	for i := range ts {
		ts[i] = 10 + float64(i*7919%16001)/1000
	}
	return ts
}

// numpy is what the script prints.
type numpy struct {
	Numpy string
	Days  []float64
	NS    float64
}

func runNumpy(t testing.TB) (out numpy) {
	t.Helper()
	if err := json.Unmarshal(reference.Figure(t, "exposure.py"), &out); err != nil {
		t.Fatal(err)
	}
	if len(out.Days) != 8 || out.NS <= 0 {
		t.Fatalf("numpy tells %+v", out)
	}
	return out
}

// The bar: a year of minutes for eight energies within 1e-9 of what numpy sums
// up by the plain formula.
func TestKernelAgainstNumpy(t *testing.T) {
	want := runNumpy(t)
	k := newKernel(t, benchEnergies(8)...)
	got := make([]float64, k.Len())
	k.AddAll(got, numpyYear(), 1.0/1440)
	for i, v := range got {
		if off := math.Abs(v/want.Days[i] - 1); !(off <= 1e-9) {
			t.Errorf("energy %d: %.17g days, numpy %.17g, off by %.2g", i, v, want.Days[i], off)
		}
	}
}

// BenchmarkNumpy is the yardstick beside BenchmarkPlainExp: vectors of the plain
// formula by numpy, as it times itself.
func BenchmarkNumpy(b *testing.B) {
	for b.Loop() {
		b.ReportMetric(runNumpy(b).NS, "ns/sample-Ea")
	}
}
