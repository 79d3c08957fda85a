package course_test

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/course"
	"dryhold/internal/lot"
	"dryhold/internal/unit"
)

// walk goes to an instant and sums what the steps did to each mode.
func walk(t tb, w *course.Walk, to time.Time) (sums []float64) {
	t.Helper()
	for {
		s, ok := w.Step(to)
		if !ok {
			return sums
		}
		if sums == nil {
			sums = make([]float64, len(s.Modes))
		}
		for i, e := range s.Modes {
			sums[i] += e.Exposure.Likely * e.Water * e.Oxygen
		}
	}
}

// A walk is Advance, step for step, and its steps make up what is consumed; on
// the likely track alone it is the same.
func TestWalkIsAdvance(t *testing.T) {
	c := shipped(t)
	rapid.Check(t, func(t *rapid.T) {
		h := anyAir(t, -5, 35, 0.2, 0.9).house()
		h.lux = rapid.SampledFrom([]float64{0, 50}).Draw(t, "lux")
		f, l := course.New(c, h), anyLot(t, c)
		l.Stays = append(l.Stays, lot.Stay{Room: "loft", From: after(12.3)})
		to := packed().Add(age(t))
		start, err := f.Start(l)
		if err != nil {
			t.Fatal(err)
		}
		w, err := f.Walk(start, l)
		if err != nil {
			t.Fatal(err)
		}
		single, err := f.WalkLikely(start, l)
		if err != nil {
			t.Fatal(err)
		}
		sums, alone := walk(t, w, to), walk(t, single, to)
		want := advance(t, f, l, to)
		if d := cmp.Diff(want, w.Course(), cmp.AllowUnexported(course.Course{}, course.Inside{}, course.Progress{})); d != "" {
			t.Errorf("the walk came elsewhere than Advance:\n%s", d)
		}
		for i, m := range stateOf(t, f, want, l).Modes {
			near(t, m.Mode.Name, sums[i]/m.Mode.Life.Likely+m.Light, m.Consumed.Likely, 1e-12*(1+m.Consumed.Likely))
			if sums[i] != alone[i] {
				t.Errorf("%s: %g on all tracks, %g on the likely one alone", m.Mode.Name, sums[i], alone[i])
			}
		}
	})
}

func TestWalkStopsWhereTheLotWasFinished(t *testing.T) {
	f := course.New(shipped(t), steady(21, 0.5))
	l := lotOf(t, shipped(t), "white-rice", "pet-2l", 0)
	l.FinishedAt = after(10.5)
	w, err := f.Walk(advance(t, f, l, after(1)), l)
	if err != nil {
		t.Fatal(err)
	}
	walk(t, w, after(20))
	if at := w.Course().At; !at.Equal(l.FinishedAt) {
		t.Errorf("walked to %v, finished at %v", at, l.FinishedAt)
	}
}

// Ends is what WhatIf and the outlook say, in the dark.
func TestEndsAreThoseOfTheOutlook(t *testing.T) {
	c := shipped(t)
	h := steady(24, 0.5)
	f := course.New(c, h)
	for _, food := range c.Foods {
		l := lotOf(t, c, food.ID, "pet-2l", 0)
		co, _ := follow(t, f, l, year)
		o := outlookOf(t, f, co, l)
		e, err := f.Ends(co, l, asNow(h, o))
		if err != nil {
			t.Fatal(err)
		}
		b := e.Band()
		if e.By != o.EndBy || len(e.Draws) != course.Draws {
			t.Errorf("%s: ends by %q in %d draws, the outlook says by %q", food.ID, e.By, len(e.Draws), o.EndBy)
		}
		for _, x := range []struct {
			days float64
			at   time.Time
		}{{b.Low, o.EndEarly}, {b.Likely, o.End}, {b.High, o.EndLate}} {
			if !x.at.IsZero() {
				near(t, food.ID, x.days, x.at.Sub(co.At).Hours()/24, 1e-4)
			}
		}
	}
}

func TestEndsInTheLight(t *testing.T) {
	c := shipped(t)
	f := course.New(c, steady(21, 0.4))
	l := lotOf(t, c, "nonfat-dry-milk", "pet-2l", 0)
	co, _ := follow(t, f, l, 30*day)
	k := course.Keeping{Temperature: 21, Humidity: 0.4}
	dark, err := f.Ends(co, l, k)
	if err != nil {
		t.Fatal(err)
	}
	k.Light = 500 * 12
	lit, err := f.Ends(co, l, k)
	if err != nil {
		t.Fatal(err)
	}
	shorter := 0
	for i := range lit.Draws {
		if lit.Draws[i] > dark.Draws[i] {
			t.Errorf("draw %d: %g days in the light, %g in the dark", i, lit.Draws[i], dark.Draws[i])
		}
		if lit.Draws[i] < dark.Draws[i] {
			shorter++
		}
	}
	if e := ending(t, f, co, l, k); math.Abs(e.Days-lit.Days) > 1e-9 {
		t.Errorf("likely %g days, WhatIf says %g", lit.Days, e.Days)
	}
	if driven := lit.By != dark.By || lit.Days < dark.Days; driven && shorter == 0 {
		t.Error("light brings the likely end forward, and no draw")
	}
}

// A can without an absorber at the water activity its life is stated for lives
// as long as Arrhenius says: life over the acceleration factor, worked out by
// hand. Sugar ends by no chemistry within the horizon and is drawn out.
func TestLives(t *testing.T) {
	c := shipped(t)
	f := course.New(c, steady(10, 0.4))
	l := lotOf(t, c, "nonfat-dry-milk", "can-no10", 0)
	at := func(temp unit.Celsius) []float64 {
		t.Helper()
		lives, err := f.Lives(l, course.Keeping{Temperature: temp, Humidity: 0.4})
		if err != nil {
			t.Fatal(err)
		}
		return lives
	}
	cool, warm := at(11), at(21)
	food, err := c.Food("nonfat-dry-milk")
	if err != nil {
		t.Fatal(err)
	}
	for i, m := range food.Modes {
		// ln of the rate from 284.15 to 294.15 K, R 8.314e-3 kJ/(mol K).
		want := math.Exp(m.Ea.Likely / 8.314462618e-3 * (1/284.15 - 1/294.15))
		if got := cool[i] / warm[i]; math.Abs(got/want-1) > 0.05 {
			t.Errorf("%s: %g days at 11 °C, %g at 21: %.3f times, want %.3f", m.Name, cool[i], warm[i], got, want)
		}
	}
	// Steady is the room in which it lives so: at its life the mode is spent.
	g := course.New(c, course.Steady{Temperature: 21, Humidity: 0.4})
	for i, days := range warm {
		_, s := follow(t, g, l, span(days))
		near(t, food.Modes[i].Name, s.Modes[i].Consumed.Likely, 1, 0.01)
	}
}
