package app_test

import (
	"slices"
	"strings"
	"testing"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
	"dryhold/internal/settings"
)

// TestOwnLimitsReachTheirAlarms: those of a shelf, of a lot and of dryhold
// itself, as a configuration has them, through a running daemon and a restart.
func TestOwnLimitsReachTheirAlarms(t *testing.T) {
	s, err := settings.Parse("limits.yaml", []byte(`
rooms: [{name: loft, limits: {warm: 30 C}}, {name: cellar}]
sensors: [{name: loft, room: loft, limits: {warm: {limit: 15 C, on_delay: 0s, priority: high}}}]
lots: [{lot: L-1, limits: {warm: {limit: 12 C, on_delay: 0s}}}]
site_limits: {disk: 100 TB}
`))
	if err != nil {
		t.Fatal(err)
	}
	h := newHouse(t, nil)
	h.opts.Settings.Rooms, h.opts.Settings.Sensors = s.Rooms, s.Sensors
	h.opts.Settings.Lots, h.opts.Settings.SiteRules = s.Lots, s.SiteRules
	h.start()
	if code, answer := h.post("/api/v1/lots", lotOf("loft")); code/100 != 2 {
		t.Fatal(code, answer)
	}
	c := publisher(t, h.brokerURL())
	publish(t, c, "rooms/loft", false, `{"temperature":20}`)
	find := func(key alarm.Key) func() bool {
		return func() bool {
			return slices.ContainsFunc(h.status().Snapshot.Alarms, func(a engine.AlarmView) bool { return a.Key == key && a.Active })
		}
	}
	shelf, disk := alarm.Key{Kind: alarm.Warm, Room: "loft", Sensor: "loft"}, alarm.Key{Kind: alarm.Disk}
	eventually(t, "the alarm of the shelf", find(shelf))
	eventually(t, "that of the disk", find(disk))
	publish(t, c, "rooms/loft", false, `{"temperature":20}`) // between two readings there is a core
	eventually(t, "both readings", func() bool { return h.status().Snapshot.Intake.Stored == 2 })
	for _, a := range h.status().Snapshot.Alarms {
		if a.Key == (alarm.Key{Kind: alarm.Warm, Room: "loft"}) {
			t.Error("20 °C are not too warm for the room")
		}
		if a.Key == disk && !strings.HasPrefix(a.Text, "dryhold: disk nearly full, ") {
			t.Error(a.Text)
		}
	}
	h.stop()
	h.start()
	// The lot is judged when its room is: by the hour, and after a start.
	for _, k := range []alarm.Key{shelf, disk, {Kind: alarm.CoreWarm, Lot: "L-1"}} {
		eventually(t, k.String()+" after a restart", find(k))
	}
}
