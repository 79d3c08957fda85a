package settings

import (
	"cmp"
	"slices"

	"github.com/goccy/go-yaml/ast"

	"dryhold/config"
	"dryhold/internal/catalog"
)

// Source is one catalog file.
type Source struct {
	File string // as named in messages
	Data []byte
}

// Shipped gives the catalog files that ship with dryhold, to be followed by
// the keeper's own.
func Shipped() ([]Source, error) {
	files, err := config.Catalog()
	if err != nil {
		return nil, err
	}
	var sources []Source
	for _, f := range files {
		sources = append(sources, Source{File: f.Name, Data: f.Data})
	}
	return sources, nil
}

// Catalog reads the files that ship with dryhold and the keeper's own after
// them, as ParseCatalog does.
func Catalog(own ...Source) (*catalog.Catalog, error) {
	sources, err := Shipped()
	if err != nil {
		return nil, err
	}
	return ParseCatalog(append(sources, own...)...)
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

func (p *catalogParse) container(n ast.Node) {
	var k catalog.Container
	var ids []string
	for _, other := range p.containers {
		ids = append(ids, other.ID)
	}
	var wallEa ast.Node
	before := len(p.problems)
	p.mapping(n, "a container class",
		key{name: "id", required: true, read: func(n ast.Node) { k.ID = p.id(n, "container", ids) }},
		key{name: "name", required: true, read: func(n ast.Node) { k.Name = p.text(n, "name") }},
		p.band("volume", &k.Volume, litres(), catalog.VolumeRange()),
		p.band("lag", &k.Lag, hours(), catalog.LagRange()),
		key{name: "clear", required: true, read: func(n ast.Node) { k.Clear = p.boolean(n, "clear") }},
		key{name: "sealed", required: true, read: func(n ast.Node) { k.Sealed = p.boolean(n, "sealed") }},
		p.band("seal_failure", &k.SealFailure, fraction(), catalog.ShareRange()),
		p.band("oxygen_wall", &k.OxygenWall, oxygen(), catalog.OxygenRange()),
		noted(p.maybe("wall_ea", &k.WallEa, energy(), catalog.WallEaRange()), &wallEa),
		p.band("oxygen_closure", &k.OxygenClosure, oxygen(), catalog.OxygenRange()),
		p.band("water_wall", &k.WaterWall, vapour(), catalog.WaterRange()),
		p.band("water_closure", &k.WaterClosure, vapour(), catalog.WaterRange()),
	)
	switch {
	case wallEa != nil:
	case k.OxygenWall.High > 0:
		p.at(n, "a wall that lets oxygen through needs the key \"wall_ea\": how fast that grows with warmth")
	default:
		k.WallEa = without(0, "no oxygen passes the wall")
	}
	if len(p.problems) == before {
		if err := k.CheckSeal(); err != nil {
			p.at(n, "%v", err)
		}
	}
	p.containers = append(p.containers, k)
}
