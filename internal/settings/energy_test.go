package settings_test

import (
	"math"
	"strings"
	"testing"

	"dryhold/internal/catalog"
	"dryhold/internal/settings"
)

// Energy per 100 g as USDA prints it: National Nutrient Database for Standard
// Reference, release 26 (abbreviated file), by NDB number.
func TestShippedEnergyIsThatOfTheTable(t *testing.T) {
	c, err := settings.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	f := func(food, ndb string, kcal float64) {
		t.Helper()
		x, err := c.Food(food)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(x.Energy.Likely-10*kcal) > 1e-9 || !strings.Contains(x.Energy.Source, "NDB "+ndb+":") {
			t.Errorf("%s: %g kcal/kg by %q, want %g by %s", food, x.Energy.Likely, x.Energy.Source, 10*kcal, ndb)
		}
	}
	f("white-rice", "20444", 365)
	f("hard-wheat", "20072", 327)
	f("dry-beans", "16042", 347)
	f("rolled-oats", "08120", 379)
	f("pasta", "20420", 371)
	f("white-flour", "20481", 364)
	f("sugar", "19335", 387)
	f("nonfat-dry-milk", "01091", 362)
	f("whole-milk-powder", "01212", 496)
	f("salt", "02047", 0)
	for _, x := range c.Foods {
		if x.Energy.Source == "" {
			t.Errorf("%s has no energy: days of supply would leave it out", x.ID)
		}
	}
}

func TestEnergyIsRead(t *testing.T) {
	f := func(energy string, want float64) {
		t.Helper()
		src := strings.Replace(goodFood, "limit: mould", "limit: mould"+energy, 1)
		c, err := settings.ParseCatalog(settings.Source{File: "c.yaml", Data: []byte(src)})
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Check(); err != nil {
			t.Fatal(err)
		}
		if got := c.Foods[0].Energy; math.Abs(got.Likely-want) > 1e-9*want || (got == catalog.Band{}) != (want == 0) {
			t.Errorf("%q is read as %+v, want %g kcal/kg", energy, got, want)
		}
	}
	f("", 0)
	f("\n    energy: {low: 3500, likely: 3600, high: 3700, unit: kcal/kg, source: judgement}", 3600)
	f("\n    energy: {low: 350, likely: 360, high: 370, unit: kcal/100 g, source: judgement}", 3600)
	f("\n    energy: {low: 1464.4, likely: 1506.24, high: 1548.08, unit: kJ/100 g, source: judgement}", 3600)
	f("\n    energy: {low: 14644, likely: 15062.4, high: 15480.8, unit: kJ/kg, source: judgement}", 3600)

	src := strings.Replace(goodFood, "limit: mould", "limit: mould\n    energy: {low: 3500, likely: 3600, high: 37000, unit: kcal/kg, source: judgement}", 1)
	_, err := settings.ParseCatalog(settings.Source{File: "c.yaml", Data: []byte(src)})
	wantProblems(t, src, err, []string{`c.yaml:11:13: energy 3500 to 37000 kcal/kg is outside the plausible 0 to 9000 kcal/kg`})
}

func TestEnergyOfAFoodInCode(t *testing.T) {
	c, err := settings.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	x := c.Foods[0]
	x.Energy.High = 1e6
	if err := x.Check(); err == nil || !strings.Contains(err.Error(), "energy") {
		t.Errorf("a million kcal/kg: %v", err)
	}
	x.Energy = catalog.Band{}
	if err := x.Check(); err != nil {
		t.Errorf("energy not known: %v", err)
	}
}
