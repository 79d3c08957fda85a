package engine

import (
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/settings"
)

// alarmed is the house of 500 lots in ten years with every condition watched by
// default, in a heat that stands in all rooms.
func alarmed(b *testing.B) (e *Engine, end time.Time) {
	b.Helper()
	e, end = benchHouse(b)
	e.cfg.Rules = func(in string) map[alarm.Kind]alarm.Rule {
		rules := settings.Default().Rules(in)
		for k, r := range rules {
			if k.Scope() == alarm.OfLot {
				r.OnDelay = 0 // so that what is old stands at once
				rules[k] = r
			}
		}
		return rules
	}
	for _, rs := range e.rooms {
		rs.rules = e.cfg.Rules(rs.name)
		warm := alarm.New(warmLoft)
		warm.Key.Room = rs.name
		warm, _ = warm.Observe(rs.rules[alarm.Warm], end.Add(-8*time.Hour), 27)
		warm, _ = warm.Observe(rs.rules[alarm.Warm], end.Add(-time.Hour), 27)
		*rs.condition(warm.Key) = warm
	}
	e.Tick(end)
	if n := len(e.Snapshot(end).Alarms); n < 8 {
		b.Fatalf("%d alarms", n)
	}
	return e, end
}

// BenchmarkAlarms500 times what alarms cost in that house:
//   - reading: a tick and a published state within an hour; the bar is 5 ms
//   - hour: what is judged at the turn of the hour, of lots that are worked out
//   - tell: one notice with a cost for each lot and what helps, all worked out anew
func BenchmarkAlarms500(b *testing.B) {
	e, end := alarmed(b)
	b.Logf("%d alarms stand", len(e.Snapshot(end).Alarms))
	i := 0
	b.Run("reading", func(b *testing.B) {
		for b.Loop() {
			i++
			at := end.Add(time.Duration(i%3000) * time.Second)
			e.Tick(at)
			e.Snapshot(at)
		}
	})
	b.Run("hour", func(b *testing.B) {
		for b.Loop() {
			e.unjudged = true
			e.Tick(end)
		}
	})
	b.Run("tell", func(b *testing.B) {
		c := *e.kept(alarm.Key{Kind: alarm.Warm, Room: "room-0"})
		for b.Loop() {
			for _, t := range e.lots {
				t.reviewed = nil
			}
			for _, rs := range e.rooms {
				rs.week = nil
			}
			if n := e.tell(c, alarm.Raised, end); len(n.Costs) == 0 {
				b.Fatal("no costs")
			}
		}
	})
}
