package app

import (
	"time"

	"dryhold/internal/alarm"
)

// doubting is for how long the clock has not been believed, by monotonic time;
// 0 where it is.
func (c *clock) doubting() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.doubt == "" {
		return 0
	}
	return max(time.Nanosecond, c.mono()-c.doubted)
}

// doubt tells the keeper that the clock has not been trusted for longer than its
// limit, and when it is again: from memory, since nothing is stored meanwhile.
// No condition of the engine can tell it, for the engine stands still. Its
// instants are those of the newest fact, the last that was believed.
func (w *writer) doubt() {
	rule, watched := w.opts.Settings.SiteRules[alarm.Clock]
	d, c := w.clock.doubting(), &w.clock.alarm
	if !watched || c.Active == (d > 0) && !c.Active {
		return
	}
	now, ev := w.clock.judging(), alarm.Raised
	switch {
	case c.Active && d > 0:
		c.Value, c.Peak = d.Seconds(), d.Seconds()
		return
	case c.Active:
		c.Active, c.State, c.Changed, ev = false, alarm.ReturnedUnack, now, alarm.Returned
		c.Value, c.ValueAt = 0, now
	case d.Seconds() <= rule.Limit:
		return
	default:
		*c = alarm.New(alarm.Key{Kind: alarm.Clock})
		c.Active, c.Unknown, c.State, c.Spell = true, false, alarm.ActiveUnacknowledged, 1
		c.Since, c.RaisedAt, c.Changed, c.ValueAt, c.PeakAt = now, now, now, now, now
		c.Value, c.Peak = d.Seconds(), d.Seconds()
	}
	w.worker.FromMemory(alarm.Compose(w.opts.Settings.Site, *c, rule, ev, now, w.opts.Settings.Zone, alarm.Context{}))
}
