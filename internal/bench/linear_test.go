package bench_test

import (
	"math"
	"os"
	"runtime"
	"syscall"
	"testing"
	"time"

	"dryhold/internal/bench"
	"dryhold/internal/engine"
	"dryhold/internal/room"
)

func TestFit(t *testing.T) {
	f := func(sizes, costs []float64, at, each, r2 float64) {
		t.Helper()
		l := bench.Fit(sizes, costs)
		if math.Abs(l.At-at) > 1e-9 || math.Abs(l.Each-each) > 1e-9 || math.Abs(l.R2-r2) > 1e-9 {
			t.Errorf("%+v, want %g + %g*size, %g", l, at, each, r2)
		}
	}
	f([]float64{1, 2, 4}, []float64{5, 7, 11}, 3, 2, 1)
	f([]float64{10, 20, 40, 80}, []float64{1, 2, 4, 8}, 0, 0.1, 1)
	if l := bench.Fit([]float64{1, 2, 4, 8}, []float64{1, 4, 16, 64}); l.R2 > 0.9 {
		t.Errorf("a square passes for a line: %+v", l)
	}
}

// processor is the time that a piece of work takes of a processor, the least of
// five tries: less than the clock says where others run.
func processor(t *testing.T, work func()) float64 {
	t.Helper()
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	used := func() float64 {
		const thread = 1 // RUSAGE_THREAD, man getrusage
		var u syscall.Rusage
		if err := syscall.Getrusage(thread, &u); err != nil {
			t.Fatal(err)
		}
		return time.Duration(u.Utime.Nano() + u.Stime.Nano()).Seconds()
	}
	best := math.Inf(1)
	for range 5 {
		runtime.GC()
		before := used()
		work()
		best = min(best, used()-before)
	}
	return best
}

// hours is the house with a reading of each quantity an hour, as far as it
// counts for lots: what follows them looks at hours.
func hours(h bench.House, sensor, day int) (out []room.Reading) {
	last := -1
	for _, r := range h.Day(sensor, day) {
		if k := 2*r.At.Hour() + int(r.Quantity); k > last {
			out, last = append(out, r), k
		}
	}
	return out
}

// TestGrowsLinearly: the work of a rebuild grows with readings and with the days
// that lots have stood as a line does, and what thirty years of 20 sensors and
// 20,000 lots take by these lines.
func TestGrowsLinearly(t *testing.T) {
	if os.Getenv(longEnv) == "" {
		t.Skipf("takes a minute or two: set %s=1", longEnv)
	}
	h := small()
	fold := func(lots, days int, of func(h bench.House, sensor, day int) []room.Reading) (cost float64, readings int) {
		history := make([][][]room.Reading, h.Rooms)
		for sensor := range h.Rooms {
			for day := range days {
				history[sensor] = append(history[sensor], of(h, sensor, day))
				readings += len(history[sensor][day])
			}
		}
		return processor(t, func() {
			e := newEngine(t, h, lots, days)
			for i, name := range h.RoomNames() {
				e.Restart(engine.Refold{Room: name})
				for day := range days {
					e.Feed(name, history[i][day], h.From.AddDate(0, 0, day+1))
				}
			}
			e.Tick(h.From.AddDate(0, 0, days))
			if s := e.Snapshot(h.From.AddDate(0, 0, days)); len(s.Lots) != lots {
				t.Fatal(len(s.Lots))
			}
		}), readings
	}
	line := func(what string, sizes, costs []float64) bench.Line {
		l := bench.Fit(sizes, costs)
		t.Logf("%s: %.3g s + %.3g µs each, R² %.4f; %.4g → %.3g", what, l.At, l.Each*1e6, l.R2, sizes, costs)
		if !(l.R2 >= 0.95) || l.Each <= 0 {
			t.Errorf("%s: not a line", what)
		}
		return l
	}
	var sizes, costs []float64
	for _, days := range []int{15, 30, 60, 120} {
		cost, n := fold(1, days, bench.House.Day)
		sizes, costs = append(sizes, float64(n)), append(costs, cost)
	}
	readings := line("readings", sizes, costs)
	sizes, costs = nil, nil
	const span = 100
	for _, lots := range []int{10, 20, 40, 80} {
		cost, _ := fold(lots, span, hours)
		sizes, costs = append(sizes, float64(lots)), append(costs, cost)
	}
	line("lots", sizes, costs)
	// A lot is followed by the hour at first and by the day later, so that its
	// cost has a part of its own and one that grows with the days it stands: half
	// of all days, since lots are packed evenly.
	sizes, costs = nil, nil
	const some = 20
	for _, days := range []int{150, 300, 600} {
		with, _ := fold(some, days, hours)
		without, _ := fold(1, days, hours)
		sizes, costs = append(sizes, float64(days)/2), append(costs, (with-without)/(some-1))
	}
	lot := line("days of a lot", sizes, costs)
	const years = 30 * 365.25
	t.Logf("on paper, 30 years of 20 sensors with two quantities a minute: %.0f s of one processor; 20,000 lots packed evenly: %.0f s",
		readings.Each*years*20*2*bench.Minutes, 20_000*lot.Of(years/2))
}
