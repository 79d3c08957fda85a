package catalog_test

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"dryhold/internal/catalog"
	"dryhold/internal/sorption"
)

func band(low, likely, high float64) catalog.Band {
	return catalog.Band{Low: low, Likely: likely, High: high, Source: "judgement"}
}

// rye and tin are classes in order.
func rye() catalog.Food {
	return catalog.Food{
		ID: "rye", Name: "Rye", BulkDensity: band(680, 720, 760), Void: band(0.38, 0.41, 0.44),
		Isotherm: sorption.GAB{Xm: 0.085, C: 20, K: 0.75}, IsothermSource: "judgement", Moisture: band(0.09, 0.11, 0.12),
		Amber: band(0.58, 0.60, 0.62), Red: band(0.62, 0.65, 0.70), Limit: "mould", Uptake: band(0, 0.01, 0.05), Species: "wheat",
		Modes: []catalog.Mode{
			{
				Name: "staling", Ea: band(60, 75, 90), Life: band(3000, 6000, 9000), LowOxygenGain: band(1, 1.2, 1.5),
				OxygenHalf: band(0.005, 0.02, 0.05), ActivityAt: band(0.3, 0.4, 0.5), PerTenth: band(1.1, 1.3, 1.6), LightRate: band(0, 0, 0),
			},
			{
				Name: "thiamin", Order: catalog.FirstOrder, Limit: 0.5, Nutrient: true,
				Ea: band(85, 100, 125), Life: band(3000, 6000, 9000), LowOxygenGain: band(1, 1, 1),
				OxygenHalf: band(0.02, 0.02, 0.02), ActivityAt: band(0.3, 0.4, 0.5), PerTenth: band(1, 1, 1), LightRate: band(0, 1e-7, 1e-6),
			},
		},
	}
}

func tin() catalog.Container {
	return catalog.Container{
		ID: "tin-1l", Name: "Tin", Volume: band(0.9, 1, 1.1), Lag: band(1, 1.5, 2),
		Sealed: true, SealFailure: band(0.2, 0.25, 0.7),
		OxygenWall: band(0, 0, 0), OxygenClosure: band(0, 0.005, 0.05), WallEa: band(0, 0, 0), WaterWall: band(0, 0, 0), WaterClosure: band(0, 1e-6, 1e-5),
	}
}

func whole() catalog.Catalog {
	return catalog.Catalog{
		Reference: catalog.ReferenceTemperature,
		Foods:     []catalog.Food{rye()}, Containers: []catalog.Container{tin()},
	}
}

func TestCheckAccepts(t *testing.T) {
	c := whole()
	if err := c.Check(); err != nil {
		t.Error(err)
	}
	if err := (&catalog.Catalog{Reference: 21}).Check(); err != nil {
		t.Errorf("an empty catalog: %v", err)
	}
	c.Containers[0].Sealed, c.Containers[0].SealFailure = false, band(1, 1, 1)
	if err := c.Check(); err != nil {
		t.Errorf("a container that is not sealed: %v", err)
	}
}

