package settings

import (
	"slices"
	"time"
	"unicode/utf8"

	// The zones are built in, so that a small board without the system's
	// zone files still reads a zone; they are used only where the system has
	// none.
	_ "time/tzdata"

	"github.com/goccy/go-yaml/ast"

	"dryhold/internal/alarm"
	"dryhold/internal/unit"
	"dryhold/internal/wire"
)

// Bounds of settings that are not physical quantities (judgement).
const (
	minStale = time.Minute
	maxStale = 30 * 24 * time.Hour
	maxDelay = 30 * 24 * time.Hour
	maxSite  = 64
)

// Parse reads a configuration. What it leaves out has the value of Default,
// except that new rooms are accepted only when no rooms are listed. File
// names the source in messages. The error is a Problems with every mistake; the
// settings then hold what could be read, for further checks only.
func Parse(file string, src []byte) (*Settings, error) {
	p := parse{decoder: decoder{file: file}, s: Default()}
	root := p.document(src)
	if root != nil {
		p.top(root)
	}
	return p.s, p.problems.sorted()
}

// parse is a decoder with the settings it fills.
type parse struct {
	decoder
	s      *Settings
	byName []named
}

func (p *parse) top(root ast.Node) {
	s := p.s
	accept := false
	p.mapping(root, "the configuration",
		key{name: "site", read: func(n ast.Node) {
			s.Site = p.text(n, "site")
			if utf8.RuneCountInString(s.Site) > maxSite {
				p.at(n, "site has more than %d characters", maxSite)
			}
			means(n, object{"maxLength": maxSite})
		}},
		key{name: "zone", read: p.zone},
		key{name: "log", read: p.log},
		key{name: "broker", read: p.broker},
		key{name: "http", read: p.http},
		key{name: "metrics", read: func(n ast.Node) {
			p.mapping(n, "metrics", key{name: "per_lot", read: func(n ast.Node) { s.Metrics.PerLot = p.boolean(n, "per_lot") }})
		}},
		key{name: "rooms", read: func(n ast.Node) { p.list(n, "rooms", p.room) }},
		key{name: "accept_new_rooms", read: func(n ast.Node) {
			accept, s.AcceptNewRooms = true, p.boolean(n, "accept_new_rooms")
		}},
		key{name: "stale", read: func(n ast.Node) {
			if v, ok := p.duration(n, "stale", minStale, maxStale); ok {
				s.Stale = v
			}
		}},
		// After what they refer to: rooms and the general stale limit.
		key{name: "sensors", read: func(n ast.Node) {
			p.acceptByDefault(accept)
			p.list(n, "sensors", p.sensor)
		}},
		key{name: "lots", read: func(n ast.Node) { p.list(n, "lots", p.lot) }},
		key{name: "site_limits", read: func(n ast.Node) {
			var keys []key
			for _, f := range siteForms() {
				keys = append(keys, p.formKey(f, s.SiteRules))
			}
			p.mapping(n, "site_limits", keys...)
		}},
		key{name: "outdoor", read: func(n ast.Node) {
			p.acceptByDefault(accept)
			s.Outdoor = p.roomRef(n, "outdoor")
		}},
		key{name: "topics", read: func(n ast.Node) {
			p.acceptByDefault(accept)
			p.topics(n)
		}},
		key{name: "mail", read: p.mail},
		key{name: "notify", read: func(n ast.Node) {
			p.mapping(n, "notify", append(p.ping(),
				key{name: "mqtt_topic", read: p.noticeTopic},
				key{name: "commands", read: func(n ast.Node) { s.Notify.Commands = p.boolean(n, "commands") }},
				key{name: "channels", read: func(n ast.Node) { p.list(n, "channels", p.channel) }},
				// After the channels, to which they refer.
				key{name: "recipients", read: p.recipients},
			)...)
		}},
		key{name: "influx", read: p.influx},
		key{name: "alertmanager", read: p.router},
		key{name: "hub", read: p.hub},
		key{name: "backup", read: p.backup},
		key{name: "eating", read: func(n ast.Node) { p.list(n, "eating", p.eating) }},
		key{name: "persons", read: p.persons},
		key{name: "catalog", read: func(n ast.Node) {
			p.list(n, "catalog", func(n ast.Node) {
				if path := p.text(n, "a catalog file"); path != "" {
					s.Catalog = append(s.Catalog, path)
				}
			})
		}},
	)
	p.acceptByDefault(accept)
	p.rightsByName()
}

// acceptByDefault sets AcceptNewRooms when the file does not: a keeper who
// lists rooms wants a misspelt one refused, one who lists none wants them all.
func (p *parse) acceptByDefault(given bool) {
	if !given {
		p.s.AcceptNewRooms = len(p.s.Rooms) == 0
	}
}

func (p *parse) zone(n ast.Node) {
	if zone, ok := p.location(n); ok {
		p.s.Zone = zone
	}
}

