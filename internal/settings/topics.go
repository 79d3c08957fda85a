package settings

import (
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"dryhold/internal/unit"
	"dryhold/internal/wire"
)

// topics replaces the default mappings.
func (p *parse) topics(n ast.Node) {
	p.s.Topics = nil
	before := len(p.problems)
	p.list(n, "topics", p.topic)
	some(n)
	if len(p.s.Topics) == 0 && len(p.problems) == before {
		p.at(n, "topics is empty: list at least one, or leave the key out for the default ones")
	}
}

func (p *parse) topic(n ast.Node) {
	var m wire.Mapping
	var at ast.Node
	has := func(level string) bool { return slices.Contains(strings.Split(m.Pattern, "/"), level) }
	fixed := func(name, level string, to *string, read func(ast.Node, string) string) key {
		return key{name: name, read: func(n ast.Node) {
			*to = read(n, name)
			if has(level) {
				p.at(n, "%s is fixed here, but the topic names it with %s: keep one", name, level)
			}
		}}
	}
	p.mapping(n, "a topic",
		key{name: "topic", required: true, read: func(n ast.Node) { at, m.Pattern = n, p.pattern(n) }},
		fixed("room", "{room}", &m.Room, p.roomRef),
		fixed("sensor", "{sensor}", &m.Sensor, p.name),
		key{name: "number", read: func(n ast.Node) { m.Number = p.numberPayload(n, has("{quantity}")) }},
		key{name: "json", read: func(n ast.Node) {
			m.JSON = p.jsonPayload(n)
			if has("{quantity}") {
				p.at(n, "each JSON field has its own quantity: put + in the place of {quantity} in the topic")
			}
		}},
		key{name: "senml", read: func(n ast.Node) {
			m.SenML = p.senmlPayload(n, has("{room}") || m.Room != "", has("{sensor}") || m.Sensor != "")
			if has("{quantity}") {
				p.at(n, "each SenML record has its own quantity: put + in the place of {quantity} in the topic")
			}
		}},
		key{name: "homie", read: func(n ast.Node) { m.Homie = p.homiePayload(n) }},
	)
	p.oneKind(n, m)
	if m.Pattern == "" {
		return
	}
	if m.Homie != nil {
		if err := wire.CheckHomie(m.Pattern); err != nil {
			p.at(at, "%v", err)
		}
	}
	if m.Room == "" && !has("{room}") && !has("{sensor}") && !m.SenML.Names() {
		switch _, listed := p.s.SensorRooms()[m.Sensor]; {
		case m.Sensor == "":
			p.at(at, "the topic names neither {room} nor {sensor}: put one in the place of a level, or add the key room")
		case !listed:
			p.at(at, "the room of sensor %q is not known: add the key room here, or list the sensor with its room under sensors", m.Sensor)
		}
	}
	p.s.Topics = append(p.s.Topics, m)
}

// oneKind checks that a topic says in one way how its payload is read.
func (p *parse) oneKind(n ast.Node, m wire.Mapping) {
	oneKey(n, "number", "json", "senml", "homie")
	var given []string
	for _, kind := range []struct {
		name  string
		given bool
	}{{"number", m.Number != nil}, {"json", m.JSON != nil}, {"senml", m.SenML != nil}, {"homie", m.Homie != nil}} {
		if kind.given {
			given = append(given, kind.name)
		}
	}
	switch len(given) {
	case 0:
		p.at(n, "a topic needs \"number\", \"json\", \"senml\" or \"homie\" to say how its payload is read")
	case 1:
	default:
		p.at(n, "a topic has both %q and %q: keep the one its payload is in", given[0], given[1])
	}
}

func (p *parse) pattern(n ast.Node) string {
	pattern := p.text(n, "topic")
	if pattern == "" {
		return ""
	}
	if err := wire.CheckPattern(pattern); err != nil {
		p.at(n, "%v", err)
		return ""
	}
	if slices.ContainsFunc(p.s.Topics, func(m wire.Mapping) bool { return m.Pattern == pattern }) {
		p.at(n, "topic %q is listed a second time: keep one, with all its fields", pattern)
	}
	return pattern
}

// numberPayload reads how a bare number is meant; named says that the topic
// names the quantity.
func (p *parse) numberPayload(n ast.Node, named bool) *wire.Number {
	number := &wire.Number{}
	var units, quantity, single ast.Node
	p.mapping(n, "number",
		key{name: "quantity", read: func(n ast.Node) { quantity = n; number.Quantity = p.quantityName(n) }},
		key{name: "unit", read: func(n ast.Node) { enumOfAll(n, unit.Names); single = n }},
		key{name: "units", read: func(n ast.Node) { units = n; number.Units = p.units(n) }},
	)
	switch {
	case named && (quantity != nil || single != nil):
		p.at(n, "the topic names the quantity: give \"units\" by quantity here, not \"quantity\" and \"unit\"")
	case named && units == nil:
		p.at(n, "number needs \"units\": the unit of each quantity, such as {temperature: C}")
	case !named && units != nil:
		p.at(units, "the topic has no {quantity}: give \"quantity\" and \"unit\" here, not \"units\"")
	case !named && quantity == nil:
		p.at(n, "number needs \"quantity\" because the topic has no {quantity}")
	case !named && single == nil:
		p.at(n, "number needs \"unit\"")
	case !named && number.Quantity != 0:
		if u, ok := p.unitOf(single, number.Quantity); ok {
			number.Units = map[unit.Quantity]unit.Unit{number.Quantity: u}
		}
	}
	return number
}

