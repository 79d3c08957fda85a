package metrics

import (
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus/testutil"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
)

func TestAlarmRates(t *testing.T) {
	m, err := New(Config{Snapshot: func() *engine.Snapshot { return nil }})
	if err != nil {
		t.Fatal(err)
	}
	warm := alarm.Key{Kind: alarm.Warm, Room: "loft"}
	m.CountAlarms([]alarm.Event{
		{Key: warm, From: alarm.Normal, To: alarm.ActiveUnacknowledged}, {Key: warm, From: alarm.ActiveUnacknowledged, To: alarm.ReturnedUnack},
		{Key: warm, From: alarm.ReturnedUnack, To: alarm.ActiveUnacknowledged}, {Key: warm, From: alarm.Shelved, To: alarm.Shelved}, // a note
	}, []alarm.Notice{
		{To: "mara", Priority: alarm.High, Event: alarm.Raised}, {To: "mara", Priority: alarm.High, Event: alarm.Raised}, {Event: alarm.Raised},
	})
	got, err := testutil.GatherAndCount(m.registry, "dryhold_alarm_transitions_total", "dryhold_messages_total")
	if want := 3; err != nil || got != want {
		t.Errorf("%d series, want %d: %v", got, want, err)
	}
	f := func(want float64, labels ...string) {
		t.Helper()
		if got := testutil.ToFloat64(m.rates.transitions.WithLabelValues(labels...)); got != want {
			t.Errorf("%s: %g, want %g", strings.Join(labels, " to "), got, want)
		}
	}
	f(2, "warm", "active_unacknowledged")
	f(1, "warm", "returned_unacknowledged")
	f(0, "damp", "active_unacknowledged")
	if got := testutil.ToFloat64(m.rates.messages.WithLabelValues("mara", "high", "raised")); got != 2 {
		t.Errorf("%g messages to mara, want 2", got)
	}
}
