package app

import (
	"context"
	"fmt"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"dryhold/internal/crash"
	"dryhold/internal/engine"
	"dryhold/internal/room"
	"dryhold/internal/settings"
)

// engineConfig is the engine of a configuration, with the facts in the store.
func (a *App) engineConfig(ctx context.Context, s *settings.Settings) (cfg engine.Config, err error) {
	cfg = engine.Config{
		Site: s.Site, Zone: s.Zone, Catalog: a.opts.Catalog, Rules: s.Rules, Stale: a.staleLimit,
		ShelfRules: s.ShelfRules, LotRules: s.LotRules, SiteRules: s.SiteRules, Volume: s.Volume,
		Forecasting: engine.Forecasting{Outdoors: s.Outdoor, Normals: s.Normals, Futures: a.opts.Futures},
	}
	for _, r := range s.Rooms {
		cfg.Rooms = append(cfg.Rooms, r.Name)
	}
	if cfg.Lots, err = a.store.LotChanges(ctx); err != nil {
		return cfg, err
	}
	if cfg.Sensors, err = a.store.SensorChanges(ctx); err != nil {
		return cfg, err
	}
	cfg.Notes, err = a.store.NoteChanges(ctx)
	return cfg, err
}

// startEngine builds the state from the facts in the store.
func (a *App) startEngine(ctx context.Context) (func(context.Context) error, error) {
	cfg, err := a.engineConfig(ctx, a.opts.Settings)
	if err != nil {
		return nil, err
	}
	if cfg.Conditions, err = a.store.Conditions(ctx); err != nil {
		return nil, err
	}
	cfg.Dispatching.Recipients = a.opts.Settings.People()
	if cfg.Dispatching.Told, err = a.store.Told(ctx); err != nil {
		return nil, err
	}
	if err := a.loadStated(ctx); err != nil {
		return nil, err
	}
	cfg.Started = a.upkeep.since(a.now())
	if a.engine, err = engine.New(cfg); err != nil {
		return nil, err
	}
	rooms, err := a.store.Rooms(ctx)
	if err != nil {
		return nil, err
	}
	var all []engine.Refold
	for _, name := range rooms {
		all = append(all, engine.Refold{Room: name})
	}
	if err := a.refold(ctx, all, crash.Folded); err != nil {
		return nil, err
	}
	first := a.engine.Snapshot(a.now())
	a.counters.rooms(a.engine.Rooms(), first.Sensors, a.opts.Settings.Sensors)
	a.show(first)
	return nil, nil
}

// progressEvery is how often a long refold says how far it is.
const progressEvery = 5 * time.Second

// refold feeds rooms again from the store, from the instants given, and carries
// on the lots that rest on them.
func (a *App) refold(ctx context.Context, wanted []engine.Refold, point crash.Point) error {
	if err := a.refoldRooms(ctx, wanted, point); err != nil {
		return err
	}
	began := time.Now()
	work, err := a.engine.Behind(a.now())
	if err == nil {
		err = sideBySide(ctx, len(work), func(_ context.Context, i int) error {
			err := work[i]()
			a.vitals.beat(time.Now())
			return err
		})
	}
	if err != nil {
		return fmt.Errorf("cannot follow the lots again: %w", err)
	}
	a.logOf("engine").Debug("lots followed again", "pieces", len(work), "took", time.Since(began))
	return nil
}

// refoldRooms does it for rooms, as many side by side as there are processors:
// what is folded of one touches nothing of another. The point is where a test may
// end the process, after each day.
func (a *App) refoldRooms(ctx context.Context, wanted []engine.Refold, point crash.Point) error {
	all := merged(wanted)
	froms := make([]time.Time, len(all))
	for i, f := range all {
		froms[i] = a.engine.Restart(f)
	}
	var mu sync.Mutex // for what is told of it
	return sideBySide(ctx, len(all), func(ctx context.Context, i int) error {
		f, from := all[i], froms[i]
		began, told, n := time.Now(), time.Now(), 0
		err := a.store.EachDay(ctx, f.Room, from, func(day []room.Reading) error {
			if len(day) == 0 {
				return nil
			}
			n += len(day)
			last := day[len(day)-1].At
			if time.Since(told) >= progressEvery {
				told = time.Now()
				a.logOf("engine").Info("folding stored readings", "room", f.Room, "day", last.Format(time.DateOnly), "readings", n)
			}
			a.engine.Feed(f.Room, day, last)
			mu.Lock()
			defer mu.Unlock()
			a.vitals.beat(time.Now())
			a.upkeep.folded(f.Room, last, len(day))
			a.at(point)
			return ctx.Err()
		})
		if err != nil {
			return fmt.Errorf("cannot fold room %s again: %w", f.Room, err)
		}
		a.engine.Feed(f.Room, nil, a.now())
		a.logOf("engine").Debug("folded stored readings", "room", f.Room, "from", from, "readings", n, "took", time.Since(began))
		return nil
	})
}

// sideBySide does n things, as many at once as there are processors, and gives
// the first error, after which none is begun and those under way are told.
func sideBySide(ctx context.Context, n int, do func(ctx context.Context, i int) error) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var next atomic.Int64
	var all sync.WaitGroup
	for range min(n, runtime.GOMAXPROCS(0)) {
		all.Go(func() {
			for i := next.Add(1) - 1; i < int64(n) && ctx.Err() == nil; i = next.Add(1) - 1 {
				if err := do(ctx, int(i)); err != nil {
					cancel(err)
				}
			}
		})
	}
	all.Wait()
	return context.Cause(ctx)
}

// merged leaves one refold per room, from the earliest instant asked for; the
// zero instant, the very beginning, is the earliest.
func merged(wanted []engine.Refold) []engine.Refold {
	var out []engine.Refold
	at := map[string]int{}
	for _, f := range wanted {
		i, seen := at[f.Room]
		switch {
		case !seen:
			at[f.Room] = len(out)
			out = append(out, f)
		case f.Since.IsZero() || !out[i].Since.IsZero() && f.Since.Before(out[i].Since):
			out[i].Since = f.Since
		}
	}
	return out
}
