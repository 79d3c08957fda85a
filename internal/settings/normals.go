package settings

import (
	"github.com/goccy/go-yaml/ast"

	"dryhold/internal/alarm"
	"dryhold/internal/forecast"
	"dryhold/internal/unit"
)

// Bounds of what a keeper may state of a month (judgement).
const (
	coldestMonth, hottestMonth = -60.0, 60.0
	leastError, mostError      = 0.1, 10.0
)

// Normals are the monthly means of a listed room as its keeper states them;
// nil where none are.
func (s *Settings) Normals(room string) *forecast.Normals {
	for _, r := range s.Rooms {
		if r.Name == room {
			return r.Normals
		}
	}
	return nil
}

// normals reads the monthly means of a room; nil after a problem.
func (p *parse) normals(n ast.Node) *forecast.Normals {
	before := len(p.problems)
	var out forecast.Normals
	temp := limit{kind: alarm.Warm, quantity: unit.Temperature, example: "18 C", low: coldestMonth, high: hottestMonth, shown: "-60 to 60 °C"}
	damp := limit{kind: alarm.Damp, quantity: unit.Humidity, example: "55 %", low: 0.01, high: 1, shown: "1 to 100 %"}
	p.mapping(n, "normals",
		key{name: "temperature", required: true, read: func(n ast.Node) {
			p.months(n, "temperature", temp, func(i int, v float64) { out.Temp[i] = unit.Celsius(v) })
		}},
		key{name: "humidity", read: func(n ast.Node) {
			p.months(n, "humidity", damp, func(i int, v float64) { out.Humidity[i] = unit.RH(v) })
		}},
		key{name: "error", read: func(n ast.Node) {
			temp.example, temp.shown = "1 K", "0.1 to 10 K"
			v, ok := p.quantity(n, "error", temp, difference)
			if ok && !(v >= leastError-1e-9 && v <= mostError+1e-9) {
				raw, _ := scalar(n)
				p.at(n, "error %s is outside %s", raw, temp.shown)
			}
			out.Error = v
		}},
	)
	if len(p.problems) > before {
		return nil
	}
	return &out
}

// months reads twelve values, January first.
func (p *parse) months(n ast.Node, what string, l limit, set func(month int, v float64)) {
	i := 0
	p.list(n, what, func(n ast.Node) {
		v, ok := p.quantity(n, what, l, unit.Unit.Canonical)
		if ok && !(v >= l.low-1e-9 && v <= l.high+1e-9) {
			raw, _ := scalar(n)
			p.at(n, "%s %s is outside %s", what, raw, l.shown)
		}
		if i < 12 {
			set(i, l.quantity.Round(v))
		}
		i++
	})
	means(n, object{"minItems": 12, "maxItems": 12})
	if s, ok := n.(*ast.SequenceNode); ok && len(s.Values) != 12 {
		p.at(n, "%s has %d values: give 12, the means of the months from January on", what, len(s.Values))
	}
}
