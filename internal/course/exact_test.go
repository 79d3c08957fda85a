package course_test

import (
	"math"
	"testing"
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/course"
	"dryhold/internal/kinetics"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

func TestHalfTheLifeAtReferenceLeavesHalf(t *testing.T) {
	f, l := course.New(pantry(), steady(21, 0.5)), can(t, "hard-wheat", 0)
	c, s := follow(t, f, l, span(5*julian))
	short, long := inBand(between(5, 10, 20))
	nearRange(t, "remaining", s.Remaining, lot.Range{Low: 1 - 5/short, Likely: 0.5, High: 1 - 5/long})
	nearRange(t, "exposure", s.Modes[0].Exposure, lot.Range{Low: 5 * julian, Likely: 5 * julian, High: 5 * julian})
	near(t, "water", s.Modes[0].Water, 1, 0)
	near(t, "oxygen", s.Modes[0].Oxygen, 1, 0)
	if s.Cover.Estimated != 0 || s.Cover.Unknown != 0 || s.Cover.Measured != span(5*julian) || s.Limiting != 0 || s.Modes[0].Retention != nil {
		t.Errorf("%+v", s)
	}
	o := outlookOf(t, f, c, l)
	nearTime(t, "early end", o.EndEarly, after(short*julian), time.Hour)
	nearTime(t, "end", o.End, after(10*julian), time.Minute)
	nearTime(t, "late end", o.EndLate, after(long*julian), time.Hour)
	if o.EndBy != "staling" {
		t.Errorf("ends by %s", o.EndBy)
	}
}

// TestOwnWaterActivity: at the water activity for which its life is stated
// the life is that, and a tenth beyond it the rate grows by PerTenth.
func TestOwnWaterActivity(t *testing.T) {
	c := pantry()
	m := &c.Foods[0].Modes[0]
	m.ActivityAt, m.PerTenth = exactly(0.45), exactly(1.5)
	at := func(aw float64) course.State {
		l := can(t, "hard-wheat", 0)
		l.Packing.MoistureWB = moistureAt(t, wheat(), aw, 21)
		_, s := follow(t, course.New(c, steady(21, 0.5)), l, span(5*julian))
		near(t, "water activity", s.Activity.Likely, aw, 1e-9)
		return s
	}
	near(t, "at its own", at(0.45).Remaining.Likely, 0.5, 1e-9)
	near(t, "a tenth damper", at(0.55).Remaining.Likely, 1-0.5*1.5, 1e-9)
	near(t, "a tenth damper, its factor", at(0.55).Modes[0].Water, 1.5, 1e-9)
	near(t, "a tenth drier", at(0.35).Remaining.Likely, 1-0.5/1.5, 1e-9)
	near(t, "no drier than a tenth", at(0.05).Remaining.Likely, 1-0.5*math.Pow(1.5, -3.5), 1e-9)
}

// TestPublishedBudget: models 3.1, computed there: life 10 years at 21 °C,
// 80 kJ/mol; 90 days at 21, 30 at 30 and 10 at 38 °C use 0.62684 equivalent
// years, 6.268 %.
func TestPublishedBudget(t *testing.T) {
	h := spells(21, map[float64]unit.Celsius{0: 21, 90: 30, 120: 38})
	_, s := follow(t, course.New(pantry(), h), can(t, "hard-wheat", 0), 130*day)
	// The equivalent years are tenths of a life of ten years of 365.25 days;
	// the worked case counts 365 to the year in the first figure.
	near(t, "equivalent days", s.Modes[0].Exposure.Likely, 90+30*2.6409+10*5.9725, 2e-3)
	near(t, "consumed", s.Modes[0].Consumed.Likely, 0.06268, 5e-6)
	near(t, "remaining", s.Remaining.Likely, 1-0.06268, 5e-6)
	near(t, "equivalent years", s.Modes[0].Consumed.Likely*10, 0.62684, 5e-5)
}

func TestLowOxygenMultipliesLife(t *testing.T) {
	f := course.New(pantry(), steady(21, 0.5))
	// The absorber takes oxygen away at k; until then the mode runs on what
	// is left: the integral of x/(x+half) from air to nothing, related to air.
	const air, half = 0.209, 0.02
	k := 24 * 0.306 * kinetics.AccelerationFactor(49.8, 21, 25)
	days := math.Log((air+half)/half) / k * (air + half) / air
	consumed := func(age, gain, life float64) float64 { return (age/gain + (1-1/gain)*days) / life }
	t.Run("a tight can and an absorber that fits", func(t *testing.T) {
		_, s := follow(t, f, can(t, "rolled-oats", 600), 2000*day)
		got := s.Modes[0]
		near(t, "rancidity", got.Consumed.Likely, consumed(2000, 12, 600), 1e-4)
		near(t, "its factor", got.Oxygen, 1/12.0+11/12.0*days/2000, 1e-4)
		near(t, "oxygen", s.Oxygen.High, 0, 1e-12)
		near(t, "absorber left", s.Absorber, 600-s.Enclosed, 1e-9)
		near(t, "fading knows no gain", s.Modes[1].Consumed.Likely, 0.5, 1e-9)
		if s.Limiting != 1 || !(got.Consumed.Low > 2000/(900*16.0)/2 && got.Consumed.High < 2*2000/(300*5.0)) {
			t.Errorf("limiting mode %d, rancidity %+v", s.Limiting, got.Consumed)
		}
	})
	t.Run("air", func(t *testing.T) {
		_, s := follow(t, f, can(t, "rolled-oats", 0), 150*day)
		short, long := inBand(between(300, 600, 900))
		nearRange(t, "rancidity", s.Modes[0].Consumed, lot.Range{Low: 150 / long, Likely: 150 / 600.0, High: 150 / short})
		near(t, "oxygen", s.Oxygen.Low, air, 1e-12)
	})
	t.Run("an absorber too small", func(t *testing.T) {
		_, s := follow(t, f, can(t, "rolled-oats", 100), 150*day)
		rest := air * (1 - 100/s.Enclosed)
		near(t, "oxygen rests", s.Oxygen.Likely, rest, 1e-9)
		allowed := rest / (rest + half) * (air + half) / air
		near(t, "rancidity", s.Modes[0].Consumed.Likely, 150/600.0*(1/12.0+11/12.0*allowed), 1e-4)
		near(t, "absorber left", s.Absorber, 0, 0)
	})
	t.Run("a container that is open", func(t *testing.T) {
		_, s := follow(t, f, lotOf(t, pantry(), "rolled-oats", "sack", 5000), 150*day)
		near(t, "oxygen", s.Oxygen.Likely, air, 0)
		near(t, "rancidity", s.Modes[0].Consumed.Likely, 150/600.0, 1e-12)
		near(t, "absorber left", s.Absorber, 0, 0)
	})
	t.Run("a seal that leaks", func(t *testing.T) {
		l := can(t, "rolled-oats", 600)
		l.Seal = 2 // failed
		_, s := follow(t, f, l, 1000*day)
		if air := 1000 / 600.0; s.Modes[0].Consumed.Likely < 0.97*air || s.Failure.Low != 1 {
			t.Errorf("consumed %g, in air %g; failure %+v", s.Modes[0].Consumed.Likely, air, s.Failure)
		}
	})
}

func TestFirstOrderRetention(t *testing.T) {
	c := pantry()
	m := &c.Foods[0].Modes[0]
	m.Order, m.Limit = catalog.FirstOrder, 0.6
	_, s := follow(t, course.New(c, steady(27, 0.5)), can(t, "hard-wheat", 0), 3*year)
	got, of := s.Modes[0], func(x float64) float64 { return math.Pow(0.6, x) }
	nearRange(t, "retention", *got.Retention, lot.Range{Low: of(got.Consumed.High), Likely: of(got.Consumed.Likely), High: of(got.Consumed.Low)})
	// Models 3.1: 2 % a year at 21 °C, 80 kJ/mol, leave 0.76790 after five
	// years at 30 °C.
	m.Limit, m.Life = math.Exp(-0.2), exactly(10*365)
	_, s = follow(t, course.New(c, steady(30, 0.5)), can(t, "hard-wheat", 0), 5*year)
	near(t, "worked", s.Modes[0].Retention.Likely, 0.76790, 5e-6)
}

func TestNutrientEndsNoLot(t *testing.T) {
	c := pantry()
	thiamin := mode("thiamin", 90, exactly(30))
	thiamin.Nutrient, thiamin.Order, thiamin.Limit = true, catalog.FirstOrder, 0.5
	c.Foods[0].Modes = append([]catalog.Mode{thiamin}, c.Foods[0].Modes...)
	f, g, l := course.New(c, steady(21, 0.5)), course.New(pantry(), steady(21, 0.5)), can(t, "hard-wheat", 0)
	k, got := follow(t, f, l, year)
	j, want := follow(t, g, l, year)
	nearRange(t, "remaining", got.Remaining, want.Remaining)
	nearTime(t, "end", outlookOf(t, f, k, l).End, outlookOf(t, g, j, l).End, time.Second)
	near(t, "thiamin is counted all the same", got.Modes[0].Consumed.Likely, 365/30.0, 1e-9)
	if got.Limiting != 1 || outlookOf(t, f, k, l).EndBy != "staling" {
		t.Errorf("limited by mode %d", got.Limiting)
	}
}

func TestMovesAddUp(t *testing.T) {
	h := steady(0, 0.5)
	h.temp = func(in string, _ time.Time) unit.Celsius {
		return map[string]unit.Celsius{"store": 15, "loft": 30}[in]
	}
	f, l := course.New(pantry(), h), can(t, "hard-wheat", 0)
	l.Stays = []lot.Stay{{Room: "store", From: packed()}, {Room: "loft", From: after(10.37)}, {Room: "store", From: after(130.11)}}
	_, s := follow(t, f, l, 160*day)
	af := func(t unit.Celsius) float64 { return kinetics.AccelerationFactor(80, t, 21) }
	loft := 130.11 - 10.37
	near(t, "exposure", s.Modes[0].Exposure.Likely, (160-loft)*af(15)+loft*af(30), 1e-7)
	near(t, "consumed", s.Modes[0].Consumed.Likely, s.Modes[0].Exposure.Likely/(10*julian), 1e-12)
	near(t, "core", float64(s.Core), 15, 1e-6)
	l.Stays = l.Stays[:2]
	if c := advance(t, f, l, after(12)); stateOf(t, f, c, l).Core < 29.9 || outlookOf(t, f, c, l).Temperature < 29 {
		t.Error("the lot is not in the loft")
	}
}

func TestUnknownTimeCountsAtPlanAndNeverAsGood(t *testing.T) {
	from := func(days float64) func(time.Time) bool {
		return func(at time.Time) bool { return !at.Before(after(days)) }
	}
	blind := steady(18, 0.3)
	blind.plan, blind.blind, blind.piece = 18, from(60), 30*time.Minute
	l := can(t, "hard-wheat", 0)
	_, known := follow(t, course.New(pantry(), steady(18, 0.3)), l, 90*day)
	c, s := follow(t, course.New(pantry(), blind), l, 90*day)
	af := func(t unit.Celsius) float64 { return kinetics.AccelerationFactor(80, t, 21) }
	nearRange(t, "exposure", s.Modes[0].Exposure, lot.Range{Low: 60*af(18) + 30*af(8), Likely: 90 * af(18), High: 60*af(18) + 30*af(28)})
	near(t, "remaining as at plan", s.Remaining.Likely, known.Remaining.Likely, 1e-12)
	if !(s.Remaining.Low < known.Remaining.Low && s.Remaining.High > known.Remaining.High) {
		t.Errorf("unknown time should widen the range: %+v within %+v", known.Remaining, s.Remaining)
	}
	if s.Cover.Unknown != 30*day || s.Cover.Measured != 60*day || s.Cover.Estimated != 0 {
		t.Errorf("cover %+v", s.Cover)
	}
	// A step of which half is known counts as known.
	near(t, "hours without a count of insects", s.Pests.Unknown, 30*24, 1)
	if o := outlookOf(t, course.New(pantry(), blind), c, l); o.TemperatureKnown || o.HumidityKnown || o.Temperature != 18 || o.Humidity != 0.65 {
		t.Errorf("present conditions should be plan storage and the damp limit: %+v", o)
	}

	cool := steady(8, 0.3)
	cool.plan, cool.blind, cool.piece = 18, from(60), 30*time.Minute
	_, after60 := follow(t, course.New(pantry(), cool), l, 90*day)
	near(t, "a cool room unseen counts at plan", after60.Modes[0].Exposure.Likely, 60*af(8)+30*af(18), 1e-9)

	// Food in a sack takes up the water of a room that nobody measures.
	open := lotOf(t, pantry(), "hard-wheat", "sack", 0)
	dry, damp := steady(18, 0.3), steady(18, 0.3)
	dry.plan, damp.plan, damp.blind = 18, 18, from(60)
	_, a := follow(t, course.New(pantry(), dry), open, 2*year)
	_, b := follow(t, course.New(pantry(), damp), open, 2*year)
	near(t, "dry room", a.Activity.Likely, 0.3, 1e-3)
	near(t, "room unseen", b.Activity.Likely, 0.65, 1e-3)

	// A hold at low oxygen begins again where the cold may have broken it.
	held := can(t, "hard-wheat", 600)
	warm := steady(25, 0.3)
	warm.blind = func(at time.Time) bool { return at.After(after(5)) && at.Before(after(7)) }
	if _, s := follow(t, course.New(pantry(), warm), held, 17*day); s.Hold.Done || s.Hold.Resets != 1 {
		t.Errorf("hold %+v", s.Hold)
	}
}

func TestEstimatedTimeCarriesItsBand(t *testing.T) {
	h := steady(22, 0.5)
	h.spread = 3
	c := pantry()
	c.Foods[0].Modes[0].Life = exactly(10 * julian)
	_, s := follow(t, course.New(c, h), can(t, "hard-wheat", 0), 365*day)
	af := func(t unit.Celsius) float64 { return 365 * kinetics.AccelerationFactor(80, t, 21) }
	nearRange(t, "exposure", s.Modes[0].Exposure, lot.Range{Low: af(19), Likely: af(22), High: af(25)})
	z := -quantile() / edge
	nearRange(t, "consumed", s.Modes[0].Consumed, lot.Range{
		Low:    (af(22) - (af(22)-af(19))*z) / (10 * julian),
		Likely: af(22) / (10 * julian),
		High:   (af(22) + (af(25)-af(22))*z) / (10 * julian),
	})
	if s.Cover.Estimated != 365*day || s.Cover.Unknown != 0 {
		t.Errorf("cover %+v", s.Cover)
	}
}

func TestFinishedLotsStop(t *testing.T) {
	f, l := course.New(pantry(), steady(30, 0.5)), can(t, "hard-wheat", 0)
	_, before := follow(t, f, l, 50*day)
	l.FinishedAt = after(100)
	c, at := follow(t, f, l, 100*day)
	later, s := follow(t, f, l, 4000*day)
	near(t, "remaining", s.Remaining.Likely, at.Remaining.Likely, 0)
	near(t, "exposure", s.Modes[0].Exposure.Likely, 100*kinetics.AccelerationFactor(80, 30, 21), 1e-9)
	if !later.At.Equal(l.FinishedAt) || !c.At.Equal(l.FinishedAt) || !(before.Remaining.Likely > at.Remaining.Likely) {
		t.Errorf("at %v; %g left at 50 days, %g at 100", later.At, before.Remaining.Likely, at.Remaining.Likely)
	}
}

func TestPastItsLimit(t *testing.T) {
	f, l := course.New(pantry(), steady(21, 0.5)), can(t, "rolled-oats", 0)
	c, s := follow(t, f, l, 1800*day)
	near(t, "remaining goes below zero", s.Remaining.Likely, 1-1800/600.0, 1e-9)
	o := outlookOf(t, f, c, l)
	nearTime(t, "the end is now", o.EndLate, after(1800), time.Second)
	nearTime(t, "the end is now", o.EndEarly, after(1800), time.Second)
}

func TestInstantThatIsNotLater(t *testing.T) {
	f, l := course.New(pantry(), steady(21, 0.5)), can(t, "hard-wheat", 0)
	c, s := follow(t, f, l, 0)
	near(t, "as packed", s.Remaining.Low, 1, 0)
	near(t, "as packed", s.Remaining.High, 1, 0)
	back, err := f.Advance(c, l, after(-20))
	if err != nil || !back.At.Equal(packed()) {
		t.Errorf("%v, %v", back.At, err)
	}
}

func TestUnknownClassFails(t *testing.T) {
	f := func(change func(*lot.Packing), want string) {
		t.Helper()
		g, l := course.New(pantry(), steady(21, 0.5)), can(t, "hard-wheat", 0)
		c := advance(t, g, l, after(1))
		change(&l.Packing)
		_, start := g.Start(l)
		_, advance := g.Advance(c, l, after(2))
		_, state := g.State(c, l)
		_, outlook := g.Outlook(c, l)
		for _, err := range []error{start, advance, state, outlook} {
			if err == nil || err.Error() != want {
				t.Errorf("got %v, want %s", err, want)
			}
		}
	}
	f(func(p *lot.Packing) { p.Food = "hard-whaet" }, `cannot follow lot L-1: unknown food class "hard-whaet": did you mean "hard-wheat"?`)
	f(func(p *lot.Packing) { p.Container = "botle" }, `cannot follow lot L-1: unknown container class "botle": did you mean "bottle"?`)
}

func TestReferenceIsThatOfTheCatalog(t *testing.T) {
	if room.Reference != catalog.ReferenceTemperature {
		t.Errorf("exposure is counted at %g °C, life stated at %g °C", float64(room.Reference), float64(catalog.ReferenceTemperature))
	}
}
