package metrics

import (
	"fmt"

	"github.com/prometheus/client_golang/prometheus"
)

// ExportView is how an export fares.
type ExportView struct {
	Delivered uint64  // points the server took
	Dropped   uint64  // points too old to be kept for it, or refused by it
	Behind    float64 // age of the oldest point not sent, s; 0: none waits
}

// WatchExport adds the series of an export, read at each scrape. Without an
// export there are none.
func (m *Metrics) WatchExport(site string, view func() ExportView) error {
	opts := func(name, help string) prometheus.Opts {
		return prometheus.Opts{Name: "dryhold_export_" + name, Help: help, ConstLabels: prometheus.Labels{"site": clean(site)}}
	}
	for _, c := range []prometheus.Collector{
		prometheus.NewCounterFunc(prometheus.CounterOpts(opts("points_delivered_total", "Points the export server took.")),
			func() float64 { return float64(view().Delivered) }),
		prometheus.NewCounterFunc(prometheus.CounterOpts(opts("points_dropped_total", "Points that waited too long for the export server, or that it refused.")),
			func() float64 { return float64(view().Dropped) }),
		prometheus.NewGaugeFunc(prometheus.GaugeOpts(opts("behind_seconds", "Age of the oldest reading, alarm event or lot result the export server has not taken; 0 when none waits.")),
			func() float64 { return view().Behind }),
	} {
		if err := m.registry.Register(c); err != nil {
			return fmt.Errorf("cannot register metrics of the export: %w", err)
		}
	}
	return nil
}
