package past

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/room"
	"dryhold/internal/unit"
)

func now() time.Time { return time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC) }

func at(minute int) time.Time {
	return now().AddDate(0, -6, 0).Add(time.Duration(minute) * time.Minute)
}

func in(t testing.TB, q unit.Quantity, name string) unit.Unit {
	t.Helper()
	u, err := unit.Parse(q, name)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

func reader(t testing.TB, p Plan) *Reader {
	t.Helper()
	r, err := NewReader(p, now())
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestTake(t *testing.T) {
	r := reader(t, Plan{Quantity: unit.Temperature, Unit: in(t, unit.Temperature, "F"), RoomLabel: "room", SensorLabel: "dev"})
	got := r.Take([]Series{
		{Labels: map[string]string{"room": "loft", "dev": "a"}, Other: 2, Samples: []Sample{
			{at(2).Add(1999 * time.Microsecond), 68}, {at(1), 50}, {at(3), math.NaN()}, {at(4), math.Inf(1)}, {at(5), 900}, {now().Add(time.Hour), 60}, {time.Unix(0, 0), 60}}},
		{Labels: map[string]string{"room": "the loft", "dev": "a"}, Samples: []Sample{{at(1), 50}, {at(2), 50}}},
		{Labels: map[string]string{"room": "loft"}, Samples: []Sample{{at(1), 50}}},
		{Labels: map[string]string{"room": "cellar", "dev": "c"}, Samples: []Sample{{at(2), 41}}},
		{Labels: map[string]string{"room": "nothing", "dev": "c"}},
	})
	var text []string
	for _, x := range got {
		text = append(text, fmt.Sprintf("%s %s %g", x.Series, x.At.Format("15:04:05.000"), x.Value))
	}
	for _, x := range r.Refused() {
		text = append(text, fmt.Sprintf("%d %s: %s", x.N, x.Reason, x.First))
	}
	want := []string{
		"loft/a/temperature 00:01:00.000 10", "cellar/c/temperature 00:02:00.000 5", "loft/a/temperature 00:02:00.001 20",
		`2 no number: {dev="a", room="loft"}`,
		`2 no value of temperature: {dev="a", room="loft"} at 2026-06-01T00:04:00Z: temperature is not a finite number`,
		`2 no time of a reading: {dev="a", room="loft"}: 2026-12-01T01:00:00Z lies ahead of now: is the format or the zone right?`,
		`2 label "room" is no name of a room: {dev="a", room="the loft"}: name "the loft" holds a character outside A-Z a-z 0-9 _ . -`,
		`1 label "dev" is no name of a sensor: {room="loft"}: the name is empty`,
	}
	if d := cmp.Diff(want, text); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if r.Blank() != 1 || r.Series() != 2 || r.Numbers() != "4 numbers from 41 to 900" {
		t.Errorf("%d blank, %d series, %s", r.Blank(), r.Series(), r.Numbers())
	}
}

func TestPlanCheck(t *testing.T) {
	f := func(want string, change func(*Plan)) {
		t.Helper()
		p := Plan{Quantity: unit.Temperature, Unit: in(t, unit.Temperature, "C"), Room: "loft"}
		change(&p)
		_, err := NewReader(p, now())
		if want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("%+v: %v, want %q", p, err, want)
		}
	}
	f("", func(*Plan) {})
	f("", func(p *Plan) { p.Unit = unit.Unit{} })
	f("unknown quantity", func(p *Plan) { p.Quantity = 77 })
	f("no unit of humidity", func(p *Plan) { p.Quantity = unit.Humidity })
	f("say the room", func(p *Plan) { p.Room = "" })
	f("say the room", func(p *Plan) { p.RoomLabel = "x" })
	f("by a label: give one", func(p *Plan) { p.Sensor, p.SensorLabel = "a", "b" })
	f("holds a character", func(p *Plan) { p.Sensor = "a b" })
}

// Two series that run beside each other are not one sensor; one that begins
// where another ended is.
func TestClashes(t *testing.T) {
	f := func(want string, p Plan, spans ...int) {
		t.Helper()
		p.Quantity, p.Unit, p.Room = unit.Temperature, in(t, unit.Temperature, "C"), "loft"
		r := reader(t, p)
		for i := 0; i+1 < len(spans); i += 2 {
			for _, m := range []int{spans[i], spans[i+1]} {
				r.Take([]Series{{Labels: map[string]string{"instance": fmt.Sprint("nas", i)}, Samples: []Sample{{at(m), 20}}}})
			}
		}
		err := r.Clashes()
		if want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("%v: %v, want %q", spans, err, want)
		}
	}
	f("", Plan{}, 0, 10, 11, 20)
	f("", Plan{}, 11, 20, 0, 10)
	f(`loft/loft/temperature would be two at the same time, {instance="nas0"} and {instance="nas2"}`, Plan{}, 0, 10, 10, 20)
	f("two at the same time", Plan{}, 11, 20, 0, 12)
	f("", Plan{SensorLabel: "instance"}, 0, 10, 5, 20)
}

