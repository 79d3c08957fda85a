package settings

import (
	"strings"

	"github.com/goccy/go-yaml/ast"

	"dryhold/internal/catalog"
	"dryhold/internal/nearest"
)

// scaleUnit is a unit in which a catalog number may be written, and what one
// of it is in the unit the program computes with.
type scaleUnit struct {
	name  string
	scale float64
}

// A year is the mean year of 365.25 days, a month its twelfth.
const (
	daysPerYear  = 365.25
	daysPerMonth = daysPerYear / 12
)

func days() []scaleUnit {
	return []scaleUnit{{"d", 1}, {"h", 1.0 / 24}, {"mo", daysPerMonth}, {"y", daysPerYear}}
}
func hours() []scaleUnit    { return []scaleUnit{{"h", 1}, {"d", 24}} }
func energy() []scaleUnit   { return []scaleUnit{{"kJ/mol", 1}} }
func density() []scaleUnit  { return []scaleUnit{{"kg/m3", 1}} }
func litres() []scaleUnit   { return []scaleUnit{{"L", 1}, {"mL", 0.001}} }
func fraction() []scaleUnit { return []scaleUnit{{"fraction", 1}, {"%", 0.01}} }
func times() []scaleUnit    { return []scaleUnit{{"times", 1}} }
func byLight() []scaleUnit  { return []scaleUnit{{"1/(lx h)", 1}, {"1/(klx h)", 0.001}} }
func oxygen() []scaleUnit {
	return []scaleUnit{{"cm3/(d atm)", 1}, {"cm3/(d bar)", 1.01325}}
}
func vapour() []scaleUnit {
	return []scaleUnit{{"g/(d kPa)", 1}, {"mg/(d kPa)", 0.001}}
}
func uptake() []scaleUnit {
	return []scaleUnit{{"cm3/(kg d)", 1}, {"cm3/(kg y)", 1 / daysPerYear}}
}

// band is the key of a number with its uncertainty:
//
//	life: {low: 20, likely: 30, high: 40, unit: y, source: "..."}
//
// All five keys are required. The band is converted to the first of the units
// and checked against the range, which is stated in that unit.
func (p *catalogParse) band(name string, to *catalog.Band, units []scaleUnit, plausible catalog.Range) key {
	return key{name: name, required: true, read: func(n ast.Node) { *to = p.readBand(n, name, units, plausible) }}
}

// maybe is the key of a band that may be left out.
func (p *catalogParse) maybe(name string, to *catalog.Band, units []scaleUnit, plausible catalog.Range) key {
	k := p.band(name, to, units, plausible)
	k.required = false
	return k
}

// noted is a key that notes where its value stands, for checks that compare
// it with others; nil as long as the key is not there.
func noted(k key, at *ast.Node) key {
	read := k.read
	k.read = func(n ast.Node) { *at = n; read(n) }
	return k
}

// without is the band of a key left out: a value that has no effect, and why
// it has none.
func without(v float64, why string) catalog.Band {
	return catalog.Band{Low: v, Likely: v, High: v, Source: "key left out: " + why}
}

func (p *catalogParse) readBand(n ast.Node, name string, units []scaleUnit, plausible catalog.Range) catalog.Band {
	before := len(p.problems)
	var b catalog.Band
	scale := 1.0
	value := func(name string, to *float64) key {
		return key{name: name, required: true, read: func(n ast.Node) { *to, _ = p.number(n, name) }}
	}
	p.mapping(n, name,
		value("low", &b.Low), value("likely", &b.Likely), value("high", &b.High),
		key{name: "unit", required: true, read: func(n ast.Node) { scale = p.scaleOf(n, name, units) }},
		key{name: "source", required: true, read: func(n ast.Node) { b.Source = p.prose(n, "source") }},
	)
	b.Low, b.Likely, b.High = b.Low*scale, b.Likely*scale, b.High*scale
	if len(p.problems) > before {
		return b
	}
	if err := b.Check(plausible); err != nil {
		p.at(n, "%s %v", name, err)
	}
	return b
}

func (p *catalogParse) scaleOf(n ast.Node, what string, units []scaleUnit) float64 {
	name := p.word(n, "unit")
	var names []string
	for _, u := range units {
		if u.name == name {
			return u.scale
		}
		names = append(names, u.name)
	}
	switch {
	case name == "":
	case len(names) == 1:
		p.at(n, "%q is not a unit of %s: use %s", name, what, names[0])
	case strings.EqualFold(name, nearest.Name(name, names)):
		p.at(n, "%q is not a unit of %s%s", name, what, hint(name, names))
	default:
		p.at(n, "%q is not a unit of %s: use one of %s", name, what, strings.Join(names, ", "))
	}
	return 1
}
