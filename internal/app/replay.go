package app

import (
	"context"
	"errors"
	"time"

	"dryhold/internal/lot"
	"dryhold/internal/replay"
	"dryhold/internal/room"
	"dryhold/internal/settings"
	"dryhold/internal/web"
)

const (
	// replayLead is how long before the stretch alarms are judged, uncounted:
	// what stood at its start is then no news in it. It is longer than any
	// default delay but that of stuck sensors (judgement).
	replayLead = 7 * 24 * time.Hour
	// replayFutures is how many futures the projected ends of lots rest on, on
	// each day that is played: with the usual number a year would take as long
	// as that many looks at the page (judgement).
	replayFutures = 20
	// replayUsual is the stretch where none is asked for.
	replayUsual = 30 * 24 * time.Hour
	presentName = "present"
)

// ReplayAlarms implements web.Replayer. It has an engine of its own, made from
// the store beside the writer, which takes no notice.
func (a *App) ReplayAlarms(ctx context.Context, o web.ReplayOrder, tell func(web.Replaying)) (web.ReplayAnswer, error) {
	s := a.opts.Settings
	out := web.ReplayAnswer{Site: s.Site, Zone: s.Zone.String()}
	var trial *settings.Trial
	if o.Limits != "" {
		var err error
		if trial, err = settings.ParseTrial(o.File, []byte(o.Limits), s); err != nil {
			return out, lot.Invalid("the limits to try have mistakes:\n%v", err)
		}
	}
	if !a.upkeep.replaying.TryLock() {
		return out, lot.NotNow("another replay is under way: wait for its end, or interrupt it")
	}
	defer a.upkeep.replaying.Unlock()
	ctx, cancel := a.untilStopping(ctx)
	defer cancel()
	h, err := a.pastHouse(ctx)
	if err != nil {
		return out, err
	}
	r := rerun{app: a, house: h, tell: tell}
	if err := r.stretch(ctx, o, a.now()); err != nil {
		return out, err
	}
	run := func(name string) error {
		summary, err := r.run(ctx, name)
		out.Runs = append(out.Runs, web.ReplayRun{Limits: name, Summary: summary})
		return err
	}
	if err := run(presentName); err != nil || trial == nil {
		return out, err
	}
	r.house.Engine.Rules, r.house.Engine.ShelfRules, r.house.Engine.LotRules = trial.Rules, trial.ShelfRules, trial.LotRules
	return out, run(o.File)
}

// untilStopping gives a context that ends, too, when the daemon stops.
func (a *App) untilStopping(ctx context.Context) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancel(ctx)
	go func() {
		select {
		case <-a.stopping:
			cancel()
		case <-ctx.Done():
		}
	}()
	return ctx, cancel
}

// pastHouse is the house as the facts in the store have it.
func (a *App) pastHouse(ctx context.Context) (h replay.House, err error) {
	if h.Engine, err = a.engineConfig(ctx, a.opts.Settings); err != nil {
		return h, err
	}
	h.Engine.Dispatching.Recipients = a.opts.Settings.People()
	if n := &h.Engine.Forecasting.Futures; *n == 0 || *n > replayFutures {
		*n = replayFutures
	}
	if h.Rooms, err = a.store.Rooms(ctx); err != nil {
		return h, err
	}
	h.Readings = func(rooms []string, from, to time.Time, visit func([]room.Reading) error) error {
		return a.store.EachDayOf(ctx, rooms, from, to, visit)
	}
	return h, nil
}

// rerun is one stretch of the past, for one set of limits after the other.
type rerun struct {
	app      *App
	house    replay.House
	begin    time.Time // of judging, the lead before from
	from, to time.Time
	tell     func(web.Replaying)
	told     time.Time
}

// stretch decides what is played: no time before the first reading.
func (r *rerun) stretch(ctx context.Context, o web.ReplayOrder, now time.Time) error {
	r.from, r.to = o.From, o.To
	if r.to.IsZero() || r.to.After(now) {
		r.to = now
	}
	if r.from.IsZero() {
		r.from = r.to.Add(-replayUsual)
	}
	if !r.from.Before(r.to) {
		return lot.Invalid("from %s to %s is no stretch of days that are past: put the first day first", r.from.Format(time.DateOnly), r.to.Format(time.DateOnly))
	}
	r.begin = r.from.Add(-replayLead)
	var first time.Time
	found := errors.New("found")
	err := r.house.Readings(r.house.Rooms, r.begin, r.to, func(day []room.Reading) error {
		if len(day) == 0 {
			return ctx.Err()
		}
		first = day[0].At
		return found
	})
	switch {
	case err == nil:
		return lot.Invalid("there is no reading from %s to %s: ask for other days; `dryhold status` shows the newest, and `dryhold import` brings older ones",
			r.from.Format(time.DateOnly), r.to.Format(time.DateOnly))
	case !errors.Is(err, found):
		return err
	}
	if first = first.Truncate(replay.Step).Add(-replay.Step); first.After(r.begin) {
		r.begin = first
	}
	if r.from.Before(r.begin) {
		r.from = r.begin
	}
	return nil
}

// run plays the stretch once.
func (r *rerun) run(ctx context.Context, name string) (replay.Summary, error) {
	h := r.house
	h.Readings = func(rooms []string, from, to time.Time, visit func([]room.Reading) error) error {
		return r.house.Readings(rooms, from, to, func(day []room.Reading) error {
			if len(day) > 0 && day[0].At.Before(r.begin) {
				r.progress(web.Replaying{Limits: name, Day: day[0].At.Truncate(24 * time.Hour), Folding: true})
			}
			return errors.Join(ctx.Err(), visit(day))
		})
	}
	p, err := replay.New(h, r.begin)
	if err != nil {
		return replay.Summary{}, err
	}
	each := func(p *replay.Player) error {
		r.progress(web.Replaying{Limits: name, Day: p.Now()})
		return ctx.Err()
	}
	if err := p.Play(r.from, each); err != nil {
		return replay.Summary{}, err
	}
	p.Begin()
	if err := p.Play(r.to, each); err != nil {
		return replay.Summary{}, err
	}
	return p.Log().Summary(r.house.Engine.Zone), nil
}

// progress tells how far it is, not too often.
func (r *rerun) progress(p web.Replaying) {
	if now := time.Now(); now.Sub(r.told) >= foldingEvery {
		r.told = now
		r.tell(p)
	}
}
