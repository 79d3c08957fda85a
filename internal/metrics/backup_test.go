package metrics

import (
	"testing"
	"time"
)

// What is not known has no sample.
func TestBackupIsShownWhenKnown(t *testing.T) {
	m := mustNew(t, over(house()))
	var last time.Time
	if err := m.WatchBackup("Larch House", func() time.Time { return last }); err != nil {
		t.Fatal(err)
	}
	f := func(want int, value float64) {
		t.Helper()
		families, err := m.registry.Gather()
		if err != nil {
			t.Fatal(err)
		}
		seen := 0
		for _, family := range families {
			if family.GetName() != "dryhold_backup_last_success_timestamp_seconds" {
				continue
			}
			seen += len(family.GetMetric())
			if got := family.GetMetric()[0].GetGauge().GetValue(); got != value {
				t.Errorf("made at %.1f, want %.1f", got, value)
			}
		}
		if seen != want {
			t.Errorf("%d samples, want %d", seen, want)
		}
	}
	f(0, 0)
	last = time.UnixMilli(1_784_000_000_500)
	f(1, 1_784_000_000.5)
}
