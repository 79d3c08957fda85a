package engine

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/room"
	"dryhold/internal/sensor"
	"dryhold/internal/unit"
)

// kindsOf are the conditions that a quantity drives.
func kindsOf(q unit.Quantity) []alarm.Kind {
	switch q {
	case unit.Temperature:
		return []alarm.Kind{alarm.Warm, alarm.Hot}
	case unit.Humidity:
		return []alarm.Kind{alarm.Damp}
	case unit.Illuminance:
		return []alarm.Kind{alarm.Bright}
	}
	return nil
}

// shelfRule is the rule of a condition of the air that a sensor has of its own:
// it then watches a shelf by itself. given is false where it goes with the room;
// a rule without a kind is one that is switched off.
func (e *Engine) shelfRule(sensor string, kind alarm.Kind) (rule alarm.Rule, given bool) {
	if e.cfg.ShelfRules == nil {
		return rule, false
	}
	rule, given = e.cfg.ShelfRules(sensor)[kind]
	return rule, given
}

// airRule is the condition that a reading of a sensor drives, with its rule.
func (e *Engine) airRule(rs *roomState, kind alarm.Kind, sensor string) (key alarm.Key, rule alarm.Rule, ok bool) {
	key = alarm.Key{Kind: kind, Room: rs.name}
	if own, given := e.shelfRule(sensor, kind); given {
		key.Sensor = sensor
		return key, own, own.Kind != ""
	}
	rule, ok = rs.rules[kind]
	return key, rule, ok
}

// condition finds a condition of the room, or makes it.
func (rs *roomState) condition(key alarm.Key) *alarm.Condition {
	i, found := slices.BinarySearchFunc(rs.conditions, key, func(c alarm.Condition, k alarm.Key) int {
		return cmp.Or(strings.Compare(string(c.Key.Kind), string(k.Kind)), strings.Compare(c.Key.Sensor, k.Sensor))
	})
	if !found {
		rs.conditions = slices.Insert(rs.conditions, i, alarm.New(key))
	}
	return &rs.conditions[i]
}

// condition finds a condition, or makes it: those of rooms and their sensors
// are kept with the room, all others by the engine.
func (e *Engine) condition(key alarm.Key) *alarm.Condition {
	if key.Room != "" {
		return e.room(key.Room).condition(key)
	}
	i, found := slices.BinarySearchFunc(e.conditions, key, func(c alarm.Condition, k alarm.Key) int {
		return cmp.Or(strings.Compare(string(c.Key.Kind), string(k.Kind)), strings.Compare(c.Key.Lot, k.Lot))
	})
	if !found {
		e.conditions = slices.Insert(e.conditions, i, alarm.New(key))
	}
	return &e.conditions[i]
}

// kept is the condition of a key; nil where there is none.
func (e *Engine) kept(key alarm.Key) *alarm.Condition {
	list := e.conditions
	if key.Room != "" {
		rs := e.find(key.Room)
		if rs == nil {
			return nil
		}
		list = rs.conditions
	}
	if i := slices.IndexFunc(list, func(c alarm.Condition) bool { return c.Key == key }); i >= 0 {
		return &list[i]
	}
	return nil
}

// judge runs the conditions that a new reading drives. Of several sensors the
// highest value decides: the warmest shelf.
func (e *Engine) judge(rs *roomState, r room.Reading, fx *Effects) {
	for _, kind := range kindsOf(r.Quantity) {
		if key, rule, ok := e.airRule(rs, kind, r.Sensor); ok {
			rule.Stale = e.cfg.Stale(r.Sensor)
			c := rs.condition(key)
			next, ts := e.observe(rs, *c, rule, r)
			fx.note(c, next, ts)
		}
	}
}

// judgeLate judges a reading that waited, by its own time or, where another
// sensor was judged meanwhile, by that one's: a condition does not go back.
func (e *Engine) judgeLate(rs *roomState, r room.Reading, fx *Effects) {
	for _, kind := range kindsOf(r.Quantity) {
		if key, _, ok := e.airRule(rs, kind, r.Sensor); ok {
			r.At = later(r.At, rs.faultOf(key).ValueAt)
		}
	}
	e.judge(rs, r, fx)
}

// judgeSilence tells the silent condition of a sensor that it was heard.
func (e *Engine) judgeSilence(rs *roomState, r room.Reading, fx *Effects) {
	if rule, ok := rs.silentRule(e, r.Sensor); ok {
		c := rs.condition(alarm.Key{Kind: alarm.Silent, Room: rs.name, Sensor: r.Sensor})
		next, ts := c.ObserveAge(rule, r.At, r.At)
		fx.note(c, next, ts)
	}
}

// observe gives a condition the highest value of the sensors that still
// speak. While it is active a sensor that fell silent above the limit may
// still be hot: then lower values of others do not clear it.
func (e *Engine) observe(rs *roomState, c alarm.Condition, rule alarm.Rule, r room.Reading) (alarm.Condition, []alarm.Transition) {
	worst, hidden := r.Value, false
	for l := range rs.watch.Latest() {
		at, v := l.Standing(r.At)
		_, apart := e.shelfRule(l.Sensor, rule.Kind)
		switch {
		case l.Quantity != r.Quantity || l.Sensor == r.Sensor || apart || c.Key.Sensor != "" || e.sensors.Retired(rs.name, l.Sensor, r.At):
		case r.At.Sub(at) <= e.cfg.Stale(l.Sensor):
			worst = max(worst, v)
		default:
			hidden = hidden || v > rule.Limit-rule.Deadband
		}
	}
	if c.Active && hidden && worst <= rule.Limit {
		return c.Missing(rule, r.At)
	}
	return c.Observe(rule, r.At, worst)
}

