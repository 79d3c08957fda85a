package settings

import (
	"maps"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"dryhold/internal/catalog"
)

// Eating is how much of a food class the household eats.
type Eating struct {
	Food       string  // a class of the catalog, see CheckFoods
	KGPerMonth float64 // 0 or more
	Months     float64 // of eating, the store to be kept up; 0 for none
}

// Persons are whom the store is to feed.
type Persons struct {
	Count float64 // above 0; half a person is a child's share
	// Need of each, kcal a day; 0 when it is not said.
	Need float64
}

// Bounds of what a household eats (judgement).
const (
	maxPerMonth = 10_000 // kg
	maxKept     = 1200   // months
	maxPersons  = 10_000
	minNeed     = 100 // kcal a day
	maxNeed     = 20_000
	// pound is the international avoirdupois pound, kg, exact by the agreement
	// of 1959 (NIST SP 811, appendix B).
	pound = 0.45359237
)

// eating reads one food class of what the household eats.
func (p *parse) eating(n ast.Node) {
	e := Eating{}
	p.mapping(n, "an item of eating",
		key{name: "food", required: true, read: func(n ast.Node) {
			e.Food = p.word(n, "food")
			if slices.ContainsFunc(p.s.Eating, func(x Eating) bool { return x.Food == e.Food }) {
				p.at(n, "%q is eaten a second time: keep one", e.Food)
			}
		}},
		key{name: "per_month", required: true, read: func(n ast.Node) {
			e.KGPerMonth = p.counted(n, "per_month", "3 kg", maxPerMonth, map[string]float64{"kg": 1, "g": 0.001, "lb": pound})
		}},
		key{name: "keep", read: func(n ast.Node) {
			e.Months = p.counted(n, "keep", "12 months", maxKept, map[string]float64{"month": 1, "months": 1, "year": 12, "years": 12})
		}},
	)
	if e.Food != "" {
		p.s.Eating = append(p.s.Eating, e)
	}
}

// counted reads an amount from 0 to a bound in the first of its units.
func (p *parse) counted(n ast.Node, what, example string, most float64, units map[string]float64) float64 {
	withUnit(n, example, true, slices.Collect(maps.Keys(units))...)
	raw, ok := scalar(n)
	v, name, number := amount(raw)
	factor, known := units[strings.ToLower(name)]
	if !ok || !number || !known {
		p.at(n, "%s must be a number with a unit: write for example %q", what, example)
		return 0
	}
	if v *= factor; !(v >= 0 && v <= most) {
		p.at(n, "%s %s is outside 0 to %g %s", what, raw, most, strings.Fields(example)[1])
		return 0
	}
	return v
}

// persons reads whom the store is to feed.
func (p *parse) persons(n ast.Node) {
	x := Persons{}
	number := func(n ast.Node, what string, low, high float64, to *float64) {
		means(n, object{"type": []string{"number", "string"}, "minimum": low, "maximum": high, "pattern": `^\s*\+?` + numeral + `\s*$`})
		raw, ok := scalar(n)
		v, name, is := amount(raw)
		if !ok || !is || name != "" || !(v >= low && v <= high) {
			p.at(n, "%s must be a number from %g to %g", what, low, high)
			return
		}
		*to = v
	}
	p.mapping(n, "persons",
		key{name: "count", required: true, read: func(n ast.Node) { number(n, "count", 0.1, maxPersons, &x.Count) }},
		key{name: "kcal_per_day", read: func(n ast.Node) { number(n, "kcal_per_day", minNeed, maxNeed, &x.Need) }},
	)
	if x.Count > 0 {
		p.s.Persons = &x
	}
}

// CheckFoods says which class of what is eaten the catalog does not know.
func (s *Settings) CheckFoods(c *catalog.Catalog, file string) error {
	var problems Problems
	for _, e := range s.Eating {
		if _, err := c.Food(e.Food); err != nil {
			problems = append(problems, Problem{File: file, Text: "eating: " + err.Error()})
		}
	}
	return problems.sorted()
}
