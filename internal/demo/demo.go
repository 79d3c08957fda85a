package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"slices"
	"sync"
	"sync/atomic"
	"text/tabwriter"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/app"
	"dryhold/internal/catalog"
	"dryhold/internal/engine"
	"dryhold/internal/intake"
	"dryhold/internal/lot"
	"dryhold/internal/notify"
	"dryhold/internal/settings"
	"dryhold/internal/unit"
	"dryhold/internal/web"
	"dryhold/internal/wire"
)

// Options of a demonstration.
type Options struct {
	Catalog *catalog.Catalog
	Version string
	Out     io.Writer
	Log     *slog.Logger
	Data    string        // directory to keep the data in; empty: a temporary one, deleted at the end
	Seed    uint64        // of the invented weather
	HotWeek time.Duration // how long the hot week takes to watch; 0: as fast as it goes
	Stay    bool          // go on showing the page after the hot week until ctx ends
}

// chunk is how much simulated time is published before the daemon is waited
// for: less than a sensor's stale limit, so that no sensor looks silent only
// because the daemon is behind.
const (
	chunk     = 90 * time.Minute
	staleness = 3 * time.Hour
)

// futures is how many futures a forecast draws in the demo: some days go by in
// each second, and each wants a new forecast of every room.
const futures = 4

// Run plays the demonstration. Its error is nil when the whole of it was
// played; ctx ends it early.
func Run(ctx context.Context, o Options) (err error) {
	if o.Data == "" {
		dir, err := os.MkdirTemp("", "dryhold-demo-")
		if err != nil {
			return fmt.Errorf("cannot make a directory for the demo: %w", err)
		}
		defer func() { _ = os.RemoveAll(dir) }()
		o.Data = dir
	}
	p := &player{Options: o, scenario: NewScenario(o.Seed), lots: Lots()}
	p.clock.Store(Start().UnixMilli())
	if err := p.start(ctx); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, p.stop()) }()
	p.intro()
	began := time.Now()
	if err := p.play(ctx, HotStart(), 0, p.monthly); err != nil {
		return err
	}
	p.say("\nThe year took %.1f s. Now the hot week, %s to %s:\n", time.Since(began).Seconds(), HotStart().Format("2 Jan"), End().Format("2 Jan 2006"))
	before := p.app.Snapshot().Lots
	p.told = HotStart()
	if err := p.play(ctx, End(), o.HotWeek, p.sixHourly); err != nil {
		return err
	}
	if err := p.table(before, p.app.Snapshot().Lots); err != nil {
		return err
	}
	if o.Stay {
		p.say("\nThe page stays at %s; interrupt to end.\n", p.app.URL())
		<-ctx.Done()
	}
	return nil
}

// player is one demonstration under way.
type player struct {
	Options
	app       *app.App
	sensor    *intake.Client
	scenario  *Scenario
	lots      []lot.Packing // not registered yet
	clock     atomic.Int64  // simulated time, ms
	published uint64
	told      time.Time // simulated time of the next progress line
	nextRound time.Time // simulated time of the next inspection round
	mu        sync.Mutex
}

func (p *player) now() time.Time { return time.UnixMilli(p.clock.Load()).UTC() }

// say prints; the alarm channel prints too, from its own goroutine.
func (p *player) say(format string, args ...any) {
	p.mu.Lock()
	defer p.mu.Unlock()
	_, _ = fmt.Fprintf(p.Out, format, args...) // a closed terminal is no reason to stop
}

func (p *player) start(ctx context.Context) error {
	s := Settings()
	if l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", s.HTTP.Listen); err != nil {
		s.HTTP.Listen = "127.0.0.1:0" // the usual port is taken: any will do
	} else if err := l.Close(); err != nil {
		return fmt.Errorf("cannot try the page's port: %w", err)
	}
	var err error
	p.app, err = app.New(app.Options{
		Settings: s, Catalog: p.Catalog, DataDir: p.Data, Version: p.Version, Now: p.now, Log: p.Log,
		Channels: []notify.Channel{screen{p}}, Throwaway: true, Futures: futures,
	})
	if err != nil {
		return err
	}
	if err := p.app.Start(ctx); err != nil {
		return err
	}
	if len(p.app.Snapshot().Lots) > 0 {
		return errors.Join(fmt.Errorf("%s holds lots already: give the demo a directory of its own", p.Data), p.stop())
	}
	p.sensor, err = intake.New(intake.Config{URL: p.app.BrokerURL(), ClientID: "larch-house-sensors", Log: p.Log}, time.Now, func(d intake.Delivery) { d.Ack() })
	if err == nil {
		err = p.sensor.Start(ctx)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("cannot connect the sensors of the demo: %w", err), p.stop())
	}
	return nil
}