// location reads a time zone.
func (p *parse) location(n ast.Node) (*time.Location, bool) {
	name := p.text(n, "zone")
	if name == "" {
		return nil, false
	}
	zone, err := time.LoadLocation(name)
	if err != nil {
		p.at(n, "%q is not a time zone: use a name such as Europe/Berlin, or UTC", name)
		return nil, false
	}
	return zone, true
}

// name reads the name of a room or sensor.
func (p *parse) name(n ast.Node, what string) string {
	name := p.word(n, what)
	means(n, object{"pattern": `^[A-Za-z0-9_.-]{1,64}$`}) // see wire.CheckName
	if name == "" {
		return ""
	}
	if err := wire.CheckName(name); err != nil {
		p.at(n, "%s: %v", what, err)
		return ""
	}
	return name
}

// roomRef reads the name of a room that must be listed, unless new rooms are
// accepted.
func (p *parse) roomRef(n ast.Node, what string) string {
	name := p.name(n, what)
	if name == "" || p.s.AcceptNewRooms {
		return name
	}
	var names []string
	for _, r := range p.s.Rooms {
		if r.Name == name {
			return name
		}
		names = append(names, r.Name)
	}
	p.at(n, "unknown room %q%s", name, hint(name, names))
	return name
}

func (p *parse) room(n ast.Node) {
	room := Room{Rules: p.s.Rules("")}
	p.mapping(n, "a room",
		key{name: "name", required: true, read: func(n ast.Node) {
			room.Name = p.name(n, "room name")
			if slices.ContainsFunc(p.s.Rooms, func(r Room) bool { return r.Name == room.Name }) {
				p.at(n, "room %q is listed a second time: keep one", room.Name)
			}
		}},
		key{name: "limits", read: func(n ast.Node) { p.limits(n, room.Rules) }},
		key{name: "normals", read: func(n ast.Node) { room.Normals = p.normals(n) }},
		key{name: "volume", read: func(n ast.Node) { p.volume(n, &room.Volume) }},
	)
	if room.Name != "" {
		p.s.Rooms = append(p.s.Rooms, room)
	}
}

func (p *parse) sensor(n ast.Node) {
	sensor := Sensor{Stale: p.s.Stale}
	p.mapping(n, "a sensor",
		key{name: "name", required: true, read: func(n ast.Node) {
			sensor.Name = p.name(n, "sensor name")
			if slices.ContainsFunc(p.s.Sensors, func(s Sensor) bool { return s.Name == sensor.Name }) {
				p.at(n, "sensor %q is listed a second time: keep one", sensor.Name)
			}
		}},
		key{name: "room", read: func(n ast.Node) { sensor.Room = p.roomRef(n, "room") }},
		key{name: "stale", read: func(n ast.Node) {
			if v, ok := p.duration(n, "stale", minStale, maxStale); ok {
				sensor.Stale, sensor.StaleGiven = v, true
			}
		}},
		key{name: "limits", read: func(n ast.Node) { sensor.Rules = p.shelfLimits(n) }},
	)
	if sensor.Name != "" {
		p.s.Sensors = append(p.s.Sensors, sensor)
	}
}

// limit says how the limit of a condition is written and bounded.
type limit struct {
	kind     alarm.Kind
	quantity unit.Quantity
	example  string
	// Range of limits that make sense in a food store, canonical unit, and
	// the widest deadband (judgement).
	low, high, maxDeadband float64
	// The two ranges for people.
	shown, shownDeadband string
}

func limits() []limit {
	return []limit{
		{alarm.Warm, unit.Temperature, "18 C", -30, 60, 10, "-30 to 60 °C", "0 to 10 K"},
		{alarm.Damp, unit.Humidity, "60 %", 0.05, 1, 0.3, "5 to 100 %", "0 to 30 %"},
		{alarm.Bright, unit.Illuminance, "5 lx", 0.1, 100_000, 50_000, "0.1 to 100000 lx", "0 to 50000 lx"},
	}
}

// limits reads the alarm rules of a room over the default ones.
func (p *parse) limits(n ast.Node, rules map[alarm.Kind]alarm.Rule) {
	var keys []key
	for _, l := range append(limits(), faultLimits()...) {
		keys = append(keys, key{name: string(l.kind), read: func(n ast.Node) { p.rule(n, l, rules) }})
	}
	keys = append(keys,
		key{name: string(alarm.Silent), read: func(n ast.Node) { p.silent(n, rules) }},
		key{name: string(alarm.Stuck), read: func(n ast.Node) { p.stuck(n, rules) }},
		key{name: string(alarm.CalibrationDue), read: func(n ast.Node) { p.calibration(n, rules) }},
	)
	for _, f := range append(roomForms(), lotForms()...) {
		keys = append(keys, p.formKey(f, rules))
	}
	given := map[string]bool{}
	for i := range keys {
		k := &keys[i]
		read := k.read
		k.read = func(n ast.Node) { given[k.name] = true; read(n) }
	}
	p.mapping(n, "limits", keys...)
	follow(rules, given)
}

