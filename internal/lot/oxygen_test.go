package lot

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/barrier"
	"dryhold/internal/catalog"
)

// TestEnclosedOxygenWorkedCases: models section 5.5, computed there; the need
// is rounded to whole cm3 where the table does so. The table does not state
// the volume of its No. 10 can: 3.06 L is the one its figure holds for.
func TestEnclosedOxygenWorkedCases(t *testing.T) {
	f := func(what string, litres, headspace, void, oxygen, tolerance, need float64) {
		t.Helper()
		got := barrier.AirOxygen * gasSpace(litres, headspace, void)
		if math.Abs(got-oxygen) > tolerance {
			t.Errorf("%s: %.2f cm3 of oxygen enclosed, want %g", what, got, oxygen)
		}
		if math.Abs(got*barrier.Margin-need) > 0.5 {
			t.Errorf("%s: %.1f cm3 with margin, want %g", what, got*barrier.Margin, need)
		}
	}
	f("2 L rice", 2, 0.05, 0.42, 187.7, 0.05, 225)
	f("2 L rolled oats", 2, 0.05, 0.70, 298.9, 0.05, 359)
	f("0.5 L rice", 0.5, 0.05, 0.42, 46.9, 0.05, 56)
	f("20 L wheat", 20, 0.03, 0.40, 1747, 0.5, 2097)
	f("No. 10 can of flour", 3.06, 0.05, 0.60, 396.5, 0.05, 476)
	if got := gasSpace(2, 0.05, 0.42); math.Abs(got-898) > 0.5 {
		t.Errorf("gas in 2 L of rice: %g cm3, want 898", got)
	}
}

// TestEnclosedOxygenOfClasses: the same for classes, with the headspace that
// every container is given.
func TestEnclosedOxygenOfClasses(t *testing.T) {
	f := func(food string, want float64) {
		t.Helper()
		fd, k := classes(t, food, "pet-2l")
		if got := EnclosedOxygen(fd, k); math.Abs(got-want) > 0.05 {
			t.Errorf("2 L of %s: %.2f cm3, want %g", food, got, want)
		}
	}
	f("white-rice", 187.7)
	f("rolled-oats", 298.9)
}

func classes(t *testing.T, food, container string) (catalog.Food, catalog.Container) {
	t.Helper()
	f, err := pantry().Food(food)
	if err != nil {
		t.Fatal(err)
	}
	k, err := pantry().Container(container)
	if err != nil {
		t.Fatal(err)
	}
	return f, k
}

func TestAtmosphere(t *testing.T) {
	const oats, oatsMargin = 2000 * 0.715 * 0.209, 2000 * 0.715 * 0.209 * 1.2
	f := func(food, container string, treatment Treatment, want Atmosphere) {
		t.Helper()
		p := with(good(), func(p *Packing) { p.Treatment = treatment })
		fd, k := classes(t, food, container)
		got := AtmosphereOf(p, fd, k)
		near := cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) < 1e-9 })
		if want.NeedCM3 == 0 {
			want.NeedCM3, want.WithMarginCM3 = got.NeedCM3, got.WithMarginCM3
		}
		if d := cmp.Diff(want, got, near); d != "" {
			t.Errorf("%s in %s, %+v (-want +got):\n%s", food, container, treatment, d)
		}
	}
	f("rolled-oats", "pet-2l", Treatment{Kind: NoTreatment}, Atmosphere{Why: "no absorber", NeedCM3: oats, WithMarginCM3: oatsMargin})
	f("rolled-oats", "pet-2l", Treatment{Kind: FreezeThaw}, Atmosphere{Why: "no absorber"})
	f("sugar", "pet-2l", Treatment{Kind: Absorber, CapacityCM3: 300}, Atmosphere{Why: "an absorber does not go with this food: it turns to a block"})
	f("rolled-oats", "paper-sack", Treatment{Kind: Absorber, CapacityCM3: 5000}, Atmosphere{Why: "the container does not hold low oxygen"})
	// 100 of 298.9 cm3 taken from 20.9 %: 20.9 x 198.9/298.9 = 13.9 %.
	f("rolled-oats", "pet-2l", Treatment{Kind: Absorber, CapacityCM3: 100},
		Atmosphere{Why: "absorber too small: 100 of 299 cm3, oxygen rests at about 14 %", NeedCM3: oats, WithMarginCM3: oatsMargin})
	held := Atmosphere{
		LowOxygen: true, Until: day(1000), UntilEarly: day(700), UntilLate: day(1500), NeedCM3: oats, WithMarginCM3: oatsMargin,
		Why: "absorber of 400 cm3 for 299 cm3 enclosed; holds until about 2028-12",
	}
	f("rolled-oats", "pet-2l", Treatment{Kind: Absorber, CapacityCM3: 400}, held)
	held.Why = "absorber of 300 cm3 for 299 cm3 enclosed; holds until about 2028-12; below the usual margin of 20 % (359 cm3)"
	f("rolled-oats", "pet-2l", Treatment{Kind: Absorber, CapacityCM3: 300}, held)
	held.Why = "absorber of 299 cm3 for 299 cm3 enclosed; holds until about 2028-12; below the usual margin of 20 % (359 cm3)"
	f("rolled-oats", "pet-2l", Treatment{Kind: Absorber, CapacityCM3: oats}, held) // exactly enough is enough
}

func TestDaysFitADuration(t *testing.T) {
	f := func(n float64, want float64) {
		t.Helper()
		if got := days(n).Hours() / 24; math.Abs(got-want) > 1e-6 {
			t.Errorf("%g days are %g", n, got)
		}
	}
	f(0, 0)
	f(1.5, 1.5)
	f(50*year, 50*year)
	f(1e6, 290*365) // a Duration ends at 292 years
	f(math.Inf(1), 290*365)
}
