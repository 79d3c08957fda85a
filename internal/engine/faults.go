package engine

import (
	"slices"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/sensor"
	"dryhold/internal/unit"
)

// standsFor is how long a comparison of sensors stands: they are compared at
// every whole hour, and one may fail to come about while the daemon starts.
const standsFor = 2 * time.Hour

// spikeKind is the condition of a jump of a quantity.
func spikeKind(q unit.Quantity) (alarm.Kind, bool) {
	switch q {
	case unit.Temperature:
		return alarm.Spike, true
	case unit.Humidity:
		return alarm.SpikeHumidity, true
	}
	return "", false
}

// newWatch watches the sensors of a room with its rules.
func (e *Engine) newWatch(rules map[alarm.Kind]alarm.Rule) *sensor.Watch {
	return sensor.NewWatch(e.cfg.Stale, func(q unit.Quantity) float64 {
		kind, _ := spikeKind(q)
		return rules[kind].Limit // without a rule nothing is held
	})
}

// faultOf finds the condition of a sensor. Where there is none it is a new
// one, stored only once something moves it.
func (rs *roomState) faultOf(k alarm.Key) alarm.Condition {
	if i := slices.IndexFunc(rs.conditions, func(c alarm.Condition) bool { return c.Key == k }); i >= 0 {
		return rs.conditions[i]
	}
	return alarm.New(k)
}

// fault moves the condition of a sensor and keeps it if that left a trace.
func (rs *roomState) fault(k alarm.Key, fx *Effects, move func(alarm.Condition) (alarm.Condition, []alarm.Transition)) {
	c := rs.faultOf(k)
	next, moved := move(c)
	if next, moved = c.Quietly(next, moved); next != c {
		fx.note(rs.condition(k), next, moved)
	}
}

// spiked tells the condition of jumps of a sensor of one, and of readings that
// are none.
func (e *Engine) spiked(rs *roomState, name string, q unit.Quantity, at time.Time, spike *sensor.Mark, fx *Effects) {
	kind, _ := spikeKind(q)
	rule, ok := rs.rules[kind]
	if !ok {
		return
	}
	rule.Stale = e.cfg.Stale(name)
	k := alarm.Key{Kind: kind, Room: rs.name, Sensor: name}
	if spike != nil {
		rs.fault(k, fx, func(c alarm.Condition) (alarm.Condition, []alarm.Transition) {
			return c.Observe(rule, spike.At, spike.Value)
		})
	}
	if rs.faultOf(k).Active {
		rs.fault(k, fx, func(c alarm.Condition) (alarm.Condition, []alarm.Transition) { return c.Observe(rule, at, 0) })
	}
}

// tickFaults looks for faults of the sensors of a room: those of a single
// sensor and those that show between several. All but the swap, which a
// person tells, are looked for once in an hour, since they take hours to show.
func (e *Engine) tickFaults(rs *roomState, now time.Time, fx *Effects) {
	e.endSwapped(rs, now, fx)
	hour := now.Truncate(time.Hour)
	if hour.Equal(rs.lookedOver) {
		return
	}
	rs.lookedOver = hour
	e.judgeRound(rs, hour, fx)
	for name := range e.watched(rs, now) {
		e.lookOver(rs, name, now, fx)
	}
	e.tickSpikes(rs, now, fx)
	e.compareSensors(rs, now, fx)
}

// endSwapped ends what stands against a sensor that a person has replaced
// since. A sensor that has another name now does not speak any more, and that
// is no silence; its successor under the same name has to speak.
func (e *Engine) endSwapped(rs *roomState, now time.Time, fx *Effects) {
	for i := range rs.conditions {
		c := &rs.conditions[i]
		if c.Key.Sensor == "" || c.State == alarm.Normal && !c.Active && c.On.From.IsZero() {
			continue
		}
		gone := e.sensors.Retired(rs.name, c.Key.Sensor, now)
		stays := c.Key.Kind == alarm.Silent || c.Key.Kind.Scope() == alarm.OfRoom // a shelf is as warm under its new sensor
		if !gone && (stays || !e.renewedSince(rs, *c, now)) {
			continue
		}
		next, moved := c.End(now)
		fx.note(c, next, moved)
	}
}

// renewedSince reports whether a person has taken away what a condition
// stands on: the sensor was replaced or, for a drift, any of those compared
// was replaced or calibrated, which starts the comparison anew.
func (e *Engine) renewedSince(rs *roomState, c alarm.Condition, now time.Time) bool {
	since := c.Since
	if !c.Active {
		since = c.On.From
	}
	q := unit.Temperature
	switch c.Key.Kind {
	case alarm.DriftHumidity:
		q = unit.Humidity
	case alarm.Drift:
	default:
		return e.sensors.Swapped(rs.name, c.Key.Sensor, now).After(since)
	}
	return slices.ContainsFunc(rs.heard, func(h heard) bool { return e.sensors.Renewed(rs.name, h.sensor, q, now).After(since) })
}

