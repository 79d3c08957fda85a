package app

import (
	"context"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"syscall"
	"testing"
	"time"

	"dryhold/internal/openfiles"
	"dryhold/internal/room"
	"dryhold/internal/settings"
	"dryhold/internal/store"
	"dryhold/internal/unit"
)

// months fills a store with readings each minute of four rooms, temperature and
// humidity, as sensors send them: with two decimals.
func months(b *testing.B, dir string, days int) (n int64, until time.Time) {
	b.Helper()
	s, err := store.Open(b.Context(), dir, slog.New(slog.DiscardHandler))
	if err != nil {
		b.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	begin := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	for day := range days {
		var batch []room.Reading
		for r := range 4 {
			name, air := "room-"+strconv.Itoa(r), 15.0
			for m := range 24 * 60 {
				air += rng.NormFloat64() / 30
				at := begin.AddDate(0, 0, day).Add(time.Duration(m)*time.Minute + time.Duration(rng.IntN(900))*time.Millisecond)
				for _, q := range []unit.Quantity{unit.Temperature, unit.Humidity} {
					v := q.Round(map[unit.Quantity]float64{unit.Temperature: float64(int(100*air)) / 100, unit.Humidity: float64(int(1e4*(0.4+air/100))) / 1e4}[q])
					batch = append(batch, room.Reading{Series: room.Series{Room: name, Sensor: name, Quantity: q}, At: at, Value: v})
				}
			}
		}
		n += int64(len(batch))
		err := s.Commit(b.Context(), store.Batch{Readings: batch}, nil, begin, func([]room.Reading) (store.Outcome, error) { return store.Outcome{}, nil })
		for more := err == nil; more && err == nil; {
			more, err = s.Pack(b.Context(), begin.AddDate(0, 0, day))
		}
		if err != nil {
			b.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	return n, begin.AddDate(0, 0, days)
}

// BenchmarkOpenFiles writes and reads back 60 days of four rooms, in each form.
func BenchmarkOpenFiles(b *testing.B) {
	dir := b.TempDir()
	n, now := months(b, filepath.Join(dir, "data"), 60)
	opts := Options{Settings: settings.Default(), DataDir: filepath.Join(dir, "data"), Now: func() time.Time { return now }}
	cat, err := settings.Catalog()
	if err != nil {
		b.Fatal(err)
	}
	opts.Catalog = cat
	untold := func(string, int64, int64) {}
	for _, o := range []struct {
		name string
		openfiles.Options
	}{
		{"csv", openfiles.Options{Readings: []openfiles.Format{openfiles.CSV}}},
		{"csv.gz", openfiles.Options{Readings: []openfiles.Format{openfiles.CSV}, Gzip: true}},
		{"jsonl", openfiles.Options{Readings: []openfiles.Format{openfiles.JSONL}}},
		{"jsonl.gz", openfiles.Options{Readings: []openfiles.Format{openfiles.JSONL}, Gzip: true}},
	} {
		o.FactsOnly = true
		folder := filepath.Join(dir, o.name)
		b.Run("export/"+o.name, func(b *testing.B) {
			began := busy(b, 0)
			for b.Loop() {
				_ = os.RemoveAll(folder)
				m, err := Export(b.Context(), opts, folder, o.Options, untold)
				if err != nil || m.Lines("readings") != n {
					b.Fatal(m.Lines("readings"), err)
				}
				b.ReportMetric(float64(m.Bytes())/float64(n), "bytes/reading")
			}
			b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "readings/s")
			b.ReportMetric(busy(b, began)/float64(n)/float64(b.N), "cpu-ns/reading")
		})
		b.Run("back/"+o.name, func(b *testing.B) {
			began := busy(b, 0)
			for b.Loop() {
				back := filepath.Join(dir, "back")
				_ = os.RemoveAll(back)
				if _, c, err := Refill(context.WithoutCancel(b.Context()), folder, back, untold); err != nil || c.Readings != n {
					b.Fatal(c.Readings, err)
				}
			}
			b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "readings/s")
			b.ReportMetric(busy(b, began)/float64(n)/float64(b.N), "cpu-ns/reading")
		})
	}
}

// busy is the time that the processors were at work for this process since an
// earlier answer, ns: on a busy machine it says more than the clock.
func busy(b *testing.B, since float64) float64 {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) - since
}
