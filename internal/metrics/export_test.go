package metrics_test

import (
	"net/http/httptest"
	"strings"
	"testing"

	"dryhold/internal/engine"
	"dryhold/internal/metrics"
)

// The series of an export are there with one, at its present values, and
// without one there are none.
func TestExportSeries(t *testing.T) {
	m, err := metrics.New(metrics.Config{Snapshot: func() *engine.Snapshot { return nil }})
	if err != nil {
		t.Fatal(err)
	}
	scrape := func() string {
		w := httptest.NewRecorder()
		m.Handler().ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
		return w.Body.String()
	}
	if strings.Contains(scrape(), "dryhold_export_") {
		t.Error("series of an export without one")
	}
	view := metrics.ExportView{Delivered: 11123, Dropped: 2, Behind: 90}
	if err := m.WatchExport("larch-house", func() metrics.ExportView { return view }); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		`dryhold_export_points_delivered_total{site="larch-house"} 11123`,
		`dryhold_export_points_dropped_total{site="larch-house"} 2`,
		`dryhold_export_behind_seconds{site="larch-house"} 90`,
	} {
		if !strings.Contains(scrape(), want+"\n") {
			t.Errorf("missing %s", want)
		}
	}
}
