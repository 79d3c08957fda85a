package engine_test

import (
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/demo"
	"dryhold/internal/engine"
	"dryhold/internal/settings"
	"dryhold/internal/wire"
)

// TestQuietYearFindsNoFault plays the year of Larch House (invented) through
// the engine with a tick each hour: sound sensors with the noise of their kind
// raise no alarm but the one whose battery is dead for three days in August.
func TestQuietYearFindsNoFault(t *testing.T) {
	cat, err := settings.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	s := demo.Settings()
	decoder, err := wire.NewMap(s.Topics, nil)
	if err != nil {
		t.Fatal(err)
	}
	e, err := engine.New(engine.Config{
		Site: s.Site, Zone: time.UTC, Catalog: cat, Rules: s.Rules, Stale: s.StaleLimit, Started: demo.Start(),
	})
	if err != nil {
		t.Fatal(err)
	}
	told := map[alarm.Kind]int{}
	take := func(fx engine.Effects) {
		for _, n := range fx.Notices {
			told[n.Alarm.Kind]++
		}
	}
	year := demo.NewScenario(1)
	for at := demo.Start(); at.Before(demo.End()); at = at.Add(demo.Interval) {
		for _, m := range year.Next() {
			d, errs := decoder.Decode(wire.Message{Topic: "larch/" + m.Room + "/climate", Payload: m.Payload, ReceivedAt: m.At})
			if len(errs) > 0 {
				t.Fatal(errs)
			}
			take(e.Observe(m.At, d.Readings))
		}
		if at.Equal(at.Truncate(time.Hour)) {
			take(e.Tick(at))
		}
	}
	for _, k := range alarm.Kinds() {
		if k.Scope() != alarm.OfSensor {
			continue // the weather
		}
		want := 0
		if k == alarm.Silent {
			want = 2 // silent, and back
		}
		if told[k] != want {
			t.Errorf("%d notices of %s, want %d", told[k], k, want)
		}
	}
	if n := told[alarm.Hot] + told[alarm.HoursOver]; n > 16 { // raised and over, by day and night of the one hot week
		t.Errorf("%d notices of heat", n)
	}
	if told[alarm.Warm] == 0 || told[alarm.Damp] == 0 {
		t.Errorf("the hot week and the damp fortnight raised nothing: %v", told)
	}
}
