package bench_test

import (
	"log/slog"
	"os"
	"slices"
	"testing"
	"time"

	"dryhold/internal/bench"
	"dryhold/internal/room"
	"dryhold/internal/store"
)

// quiet opens a store that says nothing.
func quiet(t testing.TB, dir string) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), dir, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

func nothing([]room.Reading) (store.Outcome, error) { return store.Outcome{}, nil }

// commit stores readings and nothing else.
func commit(t testing.TB, s *store.Store, rs []room.Reading, now time.Time) {
	t.Helper()
	if err := s.Commit(t.Context(), store.Batch{Readings: rs}, nil, now, nothing); err != nil {
		t.Fatal(err)
	}
}

// fill stores days of a house and packs those that are closed, as the daemon
// does at the turn of a day, and gives how many readings it stored.
func fill(t testing.TB, s *store.Store, h bench.House, first, days int) (n int) {
	t.Helper()
	for day := first; day < first+days; day++ {
		end := h.From.AddDate(0, 0, day+1)
		for sensor := range h.Sensors {
			rs := h.Day(sensor, day)
			commit(t, s, rs, end)
			n += len(rs)
		}
		pack(t, s, end.AddDate(0, 0, -1))
	}
	return n
}

// pack packs all that is before an instant.
func pack(t testing.TB, s *store.Store, before time.Time) {
	t.Helper()
	for more := true; more; {
		var err error
		if more, err = s.Pack(t.Context(), before); err != nil {
			t.Fatal(err)
		}
	}
}

// BenchmarkPacking packs a day of 20 sensors with two quantities, as at each
// turn of a day, with a message committed between any two steps, as the daemon's
// writer does. What a message waits at most is one step and its own commit.
func BenchmarkPacking(b *testing.B) {
	h := bench.Larch()
	s := quiet(b, b.TempDir())
	var steps, commits []time.Duration
	day := 0
	for b.Loop() {
		b.StopTimer()
		end := h.From.AddDate(0, 0, day+1)
		for sensor := range h.Sensors {
			commit(b, s, h.Day(sensor, day), end)
		}
		next := h.Day(0, day+2)
		b.StartTimer()
		for more := true; more; next = next[2:] {
			began := time.Now()
			var err error
			if more, err = s.Pack(b.Context(), end); err != nil {
				b.Fatal(err)
			}
			packed := time.Now()
			commit(b, s, next[:2], end)
			steps, commits = append(steps, packed.Sub(began)), append(commits, time.Since(packed))
		}
		day++
	}
	slices.Sort(steps)
	slices.Sort(commits)
	b.ReportMetric(float64(len(steps))/float64(day), "steps/op")
	b.ReportMetric(milliseconds(steps[len(steps)/2]), "ms-step")
	b.ReportMetric(milliseconds(steps[len(steps)-1]), "ms-step-max")
	b.ReportMetric(milliseconds(commits[len(commits)/2]), "ms-commit")
	b.ReportMetric(milliseconds(commits[len(commits)-1]), "ms-commit-max")
}

func milliseconds(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }

// TestGrowth is by how much the file grows, once it has room for the open days:
// what is packed with all that SQLite adds. The bar is that of the design, 1.3 GB
// in 30 years.
func TestGrowth(t *testing.T) {
	first, more := 6, 6
	if os.Getenv(longEnv) != "" {
		first, more = 20, 20
	}
	h, dir := bench.Larch(), t.TempDir()
	size := func(from, days int) (bytes int64, readings int) {
		s := quiet(t, dir)
		readings = fill(t, s, h, from, days)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		return sizeOf(t, dir), readings
	}
	before, _ := size(0, first)
	after, n := size(first, more)
	each := float64(after-before) / float64(n)
	years := float64(after-before) / float64(more) * 365.25 * 30
	t.Logf("%.2f bytes a reading, %.2f GB in 30 years", each, years/1e9)
	if years > 1.3e9 {
		t.Errorf("%.2f GB in 30 years, at most 1.3", years/1e9)
	}
}