func TestCheckRefuses(t *testing.T) {
	f := func(change func(*catalog.Catalog), want string) {
		t.Helper()
		c := whole()
		change(&c)
		if err := c.Check(); err == nil || err.Error() != want {
			t.Errorf("got  %v\nwant %s", err, want)
		}
	}
	food := func(change func(*catalog.Food)) func(*catalog.Catalog) {
		return func(c *catalog.Catalog) { change(&c.Foods[0]) }
	}
	tin1 := func(change func(*catalog.Container)) func(*catalog.Catalog) {
		return func(c *catalog.Catalog) { change(&c.Containers[0]) }
	}
	f(food(func(f *catalog.Food) { f.ID = "Rye" }), `food class "Rye": id "Rye" is not kebab-case: write for example white-rice`)
	f(food(func(f *catalog.Food) { f.Name = "" }), `food class "rye": the food has no name`)
	f(food(func(f *catalog.Food) { f.Modes = nil }), `food class "rye": the food has no deterioration mode, so nothing could ever end it`)
	f(food(func(f *catalog.Food) { f.Modes[1].Name = "staling" }), `food class "rye": mode "staling" stands twice`)
	f(food(func(f *catalog.Food) { f.Modes[0].Name = "" }), `food class "rye": mode "": the mode has no name`)
	f(food(func(f *catalog.Food) { f.Modes[0].Limit = 0.5 }), `food class "rye": mode "staling": a zero-order mode has no limit`)
	f(food(func(f *catalog.Food) { f.Modes[1].Limit = 1 }), `food class "rye": mode "thiamin": limit 1 of a first-order mode is outside 0.01 to 0.99`)
	f(food(func(f *catalog.Food) { f.Modes[1].Limit = math.NaN() }), `food class "rye": mode "thiamin": limit NaN of a first-order mode is outside 0.01 to 0.99`)
	f(food(func(f *catalog.Food) { f.Modes[0].Order = 2 }), `food class "rye": mode "staling": order 2 is neither zero nor first`)
	f(food(func(f *catalog.Food) { f.Modes[0].Ea.High = 300 }), `food class "rye": mode "staling": activation energy 60 to 300 kJ/mol is outside the plausible 0 to 250 kJ/mol`)
	f(food(func(f *catalog.Food) { f.Modes[0].Life.Low = 0 }), `food class "rye": mode "staling": life 0 to 9000 d is outside the plausible 1 to 182625 d`)
	f(food(func(f *catalog.Food) { f.Modes[0].LowOxygenGain.Low = 0.9 }), `food class "rye": mode "staling": low-oxygen gain 0.9 to 1.5 times is outside the plausible 1 to 100 times`)
	f(food(func(f *catalog.Food) { f.Void.Source = " " }), `food class "rye": void has no source: name one, or say "from memory" or "judgement"`)
	f(food(func(f *catalog.Food) { f.BulkDensity.Likely = math.Inf(1) }), `food class "rye": bulk density holds a value that is not a finite number`)
	f(food(func(f *catalog.Food) { f.BulkDensity.Likely = 800 }), `food class "rye": bulk density low 680, likely 800 and high 760 kg/m3 are not in rising order`)
	f(tin1(func(k *catalog.Container) { k.ID = "" }), `container class "": id "" is not kebab-case: write for example white-rice`)
	f(tin1(func(k *catalog.Container) { k.Name = "" }), `container class "tin-1l": the container has no name`)
	f(tin1(func(k *catalog.Container) { k.Volume = band(1, 1, 5000) }), `container class "tin-1l": volume 1 to 5000 L is outside the plausible 0.05 to 2000 L`)
	f(tin1(func(k *catalog.Container) { k.Lag = band(0, 1, 1) }), `container class "tin-1l": lag 0 to 1 h is outside the plausible 0.01 to 1000 h`)
	f(food(func(f *catalog.Food) { f.Modes = f.Modes[1:] }), `food class "rye": the food has no deterioration mode, so nothing could ever end it`)
	f(food(func(f *catalog.Food) { f.Modes[0].OxygenHalf.Low = 0 }), `food class "rye": mode "staling": oxygen half-value 0 to 0.05 fraction is outside the plausible 0.0001 to 0.209 fraction`)
	f(food(func(f *catalog.Food) { f.Modes[0].ActivityAt.High = 1.5 }), `food class "rye": mode "staling": water activity of the life 0.3 to 1.5 fraction is outside the plausible 0 to 1 fraction`)
	f(food(func(f *catalog.Food) { f.Modes[0].PerTenth.Source = "" }), `food class "rye": mode "staling": growth per tenth of water activity has no source: name one, or say "from memory" or "judgement"`)
	f(food(func(f *catalog.Food) { f.Modes[1].Order, f.Modes[1].Limit, f.Modes[1].LightRate = 0, 0, band(0, 0, 0) }), `food class "rye": mode "thiamin": a nutrient is lost in first order`)
	f(food(func(f *catalog.Food) { f.Modes[0].LightRate.High = 1e-6 }), `food class "rye": mode "staling": light drives first-order modes only`)
	f(food(func(f *catalog.Food) { f.Modes[1].LightRate.High = 1 }), `food class "rye": mode "thiamin": light rate 0 to 1 1/(lx h) is outside the plausible 0 to 0.0001 1/(lx h)`)
	f(food(func(f *catalog.Food) { f.Isotherm = sorption.GAB{Xm: 0.085, C: 20, K: 1.5} }), `food class "rye": GAB isotherm with K 1.5 makes no sense: K is above 0 and at most 1`)
	f(food(func(f *catalog.Food) { f.IsothermSource = " " }), `food class "rye": the isotherm has no source`)
	f(food(func(f *catalog.Food) { f.Moisture = band(0.1, 0.2, 0.21) }), `food class "rye": moisture 20 % w.b. is water activity 0.89 at 21 °C, at or above the red line 0.65`)
	f(food(func(f *catalog.Food) { f.Moisture.High = 0.4 }), `food class "rye": moisture 40 % w.b. does not go with the isotherm: cannot find water activity at 21 °C: moisture 66.67 % d.b. is outside the isotherm's range, 2.015 to 31.51 % d.b.`)
	f(food(func(f *catalog.Food) { f.Isotherm, f.Moisture.High = nil, 0.6 }), `food class "rye": moisture 0.09 to 0.6 fraction is outside the plausible 0 to 0.5 fraction`)
	f(food(func(f *catalog.Food) { f.Amber = f.Red }), `food class "rye": red line 0.65 is not above the amber line 0.65`)
	f(food(func(f *catalog.Food) { f.Limit = "" }), `food class "rye": the food does not say what happens at its red line`)
	f(food(func(f *catalog.Food) { f.Uptake.Low = -1 }), `food class "rye": oxygen uptake -1 to 0.05 cm3/(kg d) is outside the plausible 0 to 100 cm3/(kg d)`)
	f(food(func(f *catalog.Food) { f.Species = "wheet" }), `food class "rye": unknown seed species "wheet": did you mean "wheat"?`)
	f(tin1(func(k *catalog.Container) { k.Sealed = false }), `container class "tin-1l": a container that is not sealed has a seal failure of 1`)
	f(tin1(func(k *catalog.Container) { k.Sealed, k.SealFailure = false, band(0.9, 1, 1) }), `container class "tin-1l": a container that is not sealed has a seal failure of 1`)
	f(tin1(func(k *catalog.Container) { k.SealFailure.High = 2 }), `container class "tin-1l": seal failure 0.2 to 2 fraction is outside the plausible 0 to 1 fraction`)
	f(tin1(func(k *catalog.Container) { k.OxygenWall.High = 1e9 }), `container class "tin-1l": oxygen through the wall 0 to 1e+09 cm3/(d atm) is outside the plausible 0 to 1e+07 cm3/(d atm)`)
	f(tin1(func(k *catalog.Container) { k.OxygenClosure.Low = -1 }), `container class "tin-1l": oxygen through the closure -1 to 0.05 cm3/(d atm) is outside the plausible 0 to 1e+07 cm3/(d atm)`)
	f(tin1(func(k *catalog.Container) { k.WallEa.High = 200 }), `container class "tin-1l": activation energy of the wall 0 to 200 kJ/mol is outside the plausible 0 to 100 kJ/mol`)
	f(tin1(func(k *catalog.Container) { k.WaterWall.High = 2000 }), `container class "tin-1l": water through the wall 0 to 2000 g/(d kPa) is outside the plausible 0 to 1000 g/(d kPa)`)
	f(tin1(func(k *catalog.Container) { k.WaterClosure.Source = "" }), `container class "tin-1l": water through the closure has no source: name one, or say "from memory" or "judgement"`)
	f(func(c *catalog.Catalog) { c.Foods = append(c.Foods, rye()) }, `food classes "rye" and "rye" are out of order or the same`)
	f(func(c *catalog.Catalog) { c.Reference = -1 }, `reference temperature -1 °C is outside 0 to 40 °C`)

	// Everything wrong is told at once.
	c := whole()
	c.Foods[0].ID, c.Foods[0].Modes[0].Ea.Source, c.Containers[0].Name = "-", "", ""
	if err := c.Check(); err == nil || strings.Count(err.Error(), "\n") != 2 {
		t.Errorf("three faults are told as %v", err)
	}
}

