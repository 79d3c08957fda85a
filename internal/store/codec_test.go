package store

import (
	"encoding/binary"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"dryhold/internal/bench"
	"dryhold/internal/room"
)

func TestPackedDayIsItself(t *testing.T) {
	s := open(t, t.TempDir())
	rapid.Check(t, func(t *rapid.T) {
		day := rapid.Int64Range(-10_000, 40_000).Draw(t, "day")
		clock := rapid.OneOf(rapid.Int64Range(0, dayMS-1), rapid.Map(rapid.Int64Range(0, 1439), func(m int64) int64 { return m * 60_000 }))
		at := rapid.SliceOfNDistinct(clock, 0, 100, rapid.ID[int64]).Draw(t, "at")
		slices.Sort(at)
		value := rapid.OneOf(rapid.Int64(), rapid.Int64Range(-50, 50), rapid.Map(rapid.Int64Range(-50, 50), func(v int64) int64 { return 20_000 + 100*v }))
		var want []point
		for _, a := range at {
			want = append(want, point{day*dayMS + a, value.Draw(t, "steps")})
		}
		got, err := s.unpack(day, codecColumns, s.pack(day, want))
		if err != nil || !slices.Equal(got, want) {
			t.Fatalf("got %v %v, want %v", got, err, want)
		}
	})
}

func FuzzUnpack(f *testing.F) {
	s := open(f, f.TempDir())
	add := func(codec uint8, raw []byte) { f.Add(codec, raw, int64(1)) }
	usual := []point{{dayMS, 1}, {dayMS + 60_000, 2}, {dayMS + 120_007, 2}, {dayMS + 300_000, -9}}
	packed, err := s.dec.DecodeAll(s.pack(1, usual), nil)
	if err != nil {
		f.Fatal(err)
	}
	add(codecColumns, packed)
	add(codecColumns, []byte{2, 0, 1, 0, 0, 0, 0, 255, 255, 255, 255})
	add(codecColumns, []byte{200, 1, 2})
	add(codecDelta, packDelta(1, usual))
	add(codecDelta, []byte{200, 1, 2})
	add(codecDelta, []byte{255, 255, 255, 255, 255, 255, 255, 255, 255, 1})
	f.Fuzz(func(t *testing.T, codec uint8, raw []byte, day int64) {
		day %= 1 << 20 // an instant in ms has no more
		if _, err := s.unpack(day, int64(codec), raw); err == nil && len(raw) == 0 {
			t.Error("nothing taken for a day")
		}
		points, err := s.unpack(day, int64(codec), s.enc.EncodeAll(raw, nil))
		if err != nil {
			return
		}
		again, err := s.unpack(day, codecColumns, s.pack(day, points))
		if err != nil || !slices.Equal(again, points) {
			t.Errorf("what was read does not survive packing: %v", err)
		}
	})
}

// packDelta writes a day as dryhold did at first, see unpackDelta.
func packDelta(day int64, points []point) []byte {
	raw := binary.AppendUvarint(nil, uint64(len(points)))
	last, step := day*dayMS, int64(0)
	for _, p := range points {
		d := p.at - last
		raw = binary.AppendVarint(raw, d-step)
		last, step = p.at, d
	}
	value := int64(0)
	for _, p := range points {
		raw = binary.AppendVarint(raw, p.steps-value)
		value = p.steps
	}
	return raw
}

// sensorDay is a day of one series, a reading a minute with jitter, a daily
// wave and noise of a hundredth of a degree: an invented but usual sensor.
func sensorDay(rng *rand.Rand, day int) []room.Reading {
	var out []room.Reading
	v := 20.0
	for m := range 24 * 60 {
		v += 0.01 * rng.NormFloat64()
		at := epoch.AddDate(0, 0, day).Add(time.Duration(m)*time.Minute + time.Duration(rng.IntN(200))*time.Millisecond)
		out = append(out, reading("a", at, float64(int(v*100))/100))
	}
	return out
}

// pointsOf gives the day of a series and its points.
func pointsOf(readings []room.Reading) (day int64, out []point) {
	for _, r := range readings {
		out = append(out, point{r.At.UnixMilli(), r.Quantity.Steps(r.Value)})
	}
	return floorDay(out[0].at), out
}

// larchDay gives the two series of a day of a sensor.
func larchDay(h bench.House, sensor, day int) (temperature, humidity []room.Reading) {
	for i, r := range h.Day(sensor, day) {
		if i%2 == 0 {
			temperature = append(temperature, r)
		} else {
			humidity = append(humidity, r)
		}
	}
	return temperature, humidity
}

// The bar of the design: 2.0 bytes a packed reading, its time to the
// millisecond, of each of four kinds of sensor. That of the mean is ours.
func TestPackedSize(t *testing.T) {
	s, h := open(t, t.TempDir()), bench.Larch()
	total, all := 0, 0
	for sensor := range 4 {
		size, n := [2]int{}, [2]int{}
		for day := 0; day < 365; day += 13 {
			a, b := larchDay(h, sensor, day)
			for i, readings := range [][]room.Reading{a, b} {
				d, points := pointsOf(readings)
				size[i] += len(s.pack(d, points))
				n[i] += len(points)
			}
		}
		for i, what := range []string{"temperature", "humidity"} {
			each := float64(size[i]) / float64(n[i])
			t.Logf("%+v: %.3f bytes a %s", h.Kind(sensor), each, what)
			if each > 2 {
				t.Errorf("%.3f bytes a %s of sensor %d, at most 2", each, what, sensor)
			}
			total, all = total+size[i], all+n[i]
		}
	}
	if mean := float64(total) / float64(all); mean > 1.5 {
		t.Errorf("%.3f bytes a reading, at most 1.5", mean)
	}
}

