package pest

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"dryhold/internal/unit"
)

// hold takes a hold through hours of one core temperature and oxygen.
func hold(t *testing.T, h OxygenHold, core unit.Celsius, oxygen float64, hours int) OxygenHold {
	t.Helper()
	for range hours {
		var err error
		if h, err = h.Step(core, oxygen, 1); err != nil {
			t.Fatal(err)
		}
	}
	return h
}

func missed(t *testing.T, h OxygenHold, hours int) OxygenHold {
	t.Helper()
	for range hours {
		var err error
		if h, err = h.Miss(1); err != nil {
			t.Fatal(err)
		}
	}
	return h
}

// 15 days at 2 % (Kharel et al. 2019), 14 below 1 % (common practice, 12 to
// 14), at 25 °C; the model of models section 6.1 elsewhere.
func TestOxygenDays(t *testing.T) {
	f := func(core unit.Celsius, oxygen, want float64) {
		t.Helper()
		days, ok, err := OxygenDays(core, oxygen)
		if err != nil || !ok {
			t.Fatalf("%t %v", ok, err)
		}
		near(t, "days", float64(days), want, 1e-9)
	}
	f(25, 0.02, 15)
	f(25, 0.01, 14)
	f(25, 0, 14)
	f(25, 0.015, 14.5)
	f(15, 0.02, 30)
	f(10, 0.02, 15*math.Pow(2, 1.5))
	f(35, 0.02, 10) // floor
	f(60, 0, 10)
	none := func(core unit.Celsius, oxygen float64) {
		t.Helper()
		if days, ok, err := OxygenDays(core, oxygen); ok || err != nil || days != 0 {
			t.Errorf("%g °C, %g: %g days %t (%v)", float64(core), oxygen, float64(days), ok, err)
		}
	}
	none(9.99, 0.005)
	none(25, 0.0201)
	none(25, 0.209)
	none(-18, 0)
}

func TestOxygenHoldIsDoneInTime(t *testing.T) {
	h := hold(t, OxygenHold{}, 25, 0.005, 14*24-1)
	if h.Done {
		t.Fatalf("done an hour too soon: %+v", h)
	}
	h = hold(t, h, 25, 0.005, 1)
	if !h.Done || h.DoneByLongest() {
		t.Fatalf("not done after 14 days: %+v", h)
	}
	near(t, "done after", h.DoneAfter, 14*24, 1e-6)
	throughJSON(t, h)
	if h = hold(t, h, 25, 0.005, 6*24+1); !h.DoneByLongest() {
		t.Errorf("not done by the longest figure after 20 days: %+v", h)
	}
	near(t, "done after stays", h.DoneAfter, 14*24, 1e-6)
	// Steps of any length end at the same time.
	long, err := OxygenHold{}.Step(25, 0.005, 24)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "share of a day", long.Share, 1.0/14, 1e-12)
	half := OxygenHold{Share: 0.99, Hours: 300}
	if half, err = half.Step(25, 0.005, 24); err != nil || !half.Done {
		t.Fatalf("%+v (%v)", half, err)
	}
	near(t, "inside a step", half.DoneAfter, 300+0.01*14*24, 1e-9)
}

func TestOxygenHoldInterruptions(t *testing.T) {
	week := hold(t, OxygenHold{}, 25, 0.005, 7*24)
	f := func(what string, h OxygenHold, share float64, resets int) {
		t.Helper()
		near(t, what, h.Share, share, 1e-9)
		if h.Resets != resets {
			t.Errorf("%s: %d resets, want %d", what, h.Resets, resets)
		}
	}
	f("a week", week, 0.5, 0)
	f("air", hold(t, week, 25, 0.209, 1), 0, 1)
	f("air twice", hold(t, week, 25, 0.209, 2), 0, 1)
	f("just above 4 %", hold(t, week, 25, 0.0401, 1), 0, 1)
	f("4 %", hold(t, week, 25, 0.04, 1), 0.5, 0)
	f("7 days of 3 %", hold(t, week, 25, 0.03, 7*24), 0.5, 0)
	f("more than 7 days of 3 %", hold(t, week, 25, 0.03, 7*24+1), 0, 1)
	f("two pauses", hold(t, hold(t, hold(t, week, 25, 0.03, 100), 25, 0.005, 14), 25, 0.03, 100), 0.5+14.0/336, 0)
	f("cold for a season", hold(t, week, 5, 0.005, 24*120), 0.5, 0)
	f("cold with air", hold(t, week, 5, 0.209, 1), 0, 1)
	f("a day unknown", missed(t, week, 24), 0.5, 0)
	f("more than a day unknown", missed(t, week, 25), 0, 1)
	f("two days unknown, seen between", missed(t, hold(t, missed(t, week, 24), 25, 0.03, 1), 24), 0.5, 0)
	f("nothing to lose", hold(t, OxygenHold{}, 25, 0.209, 100), 0, 0)

	done := hold(t, week, 25, 0.005, 7*24)
	opened := hold(t, hold(t, done, 25, 0.209, 24), 25, 0.005, 24*30)
	if !opened.Done || !opened.Opened || opened.Share != done.Share || opened.DoneByLongest() {
		t.Errorf("opened after it was done: %+v", opened)
	}
	throughJSON(t, opened)
}

