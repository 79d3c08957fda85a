package course_test

import (
	"math"
	"testing"
	"time"

	"dryhold/internal/barrier"
	"dryhold/internal/course"
	"dryhold/internal/lot"
	"dryhold/internal/unit"
)

// asNow is plan storage as the outlook takes it.
func asNow(h *house, o course.Outlook) course.Keeping {
	return course.Keeping{Temperature: h.plan, Humidity: o.Humidity}
}

func ending(t *testing.T, f *course.Follower, c course.Course, l lot.Lot, k course.Keeping) course.Ending {
	t.Helper()
	e, err := f.WhatIf(c, l, k)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// Nothing changed is the outlook itself, for every pair of classes.
func TestWhatIfNothingChangesIsTheOutlook(t *testing.T) {
	c := shipped(t)
	h := steady(24, 0.5)
	f := course.New(c, h)
	for _, food := range c.Foods {
		for _, box := range []string{"pet-2l", "can-no10", "paper-sack-10kg"} {
			l := lotOf(t, c, food.ID, box, 0)
			co, _ := follow(t, f, l, year)
			o, err := f.Outlook(co, l)
			if err != nil {
				t.Fatal(err)
			}
			e := ending(t, f, co, l, asNow(h, o))
			if d := e.At.Sub(o.End); d.Abs() > time.Second || e.By != o.EndBy {
				t.Errorf("%s in %s: ends %v by %s, the outlook says %v by %s", food.ID, box, e.At, e.By, o.End, o.EndBy)
			}
			if again := ending(t, f, co, l, asNow(h, o)); again.Days != e.Days {
				t.Errorf("%s in %s: asked twice, %g and %g days: the course was changed", food.ID, box, e.Days, again.Days)
			}
		}
	}
}

// By Arrhenius alone: food whose water and oxygen stay the same lasts longer
// by the ratio of the acceleration factors.
func TestWhatIfCooler(t *testing.T) {
	c := shipped(t)
	h := steady(21, 0.4)
	f := course.New(c, h)
	l := lotOf(t, c, "nonfat-dry-milk", "can-no10", 0)
	co, s := follow(t, f, l, year)
	k := course.Keeping{Temperature: 21, Humidity: 0.4}
	warm := ending(t, f, co, l, k)
	k.Temperature = 18
	cool := ending(t, f, co, l, k)
	if cool.By != warm.By {
		t.Fatalf("ended by %s, cooler by %s", warm.By, cool.By)
	}
	for _, m := range s.Modes {
		if m.Mode.Name != warm.By {
			continue
		}
		// 1/T in kelvin, R 8.314e-3 kJ/(mol K): Arrhenius, by hand.
		want := math.Exp(m.Mode.Ea.Likely / 8.314462618e-3 * (1/291.15 - 1/294.15))
		if got := cool.Days / warm.Days; math.Abs(got/want-1) > 0.03 {
			t.Errorf("3 K cooler %s takes %.3f times as long, want %.3f", warm.By, got, want)
		}
	}
}

// What is done must tell, and in the right direction.
func TestWhatIfRepacked(t *testing.T) {
	c := shipped(t)
	h := steady(21, 0.5)
	f := course.New(c, h)
	l := lotOf(t, c, "brown-rice", "pet-2l", 0)
	co, _ := follow(t, f, l, 30*day)
	k := course.Keeping{Temperature: 21, Humidity: 0.5}
	plain := ending(t, f, co, l, k)

	k.Repacked = true
	if air := ending(t, f, co, l, k); math.Abs(air.Days-plain.Days) > 1 {
		t.Errorf("opened to the air it held already: %.1f days, before %.1f", air.Days, plain.Days)
	}
	fresh := l
	fresh.Packing.Treatment = lot.Treatment{Kind: lot.Absorber, CapacityCM3: 300}
	absorbed := ending(t, f, co, fresh, k)
	if absorbed.Days < 1.5*plain.Days {
		t.Errorf("with an absorber %.0f days, without %.0f: rancidity lives on oxygen", absorbed.Days, plain.Days)
	}
	leaking := fresh
	leaking.Seal = barrier.Failed
	if leaks := ending(t, f, co, leaking, k); leaks.Days > absorbed.Days-30 {
		t.Errorf("through a leaking seal %.0f days, through a good one %.0f", leaks.Days, absorbed.Days)
	}
	verified := fresh
	verified.Seal = barrier.Verified
	if v := ending(t, f, co, verified, k); v.Days != absorbed.Days || v.EarlyDays <= absorbed.EarlyDays {
		t.Errorf("a verified seal: likely %.1f and early %.1f days, assumed %.1f and %.1f: only the early edge may move", v.Days, v.EarlyDays, absorbed.Days, absorbed.EarlyDays)
	}
}

func TestWhatIfLight(t *testing.T) {
	c := shipped(t)
	f := course.New(c, steady(21, 0.4))
	l := lotOf(t, c, "nonfat-dry-milk", "pet-2l", 0)
	co, s := follow(t, f, l, 30*day)
	k := course.Keeping{Temperature: 21, Humidity: 0.4}
	dark := ending(t, f, co, l, k)
	k.Light = 500 * 12
	lit := ending(t, f, co, l, k)
	driven := 0
	for i, m := range s.Modes {
		switch {
		case m.Mode.LightRate.Likely > 0:
			driven++
			if !(lit.Modes[i] < dark.Modes[i]) {
				t.Errorf("%s: %.0f days in the light, %.0f in the dark", m.Mode.Name, lit.Modes[i], dark.Modes[i])
			}
		case lit.Modes[i] != dark.Modes[i]:
			t.Errorf("%s is not driven by light: %g and %g days", m.Mode.Name, lit.Modes[i], dark.Modes[i])
		}
	}
	if driven == 0 {
		t.Error("no mode of milk powder is driven by light: the test tells nothing")
	}
}

func TestWhatIfRefusesAnotherFood(t *testing.T) {
	c := shipped(t)
	f := course.New(c, steady(21, 0.4))
	l := lotOf(t, c, "nonfat-dry-milk", "pet-2l", 0)
	co, _ := follow(t, f, l, day)
	for _, food := range []string{"sugar", "no-such-food"} {
		l.Packing.Food = food
		if _, err := f.WhatIf(co, l, course.Keeping{Temperature: 21, Humidity: 0.4}); err == nil {
			t.Errorf("the course of milk powder was taken for %s", food)
		}
	}
}

func TestLately(t *testing.T) {
	at := packed().Add(year)
	h := steady(0, 0.5)
	// Half the days 10, half 30 °C: by hand the mean kinetic temperature at
	// 83.144 kJ/mol is that of the mean of exp(-10000/T): 23.3 °C.
	h.temp = func(_ string, at time.Time) unit.Celsius {
		if at.Unix()/86400%2 == 0 {
			return 10
		}
		return 30
	}
	f := course.New(shipped(t), h)
	k, damp, ok := f.Lately("store", at.Truncate(day))
	mean := (math.Exp(-10000/283.15) + math.Exp(-10000/303.15)) / 2
	want := unit.Celsius(-10000/math.Log(mean) - 273.15)
	if !ok || damp || math.Abs(float64(k.Temperature-want)) > 0.01 || want < 22 || want > 25 {
		t.Errorf("30 days of 10 and 30 °C: %v, %v, %v, want %.2f °C", k, damp, ok, want)
	}
	// Saturation is 1.228, 2.339 and 4.246 kPa at 10, 20 and 30 °C (steam
	// tables): 50 % of the mean of the outer two, over the one of the mean.
	if want := 0.5 * (1.228 + 4.246) / 2 / 2.339; math.Abs(float64(k.Humidity)-want) > 0.001 {
		t.Errorf("mean humidity %.4f, want %.4f", float64(k.Humidity), want)
	}
	blind := func(since time.Duration) {
		t.Helper()
		h.blind = func(x time.Time) bool { return x.Before(at.Truncate(day).Add(-since)) }
		if _, _, ok := f.Lately("store", at.Truncate(day)); ok != (since >= 7*day) {
			t.Errorf("with %v known: ok is %v", since, ok)
		}
	}
	blind(0)
	blind(6 * day)
	blind(7 * day)
	blind(8 * day)
}
