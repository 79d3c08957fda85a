package engine

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"dryhold/internal/lot"
	"dryhold/internal/review"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// twoRooms is a year of a hot loft and a cool cellar, with lots in the loft and
// one that is finished.
func twoRooms(t *testing.T) (*Engine, time.Time) {
	t.Helper()
	const hours = 400 * 24
	e := engineOf(t, config(
		add("L-1", "hard-wheat", "pet-2l", "loft", at(0)), add("L-2", "hard-wheat", "pail-20l", "loft", at(24)),
		add("L-3", "hard-wheat", "pail-20l", "cellar", at(24)),
		add("L-4", "hard-wheat", "pail-20l", "loft", at(24)), lot.Change{Kind: lot.Ended, Lot: "L-4", At: at(48), Recorded: at(48)},
	))
	for name, mean := range map[string]float64{"loft": 27, "cellar": 14} {
		var readings []room.Reading
		for h := 0.0; h <= hours; h++ {
			celsius := mean + 5*math.Sin(2*math.Pi*h/24) // the loft passes 21 °C, the cellar never
			readings = append(readings, temperature(name, "a", at(h), celsius), humidity(name, "a", at(h), 0.40))
		}
		refold(e, Refold{Room: name}, readings, at(hours))
	}
	return e, at(hours)
}

func answer(t *testing.T, e *Engine, now time.Time, q Question, slice int) WhatIf {
	t.Helper()
	tr, err := e.Try(now, q)
	if err != nil {
		t.Fatal(err)
	}
	for more := true; more; {
		if more, err = tr.Next(now, slice); err != nil {
			t.Fatal(err)
		}
	}
	return tr.Answer()
}

func TestWhatIf(t *testing.T) {
	e, now := twoRooms(t)
	whole := answer(t, e, now, Question{Scenario: review.Scenario{Room: "cellar"}}, 500)
	if len(whole.Lots) != 3 || whole.Tried != 3 {
		t.Fatalf("of three lots in store %d were tried: %+v", whole.Tried, whole.Lots)
	}
	for _, g := range whole.Lots {
		switch {
		case g.Lot == "L-3" && g.Days.Likely != 0:
			t.Errorf("what stands in the cellar gains %v days by going there", g.Days)
		case g.Lot != "L-3" && !(g.Days.Likely > 0 && g.Days.Low > 0 && g.Then.After(g.Now)):
			t.Errorf("lot %s gains %+v days in a cooler room, %v to %v", g.Lot, g.Days, g.Now, g.Then)
		}
	}
	// In slices it is the same to the last bit.
	sliced := answer(t, e, now, Question{Scenario: review.Scenario{Room: "cellar"}}, 1)
	if sliced.Total != whole.Total {
		t.Errorf("in slices %+v, in one go %+v", sliced.Total, whole.Total)
	}
	// Never from a hotter room.
	for _, g := range answer(t, e, now, Question{Lots: []string{"L-3"}, Scenario: review.Scenario{Room: "loft"}}, 9).Lots {
		if g.Days.Likely >= 0 {
			t.Errorf("lot %s gains %+v days in a hotter room", g.Lot, g.Days)
		}
	}
	// A bound that is never reached changes nothing.
	warm := unit.Celsius(60)
	if x := answer(t, e, now, Question{Scenario: review.Scenario{Warmest: &warm}}, 9); x.Total != (Estimate{}) {
		t.Errorf("a room held at most at 60 °C gives %+v", x.Total)
	}
	not := answer(t, e, now, Question{Lots: []string{"L-3", "L-4"}, Scenario: review.Scenario{AbsorberCM3: 300}}, 9)
	if not.Lots[1].Not != review.NotFinished || not.Lots[1].Why != "the lot is finished" || not.Lots[0].Not != review.NotSealed || !strings.Contains(not.Lots[0].Why, "does not seal") || not.Tried != 0 {
		t.Errorf("absorbers: %+v", not.Lots)
	}
}

