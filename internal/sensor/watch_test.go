package sensor

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/room"
	"dryhold/internal/unit"
)

func staleHour(string) time.Duration { return time.Hour }

// fiveK holds jumps of more than 5 K.
func fiveK(q unit.Quantity) float64 {
	if q == unit.Temperature {
		return 5
	}
	return 0
}

func watched(readings ...room.Reading) *Watch {
	w := NewWatch(staleHour, fiveK)
	for _, r := range readings {
		w.Add(r, r)
	}
	return w
}

// course is a series of temperatures, one each ten minutes.
func course(sensor string, from float64, values ...float64) []room.Reading {
	var out []room.Reading
	for i, v := range values {
		out = append(out, reading(sensor, unit.Temperature, from+float64(i)/6, v))
	}
	return out
}

func TestSpike(t *testing.T) {
	// Each reading comes to a letter: + stands, ? is held; before it, s says
	// that the one held was a spike, r that it was real.
	f := func(want string, readings ...room.Reading) {
		t.Helper()
		w, got := watched(), ""
		for _, r := range readings {
			v := w.Add(r, r)
			if v.Spike != nil {
				got += "s"
			}
			if v.Stands != nil {
				got += "r"
			}
			if v.Held {
				got += "?"
			} else {
				got += "+"
			}
		}
		if got != want {
			t.Errorf("got %s, want %s", got, want)
		}
	}
	f("+++", course("a", 0, 20, 25, 30)...)             // up to the limit
	f("+?s+", course("a", 0, 20, 26, 20)...)            // there and back
	f("+?s+", course("a", 0, 20, 13, 19)...)            // also downwards
	f("+?r++", course("a", 0, 20, 30, 31, 30)...)       // the room did get hot
	f("+?r?r+", course("a", 0, 20, 30, 40, 41)...)      // quickly, step by step
	f("+?s+?s+", course("a", 0, 20, 30, 20, 30, 20)...) // a loose contact
	f("+?s?s+", course("a", 0, 20, 30, 10, 20)...)
	f("+", course("a", 0, 90)...) // nothing to compare with
	// Neighbours hours away are none.
	f("++", append(course("a", 0, 20), course("a", 0.51, 30)...)...)
	f("+?r+", append(course("a", 0, 20, 30), course("a", 0.7, 20)...)...)
	// Other quantities are not held.
	f("+++", reading("a", unit.Humidity, 0, 0.2), reading("a", unit.Humidity, 0.1, 0.9), reading("a", unit.Humidity, 0.2, 0.2))

	w := watched(course("a", 0, 20, 26.5)...)
	r := course("a", 2.0/6, 20)[0]
	if v := w.Add(r, r); v.Spike == nil || *v.Spike != (Mark{at(1.0 / 6), 6.5}) {
		t.Errorf("spike: %+v", v.Spike)
	}
	for l := range watched(course("a", 0, 20, 26.5)...).Latest() {
		when, v := l.Standing(at(0.5))
		if l.Value != 26.5 || !l.Held() || v != 20 || !when.Equal(at(0)) {
			t.Errorf("held: newest %g, stands %g of %v", l.Value, v, when)
		}
		if when, v := l.Standing(at(0.7)); v != 26.5 || !when.Equal(at(1.0/6)) {
			t.Errorf("after half an hour alone it stands: %g of %v", v, when)
		}
	}
}

func TestUnchanged(t *testing.T) {
	f := func(hours, since float64, readings ...room.Reading) {
		t.Helper()
		covered, from := watched(readings...).Unchanged("a")
		if math.Abs(covered.Hours()-hours) > 1e-6 || hours > 0 && !from.Equal(at(since)) {
			t.Errorf("unchanged for %v since %v, want %g h since %v", covered, from, hours, at(since))
		}
	}
	f(0, 0)
	f(0, 0, course("b", 0, 20, 20, 20)...)
	f(0, 0, course("a", 0, 20, 21)...)
	f(0.5, 0, course("a", 0, 20, 20, 20, 20)...)
	f(1.0/6, 2.0/6, course("a", 0, 20, 21, 20, 20)...)
	// Silence neither counts nor ends it.
	f(2.0/6, 0, append(course("a", 0, 20, 20), course("a", 10, 20, 20)...)...)
	// Darkness may last, light does not.
	f(0, 0, reading("a", unit.Illuminance, 0, 0), reading("a", unit.Illuminance, 1, 0))
	f(1, 0, reading("a", unit.Illuminance, 0, 40), reading("a", unit.Illuminance, 1, 40))
	f(0, 0, reading("a", unit.Battery, 0, 0.4), reading("a", unit.Battery, 1, 0.4))
	f(0, 0, reading("a", unit.Oxygen, 0, 0.001), reading("a", unit.Oxygen, 1, 0.001))
	// One quantity is enough.
	f(1, 0, reading("a", unit.Humidity, 0, 1), reading("a", unit.Humidity, 1, 1), reading("a", unit.Temperature, 0, 20), reading("a", unit.Temperature, 1, 21))

	// Over closed days, and told by what was sent: a calibration within does
	// not end it.
	w := watched()
	for h := 0.0; h <= 24*30; h += 0.5 {
		raw := reading("a", unit.Temperature, h, 20)
		counted := raw
		if h > 300 {
			counted.Value = 21
		}
		if h < 7 {
			raw.Value = 19
		}
		w.Add(raw, counted)
		w.Close(at(h - 24))
	}
	if covered, since := w.Unchanged("a"); covered != (24*30-7)*time.Hour || !since.Equal(at(7)) {
		t.Errorf("over closed days unchanged for %v since %v", covered, since)
	}
}

