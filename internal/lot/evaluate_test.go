package lot

import (
	"math"
	"testing"
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/kinetics"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

func stateOf(t *testing.T, h house, l Lot, asOf time.Time) State {
	t.Helper()
	s, err := Evaluator{pantry(), h}.State(l, asOf)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.10g, want %.10g", what, got, want)
	}
}

func nearRange(t *testing.T, what string, got, want Range) {
	t.Helper()
	near(t, what+", low", got.Low, want.Low, 1e-12)
	near(t, what+", likely", got.Likely, want.Likely, 1e-12)
	near(t, what+", high", got.High, want.High, 1e-12)
}

func nearTime(t *testing.T, what string, got, want time.Time) {
	t.Helper()
	if d := got.Sub(want).Abs(); d > time.Second {
		t.Errorf("%s: got %v, want %v", what, got, want)
	}
}

func wheat() Lot { return lotOf(with(good(), func(p *Packing) { p.Food = "hard-wheat" })) }
func oats(capacity float64) Lot {
	return lotOf(with(good(), func(p *Packing) {
		if capacity > 0 {
			p.Treatment = Treatment{Kind: Absorber, CapacityCM3: capacity}
		}
	}))
}

func TestHalfTheLifeAtReferenceLeavesHalf(t *testing.T) {
	s := stateOf(t, steady(21, 21), wheat(), day(5*year))
	nearRange(t, "remaining", s.Remaining, Range{0, 0.5, 0.75}) // life 5, 10 and 20 years
	nearRange(t, "exposure", s.Modes[0].Exposure, Range{5 * year, 5 * year, 5 * year})
	near(t, "lost beyond plan", s.LostBeyondPlan, 0, 1e-9)
	nearTime(t, "end at plan", s.EndAtPlan, day(10*year))
	if s.Estimated != 0 || s.Unknown != 0 || s.Limiting != 0 || s.Atmosphere.LowOxygen {
		t.Errorf("%+v", s)
	}
}

// TestPublishedBudget: models section 3.1, computed there: life 10 years at
// 21 °C, 80 kJ/mol; 90 days at 21, 30 at 30 and 10 at 38 °C use 0.62684
// equivalent years, 6.268 %.
func TestPublishedBudget(t *testing.T) {
	h := house{"cellar": {21, []spell{{from: packed, t: 21}, {from: day(90), t: 30}, {from: day(120), t: 38}}}}
	s := stateOf(t, h, wheat(), day(130))
	near(t, "equivalent years", s.Modes[0].Exposure.Likely/year*10, 0.62684*10, 5e-5)
	near(t, "consumed", s.Modes[0].Consumed.Likely, 0.06268, 5e-6)
	near(t, "remaining", s.Remaining.Likely, 1-0.06268, 5e-6)
	// With plan storage at the reference the cost is what the hot days add:
	// 30 (2.6409-1) + 10 (5.9725-1), the factors of the same table.
	near(t, "lost beyond plan", s.LostBeyondPlan, 30*(2.6409-1)+10*(5.9725-1), 2e-3)
}

func TestLowOxygenGainAndItsEnd(t *testing.T) {
	h := steady(21, 21)
	t.Run("within the hold life is longer by the gain", func(t *testing.T) {
		s := stateOf(t, h, oats(400), day(500))
		nearRange(t, "rancidity", s.Modes[0].Consumed, Range{500 / (900 * 16.0), 500 / (600 * 12.0), 500 / (300 * 5.0)})
		nearRange(t, "fading knows no gain", s.Modes[1].Consumed, Range{500 / 4000.0, 500 / 4000.0, 500 / 4000.0})
		if s.Limiting != 1 {
			t.Errorf("fading is ahead: limiting mode %d", s.Limiting)
		}
		// Fading is likely ahead, but rancidity may be further.
		nearRange(t, "remaining", s.Remaining, Range{1 - 500/(300*5.0), 1 - 500/4000.0, 1 - 500/4000.0})
	})
	t.Run("past it the hold counts with the gain, the rest without", func(t *testing.T) {
		s := stateOf(t, h, oats(400), day(1600))
		nearRange(t, "rancidity", s.Modes[0].Consumed, Range{
			1500/(900*16.0) + 100/900.0, 1000/(600*12.0) + 600/600.0, 700/(300*5.0) + 900/300.0,
		})
		if s.Limiting != 0 {
			t.Errorf("rancidity is ahead: limiting mode %d", s.Limiting)
		}
	})
	t.Run("the end lies past the hold", func(t *testing.T) {
		// The hold uses 1000/7200 of the life; the rest goes at 600 days.
		s := stateOf(t, h, oats(400), day(500))
		nearTime(t, "end", s.Modes[0].End, day(1000+600*(1-1000/7200.0)))
		nearTime(t, "first end", s.EndAtPlan, s.Modes[0].End)
	})
	t.Run("the end lies within the hold", func(t *testing.T) {
		c := pantry()
		c.Foods[1].Modes = []catalog.Mode{{Name: "rancidity", Ea: exactly(60), Life: exactly(30), LowOxygenGain: exactly(12)}}
		s, err := Evaluator{c, h}.State(oats(400), day(100))
		if err != nil {
			t.Fatal(err)
		}
		nearTime(t, "end", s.EndAtPlan, day(360))
	})
	t.Run("past the hold the end is that of air", func(t *testing.T) {
		s := stateOf(t, h, oats(400), day(1100))
		nearTime(t, "end", s.Modes[0].End, day(1000+600*(1-1000/7200.0)))
	})
	t.Run("in air the gain does not count", func(t *testing.T) {
		for _, capacity := range []float64{0, 100} { // none, and too small
			s := stateOf(t, h, oats(capacity), day(150))
			nearRange(t, "rancidity", s.Modes[0].Consumed, Range{150 / 900.0, 150 / 600.0, 150 / 300.0})
		}
	})
}

