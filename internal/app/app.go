// Package app joins the parts to one daemon: New starts nothing, Start brings
// the parts up in order, Stop takes them down in reverse. It owns the one
// writer, through which every reading and every edit passes: engine, store
// commit, then acknowledgement and effects.
package app

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"dryhold/internal/broker"
	"dryhold/internal/catalog"
	"dryhold/internal/crash"
	"dryhold/internal/engine"
	"dryhold/internal/hub"
	"dryhold/internal/intake"
	"dryhold/internal/metrics"
	"dryhold/internal/notify"
	"dryhold/internal/secret"
	"dryhold/internal/settings"
	"dryhold/internal/store"
	"dryhold/internal/web"
	"dryhold/internal/wire"
)

// Options is what an App is made of.
type Options struct {
	Settings *settings.Settings
	Catalog  *catalog.Catalog
	DataDir  string // holds the database and the embedded broker's sessions
	Version  string
	// Now is the clock; nil is the machine's.
	Now func() time.Time
	// Log takes what the parts say; nil discards.
	Log *slog.Logger
	// Levels decide what of it; nil lets through all that Log takes, from info on.
	Levels *LogLevels
	// Channels get every notice besides log, MQTT and mail.
	Channels []notify.Channel
	// Throwaway spares the embedded broker its syncs, for data that is
	// deleted anyway.
	Throwaway bool
	// Futures is how many futures of its room's climate the projected end of a
	// lot rests on; 0 is the usual number. Fewer are quicker and coarser: for
	// days that are played in a moment.
	Futures int
	// BrokerAway is how long the broker may be away before health turns red;
	// zero is a minute, twice what a reconnection takes.
	BrokerAway time.Duration
	// ExportEvery is how often the export looks for something new, and how soon
	// it tries again at first; zero is as usual.
	ExportEvery time.Duration

	// crash, if set, is called at the points of package crash; a test ends
	// the process there.
	crash crash.Hook
	// The parts of the clock and of the disk's space that tests set, with Now;
	// see clock and disk.
	mono   func() time.Duration
	synced func() bool
	built  time.Time
	space  func(dir string) (free, total uint64, err error)
	pause  time.Duration // zero: firstPause
	calm   time.Duration // zero: outageCalm
	// The client's longest pause between attempts and its keep-alive, which
	// tests shorten.
	reconnectMax, keepAlive time.Duration
	// How often what hubs were told is told again; zero: hub.Refresh.
	refresh time.Duration
}

// App is one daemon for one site. Several may run in one process, each with a
// data directory and addresses of its own.
type App struct {
	opts     Options
	log      *slog.Logger
	messages *slog.Logger // of the intake, made once: it is asked at each message
	now      func() time.Time
	clock    *clock
	disk     disk
	decoder  *wire.Map
	store    *store.Store
	engine   *engine.Engine
	broker   *broker.Broker
	client   *intake.Client
	worker   *notify.Worker
	metrics  *metrics.Metrics
	channels []string
	listener net.Listener // of the page
	pageTLS  *tls.Config  // nil without
	linkKey  []byte       // nil where notices have no links
	// intakeSecret is what the daemon's own client shows the embedded broker.
	intakeSecret string
	certificates []*certificate
	// heir runs in the place of this one since a reload, and keepBroker says
	// that it has its broker.
	heir       atomic.Pointer[App]
	keepBroker bool

	arrivals  chan arrival
	edits     chan *edit
	commands  chan intake.Delivery // nil where none are taken
	refusing  atomic.Bool          // a command that was one too many is being answered
	published atomic.Pointer[engine.Snapshot]
	news      news
	export    atomic.Pointer[export] // nil: none
	backups   atomic.Pointer[backups]
	counters  counters
	vitals    vitals
	receipts  receipts
	stated    stated
	unread    atomic.Int64 // arrivals that wait, undecoded, for the right time
	upkeep    upkeep
	held      held
	looking   looking
	hub       hub.Config
	alone     alone

	steps    []step // to undo, in order of Start
	started  bool
	stopping chan struct{} // closed by Stop
	// writerEnded is closed when the writer has taken its last turn.
	writerEnded chan struct{}
	stopOnce    sync.Once
	stopErr     error
}

