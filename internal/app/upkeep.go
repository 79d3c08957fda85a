package app

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"sync"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/health"
	"dryhold/internal/lot"
	"dryhold/internal/store"
	"dryhold/internal/web"
)

const (
	// checkEvery is how often everything stored is read and checked.
	checkEvery = 7 * 24 * time.Hour
	// lookEvery is how often upkeep looks whether there is something to do.
	lookEvery = 30 * time.Second
	// checkAgain is how long it takes to try again after a full check that
	// failed, or that found the file damaged: it may have been mended.
	checkAgain = time.Hour
	// damageTold is how long a damaged day is a finding of health; after it,
	// it is only counted (judgement).
	damageTold = 30 * 24 * time.Hour
	// noticesKept is how long notices are kept that were delivered or refused;
	// pruneEvery is how often older ones are deleted.
	noticesKept = 366 * 24 * time.Hour
	pruneEvery  = 24 * time.Hour
	// foldingEvery is how often a rebuild says how far it is.
	foldingEvery = time.Second
)

// upkeep is what the daemon does for what it keeps: the weekly full check, and
// the rebuild of all that follows from the facts. The writer owns it, but for
// the lock.
type upkeep struct {
	replaying sync.Mutex // held by the one replay there may be

	began time.Time // when the daemon began to listen

	tell     func(web.Folding) // how far a rebuild is; nil while there is none
	told     time.Time
	progress web.Folding
	rooms    []string // that it has come to
}

// since is when the daemon began to listen, which a rebuild does not change.
func (u *upkeep) since(now time.Time) time.Time {
	if u.began.IsZero() {
		u.began = now
	}
	return u.began
}

// folded notes that a rebuild has come through a day of a room.
func (u *upkeep) folded(room string, day time.Time, readings int) {
	if u.tell == nil {
		return
	}
	p := &u.progress
	if !slices.Contains(u.rooms, room) {
		u.rooms = append(u.rooms, room)
	}
	p.Room, p.Day = room, day.Truncate(24*time.Hour)
	p.Readings += int64(readings)
	if now := time.Now(); now.Sub(u.told) >= foldingEvery {
		u.told = now
		u.tell(*p)
	}
}

// startUpkeep starts the weekly check, unless the data are deleted anyway.
func (a *App) startUpkeep(context.Context) (func(context.Context) error, error) {
	if a.opts.Throwaway {
		return nil, nil
	}
	return beside(context.Background(), a.maintain), nil
}

// maintain checks what is stored when it is due, and has rooms whose days were
// found damaged folded again, until ctx ends.
func (a *App) maintain(ctx context.Context) {
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	known := len(a.store.Integrity().Quarantined) // the state is without these already
	var after, pruned time.Time                   // when to try again, and when last done, by the machine's clock
	for {
		a.checkIfDue(ctx, &after)
		if time.Since(pruned) >= pruneEvery && a.clock.sure() {
			pruned = time.Now()
			a.pruneNotices(ctx)
		}
		known = a.refoldDamaged(ctx, known)
		select {
		case <-ctx.Done():
			return
		case <-look.C:
		}
	}
}

// checkIfDue reads and checks everything stored if it is time to, and after an
// instant of the machine's clock, which it sets when that fails.
func (a *App) checkIfDue(ctx context.Context, after *time.Time) {
	if !checkDue(a.store.Integrity(), a.now()) || time.Now().Before(*after) {
		return
	}
	if err := a.store.FullCheck(ctx, a.now); err != nil && ctx.Err() == nil {
		a.logOf("upkeep").Error("cannot check all that is stored; trying again in an hour", "error", err)
		*after = time.Now().Add(checkAgain)
	}
}

// pruneNotices deletes old notices from the log of deliveries.
func (a *App) pruneNotices(ctx context.Context) {
	n, err := a.store.PruneNotices(ctx, a.now().Add(-noticesKept))
	switch {
	case err != nil && ctx.Err() == nil:
		a.logOf("upkeep").Warn("cannot delete old notices; trying again tomorrow", "error", err)
	case n > 0:
		a.logOf("upkeep").Info("old notices deleted", "rows", n)
	}
}

// checkDue reports whether a full check is due: a week after the last, an hour
// after one that found the file damaged, or when the last has a date that is
// long to come, by a clock that was wrong.
func checkDue(in store.Integrity, now time.Time) bool {
	every := checkEvery
	if len(in.Faults) > 0 {
		every = checkAgain
	}
	return now.Sub(in.Checked) >= every || in.Checked.Sub(now) >= checkEvery
}

// refoldDamaged has the rooms of damaged days folded again from what is left,
// beyond those known, and gives how many are known now. An hour depends on the
// readings around it, and an estimate on those of days before, so a room is
// folded from its beginning.
func (a *App) refoldDamaged(ctx context.Context, known int) int {
	damaged := a.store.Integrity().Quarantined
	if len(damaged) == known {
		return known
	}
	var again []engine.Refold
	for _, d := range damaged[known:] {
		again = append(again, engine.Refold{Room: d.Room})
	}
	err := a.submit(ctx, &edit{work: func(w *writer) error {
		w.refolds = append(w.refolds, again...)
		for _, f := range again {
			w.revise(f.Room, time.UnixMilli(1))
		}
		return nil
	}})
	if err != nil {
		return known
	}
	return len(damaged)
}