func (rs *roomState) silentRule(e *Engine, sensor string) (alarm.Rule, bool) {
	rule, ok := rs.rules[alarm.Silent]
	rule.Limit = e.cfg.Stale(sensor).Seconds()
	return rule, ok
}

// ruleOf is the rule of a condition; one without limits where it is watched no
// more.
func (e *Engine) ruleOf(k alarm.Key) alarm.Rule {
	rule, ok := alarm.Rule{}, false
	switch scope := k.Kind.Scope(); {
	case scope == alarm.OfSite:
		rule, ok = e.cfg.SiteRules[k.Kind]
	case scope == alarm.OfLot:
		if l, err := e.book.Find(k.Lot); err == nil {
			rule, ok = e.lotRule(l, k.Kind)
		}
	default:
		if rs := e.find(k.Room); rs != nil {
			rule, ok = e.roomRule(rs, k)
		}
	}
	if !ok {
		return alarm.Rule{Kind: k.Kind, Priority: alarm.Low}
	}
	return rule
}

func (e *Engine) roomRule(rs *roomState, k alarm.Key) (rule alarm.Rule, ok bool) {
	switch {
	case k.Kind == alarm.Silent:
		return rs.silentRule(e, k.Sensor)
	case k.Kind.Scope() == alarm.OfRoom && k.Sensor != "":
		_, rule, ok = e.airRule(rs, k.Kind, k.Sensor)
		return rule, ok
	}
	rule, ok = rs.rules[k.Kind]
	if k.Kind == alarm.Ahead {
		rule.Over = rs.rules[alarm.Warm].Limit
	}
	return rule, ok
}

// note stores the changed condition and keeps each event for compose.
func (fx *Effects) note(c *alarm.Condition, next alarm.Condition, ts []alarm.Transition) {
	if next == *c {
		return
	}
	*c = next
	i := slices.IndexFunc(fx.Conditions, func(x alarm.Condition) bool { return x.Key == next.Key })
	if i < 0 {
		fx.Conditions = append(fx.Conditions, next)
	} else {
		fx.Conditions[i] = next
	}
	for _, t := range ts {
		fx.Transitions = append(fx.Transitions, next.Event(t))
		if t.Event != "" {
			fx.events = append(fx.events, event{next, t.Event, t.At})
		}
	}
}

// Tick lets time pass: delays run out, sensors fall silent, gaps are judged,
// and by the hour what is worked out of rooms and lots.
func (e *Engine) Tick(now time.Time) Effects {
	var fx Effects
	e.heardAt = later(e.heardAt, now)
	for _, rs := range e.rooms {
		rs.advance(now)
		e.release(rs, now, &fx)
		e.tickAir(rs, now, &fx)
		e.tickSilence(rs, now, &fx)
		e.tickFaults(rs, now, &fx)
	}
	e.tickHours(now, &fx)
	e.compose(&fx)
	return fx
}

// tickAir lets time pass for what readings drive, of the room and of shelves
// with a limit of their own.
func (e *Engine) tickAir(rs *roomState, now time.Time, fx *Effects) {
	for _, q := range []unit.Quantity{unit.Temperature, unit.Humidity, unit.Illuminance} {
		if !rs.has(q) {
			continue
		}
		for _, kind := range kindsOf(q) {
			if rule, ok := rs.rules[kind]; ok {
				c := rs.condition(alarm.Key{Kind: kind, Room: rs.name})
				rule.Stale = e.longest(rs, q)
				next, ts := c.Tick(rule, now)
				fx.note(c, next, ts)
			}
		}
	}
	for i := range rs.conditions {
		c := &rs.conditions[i]
		if c.Key.Sensor == "" || c.Key.Kind.Scope() != alarm.OfRoom {
			continue
		}
		if rule, given := e.shelfRule(c.Key.Sensor, c.Key.Kind); given && rule.Kind != "" {
			rule.Stale = e.cfg.Stale(c.Key.Sensor)
			next, ts := c.Tick(rule, now)
			fx.note(c, next, ts)
		}
	}
}

// release judges readings that might have been spikes and waited for the next
// one for longer than that may take: the last word of a sensor counts.
func (e *Engine) release(rs *roomState, now time.Time, fx *Effects) {
	for l := range rs.watch.Latest() {
		waited := now.Sub(l.At)
		if l.Held() && waited > sensor.Within && waited <= judged && !e.sensors.Retired(rs.name, l.Sensor, now) {
			e.judgeLate(rs, room.Reading{Series: l.Series, At: l.At, Value: l.Value}, fx)
		}
	}
}

func (rs *roomState) has(q unit.Quantity) bool {
	for l := range rs.watch.Latest() {
		if l.Quantity == q {
			return true
		}
	}
	return false
}

// longest is the longest stale limit among a room's sensors of a quantity.
func (e *Engine) longest(rs *roomState, q unit.Quantity) time.Duration {
	most := time.Duration(0)
	for l := range rs.watch.Latest() {
		if l.Quantity == q {
			most = max(most, e.cfg.Stale(l.Sensor))
		}
	}
	return most
}

// tickSilence ages every sensor of the room. A silence that began while the
// daemon was down counts from its start, unless the alarm stands already:
// missing data never clears.
func (e *Engine) tickSilence(rs *roomState, now time.Time, fx *Effects) {
	for sensor, seen := range e.watched(rs, now) {
		rule, ok := rs.silentRule(e, sensor)
		if !ok {
			continue
		}
		c := rs.condition(alarm.Key{Kind: alarm.Silent, Room: rs.name, Sensor: sensor})
		if !c.Active && seen.Before(e.cfg.Started) {
			seen = e.cfg.Started
		}
		next, ts := c.ObserveAge(rule, now, seen)
		fx.note(c, next, ts)
	}
}
