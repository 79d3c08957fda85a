package settings

import (
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"dryhold/internal/scenario"
	"dryhold/internal/unit"
)

// series reads what one sensor sends of one quantity.
func (p *scenarioParse) series(n ast.Node) {
	s := scenario.Series{Every: 10 * time.Minute}
	var u unit.Unit
	var shapes []string
	shape := func(name string, read func(n ast.Node) scenario.Shape) key {
		return key{name: name, read: func(n ast.Node) {
			shapes = append(shapes, name)
			s.Shape = read(n)
		}}
	}
	known := false // the unit
	p.mapping(n, "a series",
		key{name: "room", required: true, read: func(n ast.Node) { s.Room = p.roomRef(n, "room") }},
		key{name: "sensor", read: func(n ast.Node) { s.Sensor = p.name(n, "sensor") }},
		key{name: "quantity", required: true, read: func(n ast.Node) {
			q, err := unit.ParseQuantity(p.word(n, "quantity"))
			if err != nil {
				p.at(n, "%v%s", err, hint(shownWord(n), unit.QuantityNames()))
			}
			s.Quantity = q
		}},
		key{name: "unit", required: true, read: func(n ast.Node) {
			if s.Quantity == 0 {
				return // told
			}
			var err error
			if u, err = unit.Parse(s.Quantity, p.word(n, "unit")); err != nil {
				p.at(n, "unit: %v", err)
			}
			known = err == nil
		}},
		key{name: "every", read: func(n ast.Node) {
			if v, ok := p.duration(n, "every", time.Second, 24*time.Hour); ok {
				s.Every = v
			}
		}},
		key{name: "noise", read: func(n ast.Node) {
			v, _ := p.number(n, "noise")
			if s.Noise = u.Difference(v); s.Noise < 0 {
				p.at(n, "noise %g is below 0: give its standard deviation", v)
				s.Noise = 0
			}
		}},
		shape("constant", func(n ast.Node) scenario.Shape { return scenario.Constant(p.value(n, "constant", s, u)) }),
		shape("sine", func(n ast.Node) scenario.Shape { return p.sine(n, s, u) }),
		shape("ramp", func(n ast.Node) scenario.Shape { return p.points(n, "ramp", s, u) }),
		shape("steps", func(n ast.Node) scenario.Shape {
			x := p.points(n, "steps", s, u)
			x.Steps = true
			return x
		}),
		shape("list", func(n ast.Node) scenario.Shape { return p.values(n, s, u) }),
		key{name: "gaps", read: func(n ast.Node) {
			p.list(n, "gaps", func(n ast.Node) { s.Gaps = append(s.Gaps, p.between(n, "a gap")) })
		}},
		key{name: "stuck", read: func(n ast.Node) {
			p.list(n, "stuck", func(n ast.Node) { s.Stuck = append(s.Stuck, p.between(n, "stuck")) })
		}},
		key{name: "dead", read: func(n ast.Node) {
			s.Gaps = append(s.Gaps, scenario.Span{From: p.instant(n, "dead"), To: p.out.End.Add(time.Minute)})
		}},
	)
	switch {
	case len(shapes) > 1:
		p.at(n, "a series has one course, and %s are several: keep one", strings.Join(shapes, " and "))
	case len(shapes) == 0 && s.Room != "" && known:
		p.at(n, "a series needs a course: one of constant, sine, ramp, steps or list")
	}
	if s.Sensor == "" {
		s.Sensor = s.Room
	}
	for _, x := range p.out.Series {
		if x.Series == s.Series {
			p.at(n, "%s of sensor %s in the %s is listed a second time: keep one, or name another sensor", s.Quantity, s.Sensor, s.Room)
		}
	}
	if len(shapes) == 1 && s.Room != "" && known {
		p.out.Series = append(p.out.Series, s)
	}
}

// shownWord is a scalar as written; empty for another node.
func shownWord(n ast.Node) string {
	raw, _ := scalar(n)
	return raw
}

// value reads a bare number in the unit of a series.
func (p *scenarioParse) value(n ast.Node, what string, s scenario.Series, u unit.Unit) float64 {
	v, ok := p.number(n, what)
	if !ok {
		return 0
	}
	v = u.Canonical(v)
	if err := s.Quantity.Plausible(v); err != nil && s.Quantity != 0 {
		p.at(n, "%s: %v", what, err)
		return 0
	}
	return v
}

func (p *scenarioParse) sine(n ast.Node, s scenario.Series, u unit.Unit) scenario.Shape {
	x := scenario.Sine{Highest: p.out.Start.Add(15 * time.Hour), Period: 24 * time.Hour}
	p.mapping(n, "sine",
		key{name: "mean", required: true, read: func(n ast.Node) { x.Mean = p.value(n, "mean", s, u) }},
		key{name: "swing", required: true, read: func(n ast.Node) {
			v, _ := p.number(n, "swing")
			x.Swing = u.Difference(v)
		}},
		key{name: "period", read: func(n ast.Node) { x.Period, _ = p.offset(n, "period", time.Minute, maxLength) }},
		key{name: "highest", read: func(n ast.Node) { x.Highest = p.instant(n, "highest") }},
	)
	return x
}

// points reads [[instant, value], ...].
func (p *scenarioParse) points(n ast.Node, what string, s scenario.Series, u unit.Unit) scenario.Points {
	x := scenario.Points{}
	p.list(n, what, func(n ast.Node) {
		pair, ok := n.(*ast.SequenceNode)
		if !ok || len(pair.Values) != 2 {
			p.at(n, "%s must be a list of pairs of an instant and a value, such as [[0h, 20], [12h, 30]]", what)
			return
		}
		at := scenario.Point{At: p.instant(pair.Values[0], what), Value: p.value(pair.Values[1], what, s, u)}
		if k := len(x.Points); k > 0 && !at.At.After(x.Points[k-1].At) {
			p.at(n, "the instants of %s must come one after the other", what)
			return
		}
		x.Points = append(x.Points, at)
	})
	if len(x.Points) == 0 {
		p.at(n, "%s has no point: give at least one, such as [0h, 20]", what)
		x.Points = []scenario.Point{{At: p.out.Start}}
	}
	return x
}

func (p *scenarioParse) values(n ast.Node, s scenario.Series, u unit.Unit) scenario.Shape {
	x := scenario.List{Start: p.out.Start, Every: s.Every}
	p.list(n, "list", func(n ast.Node) { x.Values = append(x.Values, p.value(n, "list", s, u)) })
	if len(x.Values) == 0 {
		p.at(n, "list is empty: give at least one value")
		x.Values = []float64{0}
	}
	return x
}

// notTooMany refuses a scenario that would run for too long.
func (p *scenarioParse) notTooMany(n ast.Node) {
	count, length := 0.0, p.out.End.Sub(p.out.Start)
	if !p.out.Before.IsZero() {
		length = p.out.End.Sub(p.out.Before)
	}
	for _, s := range p.out.Series {
		count += length.Seconds() / s.Every.Seconds()
	}
	if count > mostReadings {
		p.at(n, "%.0f readings are more than the %d that are played: make it shorter, or \"every\" longer", count, mostReadings)
	}
}
