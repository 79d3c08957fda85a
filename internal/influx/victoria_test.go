package influx_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/influx"
	"dryhold/internal/influx/victoriatest"
)

// A real server takes what is written, under odd names too, and gives back the
// same.
func TestRealServer(t *testing.T) {
	v := victoriatest.Start(t)
	server := influx.NewServer(influx.ServerConfig{URL: v.URL, Org: "larch", Bucket: "dryhold", Token: func() (string, error) { return "", nil }})
	defer server.Close()
	at := time.Date(2026, 7, 11, 14, 0, 0, 250_000_000, time.UTC)
	odd := influx.Reading{Site: "Larch House, east=1", Room: "a b", Sensor: `c,d=é"`, Quantity: "temperature", At: at, Value: 17.25}
	hour := influx.Hour{Site: "larch-house", Room: "loft", At: at, N: 6, Mean: 21.5, Measured: time.Hour}
	lot := influx.Lot{Site: "larch-house", Lot: "L-1", At: at, Room: `the "cold" room`, Likely: 0.9, End: at}
	event := influx.Alarm{Site: "larch-house", Kind: "hot", Room: "loft", At: at, From: "normal", To: "active", Value: 31, Active: true, By: "mara"}
	var lines []string
	for _, p := range []interface{ Line() (string, error) }{odd, hour, lot, event} {
		line, err := p.Line()
		if err != nil {
			t.Fatal(err)
		}
		lines = append(lines, line)
	}
	if err := server.Write(t.Context(), lines); err != nil {
		t.Fatal(err)
	}
	f := func(name string, labels map[string]string, want float64) {
		t.Helper()
		got := v.Export(name)
		if len(got) != 1 {
			t.Errorf("%s: %v", name, got)
			return
		}
		for k, x := range labels {
			if got[0].Metric[k] != x {
				t.Errorf("%s: label %s is %q, want %q", name, k, got[0].Metric[k], x)
			}
		}
		if d := cmp.Diff([]float64{want}, got[0].Values); d != "" || got[0].Timestamps[0] != at.UnixMilli() {
			t.Errorf("%s: %v", name, got)
		}
	}
	f("dryhold_reading_value", map[string]string{"site": odd.Site, "room": odd.Room, "sensor": odd.Sensor, "quantity": "temperature"}, 17.25)
	f("dryhold_hour_temperature_mean", map[string]string{"room": "loft"}, 21.5)
	f("dryhold_hour_n", nil, 6)
	f("dryhold_lot_remaining_likely", map[string]string{"lot": "L-1"}, 0.9)
	f("dryhold_lot_end", nil, float64(at.Unix()))
	f("dryhold_alarm_active", map[string]string{"kind": "hot", "to": "active"}, 1)
}
