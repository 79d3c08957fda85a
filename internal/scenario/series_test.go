package scenario

import (
	"math"
	"testing"
	"time"

	"dryhold/internal/room"
	"dryhold/internal/unit"
)

func at(hours float64) time.Time {
	return time.Date(2026, time.July, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(hours * float64(time.Hour)))
}

func TestShapes(t *testing.T) {
	f := func(s Shape, hours, want float64) {
		t.Helper()
		if got := s.At(at(hours)); math.Abs(got-want) > 1e-9 {
			t.Errorf("after %g h: %g, want %g", hours, got, want)
		}
	}
	f(Constant(3), 7, 3)
	wave := Sine{Mean: 20, Swing: 5, Highest: at(15), Period: 24 * time.Hour}
	f(wave, 15, 25)
	f(wave, 3, 15)
	f(wave, 9, 20)
	f(wave, 39, 25)
	points := []Point{{at(1), 10}, {at(3), 20}, {at(5), 0}}
	ramp, steps := Points{Points: points}, Points{Points: points, Steps: true}
	f(ramp, 0, 10)
	f(ramp, 2, 15)
	f(ramp, 3, 20)
	f(ramp, 4.5, 5)
	f(ramp, 9, 0)
	f(steps, 0, 10)
	f(steps, 2.99, 10)
	f(steps, 3, 20)
	f(steps, 9, 0)
	list := List{Start: at(0), Every: time.Hour, Values: []float64{1, 2, 3}}
	f(list, 0, 1)
	f(list, 2, 3)
	f(list, 3, 1)
}

func TestReadings(t *testing.T) {
	s := Series{
		Series: room.Series{Room: "loft", Sensor: "a", Quantity: unit.Humidity}, Every: time.Hour, Noise: 0.2,
		Shape: Points{Points: []Point{{at(0), 0.5}, {at(20), 0.9}}},
		Gaps:  []Span{{at(6), at(8)}, {at(2), at(3)}, {at(7), at(7.5)}}, Stuck: []Span{{at(10), at(13)}},
	}
	other := s
	other.Sensor, other.Gaps = "b", nil
	all := Readings([]Series{other, s}, at(0), at(24), 1)
	if n := 24 - 1 - 2 + 24; len(all) != n {
		t.Fatalf("%d readings, want %d", len(all), n)
	}
	heard := map[string]map[time.Time]float64{"a": {}, "b": {}}
	for i, r := range all {
		if i > 0 && r.At.Before(all[i-1].At) {
			t.Fatalf("%v comes after %v", r, all[i-1])
		}
		if r.Value < 0 || r.Value > 1 || r.Value != unit.Humidity.Round(r.Value) {
			t.Errorf("%v is no humidity", r)
		}
		heard[r.Sensor][r.At] = r.Value
	}
	for _, h := range []float64{2, 6, 7} {
		if _, sent := heard["a"][at(h)]; sent {
			t.Errorf("sent in a gap, after %g h", h)
		}
	}
	a := heard["a"]
	if a[at(10)] != a[at(9)] || a[at(12)] != a[at(9)] || a[at(13)] == a[at(9)] {
		t.Errorf("stuck from 10 to 13: %g %g %g %g", a[at(9)], a[at(10)], a[at(12)], a[at(13)])
	}
	if heard["a"][at(15)] == heard["b"][at(15)] {
		t.Error("two sensors have the same noise")
	}
	// A gap changes nothing of what comes after it, nor does another sensor.
	whole := s
	whole.Gaps = nil
	for _, r := range Readings([]Series{whole}, at(0), at(24), 1) {
		if v, sent := a[r.At]; sent && v != r.Value {
			t.Errorf("%v differs without the gaps: %g", r, v)
		}
	}
	if again := Readings([]Series{other, s}, at(0), at(24), 2); again[5] == all[5] {
		t.Error("another seed gives the same noise")
	}
}