func TestMovesAddUp(t *testing.T) {
	h := house{
		"cellar": {18, []spell{{from: packed, t: 15}}},
		"loft":   {24, []spell{{from: packed, t: 30}}},
	}
	l := wheat()
	l.Stays = []Stay{{"cellar", packed}, {"loft", day(10)}, {"cellar", day(30)}}
	s := stateOf(t, h, l, day(60))
	// Factors at 15 and 30 °C: models section 3.1, 80 kJ/mol, to 4 digits.
	near(t, "exposure", s.Modes[0].Exposure.Likely, 40*0.5061+20*2.6409, 5e-3)
	whole := stateOf(t, h, l, day(60)).Modes[0].Consumed.Likely
	parts := stateOf(t, h, l, day(30)).Modes[0].Consumed.Likely + 30*kinetics.AccelerationFactor(80, 15, 21)/(10*year)
	near(t, "consumed", whole, parts, 1e-12)

	// What the loft cost is measured against the loft's plan, what the cellar
	// saved against the cellar's; the days are those of the room it is in.
	af := func(t unit.Celsius) float64 { return kinetics.AccelerationFactor(80, t, 21) }
	near(t, "lost beyond plan", s.LostBeyondPlan, (40*(af(15)-af(18))+20*(af(30)-af(24)))/af(18), 1e-9)
}

func TestUnknownTimeIsCountedAtPlanAndNeverAsGood(t *testing.T) {
	h := house{"cellar": {18, []spell{{from: packed, t: 18}, {from: day(60), unknown: true}}}}
	known, s := stateOf(t, steady(18, 18), wheat(), day(90)), stateOf(t, h, wheat(), day(90))
	af := func(t unit.Celsius) float64 { return kinetics.AccelerationFactor(80, t, 21) }
	e := s.Modes[0].Exposure
	near(t, "likely", e.Likely, 90*af(18), 1e-9)
	near(t, "low", e.Low, 60*af(18)+30*af(8), 1e-9)
	near(t, "high", e.High, 60*af(18)+30*af(28), 1e-9)
	near(t, "remaining as at plan", s.Remaining.Likely, known.Remaining.Likely, 1e-12)
	if !(s.Remaining.Low < known.Remaining.Low && s.Remaining.High > known.Remaining.High) {
		t.Errorf("unknown time should widen the range: %+v within %+v", known.Remaining, s.Remaining)
	}
	if s.Unknown != 30*24*time.Hour || s.Estimated != 0 {
		t.Errorf("unknown %v, estimated %v", s.Unknown, s.Estimated)
	}
	near(t, "unknown time costs nothing that is known", s.LostBeyondPlan, 0, 1e-9)
}

func TestEstimatedTimeCarriesItsBand(t *testing.T) {
	h := house{"cellar": {18, []spell{{from: packed, t: 22, spread: 3}}}}
	s := stateOf(t, h, wheat(), day(30))
	af := func(t unit.Celsius) float64 { return kinetics.AccelerationFactor(80, t, 21) }
	nearRange(t, "exposure", s.Modes[0].Exposure, Range{30 * af(19), 30 * af(22), 30 * af(25)})
	if s.Estimated != 30*24*time.Hour || s.Unknown != 0 {
		t.Errorf("unknown %v, estimated %v", s.Unknown, s.Estimated)
	}
	near(t, "cost", s.LostBeyondPlan, 30*(af(22)/af(18)-1), 1e-9)
}

