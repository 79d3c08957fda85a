package settings

import (
	"maps"
	"slices"
	"time"

	"github.com/goccy/go-yaml/ast"

	"dryhold/internal/alarm"
	"dryhold/internal/unit"
)

// measure is how a limit is written.
type measure int

const (
	kelvin measure = iota
	celsius
	share    // 25 %
	number   // bare
	duration // 2h; kept in seconds
	size     // 500 MB; kept in bytes
	none     // the condition has no limit of its own
)

// form says how the rule of a condition is written that is worked out rather
// than read, with the bounds within which it can tell anything (judgement).
type form struct {
	kind          alarm.Kind
	measure       measure
	example       string
	low, high     float64
	shown         string
	deadband      float64 // at most; 0: it has none
	shownDeadband string
	over          bool          // it has a temperature of its own
	least, most   time.Duration // of its window; 0: it has none
}

const day = 24 * time.Hour

// roomForms are those of a room.
func roomForms() []form {
	return []form{
		{kind: alarm.Hot, measure: celsius, example: "30 C", low: -30, high: 60, shown: "-30 to 60 °C", deadband: 10, shownDeadband: "0 to 10 K"},
		{kind: alarm.Condensing, measure: kelvin, example: "0 K", low: -5, high: 5, shown: "-5 to 5 K", deadband: 5, shownDeadband: "0 to 5 K"},
		{kind: alarm.Ageing, measure: number, example: "1", low: 0.05, high: 50, shown: "0.05 to 50 days of life a day", deadband: 50, shownDeadband: "0 to the limit", least: day, most: 90 * day},
		{kind: alarm.HoursOver, measure: duration, example: "24h", low: 3600, high: 60 * 86400, shown: "1h to 60d", deadband: 60 * 86400, shownDeadband: "0s to the limit", over: true, least: day, most: 90 * day},
		{kind: alarm.Ahead, measure: share, example: "50 %", low: 0.05, high: 0.95, shown: "5 to 95 %", deadband: 0.9, shownDeadband: "0 % to the limit", least: 6 * time.Hour, most: 7 * day},
		{kind: alarm.RoundDue, measure: duration, example: "31d", low: 86400, high: 366 * 86400, shown: "1d to 366d"},
	}
}

// lotForms are those of lots; of a room they hold for the lots that stand in it.
func lotForms() []form {
	return []form{
		{kind: alarm.MoistureAmber, measure: none, deadband: 0.2, shownDeadband: "0 to 0.2 of water activity"},
		{kind: alarm.MoistureRed, measure: none, deadband: 0.2, shownDeadband: "0 to 0.2 of water activity"},
		{kind: alarm.OxygenSpent, measure: share, example: "2 %", low: 0.001, high: 0.9, shown: "0.1 to 90 %", deadband: 0.5, shownDeadband: "0 to 50 %"},
		{kind: alarm.AbsorberSmall, measure: share, example: "100 %", low: 0.1, high: 3, shown: "10 to 300 %", deadband: 0.5, shownDeadband: "0 to 50 %"},
		{kind: alarm.HoldIncomplete, measure: duration, example: "60d", low: 86400, high: 3650 * 86400, shown: "1d to 3650d"},
		{kind: alarm.HoldComplete, measure: none},
		{kind: alarm.Quality, measure: share, example: "25 %", low: 0.01, high: 0.99, shown: "1 to 99 %", deadband: 0.5, shownDeadband: "0 to 50 %"},
		{kind: alarm.EndsEarly, measure: share, example: "25 %", low: 0, high: 0.99, shown: "0 to 99 %", deadband: 0.5, shownDeadband: "0 to 50 %"},
	}
}

// siteForms are those of the whole site.
func siteForms() []form {
	return []form{
		{kind: alarm.Clock, measure: duration, example: "15m", low: 0, high: 30 * 86400, shown: "0s to 30d"},
		{kind: alarm.Disk, measure: size, example: "500 MB", low: 1e6, high: 1e14, shown: "1 MB to 100 TB", deadband: 1e14, shownDeadband: "0 MB to 100 TB"},
		{kind: alarm.Export, measure: duration, example: "2h", low: 60, high: 30 * 86400, shown: "1m to 30d"},
		{kind: alarm.Delivery, measure: duration, example: "6h", low: 60, high: 30 * 86400, shown: "1m to 30d"},
	}
}

// formKey reads the rule of a condition that has a form.
func (p *parse) formKey(f form, rules map[alarm.Kind]alarm.Rule) key {
	return key{name: string(f.kind), read: func(n ast.Node) { p.formed(n, f, rules) }}
}

