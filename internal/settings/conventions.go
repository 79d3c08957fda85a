package settings

import (
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"dryhold/internal/wire"
)

// senmlPayload reads which records of a SenML pack are readings; room and
// sensor say that the topic or its mapping gives them.
func (p *parse) senmlPayload(n ast.Node, room, sensor bool) *wire.SenML {
	payload := &wire.SenML{}
	p.mapping(n, "senml",
		key{name: "records", required: true, read: func(n ast.Node) {
			p.list(n, "records", func(n ast.Node) { p.record(n, payload, room, sensor) })
			some(n)
			if s, ok := n.(*ast.SequenceNode); ok && len(s.Values) == 0 {
				p.at(n, "records is empty: list at least one")
			}
		}},
	)
	return payload
}

func (p *parse) record(n ast.Node, payload *wire.SenML, room, sensor bool) {
	r := wire.Record{Scale: 1}
	before := len(p.problems)
	p.mapping(n, "a record",
		key{name: "name", read: func(n ast.Node) { r.Name = p.recordName(n, room, sensor) }},
		key{name: "quantity", required: true, read: func(n ast.Node) {
			if r.Quantity = p.quantityName(n); r.Quantity == 0 {
				return
			}
			if slices.ContainsFunc(payload.Records, func(b wire.Record) bool {
				return b.Quantity == r.Quantity && !(strings.Contains(b.Name, "{sensor}") && strings.Contains(r.Name, "{sensor}"))
			}) {
				p.at(n, "%s is read from two records: a sensor has one, keep one, or name the sensor in both with {sensor}", r.Quantity)
			}
		}},
		key{name: "unit", read: func(n ast.Node) {
			r.Unit = p.word(n, "unit")
			enumOfAll(n, wire.SenMLUnits)
			if r.Unit == "" || r.Quantity == 0 {
				return
			}
			if units := wire.SenMLUnits(r.Quantity); !slices.Contains(units, r.Unit) {
				p.at(n, "%q is not a SenML unit of %s: use one of %s", r.Unit, r.Quantity, strings.Join(units, ", "))
			}
		}},
		key{name: "scale", read: func(n ast.Node) { p.scale(n, &r.Scale) }},
	)
	if len(p.problems) == before {
		// What is left is wrong of the record as a whole.
		if err := wire.CheckRecord(r); err != nil {
			p.at(n, "%v", err)
		}
	}
	payload.Records = append(payload.Records, r)
}

// recordName reads the end of a SenML record's name.
func (p *parse) recordName(n ast.Node, room, sensor bool) string {
	name := p.word(n, "name")
	if name == "" {
		return ""
	}
	if err := wire.CheckSenMLName(name); err != nil {
		p.at(n, "%v", err)
		return name
	}
	for _, twice := range []struct {
		wildcard string
		given    bool
	}{{"{room}", room}, {"{sensor}", sensor}} {
		if twice.given && strings.Contains(name, twice.wildcard) {
			p.at(n, "the name has %s, which the topic gives as well: keep one", twice.wildcard)
		}
	}
	return name
}

// homiePayload reads which properties of Homie devices are readings.
func (p *parse) homiePayload(n ast.Node) *wire.Homie {
	payload := &wire.Homie{}
	p.mapping(n, "homie",
		key{name: "properties", required: true, read: func(n ast.Node) {
			p.list(n, "properties", func(n ast.Node) { p.property(n, payload) })
			some(n)
			if s, ok := n.(*ast.SequenceNode); ok && len(s.Values) == 0 {
				p.at(n, "properties is empty: list at least one")
			}
		}},
	)
	return payload
}

func (p *parse) property(n ast.Node, payload *wire.Homie) {
	f := wire.Property{Scale: 1}
	p.mapping(n, "a property",
		key{name: "name", required: true, read: func(n ast.Node) {
			f.Name = p.name(n, "property name")
			if f.Name != "" && slices.ContainsFunc(payload.Properties, func(b wire.Property) bool { return b.Name == f.Name }) {
				p.at(n, "property %q is listed a second time: keep one", f.Name)
			}
		}},
		key{name: "quantity", required: true, read: func(n ast.Node) {
			f.Quantity = p.quantityName(n)
			if f.Quantity != 0 && slices.ContainsFunc(payload.Properties, func(b wire.Property) bool { return b.Quantity == f.Quantity }) {
				p.at(n, "%s is read from two properties: a sensor has one %[1]s, keep one", f.Quantity)
			}
		}},
		// Required for the reason of JSON fields: the convention leaves the
		// unit to an attribute in words of the device's own.
		p.unitKey(&f.Quantity, &f.Unit),
		key{name: "scale", read: func(n ast.Node) { p.scale(n, &f.Scale) }},
	)
	payload.Properties = append(payload.Properties, f)
}
