package metrics

import (
	"fmt"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// backups shows when the newest backup was made.
type backups struct {
	desc *prometheus.Desc
	last func() time.Time
}

// WatchBackup adds the time of the newest backup that the daemon made by itself
// and found whole, read at each scrape; the zero time has no sample. Without
// backups there is no such series.
func (m *Metrics) WatchBackup(site string, last func() time.Time) error {
	desc := prometheus.NewDesc("dryhold_backup_last_success_timestamp_seconds",
		"Time of the newest backup that was made by the timer and found whole; absent before the first.",
		nil, prometheus.Labels{"site": clean(site)})
	if err := m.registry.Register(backups{desc, last}); err != nil {
		return fmt.Errorf("cannot register the metric of backups: %w", err)
	}
	return nil
}

// Describe implements prometheus.Collector.
func (b backups) Describe(ch chan<- *prometheus.Desc) { ch <- b.desc }

// Collect implements prometheus.Collector.
func (b backups) Collect(ch chan<- prometheus.Metric) {
	if at := b.last(); !at.IsZero() {
		ch <- prometheus.MustNewConstMetric(b.desc, prometheus.GaugeValue, float64(at.UnixMilli())/1000)
	}
}
