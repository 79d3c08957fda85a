package app

import (
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/room"
)

// revise notes that the hours of a room may differ, from an instant on, from
// what was exported. It goes to the store with the next commit.
func (w *writer) revise(name string, since time.Time) {
	if w.export.Load() == nil || since.IsZero() { // folded from the first reading on: for a new exposure, the hours stay
		return
	}
	since = since.Truncate(time.Hour)
	if w.pending.Hours == nil {
		w.pending.Hours = map[string]time.Time{}
	}
	if old, noted := w.pending.Hours[name]; !noted || since.Before(old) {
		w.pending.Hours[name] = since
	}
}

// observed notes what the readings just taken have revised.
func (w *writer) observed(fx engine.Effects) {
	for name, since := range w.engine.TakeRevised() {
		w.revise(name, since)
	}
	for _, f := range fx.Refold {
		w.revise(f.Room, f.Since)
	}
}

// reach gives for each room since when hours may be revised by readings that
// the engine was not shown: a day before the first, the longest that a trace
// leads up to one.
func reach(readings []room.Reading) map[string]time.Time {
	out := map[string]time.Time{}
	for _, r := range readings {
		since := r.At.Add(-24 * time.Hour).Truncate(time.Hour)
		if old, any := out[r.Room]; !any || since.Before(old) {
			out[r.Room] = since
		}
	}
	return out
}

// folding reports whether a room waits to be folded again. Only the writer may
// ask.
func (w *writer) folding(name string) bool {
	for _, f := range w.refolds {
		if f.Room == name {
			return true
		}
	}
	_, imported := w.imports.since[name]
	return imported
}
