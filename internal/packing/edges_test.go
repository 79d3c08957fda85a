package packing_test

import (
	"math"
	"testing"

	"dryhold/internal/catalog"
	"dryhold/internal/packing"
	"dryhold/internal/reference"
)

// How long a packet lasts and where one too small leaves the oxygen: the cases of
// models 5.2 (testdata/published/bottle-absorber.csv), 800 cm3 of gas in 2 L.
func TestPacketsLastAsPublished(t *testing.T) {
	for _, r := range reference.Published(t, "bottle-absorber.csv") {
		c := exactly(t, 2, (0.4-0.05)/0.95)
		k := &c.Containers[0]
		point := func(v float64) catalog.Band { return catalog.Band{Low: v, Likely: v, High: v, Source: "test"} }
		k.OxygenWall, k.OxygenClosure = point(r.Num(t, "conductance")), point(0)
		a := ask(t, c, packing.Question{Food: "white-rice", Container: "pet-2l", Moisture: "9.5%", Temperature: "23C"}, nil)
		found := false
		for _, l := range a.Oxygen.Lasts {
			if l.CM3 != r.Num(t, "rated_cm3") {
				continue
			}
			found = true
			if r["days"] == "" {
				near(t, "oxygen left by "+r["rated_cm3"], 100*l.Rests, r.Num(t, "rests_percent"), 0.05)
				near(t, "years of "+r["rated_cm3"], l.Years.High, 0, 0)
			} else {
				// The table's absorber acts at once, the packet within hours.
				near(t, "days of "+r["rated_cm3"], l.Years.Likely*365.25, r.Num(t, "days"), 1.5)
				near(t, "oxygen left by "+r["rated_cm3"], l.Rests, 0, 0)
			}
		}
		if !found {
			t.Errorf("no packet of %s cm3", r["rated_cm3"])
		}
	}
}

// Units at the edges: those of the United States by definition.
func TestUnitsAtTheEdges(t *testing.T) {
	amount := func(text string, kg, litres float64) {
		t.Helper()
		k, l, err := packing.ParseAmount(text)
		if err != nil || math.Abs(k-kg) > 1e-9 || math.Abs(l-litres) > 1e-9 {
			t.Errorf("%s is %g kg, %g L (%v), want %g and %g", text, k, l, err, kg, litres)
		}
	}
	amount("20kg", 20, 0)
	amount(" 500 g ", 0.5, 0)
	amount("44 lb", 19.95806428, 0)
	amount("16 oz", 0.45359237, 0)
	amount("10 L", 0, 10)
	amount("750mL", 0, 0.75)
	amount("1 qt", 0, 0.946352946)
	amount("5 gallons", 0, 18.92705892)
	amount("2 pt", 0, 0.946352946)
	amount("4 cups", 0, 0.946352946)
	moisture := func(text string, want float64) {
		t.Helper()
		if w, err := packing.ParseMoisture(text); err != nil || math.Abs(float64(w)-want) > 1e-12 {
			t.Errorf("%s is %g (%v), want %g", text, float64(w), err, want)
		}
	}
	moisture("11.5%", 0.115)
	moisture("11.5", 0.115)
	moisture("11.5 % w.b.", 0.115)
	moisture("25% d.b.", 0.2)
	moisture("25 % dry", 0.2)
	moisture("0.03 %", 0.0003)
	// 100 g that leave 89.5 g held 10.5 g in 100, 10.5 %, and 10.5 in 89.5 on the
	// dry basis.
	w, err := packing.OvenMoisture(100, 89.5)
	near(t, "oven, wet basis", float64(w), 0.105, 1e-12)
	near(t, "oven, dry basis", float64(w.DryBasis()), 10.5/89.5, 1e-12)
	if err != nil {
		t.Error(err)
	}
}

// BenchmarkAdvise is a whole advice at a constant temperature, options included.
func BenchmarkAdvise(b *testing.B) {
	c := shipped(b)
	for b.Loop() {
		ask(b, c, packing.Question{Food: "white-rice", Container: "pet-2l", Amount: "20 kg", Moisture: "9.5%"}, nil)
	}
}
