package engine

import (
	"slices"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
	"dryhold/internal/room"
)

// storedAnew is how old the stored value of a condition that stands may be, so
// that hundreds of lots do not write each hour what has hardly changed.
const storedAnew = 24 * time.Hour

// look gives a value to a condition that is judged by the hour. One that is not
// known, because it would rest on what nobody has measured, may raise it and
// never ends it.
func (e *Engine) look(key alarm.Key, rule alarm.Rule, at time.Time, value float64, known bool, fx *Effects) {
	c := alarm.New(key)
	if kept := e.kept(key); kept != nil {
		c = *kept
	}
	var next alarm.Condition
	var moved []alarm.Transition
	if known || rule.Beyond(value) {
		next, moved = c.Observe(rule, at, value)
	} else {
		next, moved = c.Missing(rule, at)
	}
	next, later := next.Tick(rule, at) // a delay or a shelving may end here
	moved = append(moved, later...)
	if same(c, next) && len(moved) == 0 && at.Sub(c.ValueAt) < storedAnew {
		return
	}
	if next, moved = c.Quietly(next, moved); next != c {
		fx.note(e.condition(key), next, moved)
	}
}

// same says that two states of a condition differ by their values at most.
func same(a, b alarm.Condition) bool {
	return a.State == b.State && a.Active == b.Active && a.Unknown == b.Unknown && a.On.From.Equal(b.On.From) && a.OffFrom.Equal(b.OffFrom)
}

// end ends a condition of which nothing is left to watch.
func (e *Engine) end(key alarm.Key, at time.Time, fx *Effects) {
	if c := e.kept(key); c != nil && (c.State != alarm.Normal || c.Active || !c.On.From.IsZero()) {
		next, moved := c.End(at)
		fx.note(c, next, moved)
	}
}

// judgedHour is the last whole hour up to which a room is judged.
func judgedHour(rs *roomState, now time.Time) time.Time {
	if rs != nil && rs.ledger.Begun() && rs.ledger.Settled().Before(now) {
		now = rs.ledger.Settled()
	}
	return now.Truncate(time.Hour)
}

// stored says that a lot stands in a room.
func (e *Engine) stored(name string) bool {
	return slices.ContainsFunc(e.book.Lots(), func(l lot.Lot) bool { return !l.Finished() && l.Room() == name })
}

// tickHours judges what is worked out by the hour: of each room whose readings
// have reached a new one its air and the lots in it. The week ahead of a room
// is worked out when its turn comes, one at a time, since it takes a while.
func (e *Engine) tickHours(now time.Time, fx *Effects) {
	var due []*roomState
	for _, rs := range e.rooms {
		if hour := judgedHour(rs, now); hour.After(rs.judged) || e.unjudged {
			rs.judged = hour
			due = append(due, rs)
		}
	}
	if len(due) > 0 {
		e.unjudged = false
		e.mustWorkOut(now)
		e.endGone(now, fx)
		lots := e.book.Lots()
		for _, rs := range due {
			e.judgeAir(rs, lots, rs.judged, fx)
		}
		for _, l := range lots {
			if rs := e.find(l.Room()); !l.Finished() && (rs == nil || slices.Contains(due, rs)) {
				e.judgeLot(l, fx)
			}
		}
	}
	for _, rs := range e.rooms {
		if hour := judgedHour(rs, now).Truncate(lookAhead); hour.After(rs.lookedAhead) {
			rs.lookedAhead = hour
			e.judgeAhead(rs, hour, fx)
			return
		}
	}
}

// endGone ends what is watched no more: of lots that are finished or taken back, and by rules
// that the keeper has switched off.
func (e *Engine) endGone(now time.Time, fx *Effects) {
	inStore := map[string]bool{}
	for _, l := range e.book.Lots() {
		inStore[l.ID] = !l.Finished()
	}
	for _, c := range slices.Clone(e.conditions) {
		if c.Key.Lot != "" && (!inStore[c.Key.Lot] || !e.watches(c.Key)) {
			e.end(c.Key, now, fx)
		}
	}
	for _, rs := range e.rooms {
		for _, c := range slices.Clone(rs.conditions) {
			if c.Key.Kind.Scope() == alarm.OfRoom && !e.watches(c.Key) {
				e.end(c.Key, now, fx)
			}
		}
	}
}

// watches says that there is a rule for a condition of a room or a lot.
func (e *Engine) watches(k alarm.Key) bool {
	if k.Lot != "" {
		l, err := e.book.Find(k.Lot)
		if err != nil {
			return false
		}
		_, ok := e.lotRule(l, k.Kind)
		return ok
	}
	rs := e.find(k.Room)
	if rs == nil {
		return false
	}
	if k.Sensor != "" {
		_, own := e.shelfRule(k.Sensor, k.Kind)
		return own
	}
	_, ok := rs.rules[k.Kind]
	return ok
}

// measuredLately says that some of the day before an instant was measured.
func measuredLately(rs *roomState, at time.Time) bool {
	return rs != nil && rs.ledger.Begun() && rs.ledger.Between(0, room.AirEa, at.Add(-24*time.Hour), at).Measured > 0
}
