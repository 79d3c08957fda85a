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

// kindOf is the condition that a quantity drives.
func kindOf(q unit.Quantity) (alarm.Kind, bool) {
	switch q {
	case unit.Temperature:
		return alarm.Warm, true
	case unit.Humidity:
		return alarm.Damp, true
	case unit.Illuminance:
		return alarm.Bright, true
	}
	return "", false
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

// judge runs the condition that a new reading drives. Of several sensors the highest value decides: the warmest shelf.
func (e *Engine) judge(rs *roomState, r room.Reading, fx *Effects) {
	kind, watched := kindOf(r.Quantity)
	if rule, ok := rs.rules[kind]; watched && ok {
		rule.Stale = e.cfg.Stale(r.Sensor)
		c := rs.condition(alarm.Key{Kind: kind, Room: rs.name})
		next, ts := e.observe(rs, *c, rule, r)
		fx.note(c, next, ts)
	}
}

// judgeLate judges a reading that waited, by its own time or, where another
// sensor was judged meanwhile, by that one's: a condition does not go back.
func (e *Engine) judgeLate(rs *roomState, r room.Reading, fx *Effects) {
	if kind, watched := kindOf(r.Quantity); watched {
		r.At = later(r.At, rs.faultOf(alarm.Key{Kind: kind, Room: rs.name}).ValueAt)
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
		switch {
		case l.Quantity != r.Quantity || l.Sensor == r.Sensor || e.sensors.Retired(rs.name, l.Sensor, r.At):
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

// ruleOf is the rule of a condition; the zero rule where it is watched no more.
func (e *Engine) ruleOf(k alarm.Key) alarm.Rule {
	rs := e.find(k.Room)
	switch {
	case rs == nil:
		return alarm.Rule{Kind: k.Kind, Priority: alarm.Low}
	case k.Kind == alarm.Silent:
		rule, _ := rs.silentRule(e, k.Sensor)
		return rule
	}
	return rs.rules[k.Kind]
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
		if t.Event != "" {
			fx.events = append(fx.events, event{next, t.Event, t.At})
		}
	}
}

// Tick lets time pass: delays run out, sensors fall silent, gaps are judged.
func (e *Engine) Tick(now time.Time) Effects {
	var fx Effects
	for _, rs := range e.rooms {
		rs.advance(now)
		e.release(rs, now, &fx)
		for _, q := range []unit.Quantity{unit.Temperature, unit.Humidity, unit.Illuminance} {
			kind, _ := kindOf(q)
			rule, ok := rs.rules[kind]
			if !ok || !rs.has(q) {
				continue
			}
			c := rs.condition(alarm.Key{Kind: kind, Room: rs.name})
			rule.Stale = e.longest(rs, q)
			next, ts := c.Tick(rule, now)
			fx.note(c, next, ts)
		}
		e.tickSilence(rs, now, &fx)
		e.tickFaults(rs, now, &fx)
	}
	e.compose(&fx)
	return fx
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
