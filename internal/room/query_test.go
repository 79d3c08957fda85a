package room

import (
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"dryhold/internal/unit"
)

// TestPartsAddUp: cut at any instant, also within an hour and within a gap,
// the parts hold the exposure, its room for error and the time of the whole.
func TestPartsAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		readings := drawReadings(t)
		last := epoch(0)
		for _, r := range readings {
			if r.At.After(last) {
				last = r.At
			}
		}
		asOf := last.Add(time.Duration(rapid.IntRange(0, 90*60).Draw(t, "minutes past")) * time.Minute)
		l := rebuild(t, readings, asOf)
		instant := func(what string) time.Time {
			return epoch(-2).Add(time.Duration(rapid.Int64Range(0, asOf.Sub(epoch(-2)).Milliseconds()).Draw(t, what)) * time.Millisecond)
		}
		a, b, c := instant("a"), instant("b"), instant("c")
		if b.Before(a) {
			a, b = b, a
		}
		if c.Before(b) {
			b, c = c, b
		}
		if b.Before(a) {
			a, b = b, a
		}
		lag := rapid.SampledFrom([]unit.Hours{0, 2.33}).Draw(t, "lag")
		whole, first, second := l.Between(lag, 80, a, c), l.Between(lag, 80, a, b), l.Between(lag, 80, b, c)
		f := func(what string, got, want unit.Days) {
			if !(math.Abs(float64(got-want)) <= 1e-9*max(1, math.Abs(float64(want)))) {
				t.Fatalf("%s: parts %.15g, whole %.15g\n%+v\n%+v\n%+v", what, float64(got), float64(want), first, second, whole)
			}
		}
		f("exposure", first.Days+second.Days, whole.Days)
		f("high", first.High+second.High, whole.High)
		if first.Low > 0 && second.Low > 0 {
			f("low", first.Low+second.Low, whole.Low)
		}
		for _, e := range []Exposure{whole, first, second} {
			if e.Low > e.Days || e.Days > e.High || e.Measured < 0 || e.Estimated < 0 || e.Unknown < 0 {
				t.Fatalf("not in order: %+v", e)
			}
		}
		if d := (first.Measured + second.Measured - whole.Measured).Abs(); d > 2*time.Millisecond {
			t.Fatalf("measured: parts are off by %v", d)
		}
	})
}

// TestRoomForErrorGrowsWithinTheHour: half of an estimated hour leaves half
// the room for error, not all of it or none.
func TestRoomForErrorGrowsWithinTheHour(t *testing.T) {
	var readings []Reading
	for h := 0.0; h <= 48; h += 0.5 {
		readings = append(readings, reading("a", unit.Temperature, epoch(h), 20+5*math.Sin(2*math.Pi*h/24)))
	}
	l := rebuild(t, readings, epoch(60))
	whole, half := l.Between(0, 80, epoch(52), epoch(53)), l.Between(0, 80, epoch(52), epoch(52.5))
	if whole.Estimated != time.Hour || whole.High <= whole.Days || whole.Low >= whole.Days {
		t.Fatalf("want an estimated hour with room for error: %+v", whole)
	}
	f := func(what string, half, whole unit.Days) {
		t.Helper()
		if math.Abs(float64(2*half-whole)) > 1e-12 {
			t.Errorf("%s: %g in half of the hour, %g in all of it", what, float64(half), float64(whole))
		}
	}
	f("above", half.High-half.Days, whole.High-whole.Days)
	f("below", half.Days-half.Low, whole.Days-whole.Low)
}