func TestCheckID(t *testing.T) {
	f := func(id string, good bool) {
		t.Helper()
		if err := catalog.CheckID(id); (err == nil) != good {
			t.Errorf("CheckID(%q) = %v", id, err)
		}
	}
	for _, id := range []string{"a", "salt", "white-rice", "pet-0.5l", "can-no10", strings.Repeat("a", 40)} {
		f(id, true)
	}
	for _, id := range []string{"", "-", "-a", "a-", ".a", "a.", "a--b", "A", "a b", "a_b", "a/b", "reis-süß", strings.Repeat("a", 41)} {
		f(id, false)
	}
}

func TestFind(t *testing.T) {
	c := whole()
	if got, err := c.Food("rye"); err != nil || got.Name != "Rye" {
		t.Errorf("Food(rye) = %v, %v", got, err)
	}
	if got, err := c.Container("tin-1l"); err != nil || got.Name != "Tin" {
		t.Errorf("Container(tin-1l) = %v, %v", got, err)
	}
	f := func(err error, want string) {
		t.Helper()
		if err == nil || err.Error() != want {
			t.Errorf("got %v, want %s", err, want)
		}
	}
	_, err := c.Food("rey")
	f(err, `unknown food class "rey": did you mean "rye"?`)
	_, err = c.Container("barrel-of-oak")
	f(err, `unknown container class "barrel-of-oak": it is one of tin-1l`)
	_, err = (&catalog.Catalog{}).Food("rye")
	f(err, `unknown food class "rye": none is known yet`)
}

// A band is accepted exactly when it is finite, rising and in range.
func TestBandProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.OneOf(rapid.Float64Range(-20, 120), rapid.SampledFrom([]float64{0, 100, math.NaN(), math.Inf(1), math.Inf(-1), math.Copysign(0, -1)}))
		low, likely, high := value.Draw(t, "low"), value.Draw(t, "likely"), value.Draw(t, "high")
		err := band(low, likely, high).Check(catalog.Range{Low: 0, High: 100, Unit: "x"})
		if good := low >= 0 && low <= likely && likely <= high && high <= 100; good != (err == nil) {
			t.Fatalf("band %g %g %g: %v", low, likely, high, err)
		}
	})
}