// lookOver looks for what shows of one sensor alone.
func (e *Engine) lookOver(rs *roomState, name string, now time.Time, fx *Effects) {
	hour := now.Truncate(time.Hour)
	of := func(kind alarm.Kind) alarm.Key { return alarm.Key{Kind: kind, Room: rs.name, Sensor: name} }
	if rule, ok := rs.rules[alarm.Stuck]; ok {
		covered, since := rs.watch.Unchanged(name)
		rs.fault(of(alarm.Stuck), fx, func(c alarm.Condition) (alarm.Condition, []alarm.Transition) {
			next, moved := c.Observe(rule, hour, covered.Seconds())
			if next.Active && !c.Active {
				next.Since = since
			}
			return next, moved
		})
	}
	if rule, ok := rs.rules[alarm.LowBattery]; ok {
		for l := range rs.watch.Latest() {
			if l.Sensor == name && l.Quantity == unit.Battery {
				rs.fault(of(alarm.LowBattery), fx, func(c alarm.Condition) (alarm.Condition, []alarm.Transition) {
					c, first := c.Observe(rule, l.At, l.Value)
					c, second := c.Tick(rule, now) // a level stands until the next one
					return c, append(first, second...)
				})
			}
		}
	}
	if rule, ok := rs.rules[alarm.CalibrationDue]; ok {
		due := e.due(rs.name, name, now)
		rs.fault(of(alarm.CalibrationDue), fx, func(c alarm.Condition) (alarm.Condition, []alarm.Transition) {
			return c.ObserveAge(rule, now, due)
		})
	}
}

// due is when the first calibration of a sensor is due; now where none is.
func (e *Engine) due(in, name string, now time.Time) time.Time {
	first := now
	for _, q := range unit.Quantities() {
		if d := e.sensors.Calibration(in, name, q, now).Due; !d.IsZero() && d.Before(first) {
			first = d
		}
	}
	return first
}

// tickSpikes lets time pass for the conditions of jumps: a sensor that fell
// silent is not steady.
func (e *Engine) tickSpikes(rs *roomState, now time.Time, fx *Effects) {
	for _, c := range slices.Clone(rs.conditions) {
		rule, ok := rs.rules[c.Key.Kind]
		if !ok || c.Key.Kind != alarm.Spike && c.Key.Kind != alarm.SpikeHumidity {
			continue
		}
		rule.Stale = e.cfg.Stale(c.Key.Sensor)
		rs.fault(c.Key, fx, func(c alarm.Condition) (alarm.Condition, []alarm.Transition) { return c.Tick(rule, now) })
	}
}

// compareSensors looks for what shows between the sensors of the room.
func (e *Engine) compareSensors(rs *roomState, now time.Time, fx *Effects) {
	gone := func(name string) bool { return e.sensors.Retired(rs.name, name, now) }
	hour := now.Truncate(time.Hour)
	for _, x := range []struct {
		q               unit.Quantity
		disagree, drift alarm.Kind
	}{{unit.Temperature, alarm.Disagree, alarm.Drift}, {unit.Humidity, alarm.DisagreeHumidity, alarm.DriftHumidity}} {
		if _, ok := rs.rules[x.disagree]; ok {
			e.compared(rs, x.disagree, rs.watch.Apart(x.q, hour, gone), hour, fx)
		}
		if _, ok := rs.rules[x.drift]; ok {
			renewed := func(name string) time.Time { return e.sensors.Renewed(rs.name, name, x.q, now) }
			e.compared(rs, x.drift, rs.watch.Drift(x.q, now, gone, renewed), hour, fx)
		}
	}
}

// compared tells the conditions of a kind how far each sensor is from the
// others. Of two sensors nobody knows which is off: only one alarm is told,
// that of the one against which it stands already, else of the later by name.
// A sensor that cannot be compared, since it or all others are silent, keeps
// its alarm; where a person has left it alone in the room its alarm ends.
func (e *Engine) compared(rs *roomState, kind alarm.Kind, d sensor.Distances, hour time.Time, fx *Effects) {
	rule := rs.rules[kind]
	rule.Stale = standsFor
	key := func(name string) alarm.Key { return alarm.Key{Kind: kind, Room: rs.name, Sensor: name} }
	var known []string
	for _, name := range d.Sensors {
		if _, ok := d.From[name]; ok {
			known = append(known, name)
		}
	}
	if len(known) == 2 {
		spared := known[0]
		if rs.faultOf(key(spared)).Active && !rs.faultOf(key(known[1])).Active {
			spared = known[1]
		}
		delete(d.From, spared)
	}
	for _, name := range d.Sensors {
		rs.fault(key(name), fx, func(c alarm.Condition) (alarm.Condition, []alarm.Transition) {
			v, ok := d.From[name]
			switch {
			case ok:
				return c.Observe(rule, hour, v)
			case len(d.Sensors) == 1 && (c.Active || c.State != alarm.Normal):
				return c.End(hour)
			}
			return c.Missing(rule, hour)
		})
	}
}