// checkIntegrity says whether what is stored is whole. A damaged file is
// urgent; a damaged day is told, but all else goes on without it.
func (a *App) checkIntegrity(now time.Time) health.Check {
	c := health.Check{Code: "integrity", Title: "What is stored is whole", OK: true, Text: "not checked in full yet"}
	if a.store == nil {
		return c
	}
	in := a.store.Integrity()
	var recent []store.Damage
	for _, d := range in.Quarantined {
		if now.Sub(d.Found) < damageTold {
			recent = append(recent, d)
		}
	}
	switch {
	case len(in.Faults) > 0:
		c.OK, c.Urgent = false, true
		c.Text = fmt.Sprintf("the database file is damaged (%s): stop dryhold, look whether the disk is sound, and restore the newest backup with `dryhold restore`", in.Faults[0])
	case len(recent) > 0:
		c.OK = false
		newest := recent[len(recent)-1]
		c.Text = fmt.Sprintf("damaged and set aside: %s", newest)
		if len(recent) > 1 {
			c.Text += fmt.Sprintf(" and %d more in the last 30 days", len(recent)-1)
		}
		c.Text += "; these hours are estimated or unknown. Look whether the disk is sound; a backup made before may hold the day"
	case !in.Checked.IsZero():
		c.Text = fmt.Sprintf("all of it was read and checked on %s, %d packed days", in.Checked.Format(time.DateOnly), in.Days)
		if n := len(in.Quarantined); n > 0 {
			c.Text += fmt.Sprintf("; %d damaged ones are set aside", n)
		}
	}
	return c
}

// Refold implements web.Actions.
func (a *App) Refold(ctx context.Context, by string, tell func(web.Folding)) (web.Folded, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	progress := make(chan web.Folding, 1)
	var out web.Folded
	done := make(chan error, 1)
	go func() {
		done <- a.submit(context.WithoutCancel(ctx), &edit{work: func(w *writer) (err error) {
			out, err = w.rebuild(ctx, by, progress)
			return err
		}})
	}()
	stopping := a.stopping
	for {
		select {
		case p := <-progress:
			tell(p)
		case <-stopping:
			stopping = nil
			cancel()
		case err := <-done:
			if err != nil {
				return web.Folded{}, err
			}
			return out, nil
		}
	}
}

// rebuild makes the engine anew from the store. The old one stays when that
// fails or is given up. What arrives meanwhile waits with the broker.
func (w *writer) rebuild(ctx context.Context, by string, progress chan<- web.Folding) (out web.Folded, err error) {
	began := time.Now()
	if err := ctx.Err(); err != nil {
		return out, err // who asked went away before its turn came
	}
	if w.tick(context.WithoutCancel(ctx)); len(w.held)+len(w.pending.Conditions)+len(w.pending.Notices)+len(w.pending.Actions) > 0 {
		return out, lot.NotNow("cannot rebuild the state now, since what came last is not stored yet: `dryhold status` says why; try again when it is")
	}
	total, err := w.store.CountReadings(ctx)
	if err != nil {
		return out, err
	}
	u := &w.upkeep
	u.progress, u.rooms, u.told = web.Folding{Of: total}, nil, time.Time{}
	u.tell = func(f web.Folding) {
		select {
		case progress <- f:
		default: // the next will do
		}
	}
	defer func() { u.tell = nil }()
	old := w.engine
	if _, err := w.startEngine(ctx); err != nil {
		w.engine = old
		return out, err
	}
	w.refolds = nil
	w.shown = time.Time{} // publish at once
	// Both at one instant: each room was folded up to one of its own.
	now := w.clock.judging()
	for _, e := range []*engine.Engine{old, w.engine} {
		for _, name := range e.Rooms() {
			e.Feed(name, nil, now)
		}
	}
	after := w.engine.Snapshot(now)
	same, err := equal(old.Snapshot(now), after)
	if err != nil {
		return out, err
	}
	out = web.Folded{Rooms: len(u.rooms), Lots: len(after.Lots), Readings: u.progress.Readings, Seconds: time.Since(began).Seconds(), Same: same}
	w.logOf("upkeep").Info("state rebuilt from what is stored", "by", by, "rooms", out.Rooms, "readings", out.Readings, "took", time.Since(began).Round(time.Millisecond), "same as before", same)
	return out, nil
}

// equal compares two states to the last bit: the JSON of a number gives back
// that number and no other.
func equal(a, b *engine.Snapshot) (bool, error) {
	x, err := json.Marshal(a)
	if err != nil {
		return false, fmt.Errorf("cannot compare the states: %w", err)
	}
	y, err := json.Marshal(b)
	if err != nil {
		return false, fmt.Errorf("cannot compare the states: %w", err)
	}
	return bytes.Equal(x, y), nil
}
