package engine

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/room"
)

// drawDamp draws readings of a room near the humidity where growth begins,
// most of them in order, some hours or days late.
func drawDamp(t *rapid.T) []arrival {
	days := rapid.IntRange(2, 8).Draw(t, "days")
	var out []arrival
	var temp, rh float64
	for h := 0.0; h < float64(24*days); h += 0.5 {
		if math.Mod(h, 6) == 0 {
			temp, rh = rapid.Float64Range(2, 30).Draw(t, "t"), rapid.Float64Range(0.7, 1).Draw(t, "rh")
		}
		kind := rapid.SampledFrom([]string{"on time", "on time", "on time", "on time", "on time", "on time", "lost", "late", "dry"}).Draw(t, "kind")
		if kind == "lost" {
			continue
		}
		arrives := at(h)
		if kind == "late" {
			arrives = at(h + float64(rapid.SampledFrom([]int{1, 5, 30, 80, 150}).Draw(t, "hours late")))
		}
		sensor := rapid.SampledFrom([]string{"a", "a", "a", "a", "b", "slow"}).Draw(t, "sensor")
		out = append(out, arrival{temperature("cellar", sensor, at(h), temp), arrives})
		if kind != "dry" {
			out = append(out, arrival{humidity("cellar", sensor, at(h), rh), arrives})
		}
	}
	slices.SortStableFunc(out, func(a, b arrival) int { return a.at.Compare(b.at) })
	return out
}

// TestMouldAnyOrderIsBitEqual: looked at as it goes, with late readings and
// refolds between, the mould index ends in the very bits of an engine that
// was fed the store in order and looked at once.
func TestMouldAnyOrderIsBitEqual(t *testing.T) {
	refolds, grown := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		arrivals := drawDamp(t)
		if len(arrivals) == 0 {
			return
		}
		end := arrivals[len(arrivals)-1].at.Add(time.Duration(rapid.IntRange(0, 50*60).Draw(t, "minutes past")) * time.Minute)
		e := engineOf(t, quiet())
		var stored []room.Reading
		var pending []Refold
		for i := 0; i < len(arrivals); {
			n := rapid.IntRange(1, 30).Draw(t, "batch")
			batch := arrivals[i:min(i+n, len(arrivals))]
			i += len(batch)
			now := batch[len(batch)-1].at
			var readings []room.Reading
			for _, a := range batch {
				readings = append(readings, a.reading)
			}
			stored = append(stored, readings...)
			pending = append(pending, e.Observe(now, readings).Refold...)
			if rapid.IntRange(0, 3).Draw(t, "refold") == 0 {
				for _, f := range pending {
					refold(e, f, stored, now)
					refolds++
				}
				pending = nil
			}
			e.Tick(now)
			e.Snapshot(now)
		}
		for _, f := range pending {
			refold(e, f, stored, end)
		}
		e.Tick(end)
		fresh := engineOf(t, quiet())
		refold(fresh, Refold{Room: "cellar"}, stored, end)
		want, got := fresh.Snapshot(end).Rooms[0].Mould, e.Snapshot(end).Rooms[0].Mould
		if d := cmp.Diff(want, got, sameBits); d != "" {
			t.Fatalf("the live index differs from the rebuilt one (-rebuilt +live):\n%s", d)
		}
		if again := e.Snapshot(end).Rooms[0].Mould; !slices.Equal(again, got) {
			t.Fatalf("looked at again: %+v, then %+v", got, again)
		}
		if len(want) > 0 && want[0].Peak > 0 {
			grown++
		}
	})
	if refolds == 0 || grown == 0 {
		t.Errorf("%d refolds, mould in %d rooms: the test tries nothing", refolds, grown)
	}
}

// TestMouldOutlivesARestart: the daemon after downtime shows what it showed,
// with the time it was down unknown.
func TestMouldOutlivesARestart(t *testing.T) {
	p := newPlay(t, config())
	for batch := range slices.Chunk(halfHourly(0, 200, steadily(18, 0.93)), 4) {
		p.hear(batch...)
		p.e.Snapshot(batch[len(batch)-1].At)
	}
	before := roomNamed(t, p.e.Snapshot(at(200)), "cellar").Mould
	again := p.restart(200)
	if d := cmp.Diff(before, roomNamed(t, again.e.Snapshot(at(200)), "cellar").Mould, sameBits); d != "" || before[0].Index <= 0 {
		t.Errorf("after a restart (-before +after):\n%s", d)
	}
	later := roomNamed(t, p.restart(230).e.Snapshot(at(230)), "cellar").Mould
	for i := range before {
		before[i].UnknownHours = 30
	}
	if d := cmp.Diff(before, later, sameBits); d != "" {
		t.Errorf("after 30 h of downtime (-want +got):\n%s", d)
	}
}

// benchCellar is an engine with a damp room of some days, every hour heard.
func benchCellar(b *testing.B, days float64) *Engine {
	e := engineOf(b, quiet())
	readings := halfHourly(0, 24*days, steadily(18, 0.93))
	refold(e, Refold{Room: "cellar"}, readings, at(24*days))
	return e
}

// BenchmarkMouldViews looks at a damp room with two full open days, as every
// snapshot does.
func BenchmarkMouldViews(b *testing.B) {
	e, now := benchCellar(b, 30), at(24*30).Add(-time.Millisecond)
	rs := e.find("cellar")
	b.ReportAllocs()
	for b.Loop() {
		if len(rs.mouldViews(now, e.cfg.Stale)) != 3 {
			b.Fatal("no surfaces")
		}
	}
}

// BenchmarkMouldYear works out a damp year anew, as after a late reading.
func BenchmarkMouldYear(b *testing.B) {
	e, now := benchCellar(b, 365), at(24*365)
	rs := e.find("cellar")
	for b.Loop() {
		rs.mould = mouldCourse{}
		if len(rs.mouldViews(now, e.cfg.Stale)) != 3 {
			b.Fatal("no surfaces")
		}
	}
}
