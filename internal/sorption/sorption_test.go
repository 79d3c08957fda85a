package sorption

import (
	"errors"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"dryhold/internal/unit"
)

// drawn picks one of the published sets, or a made-up one of any equation.
func drawn(all map[string]Isotherm, names []string) *rapid.Generator[Isotherm] {
	return rapid.Custom(func(t *rapid.T) Isotherm {
		f := func(what string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, what) }
		switch rapid.IntRange(0, 9).Draw(t, "kind") {
		case 0:
			return GAB{f("xm", 0.03, 0.1), f("c", 0.5, 60), f("k", 0.4, 0.9)}
		case 1:
			return Seed{f("oil", 0, 0.6)}
		case 2:
			return ModifiedOswin{f("a", 8, 16), f("b", -0.08, 0), f("c", 2, 4)}
		}
		return all[rapid.SampledFrom(names).Draw(t, "set")]
	})
}

func celsius(t *rapid.T, r Range) unit.Celsius {
	return unit.Celsius(rapid.Float64Range(float64(r.TLow), float64(r.THigh)).Draw(t, "celsius"))
}

func TestInverseOfForwardIsIdentity(t *testing.T) {
	all, names := constants(t)
	rapid.Check(t, func(t *rapid.T) {
		i := drawn(all, names).Draw(t, "isotherm")
		c := celsius(t, i.Valid())
		aw := rapid.Float64Range(i.Valid().AwLow, i.Valid().AwHigh).Draw(t, "aw")
		m, err := i.Moisture(aw, c)
		var outside *RangeError
		if errors.As(err, &outside) {
			// The driest end of one set, soybean of 1976 above 45 °C.
			if aw > 0.13 {
				t.Fatalf("%#v at %v: %v", i, aw, err)
			}
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		back, err := i.Activity(m, c)
		if err != nil || !(math.Abs(back-aw) <= 1e-9) {
			t.Fatalf("%#v: %v gives %v gives %v, %v", i, aw, m, back, err)
		}
		again, err := i.Moisture(back, c)
		if err != nil || !(math.Abs(float64(again-m)) <= 1e-9) {
			t.Fatalf("%#v: moisture %v gives %v, %v", i, m, again, err)
		}
		if clamped := ActivityClamped(i, m, c); float64(m) > dryEnd && clamped != back {
			t.Fatalf("%#v: clamped %v, plain %v", i, clamped, back)
		}
	})
}

// Damper air never means a drier food, and the derivative is that of the curve.
func TestRisesAndSlope(t *testing.T) {
	all, names := constants(t)
	rapid.Check(t, func(t *rapid.T) {
		i := drawn(all, names).Draw(t, "isotherm")
		c := unit.Celsius(rapid.Float64Range(-40, 90).Draw(t, "celsius"))
		m := unit.DryBasis(rapid.Float64Range(1e-4, 0.9).Draw(t, "m"))
		const h = 1e-6
		low, slope := ActivitySlope(i, m, c)
		high := ActivityClamped(i, m+h, c)
		if low != ActivityClamped(i, m, c) {
			t.Fatalf("%#v: two answers at %v", i, m)
		}
		if high < low {
			t.Fatalf("%#v at %v: falls from %v to %v", i, m, low, high)
		}
		before := ActivityClamped(i, m-h, c)
		// At a kink, the dry end, the two sides differ: there the derivative
		// lies between them.
		left, right := (low-before)/h, (high-low)/h
		if slack := 1e-3*(math.Abs(left)+math.Abs(right)) + 1e-6; slope < min(left, right)-slack || slope > max(left, right)+slack {
			t.Fatalf("%#v at %v: slope %v, differences %v and %v", i, m, slope, left, right)
		}
	})
}

func TestClampedIsTotal(t *testing.T) {
	all, names := constants(t)
	rapid.Check(t, func(t *rapid.T) {
		i := drawn(all, names).Draw(t, "isotherm")
		c := unit.Celsius(rapid.Float64().Draw(t, "celsius"))
		m := unit.DryBasis(rapid.Float64().Draw(t, "m"))
		aw, slope := ActivitySlope(i, m, c)
		if !(aw >= 0 && aw <= 1) || !(slope >= 0) || math.IsInf(slope, 0) {
			t.Fatalf("%#v at %v and %v: activity %v, slope %v", i, m, c, aw, slope)
		}
		back := MoistureClamped(i, rapid.Float64().Draw(t, "aw"), c)
		if !(back >= 0) || math.IsInf(float64(back), 0) {
			t.Fatalf("%#v: moisture %v", i, back)
		}
	})
}

func TestClampedInverse(t *testing.T) {
	all, names := constants(t)
	rapid.Check(t, func(t *rapid.T) {
		i := drawn(all, names).Draw(t, "isotherm")
		c := unit.Celsius(rapid.Float64Range(-40, 90).Draw(t, "celsius"))
		aw := rapid.Float64Range(0, saturated).Draw(t, "aw")
		if back := ActivityClamped(i, MoistureClamped(i, aw, c), c); !(math.Abs(back-aw) <= 1e-9) {
			t.Fatalf("%#v: %v comes back as %v", i, aw, back)
		}
	})
}

func TestErrors(t *testing.T) {
	wheat := ModifiedHenderson{2.3007e-5, 2.2857, 55.815}
	f := func(err error, wants ...string) {
		t.Helper()
		if err == nil {
			t.Error("no error")
			return
		}
		for _, want := range wants {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("error %q does not contain %q", err, want)
			}
		}
	}
	moisture := func(i Isotherm, aw float64, c unit.Celsius) error { _, err := i.Moisture(aw, c); return err }
	activity := func(i Isotherm, m unit.DryBasis, c unit.Celsius) error { _, err := i.Activity(m, c); return err }
	nan := math.NaN()
	f(moisture(wheat, 1, 20), "water activity 1", "0.02 to 0.98")
	f(moisture(wheat, 50, 20), "water activity 50")
	f(moisture(wheat, nan, 20), "water activity NaN")
	f(moisture(wheat, 0.5, 400), "temperature 400 °C", "-10 to 60 °C")
	f(moisture(wheat, 0.5, unit.Celsius(nan)), "temperature NaN")
	f(activity(wheat, unit.WetBasis(0.8).DryBasis(), 20), "moisture 400 % d.b.", "2.92 to 29.24")
	f(activity(wheat, -0.1, 20), "moisture -0.1")
	f(activity(wheat, unit.DryBasis(nan), 20), "NaN")
	f(activity(wheat, unit.DryBasis(math.Inf(1)), 20), "Inf")
	f(activity(wheat, 0.0001, 20), "moisture 0.01 % d.b.")
	f(activity(wheat, 0.12, -40), "temperature -40 °C")
	f(moisture(ModifiedHenderson{}, 0.5, 20), "modified Henderson", "above 0")
	f(activity(GAB{0.07, 15, 1.2}, 0.1, 20), "K 1.2")
	f(activity(Seed{1}, 0.1, 20), "oil content 1")
	f(moisture(ChungPfost{442.85, 0.21228, 35.803}, 0.5, 20), "percent or for a fraction")
	f(moisture(ModifiedOswin{13, -0.5, 3}, 0.5, 20), "modified Oswin")
	f(moisture(ModifiedHalsey{math.Inf(1), 0, 2}, 0.5, 20), "modified Halsey")

	// The 1976 soybean constants know no food as dry as 5 % humidity.
	soybean := ChungPfost{328.30, 13.917, 100.288}
	err := moisture(soybean, 0.05, 25)
	f(err, "water activity 0.05", "0.07278 to 0.98")
	var outside *RangeError
	if !errors.As(err, &outside) || outside.What != "water activity" {
		t.Errorf("%v is no *RangeError", err)
	}

	// Between trusted and hard there is an answer, and a warning to be had.
	if err := moisture(wheat, 0.95, 55); err != nil {
		t.Error(err)
	}
	f(wheat.Valid().Check(0.95, 20), "water activity 0.95", "0.1 to 0.9")
	f(wheat.Valid().Check(0.5, 55), "temperature 55 °C", "0 to 50 °C")
	if err := wheat.Valid().Check(0.9, 0); err != nil {
		t.Error(err)
	}
}