// step is one thing that was brought up and how it is taken down.
type step struct {
	name string
	stop func(ctx context.Context) error
}

// queueLength bounds what waits for the writer; beyond it intake holds back
// the broker.
const queueLength = 4096

// New checks the options. It starts nothing.
func New(opts Options) (*App, error) {
	if opts.Settings == nil || opts.Catalog == nil || opts.DataDir == "" {
		return nil, errors.New("BUG: app.New needs settings, catalog and a data directory")
	}
	a := &App{opts: opts, log: opts.Log, now: opts.Now, stopping: make(chan struct{}), writerEnded: make(chan struct{})}
	a.arrivals, a.edits = make(chan arrival, queueLength), make(chan *edit)
	if opts.Settings.Notify.Commands {
		a.commands = make(chan intake.Delivery, commandsWaiting)
	}
	if opts.BrokerAway == 0 {
		a.opts.BrokerAway = brokerAway
	}
	if a.log == nil {
		a.log = slog.New(slog.DiscardHandler)
	}
	if a.opts.Levels == nil {
		a.opts.Levels = NewLogLevels(nil, nil)
	}
	a.log = slog.New(a.opts.Levels.Handler(a.log.Handler()))
	a.messages = a.logOf("intake")
	a.intakeSecret, _ = secret.NewToken()
	a.hub = a.hubConfig()
	a.alone.prepare(opts.Settings.Broker)
	a.clock = newClock(opts, a.logOf("clock"))
	a.disk = newDisk(opts, a.logOf("store"))
	if a.now == nil {
		a.now = time.Now
	}
	var err error
	if a.decoder, err = wire.NewMap(opts.Settings.Topics, opts.Settings.SensorRooms()); err != nil {
		return nil, fmt.Errorf("cannot read the topic map: %w", err)
	}
	a.metrics, err = metrics.New(metrics.Config{
		Version: opts.Version, Site: opts.Settings.Site, PerLot: opts.Settings.Metrics.PerLot, Snapshot: a.Snapshot, Health: a.Health,
	})
	return a, err
}

// Start brings the daemon up and returns when it takes readings and answers.
// If a part fails, those before it are taken down again. The context bounds
// the start only. An app starts once; one that was stopped does not start.
func (a *App) Start(ctx context.Context) error {
	select {
	case <-a.stopping:
		return errors.New("BUG: app started after it was stopped")
	default:
	}
	if a.started {
		return errors.New("BUG: app started twice")
	}
	a.started = true
	a.opts.Levels.configure(a.opts.Settings.Log)
	ctx = a.armed(ctx)
	parts := []struct {
		name  string
		start func(context.Context) (stop func(context.Context) error, err error)
	}{
		{"store", a.startStore},
		{"links", a.startLinks},
		{"engine", a.startEngine},
		{"page", a.listen},
		{"broker", a.startBroker},
		{"client", a.prepareClient},
		{"notices", a.startNotices},
		{"export", a.startExport},
		{"alert router", a.startRouter},
		{"writer", a.startWriter},
		{"upkeep", a.startUpkeep},
		{"backups", a.startBackups},
		{"page", a.serve}, // what it shows is there by now, and takes edits while it stops
		{"commands", a.startCommands},
		{"intake", a.startIntake},
		{"presence", a.startPresence},
		{"topics", a.startTopics},
		{"announcements to hubs", a.startHub},
		{"delivery", a.startDelivery},
	}
	for _, p := range parts {
		stop, err := p.start(ctx)
		if err != nil {
			return errors.Join(fmt.Errorf("cannot start %s: %w", p.name, err), a.Stop(context.WithoutCancel(ctx)))
		}
		if stop != nil {
			a.steps = append(a.steps, step{p.name, stop})
		}
	}
	return nil
}

// armed gives a context in which the parts find the hook of a test.
func (a *App) armed(ctx context.Context) context.Context {
	if a.opts.crash == nil {
		return ctx
	}
	return context.WithValue(ctx, crash.Key{}, a.opts.crash)
}

// at is a point where a test may end the process.
func (a *App) at(point crash.Point) {
	if a.opts.crash != nil {
		a.opts.crash(point)
	}
}

// stopTimeout bounds the whole of Stop where its context does not.
const stopTimeout = 15 * time.Second

