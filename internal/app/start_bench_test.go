package app_test

import (
	"context"
	"database/sql"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"dryhold/internal/app"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/settings"
	"dryhold/internal/store"
	"dryhold/internal/unit"
)

// historyEnd is where the years of BenchmarkStart10y end.
var historyEnd = time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)

// historyStore fills a directory with so many years of eight rooms, a reading a
// minute of two quantities with noise, jitter and dropouts, and so many lots of
// all shipped foods and containers, a fifth of them moved. One year is invented
// and comes again: days are packed apart from the calendar.
func historyStore(b *testing.B, dir string, years, lots int) {
	b.Helper()
	ctx := b.Context()
	s, err := store.Open(ctx, dir, slog.New(slog.DiscardHandler))
	if err != nil {
		b.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(10, 8))
	start := historyEnd.AddDate(0, 0, -364)
	for day := range 364 {
		batch := store.Batch{}
		for r := range 8 {
			batch.Readings = append(batch.Readings, historyDay(rng, r, start, day)...)
		}
		err := s.Commit(ctx, batch, nil, historyEnd, func([]room.Reading) (store.Outcome, error) { return store.Outcome{}, nil })
		if err != nil {
			b.Fatal(err)
		}
		if day%30 == 29 || day == 363 {
			for more := true; more; {
				if more, err = s.Pack(ctx, start.AddDate(0, 0, day-1)); err != nil {
					b.Fatal(err)
				}
			}
		}
	}
	changes := historyLots(b, historyEnd.AddDate(0, 0, -364*years), lots)
	if err := s.Commit(ctx, store.Batch{}, nil, historyEnd, func([]room.Reading) (store.Outcome, error) { return store.Outcome{Lots: changes}, nil }); err != nil {
		b.Fatal(err)
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	db, err := sql.Open("sqlite", "file:"+filepath.Join(dir, store.File))
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	for y := 1; y < years; y++ {
		first := start.Unix() / 86400
		if _, err := db.Exec(`INSERT OR IGNORE INTO packed_day (series, day, n, codec, data) SELECT series, day - ?, n, codec, data FROM packed_day WHERE day >= ?`, 364*y, first); err != nil {
			b.Fatal(err)
		}
	}
}

// historyDay is a day of a room.
func historyDay(rng *rand.Rand, r int, start time.Time, day int) (out []room.Reading) {
	name := fmt.Sprint("room-", r)
	gap := -1
	if rng.IntN(20) == 0 { // the radio fails for some hours
		gap = rng.IntN(1440)
	}
	for m := range 1440 {
		if gap >= 0 && m >= gap && m < gap+200 || rng.IntN(200) == 0 {
			continue
		}
		at := start.AddDate(0, 0, day).Add(time.Duration(m)*time.Minute + time.Duration(rng.IntN(4000))*time.Millisecond)
		h := float64(day*1440+m) / 60
		t := 16 + float64(r) + 6*math.Sin(2*math.Pi*h/8736) + 2*math.Sin(2*math.Pi*h/24) + 2*math.Sin(h/37) + 0.02*rng.NormFloat64()
		rh := 0.5 + 0.12*math.Sin(h/300) + 0.002*rng.NormFloat64()
		of := func(q unit.Quantity, v float64) room.Reading {
			return room.Reading{Series: room.Series{Room: name, Sensor: "s" + name, Quantity: q}, At: at, Value: q.Round(v)}
		}
		out = append(out, of(unit.Temperature, math.Round(100*t)/100), of(unit.Humidity, math.Round(1000*rh)/1000))
	}
	return out
}

func historyLots(b *testing.B, start time.Time, n int) (out []lot.Change) {
	c := shipped(b)
	foods, boxes := c.FoodIDs(), c.ContainerIDs()
	for i := range n {
		id := fmt.Sprint("L-", i+1)
		at := start.Add(historyEnd.Sub(start) / time.Duration(n) * time.Duration(i)).Truncate(time.Minute)
		in := fmt.Sprint("room-", i%8)
		out = append(out, lot.Change{Kind: lot.Added, Lot: id, At: at, Recorded: at, Packing: &lot.Packing{
			Food: foods[i%len(foods)], Container: boxes[i%len(boxes)], Count: 6, NetMassKG: 1, Room: in, PackedAt: at,
		}})
		if i%5 == 0 && i*25 < n*24 {
			when := at.AddDate(0, 0, 40)
			out = append(out, lot.Change{Kind: lot.Moved, Lot: id, Room: fmt.Sprint("room-", (i+3)%8), At: when, Recorded: when})
		}
	}
	return out
}

// historyDir is a directory with such a store, kept in DRYHOLD_BENCH_HISTORY
// between runs where that names a directory.
func historyDir(b *testing.B, years, lots int) string {
	kept := os.Getenv("DRYHOLD_BENCH_HISTORY")
	if kept == "" {
		dir := b.TempDir()
		historyStore(b, dir, years, lots)
		return dir
	}
	dir := filepath.Join(kept, fmt.Sprintf("%dy-%d", years, lots))
	if _, err := os.Stat(filepath.Join(dir, store.File)); err != nil {
		historyStore(b, dir, years, lots)
	}
	return dir
}

// BenchmarkStart10y brings up a daemon with ten years of eight rooms and 500
// lots and tells how long that took, the largest it was and what it is at rest.
func BenchmarkStart10y(b *testing.B) {
	dir := historyDir(b, 10, 500)
	clock := &still{now: historyEnd}
	for b.Loop() {
		cfg := settings.Default()
		cfg.HTTP.Listen = "127.0.0.1:0"
		cfg.Broker.Embedded.Listen = "127.0.0.1:0"
		a, err := app.New(app.Options{Settings: cfg, Catalog: shipped(b), DataDir: dir, Now: clock.Now, Throwaway: true})
		if err != nil {
			b.Fatal(err)
		}
		if err := a.Start(b.Context()); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(resident(b, "VmHWM:"), "MB-peak")
		b.ReportMetric(resident(b, "VmRSS:"), "MB-ready")
		var m runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&m)
		b.ReportMetric(float64(m.HeapAlloc)/1e6, "MB-live")
		if s := a.Snapshot(); len(s.Lots) != 500 || len(s.Rooms) != 8 {
			b.Fatalf("%d lots, %d rooms", len(s.Lots), len(s.Rooms))
		}
		if err := a.Stop(context.Background()); err != nil {
			b.Fatal(err)
		}
	}
}

// resident is a figure of this process by the kernel, MB.
func resident(b *testing.B, field string) float64 {
	text, err := os.ReadFile("/proc/self/status")
	if err != nil {
		b.Skip("no figures of the kernel:", err)
	}
	for line := range strings.Lines(string(text)) {
		if rest, ok := strings.CutPrefix(line, field); ok {
			kb := 0.0
			if _, err := fmt.Sscan(rest, &kb); err != nil {
				b.Fatal(err)
			}
			return kb / 1e3
		}
	}
	b.Fatal("no", field)
	return 0
}
