package app_test

import (
	"fmt"
	"testing"
	"time"

	"dryhold/internal/settings"
	"dryhold/internal/unit"
	"dryhold/internal/wire"
)

// senmlTopics reads SenML packs on senml/ROOM.
func senmlTopics() wire.Mapping {
	return wire.Mapping{Pattern: "senml/{room}", SenML: &wire.SenML{Records: []wire.Record{{Quantity: unit.Temperature}, {Quantity: unit.Battery}}}}
}

// TestStatedIntervalIsStaleLimit: a sensor that says in its packs how seldom
// it sends may be silent for three times as long, at least for the general
// limit and at most for a day, unless the configuration gives it a limit. That
// grows and does not shrink, counts for what was stored before too, and is the
// same after a restart and after a rebuild.
func TestStatedIntervalIsStaleLimit(t *testing.T) {
	h := newHouse(t, nil)
	h.opts.Settings.Topics = append(h.opts.Settings.Topics, senmlTopics())
	h.opts.Settings.Sensors = []settings.Sensor{{Name: "pantry", Stale: time.Hour, StaleGiven: true}, {Name: "attic", Stale: time.Hour}}
	h.start()
	c := publisher(t, h.brokerURL())
	limit := func(sensor string) time.Duration {
		for _, s := range h.status().Snapshot.Sensors {
			if s.Name == sensor {
				return time.Duration(s.StaleSeconds * float64(time.Second))
			}
		}
		return 0
	}
	// Readings two hours apart since yesterday: with an hour's limit half of
	// the time is a gap.
	now := time.Now().Truncate(time.Minute)
	coverage := func(name string) float64 { return h.room(name).Coverage24h }
	sent := uint64(0)
	send := func(name string, at time.Time, more string) {
		t.Helper()
		publish(t, c, "senml/"+name, false, fmt.Sprintf(`[{"bn":"x:","bt":%d,"n":"t","u":"Cel","v":15%s}]`, at.Unix(), more))
		sent++
		eventually(t, "the pack stored", func() bool { return h.status().Snapshot.Intake.Stored >= sent })
	}
	for _, name := range []string{"loft", "pantry"} {
		for back := 26 * time.Hour; back >= 0; back -= 2 * time.Hour {
			send(name, now.Add(-back), "")
		}
	}
	if got := coverage("loft"); got > 0.6 {
		t.Errorf("without a word of its own %g of the day is covered", got)
	}
	f := func(name string, ut string, want time.Duration) {
		t.Helper()
		now = now.Add(time.Second)
		send(name, now, `,"ut":`+ut)
		eventually(t, "the limit of "+name+" for "+ut, func() bool { return limit(name) == want })
	}
	f("loft", "600", time.Hour)
	f("loft", "1201", 2*time.Hour)
	f("loft", "7200", 8*time.Hour)
	f("loft", "60", 8*time.Hour)
	f("pantry", "7200", time.Hour) // as configured
	f("attic", "86400", 24*time.Hour)
	f("cellar", "100000", 24*time.Hour)
	eventually(t, "the gaps closed", func() bool { return coverage("loft") > 0.99 })
	if got := coverage("pantry"); got > 0.6 {
		t.Errorf("with a limit of the configuration %g of the day is covered", got)
	}
	same := func() {
		t.Helper()
		if done, _ := refold(t, h.app); !done.Same {
			t.Error("a rebuild differs")
		}
	}
	same()
	h.restart()
	for name, want := range map[string]time.Duration{"loft": 8 * time.Hour, "pantry": time.Hour, "attic": 24 * time.Hour} {
		if got := limit(name); got != want {
			t.Errorf("after a restart the limit of %s is %v, want %v", name, got, want)
		}
	}
	if got := coverage("loft"); got < 0.99 {
		t.Errorf("after a restart %g of the day is covered", got)
	}
	same()
}
