package settings_test

import (
	"math"
	"strings"
	"testing"

	"dryhold/internal/catalog"
	"dryhold/internal/settings"
	"dryhold/internal/sorption"
)

// The water, oxygen, light and nutrient behaviour of a food and the barriers of
// a container.
func TestBehaviourProblems(t *testing.T) {
	f := func(base, old, with string, want ...string) {
		t.Helper()
		if strings.Count(base, old) != 1 {
			t.Fatalf("%q stands %d times in the base", old, strings.Count(base, old))
		}
		src := strings.Replace(base, old, with, 1)
		_, err := settings.ParseCatalog(settings.Source{File: "c.yaml", Data: []byte(src)})
		wantProblems(t, src, err, want)
	}

	// Isotherms.
	const gab = "{equation: gab, xm: 0.085, c: 20, k: 0.75, source: judgement}"
	f(goodFood, "    isotherm: "+gab+"\n", "", `c.yaml:2:5: a food class needs the key "isotherm"`)
	f(goodFood, gab, "nothing", `c.yaml:6:15: isotherm must be none or an equation with its constants, not "nothing"`)
	f(goodFood, gab, "0.1", `c.yaml:6:15: isotherm must be none or an equation with its constants, not "0.1"`)
	f(goodFood, gab, "[a]", `c.yaml:6:15: isotherm must be keys with values, not a list`)
	f(goodFood, "equation: gab", "equation: gaab", `c.yaml:6:26: unknown equation "gaab": did you mean "gab"?`)
	f(goodFood, "equation: gab", "equation: henderson-thompson", `c.yaml:6:26: unknown equation "henderson-thompson": it is one of modified-henderson, chung-pfost, chung-pfost-percent, modified-oswin, modified-halsey, gab, seed`)
	f(goodFood, "equation: gab", "equation: modified henderson", `c.yaml:6:26: unknown equation "modified henderson": did you mean "modified-henderson"?`)
	f(goodFood, "equation: gab, ", "", `c.yaml:6:15: isotherm needs the key "equation": the name of the equation`)
	f(goodFood, "xm: 0.085, ", "", `c.yaml:6:15: isotherm needs the key "xm"`)
	f(goodFood, "xm: 0.085", "n: 0.085", `c.yaml:6:15: isotherm needs the key "xm"`,
		`c.yaml:6:31: unknown key "n" in isotherm: did you mean "c"?`)
	f(goodFood, "k: 0.75, source: judgement", "k: 0.75", `c.yaml:6:15: isotherm needs the key "source"`)
	f(goodFood, "k: 0.75", "k: much", `c.yaml:6:52: k must be a number, not "much"`)
	f(goodFood, "xm: 0.085", "xm: 8.5", `c.yaml:6:15: GAB isotherm makes no sense: at -10 °C it holds 568, 1.26e+03 and 2.55e+03 % d.b. at 10, 50 and 90 % humidity; are the constants meant for percent or for a fraction?`)
	f(goodFood, "k: 0.75", "k: 1.75", `c.yaml:6:15: GAB isotherm with K 1.75 makes no sense: K is above 0 and at most 1`)

	// Moisture against the isotherm and the lines.
	f(goodFood, "low: 9, likely: 11, high: 12", "low: 9, likely: 15, high: 16",
		`c.yaml:7:15: moisture 15 % w.b. is water activity 0.72 at 21 °C, at or above the red line 0.65`)
	f(goodFood, "low: 9, likely: 11, high: 12", "low: 9, likely: 11, high: 32",
		`c.yaml:7:15: moisture 32 % w.b. does not go with the isotherm: cannot find water activity at 21 °C: moisture 47.06 % d.b. is outside the isotherm's range, 2.015 to 31.51 % d.b.`)
	f(goodFood, `high: 12, unit: "%"`, "high: 12, unit: fraction", `c.yaml:7:15: moisture 9 to 12 fraction is outside the plausible 0 to 0.5 fraction`)
	f(goodFood, "low: 0.62, likely: 0.65", "low: 0.52, likely: 0.55", `c.yaml:9:10: red line 0.55 is not above the amber line 0.6`)
	f(goodFood, "    limit: mould\n", "", `c.yaml:2:5: a food class needs the key "limit"`)
	f(goodFood, "limit: mould", "limit: mould\n    species: wheet", `c.yaml:11:14: unknown seed species "wheet": did you mean "wheat"?`)
	f(goodFood, "limit: mould", "limit: mould\n    species: ''", `c.yaml:11:14: species is empty`)
	f(goodFood, "limit: mould", "limit: mould\n    species: "+strings.Repeat("wheat", 1000),
		`c.yaml:11:14: unknown seed species "`+strings.Repeat("wheat", 12)+`whea": it is one of barley, bean, chickpea, corn, cowpea, pea, rice, rice-indica, rice-japonica, soybean, wheat`)
	f(goodFood, "limit: mould", "limit: mould\n    uptake: {low: 0, likely: 1, high: 200, unit: cm3/(kg d), source: judgement}",
		`c.yaml:11:13: uptake 0 to 200 cm3/(kg d) is outside the plausible 0 to 100 cm3/(kg d)`)

	// Modes.
	f(goodFood, "        oxygen_half: {low: 0.5, likely: 2, high: 5, unit: \"%\", source: judgement}\n", "",
		`c.yaml:12:9: a mode that oxygen drives (low_oxygen_gain above 1) needs the key "oxygen_half": the oxygen fraction at half the rate`)
	f(goodFood, "low: 0.5, likely: 2, high: 5", "low: 0, likely: 2, high: 5", `c.yaml:17:22: oxygen_half 0 to 0.05 fraction is outside the plausible 0.0001 to 0.209 fraction`)
	f(goodFood, "        activity_at: {low: 0.3, likely: 0.4, high: 0.5, unit: fraction, source: judgement}\n", "",
		`c.yaml:12:9: activity_at and per_tenth go together: give both, or leave both out of a mode that water does not drive`)
	f(goodFood, "low: 1.1, likely: 1.3", "low: 0.9, likely: 1.3", `c.yaml:19:20: per_tenth 0.9 to 1.6 times is outside the plausible 1 to 20 times`)
	f(goodFood, "order: zero", "order: zero\n        nutrient: true", `c.yaml:14:19: a nutrient is lost in first order: write order: first, with the fraction left as the limit`)
	f(goodFood, "order: zero", "order: zero\n        nutrient: yes", `c.yaml:14:19: nutrient must be true or false, not "yes"`)
	const light = "{low: 1.0e-8, likely: 1.0e-7, high: 1.0e-6, unit: 1/(lx h), source: judgement}"
	f(goodFood, "order: zero", "order: zero\n        light_rate: "+light, `c.yaml:14:21: light drives first-order modes only: leave the key out, or write order: first`)
	const half = "order: first\n        limit: {low: 0.5, likely: 0.5, high: 0.5, unit: fraction, source: judgement}"
	f(goodFood, "order: zero", half+"\n        light_rate: "+strings.ReplaceAll(light, "lx h", "mlx h"), `c.yaml:15:71: "1/(mlx h)" is not a unit of light_rate: use one of 1/(lx h), 1/(klx h)`)
	f(goodFood, "order: zero", half+"\n        nutrient: true", `c.yaml:12:7: modes are nutrients only: without a mode of another kind nothing could ever end the food`)

	// Barriers.
	f(goodContainer, "    sealed: true\n", "", `c.yaml:2:5: a container class needs the key "sealed"`)
	f(goodContainer, "sealed: true", "sealed: false", `c.yaml:2:5: a container that is not sealed has a seal failure of 1`)
	f(goodContainer, "low: 0, likely: 0, high: 0, unit: cm3/(d atm)", "low: 0, likely: 0, high: 0.1, unit: cm3/(d atm)",
		`c.yaml:2:5: a wall that lets oxygen through needs the key "wall_ea": how fast that grows with warmth`)
	f(goodContainer, "unit: cm3/(d atm)", "unit: cm3/(m2 d atm)", `c.yaml:9:53: "cm3/(m2 d atm)" is not a unit of oxygen_wall: use one of cm3/(d atm), cm3/(d bar)`)
	f(goodContainer, "unit: mg/(d kPa)", "unit: mg/d", `c.yaml:12:55: "mg/d" is not a unit of water_closure: use one of g/(d kPa), mg/(d kPa)`)
	f(goodContainer, "high: 0.7", "high: 1.7", `c.yaml:8:19: seal_failure 0.2 to 1.7 fraction is outside the plausible 0 to 1 fraction`)
}

