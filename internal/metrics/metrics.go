// Package metrics shows the published state to Prometheus. It keeps no state
// of its own beyond a histogram of the store's commits and counters of what
// went by: everything else is read from the snapshot at each scrape, so a
// scrape can never disagree with the page. What is unknown has no sample; an
// old value is never exported as if it were good.
package metrics

import (
	"fmt"
	"net/http"
	"runtime"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"dryhold/internal/engine"
	"dryhold/internal/health"
)

// Config is what New needs. Snapshot and Health are called at each scrape,
// from many goroutines at once.
type Config struct {
	Version string
	// Site is the label of what is there before the first snapshot; that of the
	// snapshots.
	Site string
	// PerLot adds series for every unfinished lot. Off by default: a room has
	// a handful of series, a shelf of lots has thousands.
	PerLot bool
	// Snapshot gives the published state; it returns nil before the first.
	Snapshot func() *engine.Snapshot
	// Health gives the daemon's checks; nil when there are none to show.
	Health func() []health.Check
}

// Metrics is one registry with all series of one daemon. Several may live in
// one process.
type Metrics struct {
	registry       *prometheus.Registry
	commitDuration prometheus.Histogram
	commitReadings prometheus.Histogram
	refused        *prometheus.CounterVec
	rates          alarmRates
}

// New makes the registry. It starts nothing.
func New(cfg Config) (*Metrics, error) {
	if cfg.Snapshot == nil {
		return nil, fmt.Errorf("cannot make metrics: BUG: no snapshot function given")
	}
	site := prometheus.Labels{"site": clean(cfg.Site)}
	m := &Metrics{
		registry: prometheus.NewRegistry(),
		commitDuration: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name:        "dryhold_store_commit_duration_seconds",
			Help:        "Time from the start of a group commit until it is on disk.",
			ConstLabels: site,
			Buckets:     prometheus.ExponentialBuckets(0.0005, 2, 14), // 0.5 ms to 4.1 s
		}),
		commitReadings: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name:        "dryhold_store_commit_readings",
			Help:        "Readings made durable by one group commit.",
			ConstLabels: site,
			Buckets:     prometheus.ExponentialBuckets(1, 2, 14), // 1 to 8192
		}),
		refused: newRefused(site), rates: newAlarmRates(site),
	}
	info := prometheus.NewGauge(prometheus.GaugeOpts{
		Name:        "dryhold_build_info",
		Help:        "Always 1; the version of dryhold and of Go it was built with.",
		ConstLabels: prometheus.Labels{"site": clean(cfg.Site), "version": clean(cfg.Version), "goversion": runtime.Version()},
	})
	info.Set(1)
	for _, c := range []prometheus.Collector{
		info, m.commitDuration, m.commitReadings, m.refused, m.rates.transitions, m.rates.messages, newState(cfg),
		collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
	} {
		if err := m.registry.Register(c); err != nil {
			return nil, fmt.Errorf("cannot register metrics: %w", err)
		}
	}
	return m, nil
}

// Handler answers a scrape. A series that cannot be exported is left out and
// counted in promhttp_metric_handler_errors_total; the rest is still served,
// because an alarm must not be lost to a neighbour's fault.
func (m *Metrics) Handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{
		ErrorHandling: promhttp.ContinueOnError,
		Registry:      m.registry,
	})
}

// ObserveCommit records one group commit of the store: its duration in
// seconds and the number of readings it made durable. Safe for concurrent
// use.
func (m *Metrics) ObserveCommit(seconds float64, readings int) {
	m.commitDuration.Observe(seconds)
	m.commitReadings.Observe(float64(readings))
}
