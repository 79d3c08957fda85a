package engine

import (
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/climate"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// judgeAir judges the conditions of a room that are worked out by the hour.
func (e *Engine) judgeAir(rs *roomState, lots []lot.Lot, hour time.Time, fx *Effects) {
	if !rs.ledger.Begun() || rs.name == e.cfg.Forecasting.Outdoors {
		return
	}
	var here []lot.Lot
	for _, l := range lots {
		if !l.Finished() && l.Room() == rs.name {
			here = append(here, l)
		}
	}
	e.judgeHours(rs, hour, fx)
	for _, x := range []struct {
		kind  alarm.Kind
		judge func(alarm.Rule) (value float64, known bool)
	}{
		{alarm.Condensing, func(alarm.Rule) (float64, bool) { return e.condensing(rs, here, hour) }},
		{alarm.Ageing, func(r alarm.Rule) (float64, bool) { return e.ageing(rs, here, r, hour) }},
	} {
		rule, ok := rs.rules[x.kind]
		key := alarm.Key{Kind: x.kind, Room: rs.name}
		switch {
		case !ok:
		case len(here) == 0: // no food is left in it
			e.end(key, hour, fx)
		default:
			value, known := x.judge(rule)
			e.look(key, rule, hour, value, known, fx)
		}
	}
}

// judgeHours judges the hours above a temperature within a window. While hours
// that nobody measured could be among them, the alarm stands.
func (e *Engine) judgeHours(rs *roomState, hour time.Time, fx *Effects) {
	rule, ok := rs.rules[alarm.HoursOver]
	if !ok {
		return
	}
	above, unknown := rs.ledger.Over(unit.Celsius(rule.Over), hour.Add(-rule.Window), hour)
	if first, _ := rs.ledger.Slots(); hour.Add(-rule.Window).Before(first) { // before the room was watched
		unknown = max(0, unknown-first.Sub(hour.Add(-rule.Window)))
	}
	certain := (above + unknown).Seconds() <= rule.Limit-rule.Deadband
	e.look(alarm.Key{Kind: alarm.HoursOver, Room: rs.name}, rule, hour, above.Seconds(), certain || unknown == 0, fx)
}

// condensing is how far the dew point of the air in the hour before an instant
// lies above the coldest core of the lots, K.
func (e *Engine) condensing(rs *roomState, here []lot.Lot, hour time.Time) (value float64, known bool) {
	var last room.Slot
	for _, s := range rs.ledger.Hours(hour.Add(-time.Hour), hour) {
		last = s
	}
	const halfHour = uint32(30 * time.Minute / time.Millisecond)
	if last.VapourMS < halfHour {
		return 0, false
	}
	dew, err := climate.DewPointAt(unit.Pascal(last.VapourMean))
	if err != nil {
		return 0, false
	}
	for _, l := range here {
		if core, ok := e.coreOf(rs, l); ok && (!known || float64(dew-core) > value) {
			value, known = float64(dew-core), true
		}
	}
	return value, known
}

// coreOf is the core temperature of a lot as far as its room is settled.
func (e *Engine) coreOf(rs *roomState, l lot.Lot) (unit.Celsius, bool) {
	k, err := e.cfg.Catalog.Container(l.Packing.Container)
	if err != nil {
		return 0, false
	}
	return rs.ledger.Core(l.Packing.Lag(k))
}

// ageing is what the lot that fares worst has lost beyond plan storage a day,
// mean of the window of the rule. It is known where half of the window was
// measured.
func (e *Engine) ageing(rs *roomState, here []lot.Lot, rule alarm.Rule, hour time.Time) (value float64, known bool) {
	from := hour.Add(-rule.Window)
	for _, l := range here {
		value = max(value, e.eval.Cost(l, e.limiting(l, hour), from, hour)/(rule.Window.Hours()/24))
	}
	measured := rs.ledger.Between(0, room.AirEa, from, hour).Measured
	return value, 2*measured >= rule.Window
}
