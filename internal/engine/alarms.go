package engine

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/catalog"
	"dryhold/internal/lot"
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

// ruleOf is the rule of a condition.
func (e *Engine) ruleOf(rs *roomState, k alarm.Key) alarm.Rule {
	if k.Kind == alarm.Silent {
		rule, _ := rs.silentRule(e, k.Sensor)
		return rule
	}
	return rs.rules[k.Kind]
}

// event is a transition that wants a notice, with the condition as it then
// was; compose writes the text once the ledgers know what it cost.
type event struct {
	alarm.Condition
	kind alarm.NoticeEvent
	at   time.Time
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

// Condition is an alarm condition as it stands; zero when there is none of the
// key.
func (e *Engine) Condition(key alarm.Key) alarm.Condition {
	if rs := e.find(key.Room); rs != nil {
		if i := slices.IndexFunc(rs.conditions, func(c alarm.Condition) bool { return c.Key == key }); i >= 0 {
			return rs.conditions[i]
		}
	}
	return alarm.Condition{}
}

// Restore sets a condition back to what Condition gave, where what was done to
// it since could not be stored.
func (e *Engine) Restore(c alarm.Condition) {
	if c != (alarm.Condition{}) {
		*e.room(c.Key.Room).condition(c.Key) = c
	}
}

// Acknowledge marks an alarm as seen by a person. The error wraps
// lot.ErrNotFound or lot.ErrInvalid.
func (e *Engine) Acknowledge(now time.Time, key alarm.Key, by, note string) (Effects, error) {
	var fx Effects
	if e.Condition(key) == (alarm.Condition{}) {
		return fx, lot.NotFound("no alarm condition %s", key)
	}
	c := e.room(key.Room).condition(key)
	next, ts, err := c.Acknowledge(now, by, note)
	if err != nil {
		return fx, lot.Invalid("%v", err)
	}
	fx.note(c, next, ts)
	return fx, nil
}

// compose writes the notices: what it is, and what it costs which lots.
func (e *Engine) compose(fx *Effects) {
	for _, ev := range fx.events {
		rs := e.find(ev.Key.Room)
		rule := e.ruleOf(rs, ev.Key)
		costs := e.costs(rs, ev.Condition, ev.at)
		fx.Notices = append(fx.Notices, alarm.Compose(e.cfg.Site, ev.Condition, rule, ev.kind, ev.at, e.cfg.Zone, costs))
	}
	fx.events = nil
}

// costs is what a spell of heat has cost the lots of a room up to an instant,
// from its first reading beyond the limit on. Only heat is costed so far: the
// other conditions have none.
func (e *Engine) costs(rs *roomState, c alarm.Condition, to time.Time) []alarm.LotCost {
	if c.Key.Kind != alarm.Warm || c.Since.IsZero() {
		return nil
	}
	var out []alarm.LotCost
	for _, l := range e.book.Lots() {
		if l.Finished() || l.Room() != rs.name {
			continue
		}
		m := e.limiting(l, to)
		out = append(out, alarm.LotCost{
			Lot: l.ID, Food: e.foodName(l),
			Days: max(0, e.eval.Cost(l, m, c.Since, to)),
			Week: max(0, e.eval.CostOfHolding(l, m, unit.Celsius(c.Value), 7)),
		})
	}
	return out
}

// limiting is the mode that limits a lot, as last worked out, or at an instant
// if it never was.
func (e *Engine) limiting(l lot.Lot, at time.Time) catalog.Mode {
	if e.lots[l.ID] == nil {
		e.mustWorkOut(at)
	}
	f, _ := e.cfg.Catalog.Food(l.Packing.Food) // worked out, so it is known
	return f.Modes[e.lots[l.ID].limiting]
}

func (e *Engine) foodName(l lot.Lot) string {
	f, err := e.cfg.Catalog.Food(l.Packing.Food)
	if err != nil {
		return l.Packing.Food
	}
	return f.Name
}
