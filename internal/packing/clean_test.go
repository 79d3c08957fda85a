package packing_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"dryhold/internal/lot"
	"dryhold/internal/packing"
	"dryhold/internal/reference"
)

// Diluted bleach against published guidance, testdata/published/bleach-dilution.csv.
func TestBleachAgainstGuidance(t *testing.T) {
	for _, r := range reference.Published(t, "bleach-dilution.csv") {
		got := packing.ChlorinePPM(r.Num(t, "bleach_ml"), r.Num(t, "percent"), r.Num(t, "water_l"))
		near(t, r["case"], got, r.Num(t, "ppm"), r.Num(t, "ppm")*r.Num(t, "tolerance"))
	}
	// By hand: 6 % of 1.1 kg/L is 66 g/L, of which 70.906/74.442 is available
	// chlorine, 62.86 g/L; 200 mg/L in 4 L are 0.8 g, 12.73 mL.
	c, err := packing.Clean(4, 6)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "bleach in 4 L", c.BleachML, 12.73, 0.01)
	near(t, "teaspoons", c.Teaspoons, 12.73/4.92892, 0.01)
	for _, percent := range []float64{5.25, 6, 8.25} {
		ml := packing.BleachML(3.785411784, percent, 200)
		near(t, "back", packing.ChlorinePPM(ml, percent, 3.785411784-ml/1000), 200, 1e-9)
	}
}

func TestCleaningSays(t *testing.T) {
	all := func(c packing.Cleaning) string {
		var b strings.Builder
		for _, s := range c.Sections {
			for _, l := range s.Lines {
				if l.Source == "" {
					t.Errorf("%q has no source", l.Text)
				}
				b.WriteString(l.Text + "\n")
			}
		}
		return b.String()
	}
	c, err := packing.Clean(4, 8.25)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"9.3 mL", "1.9 US teaspoons", "200 mg/L", "too strong", "2 minutes", "no drop and no mist", "Never mix bleach with an acid", "ammonia", "gloves", "open window", "food-safety authority"} {
		if got := all(c); !strings.Contains(got, want) {
			t.Errorf("not said: %s\n%s", want, got)
		}
	}
	weak, err := packing.Clean(3.785, 3)
	if err != nil {
		t.Fatal(err)
	}
	if got := all(weak); !strings.Contains(got, "too weak") {
		t.Errorf("3 %% bleach:\n%s", got)
	}
	for _, x := range [][2]float64{{0, 6}, {-1, 6}, {4, 0.5}, {4, 12.5}, {math.NaN(), 6}, {4, math.NaN()}, {1e6, 6}} {
		if _, err := packing.Clean(x[0], x[1]); !errors.Is(err, lot.ErrInvalid) {
			t.Errorf("%g L of %g %%: %v", x[0], x[1], err)
		}
	}
}

// Smallest against a search that tries every number of every size.
func TestSmallestIsLeastAndFewest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		need := rapid.Float64Range(1, 2500).Draw(t, "need")
		sizes := packing.Sizes()
		best, count := math.Inf(1), 0
		for a := range 26 {
			for b := range 9 {
				for c := range 6 {
					for d := range 4 {
						for e := range 3 {
							sum := float64(100*a + 300*b + 500*c + 1000*d + 2000*e)
							if n := a + b + c + d + e; sum >= need && (sum < best || sum == best && n < count) {
								best, count = sum, n
							}
						}
					}
				}
			}
		}
		got := packing.Smallest(need, sizes)
		n := 0
		for _, p := range got {
			n += p.Count
		}
		if packing.Capacity(got) != best || n != count {
			t.Fatalf("need %g: %v, want %g cm3 of %d packets", need, got, best, count)
		}
	})
	for _, need := range []float64{0, -5, 20_001, math.NaN(), math.Inf(1)} {
		if got := packing.Smallest(need, packing.Sizes()); got != nil {
			t.Errorf("need %g: %v", need, got)
		}
	}
}

// No question makes it panic, and each is answered or refused as invalid.
func FuzzQuestion(f *testing.F) {
	c := shipped(f)
	f.Add("white-rice", "pet-2l", "20kg", "11.5%", "100 89", "loose", "300 cm3", "1", "2026-03-14")
	f.Add("dry-beans", "milk-jug", "5 gal", "13% d.b.", "", "clumps", "50", "2", "1900-01-01")
	f.Add("sugar", "", "1e99 kg", "-1", "0/0", "", "NaN", "9", "x")
	f.Fuzz(func(t *testing.T, food, container, amount, moisture, oven, salt, absorber, resin, packed string) {
		q := packing.Question{Food: food, Container: container, Amount: amount, Moisture: moisture, Oven: oven, Salt: salt, Absorber: absorber, Resin: resin, Packed: packed}
		r, err := q.Request(noon())
		if err == nil {
			_, err = packing.Advise(r, c, nil)
		}
		if err != nil && !errors.Is(err, lot.ErrInvalid) {
			t.Fatalf("%+v: %v", q, err)
		}
	})
}
