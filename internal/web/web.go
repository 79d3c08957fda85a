// Package web shows the published state on one plain page and as JSON, and
// takes the keeper's edits. It reads the snapshot, never the writer's lock;
// edits go to Actions, which answers after the commit. A page is whole without a
// script and asks nothing of any other machine.
package web

import (
	"context"
	"errors"
	"html/template"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"golang.org/x/text/language"

	"dryhold/internal/barrier"
	"dryhold/internal/engine"
	"dryhold/internal/health"
	"dryhold/internal/lot"
)

// Actions are the edits a keeper can make. Each returns after the change is
// durable. An error that wraps lot.ErrNotFound, lot.ErrInvalid or lot.ErrNotNow
// is for the keeper and is shown in full; any other is a fault of the machine:
// it is logged, and the keeper is told only that it happened.
type Actions interface {
	Alarmer
	Noticer
	Linker
	Explainer
	Rebuilder
	SensorKeeper
	RoomNoter
	LotTester
	LotKeeper
	LotFollower
	Rounder
	Auditor
	Answerer
	Examiner
	TopicWatcher
	Forecaster
	Reviewer
	RoomFollower
	Importer
	Packer
	LogKeeper
	AddLot(ctx context.Context, p lot.Packing, by string) (lot.Lot, error)
	MoveLot(ctx context.Context, id, room string, at time.Time, by string) error
	FinishLot(ctx context.Context, id string, at time.Time, note, by string) error
	// NoteLot keeps what was seen of a lot: a text, the state of its seal (nil
	// when the note is of something else), or both.
	NoteLot(ctx context.Context, id string, seal *barrier.Seal, note string, at time.Time, by string) error
}

// Config is what New needs. Snapshot and Health are called from many
// goroutines at once.
type Config struct {
	// Snapshot gives the published state; it returns nil before the first.
	Snapshot func() *engine.Snapshot
	// Health gives the daemon's checks; nil when there are none to show.
	Health  func() []health.Check
	Actions Actions
	// Metrics answers GET /metrics; nil leaves the route out.
	Metrics http.Handler
	Zone    *time.Location // zone of the site; nil is UTC
	Version string
	// Now is the clock by which ages are shown; nil is the machine's.
	Now func() time.Time
	Log *slog.Logger // nil discards
	// Hosts are names, without port, by which people reach the page beside
	// those always allowed (see allowedHost): hearth.example.org.
	Hosts []string
	// FirstReading is the line that publishes a first reading, shown while
	// there is no room: mosquitto_pub -t ... -m ...; empty when not known.
	FirstReading string
	// Access says who may come in; nil lets everybody in.
	Access *Access
	// Watch tells streams of events that there is news.
	Watch Watching
	// NoHSTS leaves out the header that keeps browsers to TLS, which is sent
	// over TLS only.
	NoHSTS bool
}

// server is one set of routes. It holds nothing mutable but the sessions and
// what keeps pages fresh.
type server struct {
	Config
	pages     map[string]*template.Template // by language
	languages map[string]*translator
	matcher   language.Matcher // of what browsers ask for
	assets    *assets
	live      *live
	zippers   *sync.Pool // of *gzip.Writer
	busy      sync.Map   // the edits that name themselves and are being done, by the ID of their receipt
	gate      *gate      // nil lets everybody in
}

// New makes the handler of every route. It starts nothing.
func New(cfg Config) http.Handler {
	s, mux := assemble(cfg)
	return s.guard(s.admit(s.once(mux, keepable(mux))))
}

func assemble(cfg Config) (*server, *http.ServeMux) {
	if cfg.Snapshot == nil || cfg.Actions == nil {
		panic("BUG: web.New without Snapshot or Actions")
	}
	if cfg.Health == nil {
		cfg.Health = func() []health.Check { return nil }
	}
	if cfg.Zone == nil {
		cfg.Zone = time.UTC
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	s := &server{Config: cfg, languages: readLanguages(), matcher: newMatcher(), assets: readAssets(), zippers: newZippers()}
	s.pages = parsePages(s.assets, s.languages)
	if cfg.Access != nil {
		s.gate = newGate(*cfg.Access)
	}

	mux := http.NewServeMux()
	newDocument(s).route(mux) // first, since it notes the others
	route(mux, "/{$}", methods{http.MethodGet: s.getPage})
	route(mux, "/static/{checksum}/{name...}", methods{http.MethodGet: s.getStatic})
	route(mux, "/preferences", methods{http.MethodGet: s.getPreferences, http.MethodPost: s.postPreferences})
	route(mux, "/healthz", methods{http.MethodGet: s.getHealth})
	route(mux, "/api/v1/status", methods{http.MethodGet: s.getStatus})
	route(mux, "/api/v1/lots", methods{http.MethodGet: s.getLots, http.MethodPost: s.postLot})
	route(mux, "/api/v1/lots/{id}", methods{http.MethodGet: s.getLot})
	route(mux, "/api/v1/lots/{id}/move", methods{http.MethodPost: s.postMove})
	route(mux, "/api/v1/lots/{id}/finish", methods{http.MethodPost: s.postFinish})
	route(mux, "/api/v1/lots/{id}/note", methods{http.MethodPost: s.postNote})
	s.routeAlarms(mux)
	s.routeNotices(mux)
	s.routeLinks(mux)
	s.routeExplanations(mux)
	s.routeForecasts(mux)
	s.routeReviews(mux)
	s.routeRooms(mux)
	s.routeLogin(mux)
	s.routeSensors(mux)
	s.routeNotes(mux)
	s.routeTests(mux)
	s.routePractice(mux)
	s.routeLotPages(mux)
	s.routeRounds(mux)
	s.routeImports(mux)
	s.routePacking(mux)
	s.routeLive(mux)
	s.routeLog(mux)
	route(mux, "/api/v1/refold", methods{http.MethodPost: s.postRefold})
	if cfg.Metrics != nil {
		route(mux, "/metrics", methods{http.MethodGet: cfg.Metrics.ServeHTTP})
	}
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		writeProblem(w, http.StatusNotFound, "there is no page at "+r.URL.Path+": the page is at /, the data under /api/v1/")
	})

	return s, mux
}

// failure turns an error of Actions into a status and the text the keeper may
// read. The one place where errors become statuses.
func (s *server) failure(r *http.Request, doing string, err error) (status int, detail string) {
	switch {
	case errors.Is(err, errChanged):
		return http.StatusPreconditionFailed, err.Error()
	case errors.Is(err, lot.ErrNotFound):
		return http.StatusNotFound, err.Error()
	case errors.Is(err, lot.ErrInvalid):
		return http.StatusUnprocessableEntity, err.Error()
	case errors.Is(err, lot.ErrNotNow):
		return http.StatusServiceUnavailable, err.Error()
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		s.Log.Warn("edit given up", "doing", doing, "path", logged(r), "error", err)
		return http.StatusServiceUnavailable, "cannot " + doing + ": no answer from the store in time; look whether it was done before trying again"
	}
	s.Log.Error("edit failed", "doing", doing, "path", logged(r), "error", err)
	return http.StatusInternalServerError, "cannot " + doing + ": a fault of the machine; its log says more"
}