// Days that an earlier dryhold packed stay as they are; one that late readings
// come to is packed anew, and its readings are those of both.
func TestDaysOfTheFirstCodec(t *testing.T) {
	s := open(t, t.TempDir())
	first := sensorDay(rand.New(rand.NewPCG(3, 4)), 0)
	late := reading("a", epoch.Add(12*time.Hour+7*time.Millisecond+time.Minute/2), 30)
	commit(t, s, Outcome{}, reading("a", epoch.AddDate(0, 0, 5), 20)) // opens the series
	day, points := pointsOf(first)
	if _, err := s.write.Exec(`INSERT INTO packed_day (series, day, n, codec, data) VALUES (1, ?, ?, ?, ?)`,
		day, len(points), codecDelta, s.enc.EncodeAll(packDelta(day, points), nil)); err != nil {
		t.Fatal(err)
	}
	if err := s.load(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got, _ := all(t, s, epoch); !slices.Equal(got[:len(first)], first) {
		t.Fatal("a day of the first codec reads as something else")
	}
	commit(t, s, Outcome{}, late, first[7]) // the second is known
	if _, err := s.Pack(t.Context(), epoch.AddDate(0, 0, 2)); err != nil {
		t.Fatal(err)
	}
	want := slices.SortedFunc(slices.Values(append(slices.Clone(first), late)), func(a, b room.Reading) int { return a.At.Compare(b.At) })
	if got, _ := all(t, s, epoch); !slices.Equal(got[:len(want)], want) || len(got) != len(want)+1 {
		t.Errorf("%d readings, want %d", len(got), len(want)+1)
	}
}

func TestNewerFileIsRefused(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	if _, err := s.write.Exec(`INSERT INTO goose_db_version (version_id, is_applied) VALUES (9999, 1)`); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s, err := Open(t.Context(), dir, slog.New(slog.DiscardHandler))
	if err == nil {
		_ = s.Close()
	}
	if err == nil || !strings.Contains(err.Error(), "newer dryhold (schema 9999") {
		t.Errorf("opened: %v", err)
	}
}

// BenchmarkPackedSize packs a day of each series of four sensors, each of
// another kind, and reports the bytes one reading takes: time to the
// millisecond, value to its resolution. easy is one of noise of 0.01 °C and even
// jitter of 200 ms.
func BenchmarkPackedSize(b *testing.B) {
	s, h, rng := open(b, b.TempDir()), bench.Larch(), rand.New(rand.NewPCG(1, 2))
	var easy, house [][]room.Reading
	for i := range 16 {
		easy = append(easy, sensorDay(rng, i))
		t, rh := larchDay(h, i%4, 90*(i/4))
		house = append(house, t, rh)
	}
	for _, c := range []struct {
		name string
		days [][]room.Reading
	}{{"easy", easy}, {"house", house}} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			size, n := 0, 0
			for b.Loop() {
				for _, d := range c.days {
					day, points := pointsOf(d)
					size += len(s.pack(day, points))
					n += len(points)
				}
			}
			b.ReportMetric(float64(size)/float64(n), "B/reading")
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(n), "ns/reading")
		})
	}
}

// BenchmarkUnpack reads a day of each series of four sensors.
func BenchmarkUnpack(b *testing.B) {
	s, h := open(b, b.TempDir()), bench.Larch()
	for _, codec := range []int64{codecDelta, codecColumns} {
		b.Run(fmt.Sprint("codec=", codec), func(b *testing.B) {
			var packed [][]byte
			var days []int64
			n := 0
			for sensor := range 4 {
				t, rh := larchDay(h, sensor, 10)
				for _, readings := range [][]room.Reading{t, rh} {
					day, points := pointsOf(readings)
					data := s.pack(day, points)
					if codec == codecDelta {
						data = s.enc.EncodeAll(packDelta(day, points), nil)
					}
					packed, days, n = append(packed, data), append(days, day), n+len(points)
				}
			}
			b.ReportAllocs()
			for b.Loop() {
				for i, data := range packed {
					if _, err := s.unpack(days[i], codec, data); err != nil {
						b.Fatal(err)
					}
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n), "ns/reading")
		})
	}
}

// Rows in the order of inPages begin fewer pages than as they come, and none is
// lost.
func TestInPages(t *testing.T) {
	pages := func(days []packedDay) (n int) {
		room := 0
		for _, p := range days {
			if size := len(p.data) + rowHead; size > room {
				n, room = n+1, pageRoom-size
			} else {
				room -= size
			}
		}
		return n
	}
	f := func(want int, sizes ...int) {
		t.Helper()
		var days []packedDay
		for i, size := range sizes {
			days = append(days, packedDay{series: int64(i), data: make([]byte, size)})
		}
		if got := pages(inPages(days)); got != want {
			t.Errorf("%v takes %d pages, want %d", sizes, got, want)
		}
	}
	f(0)
	f(1, 10)
	f(2, 2475, 2475)
	f(2, 2475, 1380, 2475, 1380)
	f(3, 1380, 2475, 2475, 1380, 5000)
	rapid.Check(t, func(t *rapid.T) {
		var days []packedDay
		for i, size := range rapid.SliceOfN(rapid.IntRange(0, 6000), 0, packAtOnce).Draw(t, "sizes") {
			days = append(days, packedDay{series: int64(i), data: make([]byte, size)})
		}
		got := inPages(days)
		if pages(got) > pages(days) {
			t.Errorf("%d pages, as they come %d", pages(got), pages(days))
		}
		slices.SortFunc(got, func(a, b packedDay) int { return int(a.series - b.series) })
		if !slices.EqualFunc(got, days, func(a, b packedDay) bool { return a.series == b.series && len(a.data) == len(b.data) }) {
			t.Errorf("%d days of %d", len(got), len(days))
		}
	})
}