// units reads the unit of each quantity.
func (p *parse) units(n ast.Node) map[unit.Quantity]unit.Unit {
	units := make(map[unit.Quantity]unit.Unit)
	var keys []key
	for _, q := range unit.Quantities() {
		keys = append(keys, key{name: q.String(), read: func(n ast.Node) {
			if u, ok := p.unitOf(n, q); ok {
				units[q] = u
			}
		}})
	}
	p.mapping(n, "units", keys...)
	return units
}

func (p *parse) quantityName(n ast.Node) unit.Quantity {
	name := p.word(n, "quantity")
	enum(n, unit.QuantityNames()...)
	if name == "" {
		return 0
	}
	q, err := unit.ParseQuantity(name)
	if err != nil {
		p.at(n, "unknown quantity %q%s", name, hint(name, unit.QuantityNames()))
		return 0
	}
	return q
}

func (p *parse) unitOf(n ast.Node, q unit.Quantity) (unit.Unit, bool) {
	name := p.word(n, "unit")
	enum(n, unit.Names(q)...)
	if name == "" {
		return unit.Unit{}, false
	}
	u, err := unit.Parse(q, name)
	if err != nil {
		p.at(n, "%v", err)
		return unit.Unit{}, false
	}
	return u, true
}

func (p *parse) jsonPayload(n ast.Node) *wire.JSON {
	payload := &wire.JSON{}
	p.mapping(n, "json",
		key{name: "time", read: func(n ast.Node) { payload.Time = p.timeField(n) }},
		key{name: "fields", required: true, read: func(n ast.Node) {
			p.list(n, "fields", func(n ast.Node) { p.field(n, payload) })
			some(n)
			if s, ok := n.(*ast.SequenceNode); ok && len(s.Values) == 0 {
				p.at(n, "fields is empty: list at least one")
			}
		}},
	)
	return payload
}

func (p *parse) fieldPath(n ast.Node) string {
	path := p.word(n, "path")
	if path == "" {
		return ""
	}
	if err := wire.CheckPath(path); err != nil {
		p.at(n, "%v", err)
		return ""
	}
	return path
}

func (p *parse) timeField(n ast.Node) *wire.TimeField {
	field := &wire.TimeField{Format: wire.RFC3339}
	p.mapping(n, "time",
		key{name: "path", required: true, read: func(n ast.Node) { field.Path = p.fieldPath(n) }},
		key{name: "format", read: func(n ast.Node) {
			name := p.word(n, "format")
			var names []string
			for _, f := range wire.TimeFormats() {
				names = append(names, string(f))
			}
			enum(n, names...)
			if slices.Contains(names, name) {
				field.Format = wire.TimeFormat(name)
			} else if name != "" {
				p.at(n, "unknown time format %q%s", name, hint(name, names))
			}
		}},
		key{name: "optional", read: func(n ast.Node) { field.Optional = p.boolean(n, "optional") }},
	)
	return field
}

// unitKey is the unit of a quantity that is read before it.
func (p *parse) unitKey(q *unit.Quantity, to *unit.Unit) key {
	return key{name: "unit", required: true, read: func(n ast.Node) {
		enumOfAll(n, unit.Names)
		if *q != 0 {
			*to, _ = p.unitOf(n, *q)
		}
	}}
}

func (p *parse) field(n ast.Node, payload *wire.JSON) {
	f := wire.Field{Scale: 1}
	p.mapping(n, "a field",
		key{name: "path", required: true, read: func(n ast.Node) { f.Path = p.fieldPath(n) }},
		key{name: "quantity", required: true, read: func(n ast.Node) {
			f.Quantity = p.quantityName(n)
			if f.Quantity != 0 && slices.ContainsFunc(payload.Fields, func(g wire.Field) bool { return g.Quantity == f.Quantity }) {
				p.at(n, "%s is read from two fields: a sensor has one %[1]s, keep one", f.Quantity)
			}
		}},
		// Required although the reader could assume the canonical unit: a
		// humidity of 0.6 and one of 60 are both in use, and a wrong guess
		// is a plausible reading.
		p.unitKey(&f.Quantity, &f.Unit),
		key{name: "scale", read: func(n ast.Node) { p.scale(n, &f.Scale) }},
	)
	payload.Fields = append(payload.Fields, f)
}

// scale reads the factor of a raw value.
func (p *parse) scale(n ast.Node, to *float64) {
	if v, ok := p.number(n, "scale"); ok {
		*to = v
		if v == 0 {
			p.at(n, "scale 0 makes every reading 0: give the factor that turns the raw value into the unit")
		}
	}
}

// noticeTopic reads the topic on which notices are published.
func (p *parse) noticeTopic(n ast.Node) {
	topic := p.text(n, "mqtt_topic")
	switch {
	case topic == "":
		return
	case strings.ContainsAny(topic, "+#{}") || wire.CheckPattern(topic) != nil:
		p.at(n, "mqtt_topic %q is not a topic to publish on: write for example %s", topic, DefaultNotices)
		return
	}
	p.s.Notify.MQTTTopic = topic
}