func TestOxygenDaysLeft(t *testing.T) {
	f := func(h OxygenHold, core unit.Celsius, oxygen, want float64, effective bool) {
		t.Helper()
		got, ok, err := h.DaysLeft(core, oxygen)
		if err != nil || ok != effective {
			t.Fatalf("%t (%v)", ok, err)
		}
		near(t, "days left", float64(got), want, 1e-9)
	}
	f(OxygenHold{}, 25, 0.005, 14, true)
	f(OxygenHold{Share: 0.5}, 25, 0.005, 7, true)
	f(OxygenHold{Share: 0.5}, 5, 0.005, 0, false)
	f(OxygenHold{Share: 1, Done: true}, 5, 0.209, 0, true)
}

func TestOxygenRefusals(t *testing.T) {
	kept := OxygenHold{Share: 0.5, Hours: 7}
	for _, core := range noTemperature() {
		_, _, err := OxygenDays(core, 0.01)
		refused(t, "core", err)
		got, err := kept.Step(core, 0.01, 1)
		refused(t, "core", err)
		if got != kept {
			t.Errorf("an error changed the hold to %+v", got)
		}
		_, _, err = kept.DaysLeft(core, 0.01)
		refused(t, "core", err)
	}
	for _, oxygen := range []float64{-0.01, 2, math.NaN(), math.Inf(1)} {
		_, _, err := OxygenDays(25, oxygen)
		refused(t, "oxygen", err)
		_, err = kept.Step(25, oxygen, 1)
		refused(t, "oxygen", err)
	}
	for _, h := range nonsense() {
		_, err := kept.Step(25, 0.01, h)
		refused(t, "hours", err)
		_, err = kept.Miss(h)
		refused(t, "hours", err)
	}
}

// Warmer, or less oxygen, never needs longer and never has less of the hold
// done, hour by hour over any course.
func TestOxygenHoldIsMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var worse, better OxygenHold
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			core := rapid.Float64Range(-20, 45).Draw(t, "core")
			warmer := core + rapid.Float64Range(0, 20).Draw(t, "warmer")
			oxygen := rapid.OneOf(rapid.Float64Range(0, 0.05), rapid.Float64Range(0, 0.209)).Draw(t, "oxygen")
			less := oxygen * rapid.Float64Range(0, 1).Draw(t, "less")
			hours := unit.Hours(rapid.Float64Range(0.1, 24).Draw(t, "hours"))
			var errA, errB error
			worse, errA = worse.Step(unit.Celsius(core), oxygen, hours)
			better, errB = better.Step(unit.Celsius(warmer), less, hours)
			if errA != nil || errB != nil {
				t.Fatal(errA, errB)
			}
			if worse.Done && !better.Done || !worse.Done && worse.Share > better.Share+1e-12 {
				t.Fatalf("worse %+v, better %+v", worse, better)
			}
			if worse.Share < 0 {
				t.Fatalf("%+v", worse)
			}
		}
		a, okA, errA := OxygenDays(unit.Celsius(rapid.Float64Range(10, 60).Draw(t, "t")), 0.02)
		if errA != nil || !okA || a < leastDays {
			t.Fatalf("%g days %t (%v)", float64(a), okA, errA)
		}
	})
}

func BenchmarkOxygenStep(b *testing.B) {
	var h OxygenHold
	for b.Loop() {
		h, _ = h.Step(21.3, 0.012, 1)
	}
	if !h.Done && h.Share == 0 {
		b.Fatal("nothing was counted")
	}
}
