package app

import (
	"context"
	"fmt"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/store"
	"dryhold/internal/web"
)

// imports is what an import left to fold: the earliest instant by room. Only
// the writer uses it.
type imports struct {
	since map[string]time.Time
	last  time.Time // of the last chunk
}

// importCalm is how long after its last chunk an import that was never ended is
// folded: whoever sent it went away.
const importCalm = 30 * time.Second

// Import implements web.Importer.
func (a *App) Import(ctx context.Context, readings []room.Reading) (web.ImportAnswer, error) {
	return worked(ctx, a, func(w *writer) (web.ImportAnswer, error) { return w.importReadings(readings) })
}

// importReadings stores a chunk. It is not shown to the engine: years of
// readings are folded once, when all are there.
func (w *writer) importReadings(readings []room.Reading) (web.ImportAnswer, error) {
	for _, r := range readings {
		if !w.takesRoom(r.Room) {
			return web.ImportAnswer{}, lot.Invalid("room %q is not listed: enter it under rooms in the configuration, or set accept_new_rooms", r.Room)
		}
	}
	var fresh []room.Reading
	done := func() web.ImportAnswer {
		return web.ImportAnswer{Stored: len(fresh), Known: len(readings) - len(fresh)}
	}
	now := w.clock.judging()
	err := w.store.Commit(w.armed(context.Background()), store.Batch{Readings: readings}, nil, now, func(new []room.Reading) (store.Outcome, error) {
		fresh = new
		answer, err := w.answer(done(), now)
		return store.Outcome{Hours: reach(new), Answer: answer}, err
	})
	w.committed(err)
	if err != nil {
		return web.ImportAnswer{}, err
	}
	if w.imports.since == nil {
		w.imports.since = map[string]time.Time{}
	}
	for _, r := range fresh {
		if since, any := w.imports.since[r.Room]; !any || r.At.Before(since) {
			w.imports.since[r.Room] = r.At
		}
	}
	w.imports.last = time.Now()
	return done(), nil
}

// takesRoom reports whether readings of a room are taken.
func (w *writer) takesRoom(name string) bool {
	s := w.opts.Settings
	for _, r := range s.Rooms {
		if r.Name == name {
			return true
		}
	}
	return s.AcceptNewRooms
}

// Imported implements web.Importer.
func (a *App) Imported(ctx context.Context, done web.ImportDone) error {
	return a.submit(ctx, &edit{work: func(w *writer) error {
		now := w.now().UTC().Truncate(time.Millisecond)
		answer, err := w.answer(nil, now)
		if err != nil {
			return err
		}
		err = w.store.RecordImport(w.armed(context.Background()), store.Import{
			At: now, By: done.By, Source: done.Source, Stored: done.Stored, Known: done.Known, From: done.From, To: done.To,
		}, answer)
		w.committed(err)
		if err != nil {
			return err
		}
		w.imports.last = time.Time{}
		w.foldImported(time.Now())
		w.refolded, w.shown = time.Time{}, time.Time{}
		return nil
	}})
}

// foldImported hands what was imported to the fold, once no more comes.
func (w *writer) foldImported(now time.Time) {
	if len(w.imports.since) == 0 || now.Sub(w.imports.last) < importCalm {
		return
	}
	for name, since := range w.imports.since {
		w.refolds = append(w.refolds, engine.Refold{Room: name, Since: since})
	}
	w.imports.since = nil
	w.logOf("engine").Info("folding what was imported", "rooms", fmt.Sprint(len(w.refolds)))
}
