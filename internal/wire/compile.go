package wire

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"github.com/tidwall/gjson"

	"dryhold/internal/unit"
)

// level is one compiled level of a pattern.
type level struct {
	kind levelKind
	text string // of a literal
}

type levelKind uint8

const (
	literal levelKind = iota
	one               // +
	rest              // #
	roomName
	sensorName
	quantityName
)

// mapping is a checked and compiled Mapping.
type mapping struct {
	pattern, filter                string
	levels                         []level
	wild                           bool
	hasRoom, hasSensor             bool
	hasQuantity                    bool
	room, sensor                   string
	quantity                       unit.Quantity
	number                         map[unit.Quantity]conversion
	fields                         []field
	timePath, timeText, timeFormat string
	timeOptional                   bool
	senml                          []senmlRecord
	homie                          bool // of a Homie device: no wildcard stands for an attribute
	state                          bool // the topic of a Homie device's state
	several                        bool // of a device whose nodes are the rooms or sensors
}

// field is a compiled Field; path is in gjson's syntax, text as configured.
type field struct {
	path, text string
	quantity   unit.Quantity
	conversion
}

// conversion brings a raw number to the canonical unit.
type conversion struct {
	unit  unit.Unit
	scale float64
}

// capture holds what the named wildcards matched.
type capture struct {
	room, sensor, quantity string
	hasRoom, hasSensor     bool
}

func compile(in Mapping, rooms map[string]string) (mapping, error) {
	if err := CheckPattern(in.Pattern); err != nil {
		return mapping{}, err
	}
	c := mapping{pattern: in.Pattern, room: in.Room, sensor: in.Sensor}
	c.compilePattern()
	faults := []error{c.checkNames(in.SenML, rooms)}
	switch {
	case in.kinds() != 1:
		faults = append(faults, fmt.Errorf("topic pattern %q: give one of a number, JSON fields, SenML records and Homie properties", in.Pattern))
	case in.Number != nil:
		faults = append(faults, c.compileNumber(*in.Number))
	case in.JSON != nil:
		faults = append(faults, c.compileJSON(*in.JSON))
	case in.SenML != nil:
		faults = append(faults, c.compileSenML(*in.SenML))
	default:
		faults = append(faults, c.checkHomie(*in.Homie))
	}
	return c, errors.Join(faults...)
}

// kinds counts how many ways of reading the payload are given.
func (in Mapping) kinds() int {
	n := 0
	for _, given := range []bool{in.Number != nil, in.JSON != nil, in.SenML != nil, in.Homie != nil} {
		if given {
			n++
		}
	}
	return n
}

func (c *mapping) compilePattern() { c.compileLevels(strings.Split(c.pattern, "/")) }

// compileLevels compiles the levels of a pattern.
func (c *mapping) compileLevels(parts []string) {
	filter := make([]string, len(parts))
	for i, part := range parts {
		l := level{kind: one}
		filter[i] = "+"
		switch part {
		case levelRoom:
			l.kind, c.hasRoom = roomName, true
		case levelSensor:
			l.kind, c.hasSensor = sensorName, true
		case levelQuantity:
			l.kind, c.hasQuantity = quantityName, true
		case "+":
		case "#":
			l.kind, filter[i] = rest, "#"
		default:
			l, filter[i] = level{literal, part}, part
		}
		c.wild = c.wild || l.kind != literal
		c.levels = append(c.levels, l)
	}
	c.filter = strings.Join(filter, "/")
}

// checkNames checks that room and sensor are named once and well; names in
// SenML records may name them too.
func (c *mapping) checkNames(pack *SenML, rooms map[string]string) error {
	switch {
	case c.hasRoom && c.room != "":
		return fmt.Errorf("topic pattern %q has %s: leave out the fixed room %q", c.pattern, levelRoom, c.room)
	case c.hasSensor && c.sensor != "":
		return fmt.Errorf("topic pattern %q has %s: leave out the fixed sensor %q", c.pattern, levelSensor, c.sensor)
	}
	if c.room != "" {
		if err := CheckName(c.room); err != nil {
			return fmt.Errorf("topic pattern %q: room: %w", c.pattern, err)
		}
	}
	if c.sensor != "" {
		if err := CheckName(c.sensor); err != nil {
			return fmt.Errorf("topic pattern %q: sensor: %w", c.pattern, err)
		}
	}
	if c.hasRoom || c.room != "" || c.hasSensor || pack.Names() {
		return nil
	}
	if _, known := rooms[c.sensor]; c.sensor != "" && known {
		return nil
	}
	return fmt.Errorf("topic pattern %q names no room: add %s to it, a fixed room, or a sensor whose room is known", c.pattern, levelRoom)
}

func (c *mapping) compileNumber(n Number) error {
	c.quantity = n.Quantity
	c.number = map[unit.Quantity]conversion{}
	_, err := unit.ParseQuantity(n.Quantity.String())
	switch {
	case c.hasQuantity && n.Quantity != 0:
		return fmt.Errorf("topic pattern %q has %s: leave out the fixed quantity %s", c.pattern, levelQuantity, n.Quantity)
	case !c.hasQuantity && err != nil:
		return fmt.Errorf("topic pattern %q: say what the number measures: %w", c.pattern, err)
	}
	for _, q := range unit.Quantities() {
		conv, err := newConversion(q, n.Units[q], 0)
		if err != nil {
			return fmt.Errorf("topic pattern %q: %w", c.pattern, err)
		}
		c.number[q] = conv
	}
	return nil
}

