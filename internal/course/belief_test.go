package course

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"dryhold/internal/lot"
)

// Evidence that tells no draw from another picks each once.
func TestEvidenceOfNothing(t *testing.T) {
	flat := make([]float64, Draws)
	for d := range flat {
		flat[d] = -3.7
	}
	for _, b := range []Belief{Believe(), Believe(flat), Believe(flat, flat)} {
		if math.Abs(b.Effective-Draws) > 1e-9 || b.Power != 1 {
			t.Errorf("effective %g, power %g", b.Effective, b.Power)
		}
		for d, p := range b.pick {
			if p != d {
				t.Fatalf("draw %d is %d", d, p)
			}
		}
	}
}

// Two kinds of draws, by hand: with odds of 3 to 1 those of the first half make
// up three quarters, and the effective number is (sum w)² / sum w².
func TestBelieveByHand(t *testing.T) {
	ln := make([]float64, Draws)
	for d := range Draws / 2 {
		ln[d] = math.Log(3)
	}
	b := Believe(ln)
	first := 0
	for _, p := range b.pick {
		if p < Draws/2 {
			first++
		}
	}
	if first != Draws*3/4 {
		t.Errorf("%d of %d draws are of the likelier half", first, Draws)
	}
	if want := 400.0 * 400 / (100*9 + 100); math.Abs(b.Effective-want) > 1e-9 {
		t.Errorf("effective %g, want %g", b.Effective, want)
	}
}

// Whatever the evidence: it never leaves fewer than the floor, one that leaves
// more counts in full, and quantiles of what is picked are the weighted ones to
// within a draw.
func TestBelieve(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		spread := rapid.SampledFrom([]float64{0.01, 1, 5, 100, 5000}).Draw(t, "spread")
		ln := make([]float64, Draws)
		for d := range ln {
			ln[d] = spread * rapid.Float64Range(-1, 0).Draw(t, "ln")
		}
		b := Believe(ln)
		if b.Power < 1 && math.Abs(b.Effective-leastEffective) > 1e-3 && b.Effective < leastEffective {
			t.Fatalf("effective %g with power %g", b.Effective, b.Power)
		}
		if b.Effective < leastEffective-1e-6 || b.Effective > Draws+1e-6 {
			t.Fatalf("effective %g", b.Effective)
		}
		total := 0.0
		for _, x := range ln {
			total += math.Exp(b.Power * (x - slices.Max(ln)))
		}
		below := 0.0
		for d, x := range ln {
			below += math.Exp(b.Power*(x-slices.Max(ln))) / total
			n := 0
			for _, p := range b.pick {
				if p <= d {
					n++
				}
			}
			if math.Abs(float64(n)/Draws-below) > 1.0/Draws {
				t.Fatalf("%d of the draws are up to %d, their weight is %g", n, d, below)
			}
		}
	})
}

// Likelihoods are chances: they sum to 1 over all results, and a good score
// speaks for little consumed.
func TestLikelihoods(t *testing.T) {
	for _, u := range []float64{0, 0.3, 1, 2, 9} {
		sum := 0.0
		for score := 1; score <= 9; score++ {
			sum += tastes(score, u)
		}
		nearly(t, "tastes", sum, 1, 1e-12)
		for _, smell := range []bool{true, false} {
			yes, no := true, false
			a := math.Exp(likelihood(lot.Result{OffSmell: &yes}, used{u, u, smell}))
			b := math.Exp(likelihood(lot.Result{OffSmell: &no}, used{u, u, smell}))
			if want := 1.0; smell && math.Abs(a+b-want) > 1e-12 || !smell && (a != 1 || b != 1) {
				t.Errorf("smell %v at %g: %g and %g", smell, u, a, b)
			}
		}
	}
	if tastes(8, 0.1) <= tastes(8, 1) || tastes(3, 1.2) <= tastes(3, 0.1) {
		t.Error("a good score does not speak for fresh food, or a bad one for old")
	}
	for _, p := range []float64{0, 0.5, 0.95, 1} {
		sum := 0.0
		for k := range 51 {
			sum += math.Exp(sprouted(lot.Result{Sprouted: k, Seeds: 50}, p))
		}
		nearly(t, "sprouted", sum, 1, 1e-9)
	}
	r := lot.Range{Low: 0.5, Likely: 0.8, High: 0.95}
	nearly(t, "likely seed", germinates(r, 0), 0.8, 1e-15)
	nearly(t, "damp seed", germinates(r, edge), 0.5, 1e-12)
	nearly(t, "dry seed", germinates(r, -edge), 0.95, 1e-12)
}

func nearly(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %g, want %g", what, got, want)
	}
}
