package app

import (
	"context"
	"slices"
	"sync"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/settings"
	"dryhold/internal/store"
	"dryhold/internal/unit"
	"dryhold/internal/wire"
)

const (
	// patience is how many of its stated intervals a sensor may be silent: the
	// interval is a most by RFC 8428 (update time), and two
	// messages lost on a radio are no dead sensor (judgement).
	patience = 3
	// statedMost bounds the stale limit that a sensor gets by its own word: one
	// that says a year must not be able to die unnoticed (judgement). A longer
	// one takes the configuration.
	statedMost = 24 * time.Hour
)

// stated holds how often sensors say that they measure. A sensor without a
// stale limit of its own in the configuration has the general one, doubled
// until it spans three of its intervals. It only ever grows: the longest
// interval ever said counts, and is kept with the readings, so that a rebuild
// comes to the same limits. A limit that followed each word of a sensor that
// measures less often by night would have its room folded anew twice a day.
type stated struct {
	mu     sync.RWMutex
	within map[string]time.Duration // by sensor, the longest on disk
}

// load takes what is stored.
func (s *stated) load(intervals []store.Interval) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.within = map[string]time.Duration{}
	for _, x := range intervals {
		s.within[x.Sensor] = x.Within
	}
}

// longest is the longest interval a sensor said, as far as it is on disk.
func (s *stated) longest(sensor string) time.Duration {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.within[sensor]
}

// limitFor is the stale limit of a sensor that says it may send only so often.
func limitFor(s *settings.Settings, sensor string, within time.Duration) time.Duration {
	limit, most := s.StaleLimit(sensor), max(s.Stale, statedMost)
	if s.OwnStale(sensor) {
		return limit
	}
	for limit < patience*within && limit < most {
		limit *= 2
	}
	return min(limit, most)
}

// staleLimit is the stale limit of a sensor now.
func (a *App) staleLimit(sensor string) time.Duration {
	return limitFor(a.opts.Settings, sensor, a.stated.longest(sensor))
}

// loadStated reads what sensors said, before the state is built.
func (a *App) loadStated(ctx context.Context) error {
	intervals, err := a.store.Intervals(ctx)
	if err != nil {
		return err
	}
	a.stated.load(intervals)
	for _, x := range intervals {
		a.clock.spare(a.staleLimit(x.Sensor))
	}
	return nil
}

// intervals gives what of a message's updates is longer than what is stored
// and makes a difference.
func (a *App) intervals(updates []wire.Update) (out []store.Interval) {
	for _, u := range updates {
		known := a.stated.longest(u.Sensor)
		if judges(u) && u.Within > known && limitFor(a.opts.Settings, u.Sensor, u.Within) > limitFor(a.opts.Settings, u.Sensor, known) {
			out = append(out, store.Interval{Sensor: u.Sensor, Within: u.Within})
		}
	}
	return out
}

// judges reports whether silence is told of the series an update is of.
func judges(u wire.Update) bool { return u.Quantity != unit.Battery && u.Quantity != unit.Link }

// learn takes intervals that are on disk now, and has the rooms of sensors
// whose limit grew folded anew: how long their readings stand is another now.
func (w *writer) learn(intervals []store.Interval) {
	var grown []string
	for _, x := range intervals {
		before := w.staleLimit(x.Sensor)
		w.stated.mu.Lock()
		w.stated.within[x.Sensor] = max(x.Within, w.stated.within[x.Sensor])
		w.stated.mu.Unlock()
		if limit := w.staleLimit(x.Sensor); limit > before {
			w.clock.spare(limit)
			grown = append(grown, x.Sensor)
			w.logOf("sensors").Info("a sensor says that it sends less often: it may be silent for longer", "sensor", x.Sensor, "interval", x.Within, "limit", limit)
		}
	}
	w.counters.mu.Lock()
	defer w.counters.mu.Unlock()
	for k := range w.counters.sensors {
		if slices.Contains(grown, k[1]) {
			w.refolds = append(w.refolds, engine.Refold{Room: k[0]})
			w.revise(k[0], time.UnixMilli(1))
		}
	}
}

// spare has a step of the clock leave every sensor this long to speak.
func (c *clock) spare(limit time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.grace = max(c.grace, limit)
}