func TestQuestionAndDoubt(t *testing.T) {
	f := func(q unit.Quantity, given, name string, values []float64, want ...string) {
		t.Helper()
		p := Plan{Quantity: q, Room: "loft"}
		if given != "" {
			p.Unit = in(t, q, given)
		}
		r := reader(t, p)
		var survey Survey
		for i, v := range values {
			survey.Add(r.Take([]Series{{Labels: map[string]string{"__name__": name}, Samples: []Sample{{at(i), v}}}}))
		}
		got := r.Question() + "\n" + r.Doubt()
		for _, s := range survey.Streams() {
			got += "\n" + s.Doubt()
		}
		for _, w := range want {
			if !strings.Contains(got, w) {
				t.Errorf("%s in %q, %s: got\n%swant %q", q, given, name, got, w)
			}
		}
		if len(want) == 0 && strings.TrimSpace(strings.TrimPrefix(got, r.Question())) != "" {
			t.Errorf("%s in %q, %s: got %q", q, given, name, got)
		}
	}
	f(unit.Temperature, "", "temp", []float64{54, 71.5}, "2 numbers from 54 to 71.5, and nothing says their unit:",
		"--unit C         would make them 54 °C to 71.5 °C: no store room is so hot: they look like Fahrenheit",
		"--unit F         would make them 12.222 °C to 21.944 °C\n", "--unit K         would make them -219.15 °C to -201.65 °C, which is not plausible for all")
	f(unit.Temperature, "", "room_temperature_celsius", []float64{12}, "the name they have says C")
	f(unit.Humidity, "", "hum", []float64{0.4, 0.6}, "--unit fraction  would make them 40 % to 60 %\n", "--unit %         would make them 0.4 % to 0.6 %: never above 1 %")
	f(unit.Temperature, "F", "room_temperature_celsius", []float64{54, 71}, "the name says C, and they are read as F")
	f(unit.Temperature, "celsius", "room_temperature_celsius", []float64{12, 13})
	f(unit.Temperature, "F", "temp", []float64{54, 71})
	f(unit.Temperature, "C", "temp", []float64{54, 71}, "they look like Fahrenheit")
	f(unit.Humidity, "%", "rh", []float64{0.4, 0.6}, "they look like fractions")
	f(unit.Temperature, "C", "temp", slices.Repeat([]float64{20}, 30), "a sensor that is stuck?")
	f(unit.Battery, "%", "battery", slices.Repeat([]float64{100}, 30))
	if r := reader(t, Plan{Quantity: unit.Link, Room: "loft"}); r.Question() != "no numbers were found" {
		t.Error(r.Question())
	}
}

func TestSurvey(t *testing.T) {
	reading := func(minute int, v float64) room.Reading {
		return room.Reading{Series: room.Series{Room: "loft", Sensor: "a", Quantity: unit.Temperature}, At: at(minute), Value: v}
	}
	readings := []room.Reading{reading(0, 20), reading(60, 24), reading(60, 24), reading(121, 18), reading(400, 22)}
	other := reading(50, -3)
	other.Sensor = "B"
	f := func(rs []room.Reading) {
		t.Helper()
		var s Survey
		s.Add(rs)
		s.Add([]room.Reading{other})
		got := s.Streams()
		if s.Readings != 6 || !s.First.Equal(at(0)) || !s.Last.Equal(at(400)) || len(got) != 2 || got[0].Sensor != "B" {
			t.Fatalf("%+v", s)
		}
		x := got[1]
		if x.N != 5 || x.Twice != 1 || x.Least != 18 || x.Highest != 24 || x.Mean() != 21.6 || x.Gaps != 2 || x.Longest != 279*time.Minute || !x.LongestFrom.Equal(at(121)) {
			t.Errorf("%+v", x)
		}
	}
	f(readings)
	slices.Reverse(readings)
	f(readings)
}

// However series are cut into windows, the same readings come of them, in the
// order of time, with the same refusals.
func TestWindowsAreOne(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		plan := Plan{Quantity: unit.Humidity, Unit: in(t, unit.Humidity, "%"), Room: "loft", SensorLabel: "s"}
		n := rapid.IntRange(0, 60).Draw(rt, "n")
		cut := rapid.IntRange(1, 20).Draw(rt, "cut")
		whole, pieces := reader(t, plan), reader(t, plan)
		var all []Series
		var got []room.Reading
		for from := 0; from < n; from += cut {
			var window []Series
			for _, name := range []string{"a", "b", "not a name"} {
				s := Series{Labels: map[string]string{"s": name}}
				for m := from; m < min(n, from+cut); m++ {
					s.Samples = append(s.Samples, Sample{at(m), rapid.SampledFrom([]float64{-5, 0, 33.3333, 100, math.NaN(), math.Inf(-1)}).Draw(rt, "v")})
				}
				window = append(window, s)
			}
			all = append(all, window...)
			got = append(got, pieces.Take(window)...)
		}
		if d := cmp.Diff(whole.Take(all), got); d != "" {
			rt.Fatalf("(-whole +pieces):\n%s", d)
		}
		if !slices.IsSortedFunc(got, func(a, b room.Reading) int { return a.At.Compare(b.At) }) {
			rt.Fatal("not in the order of time")
		}
		sum := func(r *Reader) (n int) {
			for _, x := range r.Refused() {
				n += x.N
			}
			return n
		}
		if sum(whole) != sum(pieces) || whole.Blank() != pieces.Blank() || len(got)+sum(pieces)+pieces.Blank() != 3*n {
			rt.Fatalf("%d readings, %d refused, %d blank of %d", len(got), sum(pieces), pieces.Blank(), 3*n)
		}
	})
}