// switchedOff removes the rule of a condition that is set to off.
func switchedOff(n ast.Node, kind alarm.Kind, rules map[alarm.Kind]alarm.Rule) bool {
	if isOff(n) {
		delete(rules, kind)
		return true
	}
	return false
}

func (p *parse) rule(n ast.Node, l limit, rules map[alarm.Kind]alarm.Rule) {
	if switchedOff(n, l.kind, rules) {
		return
	}
	rule := ruleOr(rules, l.kind)
	what := string(l.kind)
	deadband := n
	either(n, func(n ast.Node) { p.limitValue(n, what, l, &rule) }, func(n ast.Node) {
		p.mapping(n, what,
			key{name: "limit", read: func(n ast.Node) { p.limitValue(n, what+" limit", l, &rule) }},
			key{name: "deadband", read: func(n ast.Node) { deadband = n; p.deadband(n, l, &rule) }},
			key{name: "on_delay", read: func(n ast.Node) { p.delay(n, "on_delay", &rule.OnDelay) }},
			key{name: "off_delay", read: func(n ast.Node) { p.delay(n, "off_delay", &rule.OffDelay) }},
			key{name: "priority", read: func(n ast.Node) { p.priority(n, &rule) }},
		)
	})
	if deadband == n && l.kind != alarm.Warm {
		// The default deadband goes with the default limit; a limit of 5 lx
		// wants less than 10 lx.
		rule.Deadband = min(rule.Deadband, l.quantity.Round(rule.Limit/5))
	}
	if l.kind != alarm.Warm && rule.Deadband >= rule.Limit {
		unit := l.quantity.Symbol()
		p.at(deadband, "the deadband of %s (%g %s) reaches down to nothing from its limit (%g %s), so the alarm could never return: make it smaller",
			what, rule.Deadband, unit, rule.Limit, unit)
	}
	rules[l.kind] = rule
}

func (p *parse) silent(n ast.Node, rules map[alarm.Kind]alarm.Rule) {
	if switchedOff(n, alarm.Silent, rules) {
		return
	}
	rule := rules[alarm.Silent]
	if raw, short := scalar(n); short {
		p.at(n, "silent: %q does not belong here: the time without a reading is \"stale\" of the sensor; here stand on_delay and priority, or off", raw)
		return
	}
	p.mapping(n, "silent",
		key{name: "on_delay", read: func(n ast.Node) { p.delay(n, "on_delay", &rule.OnDelay) }},
		key{name: "priority", read: func(n ast.Node) { p.priority(n, &rule) }},
	)
	rules[alarm.Silent] = rule
}

func (p *parse) delay(n ast.Node, what string, to *time.Duration) {
	if v, ok := p.duration(n, what, 0, maxDelay); ok {
		*to = v
	}
}

func (p *parse) priority(n ast.Node, rule *alarm.Rule) { p.priorityWord(n, "priority", &rule.Priority) }

// quantity reads "18 C" to the canonical unit.
func (p *parse) quantity(n ast.Node, what string, l limit, convert func(unit.Unit, float64) float64) (float64, bool) {
	withUnit(n, l.example, false, unit.Names(l.quantity)...)
	raw, ok := scalar(n)
	if !ok {
		p.at(n, "%s must be a number with a unit such as %q, not %s", what, l.example, kind(n))
		return 0, false
	}
	v, name, ok := amount(raw)
	switch {
	case !ok:
		p.at(n, "%s: %q is not a number with a unit: write for example %q", what, raw, l.example)
		return 0, false
	case name == "":
		p.at(n, "%s: %q lacks a unit: write for example %q", what, raw, l.example)
		return 0, false
	}
	u, err := unit.Parse(l.quantity, name)
	if err != nil {
		p.at(n, "%s: %v", what, err)
		return 0, false
	}
	return convert(u, v), true
}

func (p *parse) limitValue(n ast.Node, what string, l limit, rule *alarm.Rule) {
	convert := unit.Unit.Canonical
	if l.difference() {
		convert = difference
	}
	v, ok := p.quantity(n, what, l, convert)
	if !ok {
		return
	}
	const rounding = 1e-9 // of the conversion, at a bound written in another unit
	if v < l.low-rounding || v > l.high+rounding {
		raw, _ := scalar(n)
		p.at(n, "%s %s is outside %s", what, raw, l.shown)
		return
	}
	rule.Limit = l.quantity.Round(v)
}

// difference converts a difference: 0.9 F is 0.5 K, wherever zero lies.
func difference(u unit.Unit, v float64) float64 { return u.Canonical(v) - u.Canonical(0) }

func (p *parse) deadband(n ast.Node, l limit, rule *alarm.Rule) {
	v, ok := p.quantity(n, "deadband", l, difference)
	if !ok {
		return
	}
	if v < 0 || v > l.maxDeadband+1e-9 {
		raw, _ := scalar(n)
		p.at(n, "deadband %s is outside %s", raw, l.shownDeadband)
		return
	}
	rule.Deadband = l.quantity.Round(v)
}
