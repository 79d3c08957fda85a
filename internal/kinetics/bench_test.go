package kinetics

import (
	"fmt"
	"math"
	"testing"

	"dryhold/internal/unit"
)

// benchEnergies are spread over the published range of dry foods.
func benchEnergies(n int) []unit.KJPerMol {
	eas := make([]unit.KJPerMol, n)
	for i := range eas {
		eas[i] = 40 + unit.KJPerMol(i)*80/unit.KJPerMol(max(n-1, 1))
	}
	return eas
}

// benchYear is an invented year of minutes: a season, a day and a fast
// flutter, so that neighbouring samples fall on different nodes.
func benchYear() []float64 {
	ts := make([]float64, 365*24*60)
	for i := range ts {
		d := float64(i) / 1440
		ts[i] = 18 + 8*math.Sin(2*math.Pi*d/365) + 3*math.Sin(2*math.Pi*d) + 0.3*math.Sin(float64(i)*1.7)
	}
	return ts
}

// perPair reports the bar of the exposure kernel: nanoseconds per sample and
// activation energy.
func perPair(b *testing.B, samples, energies int) {
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(samples*energies), "ns/sample-Ea")
}

func BenchmarkKernelAdd(b *testing.B) {
	ts := benchYear()
	for _, n := range []int{1, 2, 4, 8, 16} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			k, err := NewKernel(21, benchEnergies(n))
			if err != nil {
				b.Fatal(err)
			}
			sums := make([]float64, n)
			for b.Loop() {
				for _, t := range ts {
					k.Add(sums, unit.Celsius(t), 1.0/1440)
				}
			}
			perPair(b, len(ts), n)
		})
	}
}

func BenchmarkKernelAddAll(b *testing.B) {
	ts := benchYear()
	for _, n := range []int{1, 2, 4, 8, 16} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			k, err := NewKernel(21, benchEnergies(n))
			if err != nil {
				b.Fatal(err)
			}
			sums := make([]float64, n)
			for b.Loop() {
				k.AddAll(sums, ts, 1.0/1440)
			}
			perPair(b, len(ts), n)
		})
	}
}

// BenchmarkPlainExp is what the kernel is measured against: one math.Exp per
// sample and energy, the difference of reciprocals shared.
func BenchmarkPlainExp(b *testing.B) {
	ts := benchYear()
	for _, n := range []int{1, 8} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			slope := make([]float64, n)
			for i, ea := range benchEnergies(n) {
				slope[i] = float64(ea) / R
			}
			sums := make([]float64, n)
			for b.Loop() {
				for _, t := range ts {
					x := (t - 21) / ((t + unit.ZeroCelsius) * (21 + unit.ZeroCelsius))
					for i, e := range slope {
						sums[i] += float64(math.Exp(e*x) * (1.0 / 1440))
					}
				}
			}
			perPair(b, len(ts), n)
		})
	}
}

func BenchmarkNewKernel(b *testing.B) {
	for b.Loop() {
		if _, err := NewKernel(21, benchEnergies(8)); err != nil {
			b.Fatal(err)
		}
	}
}