func (p *player) stop() error {
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	var errs []error
	if p.sensor != nil {
		errs = append(errs, p.sensor.Stop(ctx))
	}
	return errors.Join(append(errs, p.app.Stop(ctx))...)
}

// play publishes the scenario up to an instant, in the time given.
func (p *player) play(ctx context.Context, until time.Time, take time.Duration, progress func(now time.Time)) error {
	span := until.Sub(p.scenario.at)
	pause := time.Duration(float64(take) * float64(chunk) / float64(span))
	for p.scenario.at.Before(until) {
		next := time.Now().Add(pause)
		end := p.scenario.at.Add(chunk)
		for p.scenario.at.Before(end) && p.scenario.at.Before(until) {
			for _, m := range p.scenario.Next() {
				p.clock.Store(m.At.UnixMilli())
				if err := p.sensor.PublishAsync(ctx, "larch/"+m.Room+"/climate", 1, false, m.Payload, nil); err != nil {
					return fmt.Errorf("cannot publish: %w", err)
				}
				p.published++
			}
		}
		if err := p.catchUp(ctx); err != nil {
			return err
		}
		if err := p.register(ctx); err != nil {
			return err
		}
		if err := p.round(ctx); err != nil {
			return err
		}
		progress(p.now())
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(time.Until(next)):
		}
	}
	return nil
}

// register registers the lots packed by now.
func (p *player) register(ctx context.Context) error {
	for _, l := range p.lots {
		if l.PackedAt.After(p.now()) {
			return nil
		}
		if _, err := p.app.AddLot(ctx, l, "demo"); err != nil {
			return fmt.Errorf("cannot register a lot of the demo: %w", err)
		}
		p.lots = p.lots[1:]
	}
	return nil
}

// round has mara go through every room on the first of each month and find all
// well.
func (p *player) round(ctx context.Context) error {
	now := p.now()
	if now.Before(p.nextRound) {
		return nil
	}
	first := p.nextRound.IsZero()
	p.nextRound = time.Date(now.Year(), now.Month()+1, 1, 9, 0, 0, 0, time.UTC)
	if first {
		return nil
	}
	done := web.RoundDone{At: now, By: "mara", Note: "invented"}
	for _, q := range lot.RoundQuestions() {
		done.Answers = append(done.Answers, lot.RoundAnswer{Question: q.ID, Answer: lot.RoundFine})
	}
	for _, room := range []string{Cellar, Pantry, Loft} {
		if err := p.app.RoundDone(ctx, room, done); err != nil {
			return fmt.Errorf("cannot keep the round of the demo through the %s: %w", room, err)
		}
	}
	return nil
}

// catchUp waits until the daemon has everything published.
func (p *player) catchUp(ctx context.Context) error {
	deadline := time.Now().Add(time.Minute)
	for p.app.Snapshot().Intake.Messages < p.published {
		if time.Now().After(deadline) {
			return fmt.Errorf("the daemon took %d of %d messages in a minute", p.app.Snapshot().Intake.Messages, p.published)
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(200 * time.Microsecond):
		}
	}
	return nil
}

func (p *player) intro() {
	p.say("Larch House, an invented household: every reading of this demo is invented.\n")
	p.say("  page    %s\n  broker  %s\n\n", p.app.URL(), p.app.BrokerURL())
	p.say("One year, one message per room every %d minutes of simulated time:\n", int(Interval.Minutes()))
}

// monthly tells of the year's progress.
func (p *player) monthly(now time.Time) {
	if now.Before(p.told) {
		return
	}
	p.told = time.Date(now.Year(), now.Month()+1, 1, 0, 0, 0, 0, time.UTC)
	s := p.app.Snapshot()
	p.say("  %-16s  %7d readings  %s\n", now.Format("2 Jan 2006"), s.Intake.Stored, temperatures(s))
}

// sixHourly tells of the hot week.
func (p *player) sixHourly(now time.Time) {
	if now.Before(p.told) {
		return
	}
	p.told = now.Truncate(6 * time.Hour).Add(6 * time.Hour)
	p.say("  %-16s  %s\n", now.Format("Mon 2 Jan 15:04"), temperatures(p.app.Snapshot()))
}

