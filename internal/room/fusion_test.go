package room

import (
	"math"
	"slices"
	"testing"
	"time"

	"dryhold/internal/unit"
)

func halfHourly(sensor string, from, to, v float64) []Reading {
	var out []Reading
	for h := from; h <= to; h += 0.5 {
		out = append(out, reading(sensor, unit.Temperature, epoch(h), v))
	}
	return out
}

// TestOneOfTwoSensorsCarriesOn: while one of two is silent for longer than its
// own limit the other stands alone, and nothing is estimated.
func TestOneOfTwoSensorsCarriesOn(t *testing.T) {
	rs := slices.Concat(halfHourly("a", 0, 12, 20), halfHourly("c", 0, 4, 24), halfHourly("c", 9, 12, 24))
	l := rebuild(t, rs, epoch(12))
	_, slots := l.Slots()
	f := func(hour int, want float64) {
		t.Helper()
		if s := slots[hour]; math.Abs(float64(s.TempMean)-want) > 1e-6 || s.MeasuredMS != 3600_000 || s.EstimatedMS != 0 {
			t.Errorf("hour %d: %+v, want %g °C measured", hour, s, want)
		}
	}
	f(2, 22)
	f(6, 20)
	f(10, 22)
}

// TestStaleLimitIsTheSensorsOwn: the same pause is a gap to one sensor and none
// to another.
func TestStaleLimitIsTheSensorsOwn(t *testing.T) {
	f := func(sensor string, estimated time.Duration) {
		t.Helper()
		l := rebuild(t, slices.Concat(halfHourly(sensor, 0, 24, 20), halfHourly(sensor, 30, 34, 20)), epoch(34))
		if e := l.Between(0, 80, epoch(0), epoch(34)); e.Estimated != estimated || e.Measured != 34*time.Hour-estimated {
			t.Errorf("%s: %v estimated, %v measured, want %v estimated", sensor, e.Estimated, e.Measured, estimated)
		}
	}
	f("a", 6*time.Hour) // an hour
	f("b", 0)           // 60 hours
}

// TestLateReadingFoldsOnlyWhatItTouches: from the hour of the reading before
// it on open days, from its day on closed ones; what lies before stays.
func TestLateReadingFoldsOnlyWhatItTouches(t *testing.T) {
	l := rebuild(t, halfHourly("a", 0, 96, 20), epoch(96))
	l.TakeChanged()
	if since := l.Add(reading("a", unit.Temperature, epoch(90.2), 25)); !since.IsZero() {
		t.Fatalf("an open day is not fed again: %v", since)
	}
	l.Advance(epoch(96))
	if since, ok := l.TakeChanged(); !ok || !since.Equal(epoch(90)) {
		t.Errorf("folded anew since %v, want hour 90", since)
	}

	before := slices.Clone(l.result().Slots)
	since := l.Add(reading("a", unit.Temperature, epoch(30.2), 25))
	if !since.Equal(epoch(29.2)) { // an hour before it: the trace up to it changes
		t.Fatalf("asks to be fed again from %v", since)
	}
	from := l.Restart(since)
	if !from.Equal(epoch(23)) {
		t.Errorf("is fed again from %v, want the start of its day less the stale limit", from)
	}
	feed(t, l, append(halfHourly("a", 23, 96, 20), reading("a", unit.Temperature, epoch(30.2), 25)), epoch(96))
	if since, ok := l.TakeChanged(); !ok || !since.Equal(epoch(24)) {
		t.Errorf("folded anew since %v, want its day", since)
	}
	after := l.result().Slots
	if !slices.Equal(before[:30], after[:30]) {
		t.Error("hours before it have changed")
	}
	if before[30] == after[30] {
		t.Error("its hour has not changed")
	}
}