func nobody(string) bool { return false }

func TestApart(t *testing.T) {
	f := func(want map[string]float64, sensors int, readings ...room.Reading) {
		t.Helper()
		d := watched(readings...).Apart(unit.Temperature, at(1), nobody)
		if diff := cmp.Diff(want, d.From); diff != "" || len(d.Sensors) != sensors {
			t.Errorf("of %v (-want +got):\n%s", d.Sensors, diff)
		}
	}
	all := func(groups ...[]room.Reading) []room.Reading { return slices.Concat(groups...) }
	f(map[string]float64{}, 0)
	f(map[string]float64{}, 1, course("a", 0, 20)...)
	f(map[string]float64{"a": 3, "b": 3}, 2, all(course("a", 0, 20, 22), course("b", 0.3, 24))...) // means of the hour
	// Of three the one that is off stands out.
	f(map[string]float64{"a": 0.5, "b": 0.5, "c": 4.5}, 3, all(course("a", 0, 20), course("b", 0, 20.5), course("c", 0, 25))...)
	// The hour that ends, not the one that began.
	f(map[string]float64{"a": 1, "b": 1}, 2, all(course("a", 0, 20), course("b", 0, 21), course("b", 1, 90))...)
	// A sensor that speaks each hour only stands by its last word, until it is stale.
	f(map[string]float64{"a": 1, "b": 1}, 2, all(course("a", 0, 20), course("b", 0, 21))...)
	f(map[string]float64{}, 2, all(course("a", 0.5, 20), course("b", -0.5, 21))...)

	w := watched(all(course("a", 0, 20), course("b", 0, 25))...)
	if d := w.Apart(unit.Temperature, at(1), func(name string) bool { return name == "a" }); len(d.From) != 0 || !slices.Equal(d.Sensors, []string{"b"}) {
		t.Errorf("one skipped: %+v", d)
	}
}

// pair feeds two sensors hourly for some days and closes what the ledger would.
func pair(days int, apart func(day int) float64) *Watch {
	w := watched()
	for h := range 24 * days {
		swing := 2 * math.Sin(2*math.Pi*float64(h)/24)
		for _, r := range []room.Reading{reading("a", unit.Temperature, float64(h), 20+swing), reading("b", unit.Temperature, float64(h), 20+swing+apart(h/24))} {
			w.Add(r, r)
		}
		w.Close(at(float64(h) - 24))
	}
	return w
}

