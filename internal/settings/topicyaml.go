package settings

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"dryhold/internal/unit"
	"dryhold/internal/wire"
)

// TopicYAML writes a mapping as an entry of topics, the lines that a
// configuration would have, indented by two.
func TopicYAML(m wire.Mapping) string {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("  - topic: %s", filter(m.Pattern))
	if m.Room != "" {
		line("    room: %s", written(m.Room))
	}
	if m.Sensor != "" {
		line("    sensor: %s", written(m.Sensor))
	}
	switch {
	case m.Number != nil && m.Number.Quantity != 0:
		line("    number: {quantity: %s, unit: %s}", m.Number.Quantity, unitName(m.Number.Quantity, m.Number.Units[m.Number.Quantity]))
	case m.Number != nil:
		var units []string
		for _, q := range unit.Quantities() {
			if u, given := m.Number.Units[q]; given {
				units = append(units, q.String()+": "+unitName(q, u))
			}
		}
		line("    number:")
		line("      units: {%s}", strings.Join(units, ", "))
	case m.JSON != nil:
		line("    json:")
		if t := m.JSON.Time; t != nil {
			optional := ""
			if t.Optional {
				optional = ", optional: true"
			}
			line("      time: {path: %s, format: %s%s}", written(t.Path), written(string(t.Format)), optional)
		}
		line("      fields:")
		for _, f := range m.JSON.Fields {
			line("        - {path: %s, quantity: %s, unit: %s%s}", written(f.Path), f.Quantity, unitName(f.Quantity, f.Unit), scaled(f.Scale))
		}
	case m.SenML != nil:
		line("    senml:")
		line("      records:")
		for _, r := range m.SenML.Records {
			name, in := "", ""
			if r.Name != "" {
				name = "name: " + written(r.Name) + ", "
			}
			if r.Unit != "" {
				in = ", unit: " + written(r.Unit)
			}
			line("        - {%squantity: %s%s%s}", name, r.Quantity, in, scaled(r.Scale))
		}
	case m.Homie != nil:
		line("    homie:")
		line("      properties:")
		for _, p := range m.Homie.Properties {
			line("        - {name: %s, quantity: %s, unit: %s%s}", written(p.Name), p.Quantity, unitName(p.Quantity, p.Unit), scaled(p.Scale))
		}
	}
	return b.String()
}

func scaled(by float64) string {
	if by == 0 || by == 1 {
		return ""
	}
	return ", scale: " + strconv.FormatFloat(by, 'g', -1, 64)
}

// unitName is a unit as a configuration names it; the canonical one where none
// is given.
func unitName(q unit.Quantity, u unit.Unit) string {
	if u.Name != "" {
		return written(u.Name)
	}
	if names := unit.Names(q); len(names) > 0 {
		return written(names[0])
	}
	return `""`
}

// written is a text as YAML: as it is where nothing in it means anything there,
// else in quotes, whose escapes YAML reads as Go writes them.
func written(s string) string { return plainly(s, "_-./") }

// filter is written for the pattern of a topic, which stands in a line of its
// own, where braces within it mean nothing.
func filter(s string) string { return plainly(s, "_-./{}") }

// plainly leaves a text of letters, figures and some signs as it is, if it
// begins with a letter and is no word of YAML.
func plainly(s, signs string) string {
	letter := func(r rune) bool { return 'a' <= r && r <= 'z' || 'A' <= r && r <= 'Z' }
	odd := func(r rune) bool { return !letter(r) && !('0' <= r && r <= '9') && !strings.ContainsRune(signs, r) }
	words := []string{"true", "false", "yes", "no", "on", "off", "null", "y", "n"}
	if s == "" || !letter(rune(s[0])) || strings.ContainsFunc(s, odd) || slices.Contains(words, strings.ToLower(s)) {
		return strconv.Quote(s)
	}
	return s
}

// OwnTopics reports whether the configuration lists topics of its own; without
// them the default ones hold, and a first entry takes their place.
func (s *Settings) OwnTopics() bool { return !reflect.DeepEqual(s.Topics, DefaultTopics()) }

// CheckTopic checks an entry for topics, as TopicYAML writes it, beside the
// rooms, sensors and topics of this configuration, as if it stood there. All
// mistakes are given at once.
func (s *Settings) CheckTopic(entry string) (wire.Mapping, error) {
	var b strings.Builder
	fmt.Fprintf(&b, "accept_new_rooms: %t\n", s.AcceptNewRooms)
	if len(s.Rooms) > 0 {
		b.WriteString("rooms:\n")
		for _, r := range s.Rooms {
			fmt.Fprintf(&b, "  - {name: %s}\n", strconv.Quote(r.Name))
		}
	}
	rooms := s.SensorRooms()
	if len(rooms) > 0 {
		b.WriteString("sensors:\n")
		for _, x := range s.Sensors {
			if in, listed := rooms[x.Name]; listed {
				fmt.Fprintf(&b, "  - {name: %s, room: %s}\n", strconv.Quote(x.Name), strconv.Quote(in))
			}
		}
	}
	checked, err := Parse("topics", []byte(b.String()+"topics:\n"+entry))
	var problems Problems
	if errors.As(err, &problems) {
		var texts []error
		for _, p := range problems {
			texts = append(texts, errors.New(p.Text)) // its line is one of ours
		}
		return wire.Mapping{}, errors.Join(texts...)
	}
	if err != nil {
		return wire.Mapping{}, err
	}
	if len(checked.Topics) != 1 {
		return wire.Mapping{}, errors.New("it is not one entry of topics")
	}
	m := checked.Topics[0]
	if slices.ContainsFunc(s.Topics, func(o wire.Mapping) bool { return o.Pattern == m.Pattern }) {
		return m, fmt.Errorf("topic %q is listed already: put the fields in its entry", m.Pattern)
	}
	if _, err := wire.NewMap([]wire.Mapping{m}, rooms); err != nil {
		return m, err
	}
	return m, nil
}
