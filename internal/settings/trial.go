package settings

import (
	"maps"

	"github.com/goccy/go-yaml/ast"

	"dryhold/internal/alarm"
)

// Trial is a configuration with other alarm limits, to be tried on the past.
type Trial struct {
	*Settings
	rooms   map[string]map[alarm.Kind]alarm.Rule // the listed rooms
	other   map[alarm.Kind]alarm.Rule            // any other room
	shelves map[string]map[alarm.Kind]alarm.Rule // sensors that are named
}

// Rules gives the rules of a room, as Settings.Rules does. The map is a copy.
func (t *Trial) Rules(room string) map[alarm.Kind]alarm.Rule {
	if rules, ok := t.rooms[room]; ok {
		return maps.Clone(rules)
	}
	return maps.Clone(t.other)
}

// ShelfRules gives the rules that a sensor has of its own, as
// Settings.ShelfRules does.
func (t *Trial) ShelfRules(sensor string) map[alarm.Kind]alarm.Rule {
	if rules, ok := t.shelves[sensor]; ok {
		return rules
	}
	return t.Settings.ShelfRules(sensor)
}

// ParseTrial reads alarm limits to try: the part of a configuration with
// `rooms`, `sensors` and `lots` and their `limits`, and `limits` at the top for
// every room. What it leaves out stays as it is in base; limits of a sensor or a
// lot take the place of those it has. File names the source in messages; the
// error is a Problems with every mistake.
func ParseTrial(file string, src []byte, base *Settings) (*Trial, error) {
	s := *base
	s.Lots = nil // first those of the file
	p := parse{decoder: decoder{file: file}, s: &s}
	t := &Trial{Settings: &s, rooms: map[string]map[alarm.Kind]alarm.Rule{}, other: base.Rules(""), shelves: map[string]map[alarm.Kind]alarm.Rule{}}
	for _, r := range base.Rooms {
		t.rooms[r.Name] = base.Rules(r.Name)
	}
	if root := p.document(src); root != nil {
		p.trial(root, t)
	} else if len(p.problems) == 0 {
		p.add(0, 0, "the file is empty: give \"limits\" for every room, or \"rooms\" with limits of their own")
	}
	s.Lots = append(s.Lots, base.Lots...)
	return t, p.problems.sorted()
}

func (p *parse) trial(root ast.Node, t *Trial) {
	p.mapping(root, "the limits to try",
		key{name: "limits", read: func(n ast.Node) {
			p.limits(n, t.other)
			for _, r := range p.s.Rooms {
				p.limits(n, t.rooms[r.Name]) // the same problem again is told once
			}
		}},
		// After what is for every room.
		key{name: "rooms", read: func(n ast.Node) {
			p.list(n, "rooms", func(n ast.Node) { p.trialRoom(n, t) })
		}},
		key{name: "sensors", read: func(n ast.Node) {
			p.list(n, "sensors", func(n ast.Node) {
				var name string
				p.mapping(n, "a sensor",
					key{name: "name", required: true, read: func(n ast.Node) { name = p.name(n, "sensor name") }},
					key{name: "limits", required: true, read: func(n ast.Node) { t.shelves[name] = p.shelfLimits(n) }},
				)
			})
		}},
		key{name: "lots", read: func(n ast.Node) { p.list(n, "lots", p.lot) }},
	)
}

func (p *parse) trialRoom(n ast.Node, t *Trial) {
	var name string
	p.mapping(n, "a room",
		key{name: "name", required: true, read: func(n ast.Node) { name = p.roomRef(n, "name") }},
		key{name: "limits", required: true, read: func(n ast.Node) {
			if name == "" { // which is told
				return
			}
			rules := t.Rules(name)
			p.limits(n, rules)
			t.rooms[name] = rules
		}},
	)
}
