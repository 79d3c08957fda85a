package settings_test

import (
	"math"
	"testing"

	"dryhold/internal/catalog"
	"dryhold/internal/unit"
)

const year = 365.25

// lives gives the life of a food, days, in air or in lasting low oxygen at
// 21 °C: the first of its modes to end.
func lives(f catalog.Food, lowOxygen bool) catalog.Band {
	out := catalog.Band{Low: math.Inf(1), Likely: math.Inf(1), High: math.Inf(1)}
	for _, m := range f.Modes {
		if m.Nutrient {
			continue
		}
		b := m.Life
		if lowOxygen {
			g := m.LowOxygenGain
			b.Low, b.Likely, b.High = b.Low*g.Low, b.Likely*g.Likely, b.High*g.High
		}
		out.Low, out.Likely, out.High = min(out.Low, b.Low), min(out.Likely, b.Likely), min(out.High, b.High)
	}
	return out
}

// What a food engineer would say at once.
func TestFoodsArePlausible(t *testing.T) {
	c := shipped(t)
	food := func(id string) catalog.Food {
		t.Helper()
		f, err := c.Food(id)
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	shorter := func(a, b string, times float64) {
		t.Helper()
		for _, low := range []bool{false, true} {
			x, y := lives(food(a), low), lives(food(b), low)
			if x.Likely*times > y.Likely || x.Low > y.Low || x.High > y.High {
				t.Errorf("low oxygen %v: %s lives %.0f d, %s %.0f d, want at least %g times", low, a, x.Likely, b, y.Likely, times)
			}
		}
	}
	within := shelf{c, t}.within

	// The bran and the germ hold the oil that goes rancid.
	shorter("brown-rice", "white-rice", 8)
	shorter("whole-flour", "white-flour", 4)
	shorter("whole-milk-powder", "nonfat-dry-milk", 3)
	// Whole seed outlives what is milled from it.
	shorter("white-flour", "hard-wheat", 2)
	shorter("whole-flour", "hard-wheat", 10)
	shorter("cornmeal", "whole-corn", 4)
	shorter("parboiled-rice", "white-rice", 1)
	shorter("soft-wheat", "hard-wheat", 1)
	// Nothing outlives sugar, and sugar does not outlive salt.
	for _, f := range c.Foods {
		if f.ID != "sugar" && f.ID != "salt" {
			shorter(f.ID, "sugar", 1)
		}
	}
	shorter("sugar", "salt", 1)

	// Extension figure: brown rice 6 months at 21 °C.
	within("brown rice in air, months", lives(food("brown-rice"), false).Likely/year*12, 6, 6)
	// Rose et al. 2011: wheat good at 32 y; regardless of oxygen.
	within("wheat in air, y", lives(food("hard-wheat"), false).Likely/year, 25, 35)
	within("wheat in low oxygen, y", lives(food("hard-wheat"), true).Likely/year, 30, 40)
	// Extension: barley 2 y, 8 y packed for long.
	within("barley in air, y", lives(food("pearled-barley"), false).Likely/year, 2, 2)
	within("barley in low oxygen, y", lives(food("pearled-barley"), true).Likely/year, 8, 8)
	// Low-oxygen lists: beans, oats, pasta about 30 y at most; oats are
	// the doubtful ones (McEwan et al. 2003: significant decline with age).
	within("dry beans in low oxygen, y", lives(food("dry-beans"), true).Likely/year, 10, 30)
	within("rolled oats in low oxygen, y", lives(food("rolled-oats"), true).Likely/year, 8, 30)
	within("pasta in low oxygen, y", lives(food("pasta"), true).Likely/year, 15, 30)
	within("white flour in low oxygen, y", lives(food("white-flour"), true).Likely/year, 8, 15)
	within("potato flakes in low oxygen, y", lives(food("potato-flakes"), true).Likely/year, 5, 30)
	// Driscoll: stale at 42 months at 21 °C and at 30 months at 32 °C.
	milk := food("nonfat-dry-milk")
	within("nonfat dry milk in air, months", lives(milk, false).Likely/year*12, 42, 42)
	within("nonfat dry milk in air at 32 °C, months", 42/factor(milk.Modes[0].Ea.Likely, 32), 29.7, 30.3)
	within("nonfat dry milk in low oxygen, y", lives(milk, true).Likely/year, 20, 23)

	for _, f := range c.Foods {
		// Bulk density and void give the density of the particle: of dry
		// food 1.1 to 1.6, of salt 2.165 kg/L (from memory).
		low, high := 1100.0, 1650.0
		if f.ID == "salt" {
			low, high = 2000, 2300
		}
		within(f.ID+" particle density, kg/m3", f.BulkDensity.Likely/(1-f.Void.Likely), low, high)
		caking := f.ID == "sugar" || f.ID == "salt" || f.ID == "brown-sugar"
		if (f.NoAbsorber != "") != caking {
			t.Errorf("%s: no absorber %q", f.ID, f.NoAbsorber)
		}
		for _, m := range f.Modes {
			if (m.Order == catalog.FirstOrder) != m.Nutrient {
				t.Errorf("%s: %s of order %d", f.ID, m.Name, m.Order)
			}
			// Labuza & Riboh 1982: lipid oxidation 40 to 105 kJ/mol. The
			// milk powder's staling is the one limited by oxygen.
			if (m.Name == "rancidity" || m.Name == "oxidation") && (m.Ea.Low < 40 || m.Ea.High > 105) {
				t.Errorf("%s: %s with Ea %g to %g", f.ID, m.Name, m.Ea.Low, m.Ea.High)
			}
		}
	}
}

// factor is the Arrhenius acceleration against 21 °C, written out here so
// that it does not rest on the code under test elsewhere.
func factor(ea float64, celsius float64) float64 {
	const r = 8.314462618e-3
	return math.Exp(-ea / r * (1/(celsius+unit.ZeroCelsius) - 1/(21+unit.ZeroCelsius)))
}

// root finds where f changes sign between a and b.
func root(f func(float64) float64, a, b float64) float64 {
	for range 200 {
		if m := (a + b) / 2; (f(a) <= 0) == (f(m) <= 0) {
			a = m
		} else {
			b = m
		}
	}
	return (a + b) / 2
}

// stuff is heat transfer h (W/m2K), conductivity k (W/mK) and diffusivity
// (m2/s) of the packed food.
type stuff struct{ h, k, alpha float64 }

func slabRoot(bi float64) float64 {
	return root(func(z float64) float64 { return z*math.Sin(z) - bi*math.Cos(z) }, 1e-9, math.Pi/2)
}

func cylinderRoot(bi float64) float64 {
	return root(func(b float64) float64 { return b*math.J1(b) - bi*math.J0(b) }, 1e-9, 2.4048255576957)
}

// slowest is the time constant, hours, of the slowest mode of a short
// cylinder (radius and height) or, with radius 0, of a slab (half thickness
// in height).
func slowest(radius, height float64, s stuff) float64 {
	if radius == 0 {
		z := slabRoot(s.h * height / s.k)
		return height * height / (s.alpha * z * z) / 3600
	}
	half := height / 2
	b, z := cylinderRoot(s.h*radius/s.k), slabRoot(s.h*half/s.k)
	return 1 / (s.alpha * (b*b/radius/radius + z*z/half/half)) / 3600
}

// The lags that the containers' file says are computed are computed so. First
// roots: Incropera, table 5.1 (from memory): slab Bi 1 0.8603, cylinder Bi 1
// 1.2558.
func TestLagsAreComputed(t *testing.T) {
	if z, b := slabRoot(1), cylinderRoot(1); math.Abs(z-0.8603) > 5e-5 || math.Abs(b-1.2558) > 5e-5 {
		t.Fatalf("first roots %g and %g", z, b)
	}
	c := shipped(t)
	f := func(id string, radius, height float64) {
		t.Helper()
		k, err := c.Container(id)
		if err != nil {
			t.Fatal(err)
		}
		low := slowest(radius, height, stuff{12, 0.15, 1.1e-7})
		likely := slowest(radius, height, stuff{8, 0.12, 9.036e-8})
		high := slowest(radius, height, stuff{5, 0.12, 8e-8})
		for _, x := range [][2]float64{{k.Lag.Low, low}, {k.Lag.Likely, likely}, {k.Lag.High, high}} {
			if math.Abs(x[0]-x[1]) > 0.006*x[1]+0.005 {
				t.Errorf("%s: lag %g h stands in the catalog, %.3f h is computed", id, x[0], x[1])
			}
		}
		volume := math.Pi * radius * radius * height * 1000
		if radius > 0 && (volume < 0.9*k.Volume.Low || volume > 1.3*k.Volume.High) {
			t.Errorf("%s: the cylinder holds %.2f L, the container %g L", id, volume, k.Volume.Likely)
		}
	}
	f("pet-0.5l", 0.0325, 0.18)
	f("pet-1l", 0.043, 0.21)
	f("pet-2l", 0.054, 0.25)
	f("pet-4l", 0.075, 0.29)
	f("glass-jar-1l", 0.047, 0.16)
	f("can-no10", 0.0785, 0.17)
	f("pail-20l", 0.145, 0.33)
	f("pail-20l-foil", 0.145, 0.33)
	f("foil-pouch-4l", 0, 0.04)
	f("paper-sack-10kg", 0, 0.06)
}
