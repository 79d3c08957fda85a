package app_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"dryhold/internal/alarm"
)

// TestClockNotTrustedIsTold: a clock that stays wrong beyond its limit is told
// once, though nothing can be stored meanwhile, and that it is right again.
func TestClockNotTrustedIsTold(t *testing.T) {
	noon := time.Date(2031, 7, 12, 12, 0, 0, 0, time.UTC)
	h, w, k := clocked(t, noon, noon.AddDate(-1, 0, 0))
	h.start()
	c := publisher(t, h.brokerURL())
	publish(t, c, "rooms/cellar/temperature", false, "12")
	eventually(t, "the reading stored", func() bool { return h.status().Snapshot.Intake.Stored == 1 })
	h.stop()

	w.run(0)
	w.set(time.Unix(20, 0))
	h.start()
	eventually(t, "doubt of the clock", func() bool { return strings.HasPrefix(h.check("clock"), "false") })
	w.run(10 * time.Minute)
	if got := k.of(alarm.Clock); len(got) != 0 {
		t.Errorf("told within its limit: %v", got)
	}
	w.run(6 * time.Minute)
	eventually(t, "it told", func() bool { return len(k.of(alarm.Clock)) == 1 })
	w.set(noon.Add(2 * time.Hour))
	eventually(t, "the return told", func() bool { return len(k.of(alarm.Clock)) == 2 })
	h.stop()
	if got := k.of(alarm.Clock); !slices.Equal(got, []string{"raised", "returned"}) || !strings.Contains(k.text(alarm.Clock), "dryhold: clock not trusted for 16 min") {
		t.Errorf("%v %s", got, k.text(alarm.Clock))
	}
}
