package engine

import (
	"cmp"
	"math"
	"slices"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/climate"
	"dryhold/internal/kinetics"
	"dryhold/internal/unit"
)

const (
	month = 30 * 24 * time.Hour
	// shownEa is the activation energy of the ageing factor shown for a room
	// (kJ/mol), in the middle of the ranges for dry foods (models 3.2).
	shownEa = unit.KJPerMol(80)
)

// Snapshot is the state as of an instant, for pages, metrics and the command
// line.
func (e *Engine) Snapshot(now time.Time) *Snapshot {
	s := &Snapshot{Site: e.cfg.Site, At: now}
	e.heardAt = later(e.heardAt, now)
	s.Lots = e.lotViews(now) // first: the cost of an alarm is that of the mode that limits a lot
	for _, rs := range e.rooms {
		s.Rooms = append(s.Rooms, e.roomView(rs, now))
		s.Sensors = append(s.Sensors, e.sensorViews(rs, now)...)
		s.Alarms = append(s.Alarms, e.alarmViews(rs.conditions, now)...)
	}
	s.Alarms = append(s.Alarms, e.alarmViews(e.conditions, now)...)
	slices.SortStableFunc(s.Alarms, func(a, b AlarmView) int {
		return cmp.Or(cmp.Compare(weight(a.State), weight(b.State)), cmp.Compare(b.Priority, a.Priority), a.Since.Compare(b.Since))
	})
	return s
}

func flag(b bool) int {
	if b {
		return 1
	}
	return 0
}

// weight orders alarm states, the one that wants a person first.
func weight(s alarm.State) int {
	return slices.Index([]alarm.State{
		alarm.ActiveUnacknowledged, alarm.ReturnedUnack, alarm.ActiveAcknowledged, alarm.Shelved, alarm.OutOfService, alarm.Normal,
	}, s)
}

func (e *Engine) roomView(rs *roomState, now time.Time) RoomView {
	v := RoomView{
		Name:        rs.name,
		Temperature: e.value(rs, unit.Temperature, now),
		Humidity:    e.value(rs, unit.Humidity, now),
		Illuminance: e.value(rs, unit.Illuminance, now),
		WarmLimit:   e.Plan(rs.name),
		DampLimit:   unit.RH(rs.rules[alarm.Damp].Limit),
		BrightLimit: unit.Lux(rs.rules[alarm.Bright].Limit),
		Coverage24h: rs.ledger.Coverage(now.Add(-24*time.Hour), now), LightDose30d: rs.ledger.Dose(now.Add(-month), now),
	}
	v.Disagree, v.DisagreeHumidity = e.apart(rs, unit.Temperature, now), e.apart(rs, unit.Humidity, now)
	if v.Temperature.Known {
		f := kinetics.AccelerationFactor(shownEa, unit.Celsius(v.Temperature.Value), v.WarmLimit)
		v.Acceleration = Value{true, f, v.Temperature.At}
	}
	if v.Temperature.Known && v.Humidity.Known {
		if d, err := climate.DewPoint(unit.Celsius(v.Temperature.Value), unit.RH(v.Humidity.Value)); err == nil {
			v.DewPoint = Value{true, float64(d), v.Humidity.At}
		}
	}
	v.Mould, v.GrowthNow = rs.mouldViews(now, e.cfg.Stale), growthNow(v.Temperature, v.Humidity)
	if t, ok := rs.ledger.MeanKinetic(now.Add(-month), now); ok {
		v.MeanKinetic = Value{true, float64(t), rs.ledger.Settled()}
	}
	for _, l := range e.book.Lots() {
		if !l.Finished() && l.Room() == rs.name {
			v.LotCount++
		}
	}
	return v
}

// apart is how far the sensors that are not stale are apart.
func (e *Engine) apart(rs *roomState, q unit.Quantity, now time.Time) float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for l := range rs.watch.Latest() {
		if l.Quantity == q && now.Sub(l.At) <= e.cfg.Stale(l.Sensor) && !e.sensors.Retired(rs.name, l.Sensor, now) {
			low, high = min(low, l.Value), max(high, l.Value)
		}
	}
	if high < low {
		return 0
	}
	return q.Round(high - low)
}

// value is the mean of what the sensors that are not stale said last. When
// all are stale it is the newest value, not known any more.
func (e *Engine) value(rs *roomState, q unit.Quantity, now time.Time) Value {
	var fresh, last Value
	n := 0.0
	for l := range rs.watch.Latest() {
		if l.Quantity != q || e.sensors.Retired(rs.name, l.Sensor, now) {
			continue
		}
		if now.Sub(l.At) <= e.cfg.Stale(l.Sensor) {
			n++
			fresh.Known = true
			fresh.Value += l.Value
		}
		if l.At.After(last.At) {
			last.At, last.Value = l.At, l.Value
		}
	}
	if !fresh.Known {
		return last
	}
	return Value{true, fresh.Value / n, last.At}
}

func (e *Engine) alarmViews(conditions []alarm.Condition, now time.Time) []AlarmView {
	var out []AlarmView
	for _, c := range conditions {
		if c.State != alarm.Normal {
			out = append(out, e.alarmView(c, now))
		}
	}
	return out
}

// alarmView shows an alarm as of the last whole hour, worked out once.
func (e *Engine) alarmView(c alarm.Condition, now time.Time) AlarmView {
	ev, to := alarm.Raised, now
	if !c.Active {
		ev, to = alarm.Returned, c.Changed
	}
	hour := judgedHour(e.find(c.Key.Room), to)
	e.mustWorkOut(later(e.heardAt, now)) // which forgets what it makes untrue
	s, ok := e.beside[c.Key]
	if ok = ok && s.hour.Equal(hour); ok && s.condition == c && c.Key.Kind != alarm.Silent {
		return s.view
	}
	x := s.context
	if !ok || s.condition.Active != c.Active || s.condition.Spell != c.Spell {
		x = e.context(c, hour)
	}
	s = beside{hour: hour, condition: c, context: x}
	if c.Key.Kind == alarm.Silent && c.Active { // the condition keeps only what moved it
		c.Value += max(0, now.Sub(c.ValueAt).Seconds())
		c.ValueAt, c.Peak = now, max(c.Peak, c.Value)
	}
	rule := e.ruleOf(c.Key)
	s.view = AlarmView{
		Key: c.Key, State: c.State, Priority: rule.Priority, Since: c.Since, Unknown: c.Unknown,
		Value: c.Value, Peak: c.Peak, Limit: rule.Limit, By: c.AckBy, Costs: x.Costs, Advice: x.Advice,
		Spell: c.SpellKey(), Active: c.Active, Note: c.Note, NoteBy: c.NoteBy, NoteAt: c.NoteAt, ShelvedUntil: c.ShelvedUntil, AsideBy: c.AsideBy,
		Text: alarm.Subject(e.cfg.Site, c, rule, ev, now, e.cfg.Zone, x),
	}
	e.beside[c.Key] = s
	return s.view
}
