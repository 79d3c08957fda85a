package settings_test

import (
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/catalog"
	"dryhold/internal/settings"
)

// number writes a float so that it reads back the same.
func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func shippedCatalog(t testing.TB) []settings.Source {
	t.Helper()
	sources, err := settings.Shipped()
	if err != nil {
		t.Fatal(err)
	}
	return sources
}

func shipped(t testing.TB) *catalog.Catalog {
	t.Helper()
	c, err := settings.Catalog()
	if err != nil {
		t.Fatalf("the shipped catalog has problems:\n%v", err)
	}
	return c
}

func TestShippedCatalog(t *testing.T) {
	c := shipped(t)
	if err := c.Check(); err != nil {
		t.Error(err)
	}
	for _, id := range []string{
		"white-rice", "brown-rice", "hard-wheat", "soft-wheat", "white-flour", "whole-flour", "rolled-oats", "whole-corn",
		"cornmeal", "dry-beans", "lentils", "split-peas", "pasta", "nonfat-dry-milk", "potato-flakes", "sugar", "salt",
	} {
		f, err := c.Food(id)
		if err != nil {
			t.Error(err)
		}
		ending, nutrients := 0, 0
		for _, m := range f.Modes {
			if m.Nutrient {
				nutrients++
			} else {
				ending++
			}
		}
		if ending < 1 || ending > 2 || nutrients > 3 || f.Modes[0].Nutrient {
			t.Errorf("%s has %d modes that end it and %d nutrients", id, ending, nutrients)
		}
	}
	for _, id := range []string{
		"pet-0.5l", "pet-1l", "pet-2l", "pet-4l", "glass-jar-1l", "foil-pouch-4l", "pail-20l", "pail-20l-foil", "can-no10", "paper-sack-10kg",
	} {
		if _, err := c.Container(id); err != nil {
			t.Error(err)
		}
	}
	// The figures the whole program is checked with.
	wheat, err := c.Food("hard-wheat")
	if err != nil || wheat.Modes[0].Ea.Likely != 80 {
		t.Errorf("hard wheat: %v, Ea %+v, want likely exactly 80 kJ/mol", err, wheat.Modes[0].Ea)
	}
	if rice, _ := c.Food("white-rice"); rice.Modes[0].Ea.Low != 60 || rice.Modes[0].Ea.Likely != 75 || rice.Modes[0].Ea.High != 90 {
		t.Errorf("white rice: Ea %+v, want 60, 75, 90 kJ/mol", rice.Modes[0].Ea)
	}
}

// bareNumbers walks a syntax tree and names every number that is not the low,
// likely or high of a band with all three, a unit and a source that says
// something. The constants of an isotherm are one fit: they have their units
// by the equation, and one source; how far isotherms differ is the business
// of the lines drawn on them.
func bareNumbers(n ast.Node, path string) []string {
	var faults []string
	switch x := n.(type) {
	case *ast.MappingNode:
		values := map[string]ast.Node{}
		for _, v := range x.Values {
			values[v.Key.GetToken().Value] = v.Value
		}
		if band := values["low"] != nil || values["likely"] != nil || values["high"] != nil; band {
			for _, k := range []string{"low", "likely", "high"} {
				if !isNumber(values[k]) {
					faults = append(faults, path+" has no number "+k)
				}
				delete(values, k)
			}
			for _, k := range []string{"unit", "source"} {
				if !text(values[k]) {
					faults = append(faults, path+" has no "+k)
				}
			}
		}
		if text(values["equation"]) {
			if !text(values["source"]) {
				faults = append(faults, path+" has no source")
			}
			maps.DeleteFunc(values, func(_ string, v ast.Node) bool { return isNumber(v) })
		}
		for k, v := range values {
			faults = append(faults, bareNumbers(v, path+"/"+k)...)
		}
	case *ast.SequenceNode:
		for i, v := range x.Values {
			faults = append(faults, bareNumbers(v, path+"/"+strconv.Itoa(i))...)
		}
	default:
		if isNumber(n) {
			faults = append(faults, path+" is a number without band, unit and source")
		}
	}
	return faults
}

func text(n ast.Node) bool {
	s, ok := n.(*ast.StringNode)
	return ok && strings.TrimSpace(s.Value) != ""
}

func isNumber(n ast.Node) bool {
	switch n.(type) {
	case *ast.IntegerNode, *ast.FloatNode, *ast.InfinityNode, *ast.NanNode:
		return true
	}
	return false
}

func isIsotherm(m *ast.MappingNode) bool {
	return slices.ContainsFunc(m.Values, func(v *ast.MappingValueNode) bool { return v.Key.GetToken().Value == "equation" })
}