func TestWhatCannotBeAsked(t *testing.T) {
	e, now := twoRooms(t)
	refuses := func(q Question, kind error, want string) {
		t.Helper()
		if _, err := e.Try(now, q); !errors.Is(err, kind) || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", q, err, want)
		}
	}
	hot, damp := unit.Celsius(61), unit.RH(1.2)
	refuses(Question{}, lot.ErrInvalid, "ask for something")
	refuses(Question{Scenario: review.Scenario{Past: true}}, lot.ErrInvalid, "ask for something")
	refuses(Question{Scenario: review.Scenario{Room: "celler"}}, lot.ErrNotFound, `did you mean "cellar"`)
	refuses(Question{Scenario: review.Scenario{Warmest: &hot}}, lot.ErrInvalid, "-30 to 60 °C")
	refuses(Question{Scenario: review.Scenario{Dampest: &damp}}, lot.ErrInvalid, "5 to 100 %")
	refuses(Question{Scenario: review.Scenario{Container: "pet-2"}}, lot.ErrInvalid, `"pet-2l"`)
	refuses(Question{Scenario: review.Scenario{AbsorberCM3: -1}}, lot.ErrInvalid, "absorber")
	refuses(Question{Scenario: review.Scenario{AbsorberCM3: math.NaN()}}, lot.ErrInvalid, "absorber")
	refuses(Question{Sensor: "celler"}, lot.ErrNotFound, `did you mean "cellar"`)
	refuses(Question{Sensor: "outdors"}, lot.ErrNotFound, `did you mean "outdoors"`)
	refuses(Question{Sensor: "loft", Scenario: review.Scenario{Boxed: true}}, lot.ErrInvalid, "alone")
	refuses(Question{Lots: []string{"L-9"}, Scenario: review.Scenario{Boxed: true}}, lot.ErrNotFound, "L-9")
}

// TestRoomDays: days make up the whole, shares are those of the clock, and what
// was not measured is not known.
func TestRoomDays(t *testing.T) {
	e, now := twoRooms(t)
	x, err := e.RoomDays("loft", at(-48), at(10*24), now)
	if err != nil || len(x.Days) != 12 || x.Warm != 21 || x.Damp != 0.6 || !math.IsNaN(x.Bright) {
		t.Fatalf("%d days, %+v: %v", len(x.Days), x, err)
	}
	if d := x.Days[0]; !math.IsNaN(d.Mean()) || !math.IsNaN(d.Min()) || !math.IsNaN(d.Humidity()) || !math.IsNaN(d.Acceleration()) || d.Unknown != 24*time.Hour {
		t.Errorf("before the first reading: %+v", d)
	}
	d := x.Days[4]
	// Arrhenius at 80 kJ/mol: 27 °C against 21 °C is exp(80000/8.314462618 ×
	// (1/294.15 - 1/300.15)) = 1.92; the swing of 5 K makes it more.
	if math.Abs(d.Mean()-27) > 0.05 || d.Min() > 22.2 || d.Max() < 31.8 || d.Acceleration() < 1.92 || d.Acceleration() > 2.3 || math.Abs(d.Humidity()-0.40) > 0.001 || !math.IsNaN(d.Dose()) {
		t.Errorf("a day of the loft: %v, %v to %v, %v times, %v, %v", d.Mean(), d.Min(), d.Max(), d.Acceleration(), d.Humidity(), d.Dose())
	}
	sum, mean := Air{}, 0.0
	for _, d := range x.Days[2:] {
		sum, mean = sum.Add(d.Air), mean+d.Mean()/10
	}
	if math.Abs(sum.Mean()-mean) > 1e-9 || sum.Measured != 10*24*time.Hour {
		t.Errorf("ten days: %v over %v, day by day %v", sum.Mean(), sum.Measured, mean)
	}
	if x, err := e.RoomDays("loft", at(399*24), at(500*24), now); err != nil || len(x.Days) != 1 {
		t.Errorf("%d days, those to come among them: %v", len(x.Days), err)
	}
	if _, err := e.RoomDays("loff", at(0), at(24), now); !errors.Is(err, lot.ErrNotFound) {
		t.Error(err)
	}
}

func TestInStore(t *testing.T) {
	e, now := twoRooms(t)
	stock, pasts, err := e.InStore(now)
	if err != nil || len(stock) != 3 || len(pasts) != 4 {
		t.Fatalf("%d in store, %d reviews: %v", len(stock), len(pasts), err)
	}
	views := map[string]LotView{}
	for _, v := range e.Snapshot(now).Lots {
		views[v.ID] = v
	}
	for _, s := range stock {
		v := views[s.Lot]
		if p := v.Projected(); !s.Early.Equal(p.Early) || !s.Likely.Equal(p.Likely) || s.By != p.By || s.KG != 1 || s.Remaining.Likely != v.Remaining.Likely || s.Room != v.Room() {
			t.Errorf("%+v is shown as %+v", s, p)
		}
	}
	for _, p := range pasts {
		sum := review.Cost{}
		for _, m := range p.InMonths {
			sum = sum.Add(m.Cost)
		}
		if d := sum.Consumed() - p.Cost.Consumed(); math.Abs(d) > 1e-9 {
			t.Errorf("lot %s: the months are %g off the whole", p.Lot, d)
		}
	}
}
