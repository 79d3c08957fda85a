package settings

import (
	"github.com/goccy/go-yaml/ast"

	"dryhold/internal/catalog"
	"dryhold/internal/sorption"
)

// equation is a sorption equation as it is written in a catalog: its name,
// the names of its constants in order, and how to make it of their values.
// The unit of each constant is fixed by the equation (package sorption).
type equation struct {
	name      string
	constants []string
	build     func(c []float64) sorption.Isotherm
}

func equations() []equation {
	abc := []string{"a", "b", "c"}
	return []equation{
		{"modified-henderson", []string{"k", "n", "c"}, func(c []float64) sorption.Isotherm { return sorption.ModifiedHenderson{K: c[0], N: c[1], C: c[2]} }},
		{"chung-pfost", abc, func(c []float64) sorption.Isotherm { return sorption.ChungPfost{A: c[0], B: c[1], C: c[2]} }},
		{"chung-pfost-percent", abc, func(c []float64) sorption.Isotherm { return sorption.ChungPfostPercent{A: c[0], B: c[1], C: c[2]} }},
		{"modified-oswin", abc, func(c []float64) sorption.Isotherm { return sorption.ModifiedOswin{A: c[0], B: c[1], C: c[2]} }},
		{"modified-halsey", abc, func(c []float64) sorption.Isotherm { return sorption.ModifiedHalsey{A: c[0], B: c[1], C: c[2]} }},
		{"gab", []string{"xm", "c", "k"}, func(c []float64) sorption.Isotherm { return sorption.GAB{Xm: c[0], C: c[1], K: c[2]} }},
		{"seed", []string{"oil"}, func(c []float64) sorption.Isotherm { return sorption.Seed{Oil: c[0]} }},
	}
}

// isotherm reads an equation with its constants and their source,
//
//	isotherm: {equation: gab, xm: 0.085, c: 20, k: 0.75, source: "..."}
//
// or the word none for crystals. It reports whether what came out may be
// compared with a moisture.
func (p *catalogParse) isotherm(n ast.Node, f *catalog.Food) bool {
	if raw, ok := scalar(n); ok {
		if raw != "none" {
			p.at(n, "isotherm must be none or an equation with its constants, not %q", raw)
		}
		return false
	}
	e, known := p.equation(n)
	if !known {
		return false
	}
	before := len(p.problems)
	values := make([]float64, len(e.constants))
	keys := []key{
		{name: "equation", required: true, read: func(ast.Node) {}},
		{name: "source", required: true, read: func(n ast.Node) { f.IsothermSource = p.prose(n, "source") }},
	}
	for i, name := range e.constants {
		keys = append(keys, key{name: name, required: true, read: func(n ast.Node) { values[i], _ = p.number(n, name) }})
	}
	p.mapping(n, "isotherm", keys...)
	if len(p.problems) > before {
		return false
	}
	f.Isotherm = e.build(values)
	if err := f.Isotherm.Check(); err != nil {
		p.at(n, "%v", err)
		return false
	}
	return true
}

// equation looks ahead for the name of the equation, which says what other
// keys there are.
func (p *catalogParse) equation(n ast.Node) (equation, bool) {
	m, ok := n.(*ast.MappingNode)
	if !ok {
		p.at(n, "isotherm must be keys with values, not %s", kind(n))
		return equation{}, false
	}
	for _, entry := range m.Values {
		if keyText(entry.Key) != "equation" || isNull(entry.Value) {
			continue
		}
		name := p.word(entry.Value, "equation")
		var names []string
		for _, e := range equations() {
			if e.name == name {
				return e, true
			}
			names = append(names, e.name)
		}
		if name != "" {
			p.at(entry.Value, "unknown equation %q%s", name, hint(name, names))
		}
		return equation{}, false
	}
	p.at(n, "isotherm needs the key %q: the name of the equation", "equation")
	return equation{}, false
}