func TestBases(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := unit.WetBasis(rapid.Float64Range(0, 0.9).Draw(t, "wet"))
		if back := w.DryBasis().WetBasis(); math.Abs(float64(back-w)) > 1e-15 {
			t.Fatalf("%v comes back as %v", float64(w), float64(back))
		}
	})
	if got := unit.WetBasis(0.12).DryBasis().String(); got != "13.64 % d.b." {
		t.Errorf("12 %% wet basis is %s", got)
	}
	for _, err := range []error{unit.WetBasis(12).Check(), unit.WetBasis(-0.1).Check(), unit.DryBasis(-1).Check(), unit.DryBasis(math.NaN()).Check()} {
		if err == nil {
			t.Error("a moisture that makes no sense passes")
		}
	}
}

func TestLines(t *testing.T) {
	lines := Lines()
	if !slices.IsSortedFunc(lines, func(a, b Line) int {
		if a.Activity != b.Activity {
			return int(math.Copysign(1, a.Activity-b.Activity))
		}
		return strings.Compare(a.Name, b.Name)
	}) {
		t.Error("lines do not rise")
	}
	for _, l := range lines {
		if l.Name == "" || l.Source == "" || !(l.Activity > 0 && l.Activity < 1) {
			t.Errorf("line %+v lacks something", l)
		}
	}
}

// An isotherm can be compared and used as a key, as the catalog does.
func TestComparable(t *testing.T) {
	all, _ := constants(t)
	for name, i := range all {
		if !reflect.TypeOf(i).Comparable() || i != all[name] {
			t.Errorf("%s is not comparable", name)
		}
	}
}

func BenchmarkActivity(b *testing.B) {
	for _, c := range []struct {
		name string
		i    Isotherm
	}{
		{"henderson", ModifiedHenderson{2.3007e-5, 2.2857, 55.815}},
		{"chung-pfost", ChungPfost{529.43, 17.609, 50.998}},
		{"oswin", ModifiedOswin{13.101, -0.052626, 2.9987}},
		{"halsey", ModifiedHalsey{4.4181, -0.011875, 1.7571}},
		{"gab", GAB{0.07, 15, 0.75}},
		{"seed", Seed{0.016}},
	} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				ActivitySlope(c.i, 0.12, 20)
			}
		})
	}
}
