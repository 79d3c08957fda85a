package settings

import (
	"cmp"
	"slices"

	"github.com/goccy/go-yaml/ast"

	"dryhold/internal/catalog"
)

// Source is one catalog file.
type Source struct {
	File string // as named in messages
	Data []byte
}

// ParseCatalog reads catalog files to one checked catalog, sorted by id. A
// class in a later source replaces the whole class of the same id in an
// earlier one. The error is a Problems with every mistake in every file.
func ParseCatalog(sources ...Source) (*catalog.Catalog, error) {
	foods := map[string]catalog.Food{}
	containers := map[string]catalog.Container{}
	var problems Problems
	for _, source := range sources {
		p := catalogParse{decoder: decoder{file: source.File}}
		if root := p.document(source.Data); root != nil {
			p.top(root)
		}
		problems = append(problems, p.problems...)
		for _, f := range p.foods {
			foods[f.ID] = f
		}
		for _, k := range p.containers {
			containers[k.ID] = k
		}
	}
	if err := problems.sorted(); err != nil {
		return nil, err
	}
	c := &catalog.Catalog{Reference: catalog.ReferenceTemperature}
	for _, f := range foods {
		c.Foods = append(c.Foods, f)
	}
	for _, k := range containers {
		c.Containers = append(c.Containers, k)
	}
	slices.SortFunc(c.Foods, func(a, b catalog.Food) int { return cmp.Compare(a.ID, b.ID) })
	slices.SortFunc(c.Containers, func(a, b catalog.Container) int { return cmp.Compare(a.ID, b.ID) })
	return c, nil
}

// catalogParse is a decoder with the classes of one file.
type catalogParse struct {
	decoder
	foods      []catalog.Food
	containers []catalog.Container
}

func (p *catalogParse) top(root ast.Node) {
	p.mapping(root, "the catalog",
		key{name: "foods", read: func(n ast.Node) { p.list(n, "foods", p.food) }},
		key{name: "containers", read: func(n ast.Node) { p.list(n, "containers", p.container) }},
	)
}

// id reads a class id that no other class of the file has.
func (p *catalogParse) id(n ast.Node, what string, seen []string) string {
	id := p.word(n, "id")
	if id == "" {
		return ""
	}
	if err := catalog.CheckID(id); err != nil {
		p.at(n, "%v", err)
		return ""
	}
	if slices.Contains(seen, id) {
		p.at(n, "%s class %q stands in this file a second time: keep one", what, id)
	}
	return id
}

func (p *catalogParse) food(n ast.Node) {
	var f catalog.Food
	var ids []string
	for _, other := range p.foods {
		ids = append(ids, other.ID)
	}
	p.mapping(n, "a food class",
		key{name: "id", required: true, read: func(n ast.Node) { f.ID = p.id(n, "food", ids) }},
		key{name: "name", required: true, read: func(n ast.Node) { f.Name = p.text(n, "name") }},
		p.band("bulk_density", &f.BulkDensity, density(), catalog.BulkDensityRange()),
		p.band("void", &f.Void, fraction(), catalog.FractionRange()),
		key{name: "no_absorber", read: func(n ast.Node) { f.NoAbsorber = p.prose(n, "no_absorber") }},
		key{name: "caution", read: func(n ast.Node) { f.Caution = p.prose(n, "caution") }},
		key{name: "modes", required: true, read: func(n ast.Node) {
			p.list(n, "modes", func(n ast.Node) { f.Modes = append(f.Modes, p.mode(n, f.Modes)) })
			if s, ok := n.(*ast.SequenceNode); ok && len(s.Values) == 0 {
				p.at(n, "modes is empty: without a deterioration mode nothing could ever end the food")
			}
		}},
	)
	p.foods = append(p.foods, f)
}

func (p *catalogParse) mode(n ast.Node, others []catalog.Mode) catalog.Mode {
	var m catalog.Mode
	var attribute catalog.Band
	var limitAt ast.Node
	limit := p.band("limit", &attribute, fraction(), catalog.FractionRange())
	p.mapping(n, "a mode",
		key{name: "name", required: true, read: func(n ast.Node) {
			m.Name = p.text(n, "name")
			if slices.ContainsFunc(others, func(o catalog.Mode) bool { return o.Name == m.Name && m.Name != "" }) {
				p.at(n, "mode %q stands in this food a second time: keep one", m.Name)
			}
		}},
		key{name: "order", required: true, read: func(n ast.Node) { m.Order = p.order(n) }},
		// The limit is a definition; what is uncertain about reaching it is
		// in the band of the life, so only the likely value goes on.
		key{name: "limit", read: func(n ast.Node) { limitAt = n; limit.read(n); m.Limit = attribute.Likely }},
		p.band("ea", &m.Ea, energy(), catalog.EaRange()),
		p.band("life", &m.Life, days(), catalog.LifeRange()),
		p.band("low_oxygen_gain", &m.LowOxygenGain, times(), catalog.GainRange()),
	)
	switch {
	case m.Order == catalog.FirstOrder && limitAt == nil:
		p.at(n, "a first-order mode needs the key \"limit\": the fraction left at the end of life")
	case m.Order == catalog.ZeroOrder && limitAt != nil:
		p.at(limitAt, "a zero-order mode has no limit: leave the key out, or write order: first")
	}
	return m
}

func (p *catalogParse) order(n ast.Node) catalog.Order {
	switch name := p.word(n, "order"); name {
	case "":
		return -1
	case "zero":
		return catalog.ZeroOrder
	case "first":
		return catalog.FirstOrder
	default:
		p.at(n, "unknown order %q%s", name, hint(name, []string{"zero", "first"}))
		return -1
	}
}

func (p *catalogParse) container(n ast.Node) {
	var k catalog.Container
	var ids []string
	for _, other := range p.containers {
		ids = append(ids, other.ID)
	}
	p.mapping(n, "a container class",
		key{name: "id", required: true, read: func(n ast.Node) { k.ID = p.id(n, "container", ids) }},
		key{name: "name", required: true, read: func(n ast.Node) { k.Name = p.text(n, "name") }},
		p.band("volume", &k.Volume, litres(), catalog.VolumeRange()),
		p.band("lag", &k.Lag, hours(), catalog.LagRange()),
		p.band("low_oxygen_hold", &k.LowOxygenHold, days(), catalog.HoldRange()),
		key{name: "clear", required: true, read: func(n ast.Node) { k.Clear = p.boolean(n, "clear") }},
	)
	p.containers = append(p.containers, k)
}
