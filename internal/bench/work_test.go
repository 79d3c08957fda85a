package bench_test

import (
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/bench"
	"dryhold/internal/engine"
	"dryhold/internal/kinetics"
	"dryhold/internal/room"
	"dryhold/internal/settings"
	"dryhold/internal/unit"
	"dryhold/internal/wire"
)

// small is a house whose work is done in a moment even where each instruction is
// counted.
func small() bench.House {
	h := bench.Larch()
	h.Sensors, h.Rooms = 4, 2
	return h
}

// newEngine makes an engine with so many lots, packed over so many days.
func newEngine(t testing.TB, h bench.House, lots, days int) *engine.Engine {
	t.Helper()
	c, err := settings.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	rules := map[alarm.Kind]alarm.Rule{}
	for _, r := range settings.DefaultRules() {
		rules[r.Kind] = r
	}
	e, err := engine.New(engine.Config{
		Site: "larch-house", Zone: time.UTC, Catalog: c, Started: h.From, Rooms: h.RoomNames(),
		Rules: func(string) map[alarm.Kind]alarm.Rule { return rules }, Stale: func(string) time.Duration { return time.Hour },
		Lots: h.Lots(c.FoodIDs(), c.ContainerIDs(), lots, days), Forecasting: engine.Forecasting{Futures: 3},
	})
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// engineWith follows lots in a house through so many days, and gives the instant
// at which it is then.
func engineWith(b *testing.B, h bench.House, lots, days int) (*engine.Engine, time.Time) {
	b.Helper()
	e, now := newEngine(b, h, lots, days), h.From.AddDate(0, 0, days)
	for i, name := range h.RoomNames() {
		e.Restart(engine.Refold{Room: name})
		for day := range days {
			e.Feed(name, h.Day(i, day), h.From.AddDate(0, 0, day+1))
		}
	}
	e.Tick(now)
	return e, now
}

// BenchmarkWork is what dryhold does all day, in portions that allocate and count
// the same on every machine: the baseline is made of it. What it cannot see: time
// that is lost in waiting (for the disk, the broker, a lock), in the cache, or in
// the garbage collector; the browser; and work whose size the benchmark does not
// have, as with thousands of lots.
func BenchmarkWork(b *testing.B) {
	h := small()
	b.Run("kernel-day-8-energies", func(b *testing.B) {
		var energies []unit.KJPerMol
		for i := range 8 {
			energies = append(energies, 40+10*unit.KJPerMol(i))
		}
		k, err := kinetics.NewKernel(21, energies)
		if err != nil {
			b.Fatal(err)
		}
		var ts []float64
		for i, r := range h.Day(0, 0) {
			if i%2 == 0 {
				ts = append(ts, r.Value)
			}
		}
		sums := make([]float64, k.Len())
		b.ReportAllocs()
		for b.Loop() {
			k.AddAll(sums, ts, 1.0/bench.Minutes)
		}
	})
	b.Run("decode-message", func(b *testing.B) { workDecode(b, h) })
	b.Run("commit-20-messages", func(b *testing.B) { workCommit(b, h) })
	b.Run("pack-day-of-sensor", func(b *testing.B) { workPack(b, h) })
	b.Run("read-day-of-room", func(b *testing.B) { workRead(b, h) })
	b.Run("fold-day-of-room-10-lots", func(b *testing.B) {
		e, now := engineWith(b, h, 10, 4)
		b.ReportAllocs()
		for b.Loop() {
			e.Restart(engine.Refold{Room: "room-1", Since: now.AddDate(0, 0, -1)})
			e.Feed("room-1", h.Day(0, 3), now)
		}
	})
	b.Run("reading-10-lots", func(b *testing.B) {
		e, now := engineWith(b, h, 10, 4)
		next := h.Day(0, 4)
		b.ReportAllocs()
		for i := 0; b.Loop(); i++ {
			at := now.Add(time.Duration(i%40+1) * time.Second)
			for k := range 2 {
				next[k].At = at
			}
			e.Observe(at, next[:2])
			e.Tick(at)
			if s := e.Snapshot(at); len(s.Lots) != 10 {
				b.Fatal(len(s.Lots))
			}
		}
	})
	b.Run("review-10-lots", func(b *testing.B) {
		e, now := engineWith(b, h, 10, 4)
		b.ReportAllocs()
		for b.Loop() {
			if _, err := e.Review(now); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("course-of-room", func(b *testing.B) {
		e, now := engineWith(b, h, 4, 10)
		b.ReportAllocs()
		for b.Loop() {
			if _, err := e.CourseRoom(now, "room-1", h.From, now, 200); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("explain-lot", func(b *testing.B) {
		e, now := engineWith(b, h, 4, 10)
		b.ReportAllocs()
		for b.Loop() {
			if _, err := e.Explain("L-1", now); err != nil {
				b.Fatal(err)
			}
		}
	})
}

func workDecode(b *testing.B, h bench.House) {
	d, err := wire.NewMap(topics(b), nil)
	if err != nil {
		b.Fatal(err)
	}
	m := messages(h, 0)[0]
	in := wire.Message{Topic: m.topic(), Payload: []byte(m.payload()), ReceivedAt: h.From}
	b.ReportAllocs()
	for b.Loop() {
		if out, errs := d.Decode(in); len(errs) > 0 || len(out.Readings) != 2 {
			b.Fatal(errs, out)
		}
	}
}

func workCommit(b *testing.B, h bench.House) {
	s := quiet(b, b.TempDir())
	var batch []room.Reading
	for _, m := range messages(h, 0)[:20] {
		batch = append(batch, m.temperature, m.humidity)
	}
	commit(b, s, batch, h.From)
	b.ReportAllocs()
	for b.Loop() {
		for i := range batch {
			batch[i].At = batch[i].At.Add(5 * time.Minute)
		}
		commit(b, s, batch, h.From)
	}
}

// workPack has one day to pack in each round, which is stored anew before it.
func workPack(b *testing.B, h bench.House) {
	s := quiet(b, b.TempDir())
	day := 0
	b.ReportAllocs()
	for b.Loop() {
		commit(b, s, h.Day(0, day), h.From)
		day++
		pack(b, s, h.From.AddDate(0, 0, day))
	}
}

func workRead(b *testing.B, h bench.House) {
	s := quiet(b, b.TempDir())
	fill(b, s, h, 0, 1)
	pack(b, s, h.From.AddDate(0, 0, 1))
	b.ReportAllocs()
	for b.Loop() {
		n := 0
		err := s.EachDay(b.Context(), "room-1", h.From, func(day []room.Reading) error {
			n += len(day)
			return nil
		})
		if err != nil || n < 3*bench.Minutes {
			b.Fatal(n, err)
		}
	}
}