func (p *parse) formed(n ast.Node, f form, rules map[alarm.Kind]alarm.Rule) {
	if switchedOff(n, f.kind, rules) {
		return
	}
	rule := ruleOr(rules, f.kind)
	what := string(f.kind)
	long := func(n ast.Node) { p.mapping(n, what, p.formKeys(f, &rule)...) }
	_, short := scalar(n)
	switch {
	case f.measure != none:
		either(n, func(n ast.Node) { p.formValue(n, what, f, &rule.Limit) }, long)
	case short:
		p.at(n, "%s has no limit of its own: here stand its delays and priority, or off", what)
		return
	default:
		long(n)
	}
	if f.measure != celsius && f.measure != kelvin && f.measure != none && f.kind != alarm.EndsEarly && !below(f.kind) && rule.Deadband >= rule.Limit {
		rule.Deadband = rule.Limit / 4 // the default one goes with the default limit
	}
	rules[f.kind] = rule
}

// below says that the trouble is below the limit: its deadband lies above.
func below(k alarm.Kind) bool {
	return k == alarm.OxygenSpent || k == alarm.AbsorberSmall || k == alarm.Quality || k == alarm.Disk
}

func (p *parse) formKeys(f form, rule *alarm.Rule) []key {
	keys := []key{
		{name: "on_delay", read: func(n ast.Node) { p.delay(n, "on_delay", &rule.OnDelay) }},
		{name: "off_delay", read: func(n ast.Node) { p.delay(n, "off_delay", &rule.OffDelay) }},
		{name: "priority", read: func(n ast.Node) { p.priority(n, rule) }},
	}
	if f.measure != none {
		keys = append(keys, key{name: "limit", read: func(n ast.Node) { p.formValue(n, string(f.kind)+" limit", f, &rule.Limit) }})
	}
	if f.deadband > 0 {
		d := f
		d.low, d.high, d.shown = 0, f.deadband, f.shownDeadband
		switch f.measure {
		case celsius:
			d.measure, d.example = kelvin, "1 K"
		case none:
			d.measure, d.example = number, "0.01"
		}
		keys = append(keys, key{name: "deadband", read: func(n ast.Node) { p.formValue(n, "deadband", d, &rule.Deadband) }})
	}
	if f.over {
		o := form{measure: celsius, example: "25 C", low: -30, high: 60, shown: "-30 to 60 °C"}
		keys = append(keys, key{name: "over", read: func(n ast.Node) { p.formValue(n, "over", o, &rule.Over) }})
	}
	if f.most > 0 {
		keys = append(keys, key{name: "window", read: func(n ast.Node) {
			if v, ok := p.duration(n, "window", f.least, f.most); ok {
				rule.Window = v
			}
		}})
	}
	return keys
}

// formValue reads a value in the way its measure is written.
func (p *parse) formValue(n ast.Node, what string, f form, to *float64) {
	v, ok := 0.0, false
	switch l := (limit{quantity: unit.Temperature, example: f.example}); f.measure {
	case kelvin:
		v, ok = p.quantity(n, what, l, difference)
	case celsius:
		v, ok = p.quantity(n, what, l, unit.Unit.Canonical)
	case share:
		v, ok = p.suffixed(n, what, f.example, map[string]float64{"%": 0.01})
	case size:
		v, ok = p.suffixed(n, what, f.example, map[string]float64{"MB": 1e6, "GB": 1e9, "TB": 1e12})
	case number:
		v, ok = p.number(n, what)
		means(n, object{"minimum": f.low, "maximum": f.high})
	case duration:
		d, good := p.duration(n, what, time.Duration(f.low)*time.Second, time.Duration(f.high)*time.Second)
		v, ok = d.Seconds(), good
	case none:
	}
	if !ok {
		return
	}
	if v < f.low-1e-9 || v > f.high+1e-9 {
		raw, _ := scalar(n)
		p.at(n, "%s %s is outside %s", what, raw, f.shown)
		return
	}
	*to = v
}

// suffixed reads a number with one of some units.
func (p *parse) suffixed(n ast.Node, what, example string, units map[string]float64) (float64, bool) {
	withUnit(n, example, false, slices.Collect(maps.Keys(units))...)
	raw, _ := scalar(n)
	v, name, ok := amount(raw)
	times, known := units[name]
	if !ok || !known {
		p.at(n, "%s: %q is not what is expected here: write for example %q", what, raw, example)
		return 0, false
	}
	return v * times, true
}

// ruleOr is the rule of a condition, or its default where it was switched off.
func ruleOr(rules map[alarm.Kind]alarm.Rule, kind alarm.Kind) alarm.Rule {
	if rule, ok := rules[kind]; ok {
		return rule
	}
	for _, rule := range append(DefaultRules(), lotOnlyRules()...) {
		if rule.Kind == kind {
			return rule
		}
	}
	return alarm.Rule{Kind: kind, Priority: alarm.Medium}
}