func numbersIn(t *testing.T, src string) (faults []string, numbers int) {
	t.Helper()
	file, err := parser.ParseBytes([]byte(src), 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, doc := range file.Docs {
		faults = append(faults, bareNumbers(doc.Body, "")...)
		for _, kind := range []ast.NodeType{ast.IntegerType, ast.FloatType} {
			numbers += len(ast.Filter(kind, doc.Body))
		}
		for _, n := range ast.Filter(ast.MappingType, doc.Body) {
			if m := n.(*ast.MappingNode); isIsotherm(m) {
				for _, v := range m.Values {
					if isNumber(v.Value) {
						numbers--
					}
				}
			}
		}
	}
	return faults, numbers
}

// Every number that ships has a band, a unit and a source. The walk does not
// use the decoder, so that a hole in one does not hide in the other.
func TestEveryShippedNumberHasBandUnitAndSource(t *testing.T) {
	total := 0
	for _, f := range shippedCatalog(t) {
		faults, numbers := numbersIn(t, string(f.Data))
		for _, fault := range faults {
			t.Errorf("%s: %s", f.File, fault)
		}
		if numbers%3 != 0 {
			t.Errorf("%s: %d numbers are not threes", f.File, numbers)
		}
		total += numbers
	}
	// 23 foods of at least 5 bands and one mode of 5 more, 10 containers of 8.
	if want := 3 * (23*10 + 10*8); total < want {
		t.Errorf("only %d numbers seen, want at least %d: does the walk see them?", total, want)
	}
	// The walk can fail.
	for _, bad := range []string{
		"a: {x: 1}", "a: [1]", "a: {low: 1, likely: 2, high: 3, unit: d}", "a: {low: 1, likely: 2, high: 3, source: s}",
		"a: {low: 1, high: 3, unit: d, source: s}", "a: {low: 1, likely: x, high: 3, unit: d, source: s}",
		"a: {low: 1, likely: 2, high: 3, unit: d, source: ' '}", "a: {low: 1, likely: 2, high: 3, unit: d, source: 7}",
		"a: {low: 1, likely: 2, high: 3, unit: d, source: s, extra: 4}",
		"a: {equation: gab, k: 1}", "a: {equation: gab, k: 1, source: ''}", "a: {equation: 7, k: 1, source: s}", "a: {equation: gab, k: [1], source: s}",
	} {
		if faults, _ := numbersIn(t, bad); len(faults) == 0 {
			t.Errorf("the walk accepts %s", bad)
		}
	}
}

// food is a food class in order, with one line to change.
const goodFood = `foods:
  - id: rye
    name: Rye, whole
    bulk_density: {low: 680, likely: 720, high: 760, unit: kg/m3, source: judgement}
    void: {low: 38, likely: 41, high: 44, unit: "%", source: judgement}
    isotherm: {equation: gab, xm: 0.085, c: 20, k: 0.75, source: judgement}
    moisture: {low: 9, likely: 11, high: 12, unit: "%", source: judgement}
    amber: {low: 0.58, likely: 0.60, high: 0.62, unit: fraction, source: judgement}
    red: {low: 0.62, likely: 0.65, high: 0.70, unit: fraction, source: judgement}
    limit: mould
    modes:
      - name: staling
        order: zero
        ea: {low: 60, likely: 75, high: 90, unit: kJ/mol, source: judgement}
        life: {low: 10, likely: 20, high: 30, unit: y, source: judgement}
        low_oxygen_gain: {low: 1, likely: 1.2, high: 1.5, unit: times, source: judgement}
        oxygen_half: {low: 0.5, likely: 2, high: 5, unit: "%", source: judgement}
        activity_at: {low: 0.3, likely: 0.4, high: 0.5, unit: fraction, source: judgement}
        per_tenth: {low: 1.1, likely: 1.3, high: 1.6, unit: times, source: judgement}
`

const goodContainer = `containers:
  - id: tin-1l
    name: Tin, 1 L
    volume: {low: 950, likely: 1000, high: 1050, unit: mL, source: judgement}
    lag: {low: 1, likely: 1.5, high: 2, unit: h, source: judgement}
    clear: false
    sealed: true
    seal_failure: {low: 0.2, likely: 0.25, high: 0.7, unit: fraction, source: judgement}
    oxygen_wall: {low: 0, likely: 0, high: 0, unit: cm3/(d atm), source: judgement}
    oxygen_closure: {low: 1, likely: 2, high: 3, unit: cm3/(d bar), source: judgement}
    water_wall: {low: 0, likely: 0, high: 0, unit: g/(d kPa), source: judgement}
    water_closure: {low: 1, likely: 2, high: 3, unit: mg/(d kPa), source: judgement}
`

func TestCatalogProblems(t *testing.T) {
	f := func(base, old, with string, want ...string) {
		t.Helper()
		if strings.Count(base, old) != 1 {
			t.Fatalf("%q stands %d times in the base", old, strings.Count(base, old))
		}
		src := strings.Replace(base, old, with, 1)
		_, err := settings.ParseCatalog(settings.Source{File: "c.yaml", Data: []byte(src)})
		wantProblems(t, src, err, want)
	}

	// A number needs band, unit and source.
	f(goodFood, "{low: 680, likely: 720, high: 760, unit: kg/m3, source: judgement}", "720",
		"c.yaml:4:19: bulk_density must be keys with values, not a number")
	f(goodFood, "low: 680, ", "", `c.yaml:4:19: bulk_density needs the key "low"`)
	f(goodFood, "likely: 720, high: 760, ", "", `c.yaml:4:19: bulk_density needs the key "high"`, `c.yaml:4:19: bulk_density needs the key "likely"`)
	f(goodFood, "unit: kg/m3, ", "", `c.yaml:4:19: bulk_density needs the key "unit"`)
	f(goodFood, "kg/m3, source: judgement", "kg/m3", `c.yaml:4:19: bulk_density needs the key "source"`)
	f(goodFood, "kg/m3, source: judgement", "kg/m3, source: ''", `c.yaml:4:75: source is empty`)
	f(goodFood, "kg/m3, source: judgement", "kg/m3, source: 1979", `c.yaml:4:75: source must be text, not a number: put "1979" in quotes`)
	f(goodFood, "kg/m3, source: judgement", "kg/m3, sorce: judgement",
		`c.yaml:4:19: bulk_density needs the key "source"`, `c.yaml:4:67: unknown key "sorce" in bulk_density: did you mean "source"?`)
	f(goodFood, "low: 680", "low: .nan", `c.yaml:4:25: low must be a number, not ".nan"`)
	f(goodFood, "low: 680", "low: 0x2A8", `c.yaml:4:25: low must be a number, not "0x2A8"`)
	f(goodFood, "low: 680", "low: '680'", `c.yaml:4:25: low must be a number, not text: write it without quotes`)

	// Units.
	f(goodFood, "unit: kg/m3", "unit: g/L", `c.yaml:4:60: "g/L" is not a unit of bulk_density: use kg/m3`)
	f(goodFood, "unit: y", "unit: Y", `c.yaml:15:53: "Y" is not a unit of life: did you mean "y"?`)
	f(goodFood, "unit: y", "unit: years", `c.yaml:15:53: "years" is not a unit of life: use one of d, h, mo, y`)
	f(goodContainer, "unit: mL", "unit: y", `c.yaml:4:56: "y" is not a unit of volume: use one of L, mL`)

	// Values.
	f(goodFood, "low: 680", "low: 780", `c.yaml:4:19: bulk_density low 780, likely 720 and high 760 kg/m3 are not in rising order`)
	f(goodFood, "high: 760", "high: 7600", `c.yaml:4:19: bulk_density 680 to 7600 kg/m3 is outside the plausible 50 to 2000 kg/m3`)
	f(goodFood, `high: 44, unit: "%"`, "high: 44, unit: fraction", `c.yaml:5:11: void 38 to 44 fraction is outside the plausible 0.01 to 0.99 fraction`)
	f(goodFood, "low: 1, likely: 1.2", "low: 0.5, likely: 1.2", `c.yaml:16:26: low_oxygen_gain 0.5 to 1.5 times is outside the plausible 1 to 100 times`)
	f(goodContainer, "low: 1, likely: 1.5", "low: -1, likely: 1.5", `c.yaml:5:10: lag -1 to 2 h is outside the plausible 0.01 to 1000 h`)

	// Classes and modes.
	f(goodFood, "id: rye", "id: ''", `c.yaml:2:9: id is empty`)
	f(goodFood, "order: zero", "order: ''", `c.yaml:13:16: order is empty`)
	f(goodFood, "name: staling", "name: ' '", `c.yaml:12:15: name is empty`)
	f(goodFood, "unit: y", "unit: ''", `c.yaml:15:53: unit is empty`)
	f(goodFood, "    modes:", "    caution: \"a\\x07b\"\n    modes:", `c.yaml:11:14: caution holds a control character: "a\ab"`)
	f(goodFood, "id: rye", "id: Rye", `c.yaml:2:9: id "Rye" is not kebab-case: write for example white-rice`)
	f(goodFood, "    name: Rye, whole\n", "", `c.yaml:2:5: a food class needs the key "name"`)
	f(goodFood, "order: zero", "order: zeroth", `c.yaml:13:16: unknown order "zeroth": did you mean "zero"?`)
	f(goodFood, "order: zero", "order: first", `c.yaml:12:9: a first-order mode needs the key "limit": the fraction left at the end of life`)
	f(goodFood, "order: zero\n", "order: zero\n        limit: {low: 0.5, likely: 0.5, high: 0.5, unit: fraction, source: judgement}\n",
		`c.yaml:14:16: a zero-order mode has no limit: leave the key out, or write order: first`)
	f(goodFood, "        ea: {low: 60, likely: 75, high: 90, unit: kJ/mol, source: judgement}\n", "", `c.yaml:12:9: a mode needs the key "ea"`)
	f(goodFood[:strings.Index(goodFood, "modes:")]+"modes: []\n", "mould", "mould",
		"c.yaml:11:12: modes is empty: without a deterioration mode nothing could ever end the food")
	f(goodFood+strings.TrimPrefix(goodFood, "foods:\n"), "foods:\n", "foods:\n", `c.yaml:20:9: food class "rye" stands in this file a second time: keep one`)
	f(goodContainer+strings.TrimPrefix(goodContainer, "containers:\n"), "containers:\n", "containers:\n",
		`c.yaml:13:9: container class "tin-1l" stands in this file a second time: keep one`)
	f(goodFood+goodFood[strings.Index(goodFood, "      - name"):], "foods:\n", "foods:\n",
		`c.yaml:20:15: mode "staling" stands in this food a second time: keep one`)
	f(goodContainer, "clear: false", "clear: no", `c.yaml:6:12: clear must be true or false, not "no"`)
	// A key of older files: how long low oxygen lasts is worked out now.
	f(goodContainer, "    clear: false", "    low_oxygen_hold: {low: 1, likely: 6, high: 24, unit: mo, source: judgement}\n    clear: false",
		`c.yaml:6:5: unknown key "low_oxygen_hold" in a container class: did you mean "oxygen_wall"?`)
	f(goodContainer, "containers", "container", `c.yaml:1:1: unknown key "container" in the catalog: did you mean "containers"?`)
}

// Problems of all files come together, sorted.
func TestCatalogProblemsOfAllFiles(t *testing.T) {
	_, err := settings.ParseCatalog(
		settings.Source{File: "b.yaml", Data: []byte("food: []\n")},
		settings.Source{File: "a.yaml", Data: []byte("foods: []\n\tx")},
		settings.Source{File: "ok.yaml", Data: []byte(goodFood)},
	)
	wantProblems(t, "three files", err, []string{
		"a.yaml:2:1: this is not YAML: found character '\t' that cannot start any token",
		`b.yaml:1:1: unknown key "food" in the catalog: did you mean "foods"?`,
	})
}

func TestOverride(t *testing.T) {
	own := strings.Replace(goodFood, "id: rye", "id: white-rice", 1)
	c, err := settings.Catalog(settings.Source{File: "own.yaml", Data: []byte(own + goodContainer)})
	if err != nil {
		t.Fatal(err)
	}
	base := shipped(t)
	rice, err := c.Food("white-rice")
	if err != nil || rice.Name != "Rye, whole" || len(c.Foods) != len(base.Foods) {
		t.Errorf("white rice is %q of %d foods (%v), want the later class of %d", rice.Name, len(c.Foods), err, len(base.Foods))
	}
	if len(c.Containers) != len(base.Containers)+1 {
		t.Errorf("%d containers, want one more than %d", len(c.Containers), len(base.Containers))
	}
	if err := c.Check(); err != nil {
		t.Error(err)
	}
	if rice.Void.Low != 0.38 || rice.Modes[0].Life.High != 30*365.25 {
		t.Errorf("converted to %+v, %+v", rice.Void, rice.Modes[0].Life)
	}
	if tin, _ := c.Container("tin-1l"); tin.Volume.Likely != 1 || tin.WaterClosure.High != 0.003 {
		t.Errorf("tin: %+v", tin)
	}
	if diff := cmp.Diff(base, shipped(t)); diff != "" {
		t.Errorf("reading twice differs: %s", diff)
	}
}

// A life is the same in whatever unit it is written.
func TestLifeUnits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		years := float64(rapid.IntRange(1, 400).Draw(t, "years"))
		for unit, perYear := range map[string]float64{"y": 1, "mo": 12, "d": 365.25, "h": 8766} {
			v := number(years * perYear)
			src := strings.Replace(goodFood, "{low: 10, likely: 20, high: 30, unit: y, source: judgement}",
				"{low: "+v+", likely: "+v+", high: "+v+", unit: "+unit+", source: judgement}", 1)
			c, err := settings.ParseCatalog(settings.Source{File: "c", Data: []byte(src)})
			if err != nil {
				t.Fatal(err)
			}
			if got, want := c.Foods[0].Modes[0].Life.Likely, years*365.25; math.Abs(got-want) > 1e-9*want {
				t.Fatalf("%s %s read as %g d, want %g", v, unit, got, want)
			}
		}
	})
}