// Stop takes the daemon down. It may be called twice, and before Start. Every
// part is stopped even when another fails; all errors are joined.
func (a *App) Stop(ctx context.Context) error {
	a.stopOnce.Do(func() {
		close(a.stopping)
		ctx, cancel := context.WithTimeout(ctx, stopTimeout)
		defer cancel()
		var errs []error
		for i := len(a.steps) - 1; i >= 0; i-- {
			if err := a.steps[i].stop(ctx); err != nil {
				errs = append(errs, fmt.Errorf("cannot stop %s: %w", a.steps[i].name, err))
			}
		}
		a.stopErr = errors.Join(errs...)
	})
	return a.stopErr
}

// Snapshot is the state last published; nil before the first.
func (a *App) Snapshot() *engine.Snapshot { return a.published.Load() }

// URL is the address of the page, once Start has taken it.
func (a *App) URL() string {
	if a.listener == nil {
		return ""
	}
	scheme := "http://"
	if a.opts.Settings.HTTP.TLS != nil {
		scheme = "https://"
	}
	return scheme + a.listener.Addr().String()
}

// BrokerURL is the address of the broker in use.
func (a *App) BrokerURL() string {
	if a.broker != nil {
		if a.opts.Settings.Broker.Embedded.TLS != nil {
			return "mqtts://" + a.broker.Addr()
		}
		return "mqtt://" + a.broker.Addr()
	}
	return a.opts.Settings.Broker.URL
}

func (a *App) startStore(ctx context.Context) (func(context.Context) error, error) {
	s, err := store.Open(ctx, a.opts.DataDir, a.logOf("store"))
	if err != nil {
		return nil, err
	}
	a.store = s
	newest, err := s.NewestFact(ctx)
	if err != nil {
		return nil, errors.Join(err, s.Close())
	}
	a.clock.stored(newest)
	// A burst before the last stop may have been dated a little ahead.
	if a.receipts.last, err = s.Newest(ctx, a.now()); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return func(context.Context) error { return s.Close() }, nil
}

// listen takes the page's address early: one that is taken is found before
// anything else runs.
func (a *App) listen(ctx context.Context) (func(context.Context) error, error) {
	a.warnOpen()
	var err error
	if a.pageTLS, err = a.serverTLS("http.tls", a.opts.Settings.HTTP.TLS); err != nil {
		return nil, err
	}
	address := a.opts.Settings.HTTP.Listen
	if a.listener == nil { // none was handed on
		if a.listener, err = (&net.ListenConfig{}).Listen(ctx, "tcp", address); err != nil {
			return nil, listening(err, address, "http.listen", "another dryhold", "")
		}
	}
	return func(context.Context) error {
		if err := a.listener.Close(); err != nil && !errors.Is(err, net.ErrClosed) {
			return err
		}
		return nil
	}, nil
}

func (a *App) serve(context.Context) (func(context.Context) error, error) {
	server := &http.Server{
		Handler: web.New(web.Config{
			Snapshot: a.Snapshot, Health: a.Health, Actions: a, Metrics: a.metrics.Handler(),
			Zone: a.opts.Settings.Zone, Version: a.opts.Version, Now: a.now, Log: a.logOf("web"),
			FirstReading: a.FirstReading(), Hosts: a.hosts(),
			Watch: web.Watching{Changed: a.news.Changed, Ended: a.stopping}, Access: a.access(), NoHSTS: a.opts.Settings.HTTP.NoHSTS,
		}),
		ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 15 * time.Second, WriteTimeout: 60 * time.Second, IdleTimeout: 2 * time.Minute,
		ErrorLog: slog.NewLogLogger(a.logOf("web").Handler(), slog.LevelWarn),
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		serve := func() error { return server.Serve(a.listener) }
		if server.TLSConfig = a.pageTLS; a.pageTLS != nil {
			serve = func() error { return server.ServeTLS(a.listener, "", "") }
		}
		if err := serve(); !errors.Is(err, http.ErrServerClosed) {
			a.logOf("web").Error("the page stopped", "error", err)
		}
	}()
	return func(ctx context.Context) error {
		err := server.Shutdown(ctx)
		if err != nil {
			err = errors.Join(err, server.Close())
		}
		<-done
		return err
	}, nil
}
