package engine

import (
	"slices"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
)

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