// Each equation is read with its constants in the right places, and units are
// converted once.
func TestBehaviourIsRead(t *testing.T) {
	parse := func(src string) *catalog.Catalog {
		t.Helper()
		c, err := settings.ParseCatalog(settings.Source{File: "c.yaml", Data: []byte(src)})
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Check(); err != nil {
			t.Fatal(err)
		}
		return c
	}
	f := func(isotherm string, want sorption.Isotherm) {
		t.Helper()
		c := parse(strings.Replace(goodFood, "{equation: gab, xm: 0.085, c: 20, k: 0.75, source: judgement}", isotherm, 1))
		if got := c.Foods[0].Isotherm; got != want {
			t.Errorf("%s is read as %#v", isotherm, got)
		}
		if source := c.Foods[0].IsothermSource; (source == "judgement") != (want != nil) {
			t.Errorf("%s has source %q", isotherm, source)
		}
	}
	f("none", nil)
	f("{equation: modified-henderson, k: 2.3007e-5, n: 2.2857, c: 55.815, source: judgement}", sorption.ModifiedHenderson{K: 2.3007e-5, N: 2.2857, C: 55.815})
	f("{equation: chung-pfost, a: 529.43, b: 17.609, c: 50.998, source: judgement}", sorption.ChungPfost{A: 529.43, B: 17.609, C: 50.998})
	f("{equation: chung-pfost-percent, a: 442.85, b: 0.21228, c: 35.803, source: judgement}", sorption.ChungPfostPercent{A: 442.85, B: 0.21228, C: 35.803})
	f("{equation: modified-oswin, a: 13.101, b: -0.052626, c: 2.9987, source: judgement}", sorption.ModifiedOswin{A: 13.101, B: -0.052626, C: 2.9987})
	f("{equation: modified-halsey, a: 5.39, b: -0.015, c: 2.273, source: judgement}", sorption.ModifiedHalsey{A: 5.39, B: -0.015, C: 2.273})
	f("{source: judgement, k: 0.75, xm: 0.085, c: 20, equation: gab}", sorption.GAB{Xm: 0.085, C: 20, K: 0.75})
	f("{equation: seed, oil: 0.05, source: judgement}", sorption.Seed{Oil: 0.05})

	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-12*math.Abs(want) {
			t.Errorf("%s is read as %g, want %g", what, got, want)
		}
	}
	nutrient := `      - name: riboflavin
        order: first
        limit: {low: 40, likely: 50, high: 60, unit: "%", source: judgement}
        ea: {low: 60, likely: 75, high: 90, unit: kJ/mol, source: judgement}
        life: {low: 10, likely: 20, high: 30, unit: y, source: judgement}
        low_oxygen_gain: {low: 1, likely: 1, high: 1, unit: times, source: judgement}
        light_rate: {low: 0.001, likely: 0.002, high: 0.05, unit: 1/(klx h), source: judgement}
        nutrient: true
`
	food := parse(strings.Replace(goodFood, "limit: mould", "limit: mould\n    species: wheat\n    uptake: {low: 0, likely: 36.525, high: 73.05, unit: cm3/(kg y), source: judgement}", 1) + nutrient).Foods[0]
	near("uptake", food.Uptake.Likely, 0.1)
	near("moisture", food.Moisture.Likely, 0.11)
	near("oxygen half-value", food.Modes[0].OxygenHalf.Likely, 0.02)
	near("light rate", food.Modes[1].LightRate.Likely, 2e-6)
	near("limit", food.Modes[1].Limit, 0.5)
	if !food.Modes[1].Nutrient || food.Modes[0].Nutrient || food.Species != "wheat" || food.Limit != "mould" {
		t.Errorf("read as %+v", food)
	}
	// What is left out has no effect, and says so.
	for _, b := range []catalog.Band{food.Modes[1].OxygenHalf, food.Modes[1].ActivityAt, food.Modes[1].PerTenth, food.Modes[0].LightRate} {
		if !strings.HasPrefix(b.Source, "key left out: ") || b.Low != b.High {
			t.Errorf("a key left out is read as %+v", b)
		}
	}
	near("growth per tenth, left out", food.Modes[1].PerTenth.Likely, 1)
	near("light rate, left out", food.Modes[0].LightRate.Likely, 0)
	tin := parse(goodContainer).Containers[0]
	near("closure, oxygen", tin.OxygenClosure.Likely, 2.0265)
	near("closure, water", tin.WaterClosure.Likely, 0.002)
	near("wall, activation energy, left out", tin.WallEa.Likely, 0)
	if !tin.Sealed || tin.SealFailure.Likely != 0.25 {
		t.Errorf("read as %+v", tin)
	}
}