// TestHours: every hour that begins in the stretch comes once and in order;
// inside the ledger it is the slot, outside it is unknown.
func TestHours(t *testing.T) {
	var readings []Reading
	for h := 0.25; h <= 6; h += 0.25 {
		if h > 3 && h < 5.5 { // longer than the stale limit
			continue
		}
		readings = append(readings, reading("a", unit.Temperature, epoch(h), 10+h))
		if h > 2 {
			readings = append(readings, reading("a", unit.Humidity, epoch(h), 0.7))
		}
	}
	l := rebuild(t, readings, epoch(6))
	first, slots := l.Slots()
	if !first.Equal(epoch(0)) || len(slots) != 6 {
		t.Fatalf("%d slots from %v", len(slots), first)
	}
	f := func(from, to float64, want ...int) {
		t.Helper()
		var got []int
		for at, slot := range l.Hours(epoch(from), epoch(to)) {
			h := int(at.Sub(epoch(0)) / time.Hour)
			got = append(got, h)
			inside := h >= 0 && h < len(slots)
			if inside && slot != slots[h] || !inside && slot != (Slot{UnknownMS: uint32(hourMS)}) {
				t.Errorf("hour %d of %g to %g: %+v", h, from, to, slot)
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("%g to %g: hours %v, want %v", from, to, got, want)
		}
	}
	f(-2, 8, -2, -1, 0, 1, 2, 3, 4, 5, 6, 7)
	f(0, 6, 0, 1, 2, 3, 4, 5)
	f(1.001, 2.001, 2)
	f(-0.5, 0.5, 0)
	f(3, 3)
	f(4, 2)
	for at, slot := range l.Hours(epoch(0), epoch(6)) {
		switch h := int(at.Sub(epoch(0)) / time.Hour); h {
		case 0:
			known(t, slot, 45, 0)
		case 1:
			known(t, slot, 60, 0)
		case 2:
			known(t, slot, 60, 45)
		case 3, 4:
			known(t, slot, 0, 0)
		case 5:
			known(t, slot, 30, 30)
		}
	}
	n := 0
	for range l.Hours(epoch(0), epoch(6)) {
		if n++; n == 2 {
			break
		}
	}
	if n != 2 {
		t.Errorf("%d hours visited after the break", n)
	}
	for _, slot := range newTestLedger(t).Hours(epoch(0), epoch(3)) {
		known(t, slot, 0, 0)
		n++
	}
	if n != 5 {
		t.Errorf("an empty ledger shows %d hours, want 3", n-2)
	}
}

func known(t *testing.T, s Slot, temperature, vapour uint32) {
	t.Helper()
	if s.MeasuredMS != temperature*60_000 || s.VapourMS != vapour*60_000 {
		t.Errorf("want temperature for %d and vapour for %d minutes: %+v", temperature, vapour, s)
	}
}

// TestClimateCountsWhatIsKnown: an hour of which a quarter is known counts a
// quarter, and a stretch without humidity says so.
func TestClimateCountsWhatIsKnown(t *testing.T) {
	var readings []Reading
	for m := 0.0; m <= 195; m += 15 {
		value := 10.0
		if m > 120 {
			value = 30
		}
		readings = append(readings, reading("a", unit.Temperature, epoch(m/60), value))
	}
	readings = append(readings, reading("a", unit.Temperature, epoch(2).Add(time.Millisecond), 30))
	slices.SortFunc(readings, func(a, b Reading) int { return a.At.Compare(b.At) })
	l := rebuild(t, readings, epoch(3.25))
	f := func(from, to, want float64) {
		t.Helper()
		c := l.Climate(epoch(from), epoch(to))
		if !c.TempKnown || math.Abs(float64(c.Temp)-want) > 1e-4 {
			t.Errorf("hours %g to %g: %+v, want %g °C", from, to, c, want)
		}
		if c.VapourKnown {
			t.Errorf("hours %g to %g: humidity out of nothing: %+v", from, to, c)
		}
	}
	f(0, 2, 10)
	f(1.5, 2.5, 20)
	f(2, 4, 30)
	f(0, 4, (2*10+1.25*30)/3.25)
	if c := l.Climate(epoch(5), epoch(6)); c.TempKnown {
		t.Errorf("after all readings: %+v", c)
	}
}