func (c *mapping) compileJSON(j JSON) error {
	var faults []error
	if c.hasQuantity {
		faults = append(faults, fmt.Errorf("%s goes with a bare number, a JSON field says its quantity: use + in its place", levelQuantity))
	}
	if len(j.Fields) == 0 {
		faults = append(faults, errors.New("no field is given"))
	}
	seen := map[unit.Quantity]bool{}
	for _, f := range j.Fields {
		path, err := gjsonPath(f.Path)
		faults = append(faults, err)
		if _, err := unit.ParseQuantity(f.Quantity.String()); err != nil {
			faults = append(faults, fmt.Errorf("field %q: %w", f.Path, err))
			continue
		}
		if seen[f.Quantity] {
			faults = append(faults, fmt.Errorf("field %q: %s is given twice", f.Path, f.Quantity))
		}
		seen[f.Quantity] = true
		conv, err := newConversion(f.Quantity, f.Unit, f.Scale)
		if err != nil {
			faults = append(faults, fmt.Errorf("field %q: %w", f.Path, err))
		}
		c.fields = append(c.fields, field{path, f.Path, f.Quantity, conv})
	}
	if j.Time != nil {
		path, err := gjsonPath(j.Time.Path)
		faults = append(faults, err)
		c.timePath, c.timeText, c.timeFormat = path, j.Time.Path, string(j.Time.Format)
		c.timeOptional = j.Time.Optional
		switch j.Time.Format {
		case RFC3339, UnixSeconds, UnixMillis:
		default:
			faults = append(faults, fmt.Errorf("unknown time format %q: it is one of %v", j.Time.Format, TimeFormats()))
		}
	}
	if err := errors.Join(faults...); err != nil {
		return fmt.Errorf("topic pattern %q: %w", c.pattern, err)
	}
	return nil
}

func newConversion(q unit.Quantity, u unit.Unit, scale float64) (conversion, error) {
	if u == (unit.Unit{}) {
		canonical, err := unit.Parse(q, unit.Names(q)[0])
		if err != nil {
			return conversion{}, err
		}
		u = canonical
	}
	if u.Quantity != q {
		return conversion{}, fmt.Errorf("%s is a unit of %s, not of %s", u.Name, u.Quantity, q)
	}
	if scale == 0 {
		scale = 1
	}
	if math.IsNaN(scale) || math.IsInf(scale, 0) {
		return conversion{}, fmt.Errorf("scale %g is not a finite number", scale)
	}
	return conversion{u, scale}, nil
}

// apply scales before it converts: a scale belongs to how the sensor writes
// its number, and the other order would be wrong for a unit with an offset.
func (c conversion) apply(v float64) float64 { return c.unit.Canonical(float64(v * c.scale)) }

// gjsonPath writes a path in gjson's syntax, in which keys must be escaped:
// a key has no special meaning here.
func gjsonPath(path string) (string, error) {
	keys, err := splitPath(path)
	if err != nil {
		return "", err
	}
	for i, key := range keys {
		keys[i] = gjson.Escape(key)
	}
	return strings.Join(keys, "."), nil
}

// find gives the first mapping that matches a topic.
func (m *Map) find(topic string) (capture, *mapping) {
	limit := len(m.mappings)
	index, exact := m.exact[topic]
	if exact {
		limit = index
	}
	for _, i := range m.wild {
		if i > limit {
			break
		}
		if c, ok := m.mappings[i].match(topic); ok {
			return c, &m.mappings[i]
		}
	}
	if exact {
		return capture{}, &m.mappings[index]
	}
	return capture{}, nil
}

// match compares a topic level by level (MQTT 3.1.1, section 4.7).
func (c *mapping) match(topic string) (out capture, ok bool) {
	// Topics of the broker itself match no leading wildcard (4.7.2).
	if strings.HasPrefix(topic, "$") && c.levels[0].kind != literal {
		return out, false
	}
	more := true
	for _, l := range c.levels {
		if l.kind == rest {
			return out, true // also matches the parent level
		}
		if !more {
			return out, false
		}
		var part string
		part, topic, more = strings.Cut(topic, "/")
		if c.homie && l.kind != literal && strings.HasPrefix(part, "$") {
			return out, false
		}
		switch l.kind {
		case literal:
			if part != l.text {
				return out, false
			}
		case roomName:
			out.room, out.hasRoom = part, true
		case sensorName:
			out.sensor, out.hasSensor = part, true
		case quantityName:
			out.quantity = part
		}
	}
	return out, !more
}

// covers reports whether every topic of filter b is also one of filter a.
func covers(a, b string) bool {
	as, bs := strings.Split(a, "/"), strings.Split(b, "/")
	// A leading wildcard does not match the broker's own topics.
	if strings.HasPrefix(b, "$") && (as[0] == "+" || as[0] == "#") {
		return false
	}
	for i, x := range as {
		switch {
		case x == "#":
			return true
		case i >= len(bs), bs[i] == "#":
			return false
		case x == "+":
		case x != bs[i]:
			return false
		}
	}
	return len(as) == len(bs)
}