// follow brings what the keeper has not said in line with what was: without a
// limit of warmth there is none of heat, and heat begins above warmth.
func follow(rules map[alarm.Kind]alarm.Rule, given map[string]bool) {
	unless := func(on bool, kinds ...alarm.Kind) {
		for _, k := range kinds {
			if !on && !given[string(k)] {
				delete(rules, k)
			}
		}
	}
	warm, on := rules[alarm.Warm]
	unless(on, alarm.Hot, alarm.Ageing, alarm.HoursOver, alarm.Ahead)
	_, damp := rules[alarm.Damp]
	unless(damp, alarm.Condensing)
	const above = 4 // K: as 25 °C lies above 21 °C
	if hot, ok := rules[alarm.Hot]; ok && on && !given[string(alarm.Hot)] && hot.Limit < warm.Limit+above {
		hot.Limit = warm.Limit + above
		rules[alarm.Hot] = hot
	}
	if hours, ok := rules[alarm.HoursOver]; ok && given[string(alarm.Warm)] && on && !given[string(alarm.HoursOver)] {
		hours.Over = warm.Limit + above
		rules[alarm.HoursOver] = hours
	}
}

// shelfLimits reads the limits that a sensor has of its own, for the shelf it
// stands on: a rule without a kind switches a condition off.
func (p *parse) shelfLimits(n ast.Node) map[alarm.Kind]alarm.Rule {
	rules := map[alarm.Kind]alarm.Rule{}
	var keys []key
	for _, l := range limits() {
		keys = append(keys, key{name: string(l.kind), read: func(n ast.Node) { p.rule(n, l, rules); offAs(n, l.kind, rules) }})
	}
	hot := roomForms()[0]
	keys = append(keys, key{name: string(hot.kind), read: func(n ast.Node) { p.formed(n, hot, rules); offAs(n, hot.kind, rules) }})
	p.mapping(n, "limits of a sensor", keys...)
	return rules
}

// offAs keeps that a condition is switched off.
func offAs(n ast.Node, kind alarm.Kind, rules map[alarm.Kind]alarm.Rule) {
	if isOff(n) {
		rules[kind] = alarm.Rule{}
	}
}

// lotRules reads the limits that a lot has of its own.
func (p *parse) lotRules(n ast.Node) map[alarm.Kind]alarm.Rule {
	rules := map[alarm.Kind]alarm.Rule{}
	var keys []key
	for _, f := range lotForms() {
		keys = append(keys, key{name: string(f.kind), read: func(n ast.Node) { p.formed(n, f, rules); offAs(n, f.kind, rules) }})
	}
	core := form{kind: alarm.CoreWarm, measure: celsius, example: "18 C", low: -30, high: 60, shown: "-30 to 60 °C", deadband: 10, shownDeadband: "0 to 10 K"}
	keys = append(keys, key{name: "warm", read: func(n ast.Node) { p.formed(n, core, rules); offAs(n, core.kind, rules) }})
	p.mapping(n, "limits of a lot", keys...)
	return rules
}

// lot reads what is said of a lot.
func (p *parse) lot(n ast.Node) {
	own := Lot{Rules: map[alarm.Kind]alarm.Rule{}}
	p.mapping(n, "a lot",
		key{name: "lot", required: true, read: func(n ast.Node) {
			own.ID = p.word(n, "lot")
			for _, l := range p.s.Lots {
				if l.ID == own.ID {
					p.at(n, "lot %q is listed a second time: keep one", own.ID)
				}
			}
		}},
		key{name: "limits", read: func(n ast.Node) { own.Rules = p.lotRules(n) }},
		key{name: "use_by", read: func(n ast.Node) { p.useBy(n, &own) }}, // after its limits
	)
	if own.ID != "" {
		p.s.Lots = append(p.s.Lots, own)
	}
}

// useBy reads when a lot is planned to be used. Where nothing else is said, an
// end before that is an end too early.
func (p *parse) useBy(n ast.Node, own *Lot) {
	raw := p.word(n, "use_by")
	means(n, object{"type": "string", "pattern": `^\d{4}-\d{2}-\d{2}$`})
	if raw == "" {
		return
	}
	at, err := time.Parse("2006-01-02", raw)
	if err != nil {
		p.at(n, "use_by: %q is not a day: write for example 2031-05-01", raw)
		return
	}
	rule, given := own.Rules[alarm.EndsEarly]
	if given && rule.Kind == "" {
		return // switched off
	}
	if !given {
		rule = ruleOr(nil, alarm.EndsEarly)
		rule.Limit = 0
	}
	rule.Planned = at
	own.Rules[alarm.EndsEarly] = rule
}

// volume reads the volume of a room, m³.
func (p *parse) volume(n ast.Node, to *float64) {
	v, ok := p.suffixed(n, "volume", "18 m3", map[string]float64{"m3": 1, "m³": 1, "l": 0.001, "L": 0.001})
	if ok && !(v >= 0.01 && v <= 100_000) {
		p.at(n, "a volume of %g m3 is outside 0.01 to 100000 m3", v)
		return
	}
	if ok {
		*to = v
	}
}