func TestFinishedLotsStop(t *testing.T) {
	l := wheat()
	l.FinishedAt = day(100)
	at := stateOf(t, steady(18, 30), l, day(100))
	later := stateOf(t, steady(18, 30), l, day(4000))
	near(t, "remaining", later.Remaining.Likely, at.Remaining.Likely, 0)
	near(t, "lost", later.LostBeyondPlan, at.LostBeyondPlan, 0)
	near(t, "exposure", later.Modes[0].Exposure.Likely, 100*kinetics.AccelerationFactor(80, 30, 21), 1e-9)
	if before := stateOf(t, steady(18, 30), l, day(50)); before.Remaining.Likely <= at.Remaining.Likely {
		t.Errorf("before its end the lot still ages: %g left at 50 days, %g at 100", before.Remaining.Likely, at.Remaining.Likely)
	}
}

func TestCost(t *testing.T) {
	l := wheat()
	mode := pantry().Foods[0].Modes[0]
	cost := func(plan, air unit.Celsius, from, to float64) float64 {
		return Evaluator{pantry(), steady(plan, air)}.Cost(l, mode, day(from), day(to))
	}
	near(t, "at plan", cost(18, 18, 0, 365), 0, 1e-9)
	near(t, "at plan, off the reference", cost(30, 30, 10, 365), 0, 1e-9)
	near(t, "7 days at 30 °C against 21 °C", cost(21, 30, 3, 10), 7*(2.6409-1), 1e-3) // models section 3.1
	near(t, "cooler than plan gains", cost(21, 15, 0, 10), 10*(0.5061-1), 1e-3)
	near(t, "before it was packed", cost(18, 30, -20, -10), 0, 0)
	near(t, "backwards", cost(18, 30, 10, 5), 0, 0)
	near(t, "from before packing", cost(21, 30, -20, 10), cost(21, 30, 0, 10), 1e-12)

	l.Packing.Container = "amphora"
	near(t, "unknown container", cost(18, 30, 0, 10), 0, 0)
}

func TestCostOfHolding(t *testing.T) {
	mode := pantry().Foods[0].Modes[0]
	v := Evaluator{pantry(), steady(21, 21)}
	near(t, "a week at 30 °C", v.CostOfHolding(wheat(), mode, 30, 7), 7*(2.6409-1), 1e-3)
	near(t, "a week at plan", v.CostOfHolding(wheat(), mode, 21, 7), 0, 1e-12)
	// It is what Cost finds once the week is over.
	near(t, "agrees with Cost", v.CostOfHolding(wheat(), mode, 30, 7), Evaluator{pantry(), steady(21, 30)}.Cost(wheat(), mode, packed, day(7)), 1e-9)
}

func TestPastItsLimit(t *testing.T) {
	s := stateOf(t, steady(21, 21), oats(0), day(900))
	near(t, "remaining goes below zero", s.Remaining.Likely, 1-900/600.0, 1e-12)
	nearTime(t, "the end is now", s.EndAtPlan, day(900))
}

func TestUnknownClassFails(t *testing.T) {
	v := Evaluator{pantry(), steady(21, 21)}
	f := func(p Packing, want string) {
		t.Helper()
		if _, err := v.State(lotOf(p), day(1)); err == nil || err.Error() != want {
			t.Errorf("got %v, want %s", err, want)
		}
	}
	f(with(good(), func(p *Packing) { p.Food = "hard-whaet" }), `unknown food class "hard-whaet": did you mean "hard-wheat"?`)
	f(with(good(), func(p *Packing) { p.Container = "pet-2" }), `unknown container class "pet-2": did you mean "pet-2l"?`)
}

func TestReferenceIsThatOfTheCatalog(t *testing.T) {
	if room.Reference != catalog.ReferenceTemperature {
		t.Errorf("exposure is counted at %g °C, life stated at %g °C", float64(room.Reference), float64(catalog.ReferenceTemperature))
	}
}

func TestNutrientEndsNoLot(t *testing.T) {
	c := pantry()
	c.Foods[0].Modes = append([]catalog.Mode{{Name: "thiamin", Nutrient: true, Ea: exactly(90), Life: exactly(30), LowOxygenGain: exactly(1)}}, c.Foods[0].Modes...)
	h := house{"cellar": {21, []spell{{from: packed, t: 21}, {from: day(10), unknown: true}}}}
	got, err := Evaluator{c, h}.State(wheat(), day(year))
	if err != nil {
		t.Fatal(err)
	}
	want := stateOf(t, h, wheat(), day(year))
	nearRange(t, "remaining", got.Remaining, want.Remaining)
	nearTime(t, "end", got.EndAtPlan, want.EndAtPlan)
	near(t, "thiamin is counted all the same", got.Modes[0].Consumed.Likely, year/30, 1e-9)
	if got.Modes[got.Limiting].Mode.Name != "staling" || got.Unknown != want.Unknown || got.LostBeyondPlan != want.LostBeyondPlan {
		t.Errorf("limited by %s: %+v, want %+v", got.Modes[got.Limiting].Mode.Name, got, want)
	}
}