func temperatures(s *engine.Snapshot) string {
	text := ""
	for _, r := range s.Rooms {
		value := "unknown"
		if r.Temperature.Known {
			value = fmt.Sprintf("%.1f °C", r.Temperature.Value)
		}
		text += fmt.Sprintf("%s %-9s ", r.Name, value)
	}
	return text
}

// screen prints each notice as it goes out.
type screen struct{ *player }

func (screen) Name() string { return "screen" }

func (s screen) Send(_ context.Context, n alarm.Notice) error {
	s.say("  ** %s  %s (%s)\n", n.At.Format("Mon 2 Jan 15:04"), n.Subject, n.Event)
	return nil
}

// table says what each lot has left and what the hot week cost it.
func (p *player) table(before, after []engine.LotView) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	fmt.Fprintln(p.Out, "\nAfter the hot week:")
	t := tabwriter.NewWriter(p.Out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "LOT\tFOOD\tCONTAINER\tROOM\tLIMITED BY\tQUALITY LEFT\tLIFE LOST TO THE HOT WEEK")
	for _, l := range after {
		i := slices.IndexFunc(before, func(b engine.LotView) bool { return b.ID == l.ID })
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%.1f %%\t%.1f days\n", l.ID, l.FoodName, l.ContainerName, l.Room(),
			l.Limiting, 100*l.Remaining.Likely, l.LostBeyondPlan-before[i].LostBeyondPlan)
	}
	if err := t.Flush(); err != nil {
		return fmt.Errorf("cannot print the table: %w", err)
	}
	_, err := fmt.Fprintln(p.Out, `
Quality left is of the mode that ends the food first; life lost is in days at
plan storage (each room's warm limit) beyond what plan storage would have cost:
below zero where the room stayed cooler than planned.
Quality is not safety: when in doubt about any food, throw it out.`)
	return err
}

// Settings of Larch House.
func Settings() *settings.Settings {
	s := settings.Default()
	s.Site, s.AcceptNewRooms, s.Stale = "larch-house", false, staleness
	s.Broker.Embedded.Listen = "127.0.0.1:0"
	celsius, percent, lux := unit.Unit{}, unit.Unit{}, unit.Unit{}
	for _, u := range []struct {
		to   *unit.Unit
		q    unit.Quantity
		name string
	}{{&celsius, unit.Temperature, "C"}, {&percent, unit.Humidity, "%"}, {&lux, unit.Illuminance, "lx"}} {
		var err error
		if *u.to, err = unit.Parse(u.q, u.name); err != nil {
			panic("BUG: demo units: " + err.Error())
		}
	}
	s.Topics = []wire.Mapping{{Pattern: "larch/{room}/climate", JSON: &wire.JSON{
		Time: &wire.TimeField{Path: "ts", Format: wire.UnixMillis},
		Fields: []wire.Field{
			{Path: "t", Quantity: unit.Temperature, Unit: celsius, Scale: 1},
			{Path: "rh", Quantity: unit.Humidity, Unit: percent, Scale: 1},
			{Path: "lx", Quantity: unit.Illuminance, Unit: lux, Scale: 1},
		},
	}}}
	for _, r := range []struct {
		name          string
		warm, lux     float64
		onDelay       time.Duration
		humidityLimit float64
	}{
		{Cellar, 17, 50, 12 * time.Hour, 0.65},
		{Pantry, 21, 100, 6 * time.Hour, 0.65},
		// The loft swings with the day: it is too warm when it does not cool
		// down at night.
		{Loft, 24, 200, 20 * time.Hour, 0.70},
	} {
		rules := map[alarm.Kind]alarm.Rule{}
		for _, d := range settings.DefaultRules() {
			switch d.Kind {
			case alarm.Warm:
				d.Limit, d.OnDelay = r.warm, r.onDelay
			case alarm.Damp:
				d.Limit, d.OnDelay = r.humidityLimit, 12*time.Hour
			case alarm.Bright:
				d.Limit = r.lux
			case alarm.Hot: // above what its swings reach in any summer
				d.Limit = r.warm + 10
			case alarm.HoursOver:
				d.Over = r.warm + 4
			}
			rules[d.Kind] = d
		}
		s.Rooms = append(s.Rooms, settings.Room{Name: r.name, Rules: rules})
	}
	return s
}
