package replay_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/replay"
	"dryhold/internal/scenario"
	"dryhold/internal/unit"
)

// TestNormalYear plays an invented year of three rooms, each with a sensor with
// the noise and the lost messages of its kind. The pantry has the default limits
// and steam from the kitchen, the cellar a lamp and a damp fortnight, one battery
// runs out, and each radio fails for hours now and then. Nobody acknowledges
// anything, so that every reminder is sent there is.
func TestNormalYear(t *testing.T) {
	t.Parallel()
	s, _ := parsed(t)
	before, start := time.Date(2024, time.October, 1, 0, 0, 0, 0, s.Zone), time.Date(2025, time.January, 1, 0, 0, 0, 0, s.Zone)
	end := start.AddDate(1, 0, 0)
	w := makeWeather(before, end, 5, func(time.Time) float64 { return 0 })
	rng := rand.New(rand.NewPCG(9, 9))
	some := func(mean time.Duration) time.Duration { return time.Duration(rng.ExpFloat64() * float64(mean)) }
	set := func(values []float64, from time.Time, long time.Duration, add float64) {
		for i := range values {
			if at := w.from.Add(time.Duration(i) * quarter); !at.Before(from) && at.Before(from.Add(long)) {
				values[i] = min(0.95, values[i]+add)
			}
		}
	}
	for at := before; at.Before(end); at = at.Add(some(4 * 24 * time.Hour)) {
		set(w.damp, at, 30*time.Minute+some(time.Hour), 0.25) // steam
	}
	set(w.dampCellar, time.Date(2025, time.November, 8, 0, 0, 0, 0, s.Zone), 14*24*time.Hour, 0.15)
	x, cfg := larch(t, w, before, start, end, 1, map[string][]string{
		"cellar": {"cellar-1"}, "north-pantry": {"pantry-1"}, "loft": {"loft-1"}, "garden": {"garden-1"},
	})
	for i := range x.Series {
		k := &x.Series[i]
		if k.Quantity == unit.Humidity {
			k.Gaps = x.Series[i-1].Gaps // those of the same message
			continue
		}
		for at := start.Add(some(90 * 24 * time.Hour)); at.Before(end); at = at.Add(some(90 * 24 * time.Hour)) {
			k.Gaps = append(k.Gaps, scenario.Span{From: at, To: at.Add(90*time.Minute + some(2*time.Hour))})
		}
		if k.Sensor == "loft-1" {
			from := time.Date(2025, time.August, 12, 8, 0, 0, 0, s.Zone)
			k.Gaps = append(k.Gaps, scenario.Span{From: from, To: from.Add(80 * time.Hour)})
		}
	}
	lamp := scenario.Series{Every: 10 * time.Minute, Shape: lamp{}}
	lamp.Room, lamp.Sensor, lamp.Quantity = "cellar", "cellar-1", unit.Illuminance
	x.Series = append(x.Series, lamp)
	_, p, err := replay.Run(x, cfg)
	if err != nil {
		t.Fatal(err)
	}
	l := p.Log()
	t.Cleanup(func() {
		if t.Failed() || testing.Verbose() {
			show(t, l, s.Zone)
		}
	})
	sum := l.Summary(s.Zone)
	if len(sum.People) != 1 {
		t.Fatalf("told: %+v, want one person", sum.People)
	}
	told := sum.People[0]
	t.Logf("%d messages, %d of them reminders, %d on the busiest day, %d digests; %d raises", told.Messages, told.Reminders, told.Busiest.Count, told.Digests, sum.Raised)
	if told.Messages > 52*replay.MostInWeek || told.Busiest.Count > replay.MostInDay {
		t.Errorf("%d messages, %d on %s: want at most %d, and %d a day", told.Messages, told.Busiest.Count, told.Busiest.Day, 52*replay.MostInWeek, replay.MostInDay)
	}
	if told.Digests != 52 {
		t.Errorf("%d digests, want 52", told.Digests)
	}
	spans := tell(t, l)
	for _, key := range []alarm.Key{{Kind: alarm.Damp, Room: "cellar"}, {Kind: alarm.Silent, Room: "loft", Sensor: "loft-1"}} {
		if len(spans[key]) == 0 {
			t.Errorf("%s was not told", key)
		}
	}
}

// lamp is the light of a cellar into which somebody goes for an hour each second
// evening.
type lamp struct{}

// At implements scenario.Shape.
func (lamp) At(at time.Time) float64 {
	if at.YearDay()%2 == 0 && at.Hour() == 18 {
		return 110
	}
	return 0
}