func TestDrift(t *testing.T) {
	f := func(want float64, days int, apart func(day int) float64, renewed ...float64) {
		t.Helper()
		since := func(string) time.Time {
			if len(renewed) > 0 {
				return at(renewed[0])
			}
			return time.Time{}
		}
		d := pair(days, apart).Drift(unit.Temperature, at(float64(24*days)), nobody, since)
		got, ok := d.From["b"]
		if ok != (want >= 0) || ok && math.Abs(got-want) > 1e-9 {
			t.Errorf("drift %g (known %v), want %g", got, ok, want)
		}
		if other := d.From["a"]; other != got {
			t.Errorf("of two, one moved by %g and the other by %g", got, other)
		}
	}
	const unknown = -1
	slow := func(day int) float64 { return 0.02 * float64(day) }
	f(0, 60, func(int) float64 { return 1.5 }) // apart, and always were
	// Days 0 to 59: the median of the first 14 is day 6.5, of the last 7 day 56.
	f(0.02*(56-6.5), 60, slow)
	f(unknown, 27, slow)
	f(0.02*(24-6.5), 28, slow)
	// Not longer than a quarter of a year back: days 30 to 119.
	f(0.02*(116-36.5), 120, slow)
	// Anew since a calibration, in the middle of day 20: days 21 to 59.
	f(0.02*(56-27.5), 60, slow, 20*24+12)
	f(unknown, 60, slow, 40*24)
	// One odd day moves nothing.
	f(0, 60, func(day int) float64 {
		if day == 58 {
			return 9
		}
		return 0
	})
	// Half days do not count.
	w := watched()
	for day := range 60 {
		for h := range 24 {
			r := reading("a", unit.Temperature, float64(24*day+h), 20)
			w.Add(r, r)
			if h < 19 {
				r = reading("b", unit.Temperature, float64(24*day+h), 20+float64(day))
				w.Add(r, r)
			}
		}
		w.Close(at(float64(24 * (day - 1))))
	}
	if d := w.Drift(unit.Temperature, at(60*24), nobody, func(string) time.Time { return time.Time{} }); len(d.From) != 0 || len(d.Sensors) != 2 {
		t.Errorf("half days: %+v", d)
	}
	// What ended days ago says nothing of now.
	if d := pair(60, slow).Drift(unit.Temperature, at(64*24), nobody, func(string) time.Time { return time.Time{} }); len(d.From) != 0 {
		t.Errorf("old days: %+v", d)
	}
}

// shown is all that a watch tells.
func shown(w *Watch, end time.Time) string {
	out := ""
	for l := range w.Latest() {
		when, v := l.Standing(end)
		out += fmt.Sprintf("%s %v %x held %v, stands %x of %v\n", l.Series, l.At, l.Value, l.Held(), v, when)
	}
	for _, name := range []string{"a", "b", "c"} {
		covered, since := w.Unchanged(name)
		out += fmt.Sprintf("%s unchanged %v since %v\n", name, covered, since)
	}
	out += fmt.Sprintf("apart %x\n", w.Apart(unit.Temperature, end.Truncate(time.Hour), nobody))
	return out + fmt.Sprintf("drift %x\n", w.Drift(unit.Temperature, end, nobody, func(string) time.Time { return time.Time{} }))
}

// TestWatchIsTheSameInAnyOrder: late, twice, closed as days pass and fed again
// from some instant, a watch tells the same as one fed all in order.
func TestWatchIsTheSameInAnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var readings []room.Reading
		h := 0.0
		for range rapid.IntRange(1, 80).Draw(t, "readings") {
			// minutes, hours, or months
			h += rapid.SampledFrom([]float64{0.1, 0.1, 0.25, 1, 9, 30, 24 * 70}).Draw(t, "later")
			readings = append(readings, reading(rapid.SampledFrom([]string{"a", "b"}).Draw(t, "sensor"), unit.Temperature, h,
				rapid.SampledFrom([]float64{18, 20, 20, 20, 26, 33}).Draw(t, "value")))
		}
		end := at(h + rapid.Float64Range(0, 60).Draw(t, "past the end"))
		open := floorDay(end.UnixMilli()) - dayMS

		rebuilt := watched(readings...)
		rebuilt.Close(time.UnixMilli(open))

		live := watched()
		var stored []room.Reading
		for _, r := range readings {
			if r.At.UnixMilli() >= open && rapid.Bool().Draw(t, "late") {
				continue
			}
			stored = append(stored, r)
			live.Add(r, r)
			if rapid.Bool().Draw(t, "again") {
				live.Add(r, r)
			}
			if rapid.Bool().Draw(t, "close") {
				live.Close(r.At.Add(-24 * time.Hour))
			}
			if rapid.IntRange(0, 5).Draw(t, "restart") == 0 {
				from := r.At.Add(-time.Duration(rapid.Float64Range(0, 24*120).Draw(t, "hours back") * float64(time.Hour)))
				if !live.Reaches(from) {
					from = time.UnixMilli(0)
				}
				live.Restart(from)
				for _, s := range stored {
					if !s.At.Before(from) {
						live.Add(s, s)
					}
				}
			}
		}
		for _, r := range rapid.Permutation(readings).Draw(t, "the late ones") {
			live.Add(r, r)
		}
		live.Close(time.UnixMilli(open))
		if d := cmp.Diff(shown(rebuilt, end), shown(live, end)); d != "" {
			t.Fatalf("(-rebuilt +live):\n%s", d)
		}
	})
}
