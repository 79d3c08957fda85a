package review

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/barrier"
	"dryhold/internal/climate"
	"dryhold/internal/course"
	"dryhold/internal/forecast"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

func celsius(t unit.Celsius) *unit.Celsius { return &t }
func humidity(rh unit.RH) *unit.RH         { return &rh }

// try tries a scenario on a lot at an instant.
func try(t fataler, r *Reviewer, h *house, s Scenario, l lot.Lot, at time.Time) Gain {
	t.Helper()
	a := advance(t, r, l, at)
	g, err := r.Try(s, h, asLately(r, h), packed(), at).Lot(a.Course(), l)
	if err != nil {
		t.Fatal(err)
	}
	return g
}

// seasons is a year: 14 °C in winter, 26 in summer, by sine, with a day's swing.
func seasons(i int) room.Slot {
	return hour(unit.Celsius(20-6*math.Cos(2*math.Pi*float64(i)/8760)+2*math.Sin(2*math.Pi*float64(i)/24)), 0.5, 20)
}

// The present state as a scenario gains nothing, past or ahead, for all foods;
// and so do bounds that nothing reaches.
func TestWhatIfOfThePresentIsThePresent(t *testing.T) {
	c := shipped(t)
	h := newHouse().by("cellar", 8760, seasons)
	r := reviewer(c, h, noSpells)
	at := after(100)
	for _, food := range c.FoodIDs() {
		l := lotOf(food, "pet-2l", "cellar")
		a := advance(t, r, l, at)
		for _, s := range []Scenario{
			{}, {Past: true}, {Room: "cellar"}, {Room: "cellar", Past: true}, {Container: "pet-2l"},
			{Warmest: celsius(40), Dampest: humidity(0.99)}, {Warmest: celsius(40), Dampest: humidity(0.99), Past: true},
		} {
			g, err := r.Try(s, h, asLately(r, h), packed(), at).Lot(a.Course(), l)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(g.Now, g.Then); d != "" || g.Days != (lot.Range{}) || g.Not != "" {
				t.Errorf("%s, %+v: gains %+v\n%s", food, s, g.Days, d)
			}
		}
	}
}

// Heat alone, by hand: cooler by the bound, the life left is longer by the ratio
// of the acceleration factors.
func TestWhatIfCoolerByHand(t *testing.T) {
	h := newHouse().set("cellar", hour(26, 0.5, 0)).set("loft", hour(30, 0.5, 0))
	l := lotOf("crystals", "bottle", "cellar")
	r := reviewer(plainCatalog(), h, noSpells)
	at := after(60)
	at26, at22, at30 := factor(80, 26), factor(80, 22), factor(80, 30)
	left := 1000/0.5 - 60*at26 // days at the reference, at water activity 0.4
	g := try(t, r, h, Scenario{Warmest: celsius(22)}, l, at)
	near(t, "now", g.Now.Days, left/at26, 0.01*left)
	near(t, "bounded from now on", g.Days.Likely, left/at22-left/at26, 0.01*left)
	near(t, "bounded since packing", try(t, r, h, Scenario{Warmest: celsius(22), Past: true}, l, at).Days.Likely, 60*(at26-at22)/at26, 0.1)
	near(t, "moved", try(t, r, h, Scenario{Room: "loft"}, l, at).Days.Likely, left/at30-left/at26, 0.01*left)
	near(t, "had it stood there", try(t, r, h, Scenario{Room: "loft", Past: true}, l, at).Days.Likely, 60*(at26-at30)/at26, 0.1)
	if g.Days.High-g.Days.Low > 1e-6 {
		t.Errorf("constants without a band, and yet %+v", g.Days)
	}
}

// A lot never gains life from a hotter room, likely or in any draw, at the same
// humidity and food that the change does not dry.
func TestHotterRoomsGainNothing(t *testing.T) {
	c := shipped(t)
	rapid.Check(t, func(t *rapid.T) {
		cool, warmer := unit.Celsius(rapid.Float64Range(5, 25).Draw(t, "°C")), unit.Celsius(rapid.Float64Range(0.5, 10).Draw(t, "K"))
		rh := unit.RH(rapid.Float64Range(0.3, 0.7).Draw(t, "RH"))
		h := newHouse().set("cellar", hour(cool, rh, 0)).set("loft", hour(cool+warmer, rh, 0))
		l := lotOf(rapid.SampledFrom(c.FoodIDs()).Draw(t, "food"), rapid.SampledFrom([]string{"can-no10", "glass-jar-1l"}).Draw(t, "container"), "cellar")
		r := reviewer(c, h, noSpells)
		for _, past := range []bool{false, true} {
			g := try(t, r, h, Scenario{Room: "loft", Past: past}, l, after(10))
			if g.Days.Likely > 1e-6 || g.Days.High > 1 {
				t.Errorf("past %v: %g K warmer gains %+v days of %g", past, float64(warmer), g.Days, g.Now.Days)
			}
		}
	})
}

// foreseen is a climate ahead as an engine has it.
type foreseen struct{ *forecast.Ahead }

func (f foreseen) Ageing(ea unit.KJPerMol, lag unit.Hours) course.Ageing {
	x := f.Exposure(ea, lag)
	return &x
}
func (f foreseen) Light() float64 { return 0 }

// Nor does it by the forecast, in any draw of constants and climate together,
// however short the history; and a room that is held never costs life. The same
// random numbers serve both rooms.
func TestHotterRoomsGainNothingAhead(t *testing.T) {
	c := shipped(t)
	rapid.Check(t, func(t *rapid.T) {
		days := rapid.IntRange(20, 480).Draw(t, "days of history")
		warmer := unit.Celsius(rapid.Float64Range(0.5, 10).Draw(t, "K"))
		mean, wave := rapid.Float64Range(8, 25).Draw(t, "°C"), rapid.Float64Range(0, 8).Draw(t, "wave, K")
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		weather := make([]float64, days+1)
		for d := range days {
			weather[d+1] = 0.8*weather[d] + 0.8*rng.NormFloat64()
		}
		h := newHouse()
		for name, more := range map[string]unit.Celsius{"cellar": 0, "loft": warmer} {
			h.by(name, longest, func(i int) room.Slot {
				v := mean - wave*math.Cos(2*math.Pi*float64(i)/8766) + 2*math.Sin(2*math.Pi*float64(i)/24) + weather[min(days, i/24)]
				return hour(unit.Celsius(v)+more, 0.5, 0)
			})
		}
		at := after(float64(days))
		ahead := func(in string, _ time.Time, warmest *unit.Celsius, dampest *unit.RH) (course.Ahead, bool) {
			past := forecast.FromSlots(packed(), h.rooms[in].slots).Before(at)
			return foreseen{forecast.Fit(past, forecast.Options{Seed: 1, Members: 5}).Held(at, forecast.Hold{Warmest: warmest, Dampest: dampest})}, true
		}
		l := lotOf(rapid.SampledFrom(c.FoodIDs()).Draw(t, "food"), "can-no10", "cellar")
		r := reviewer(c, h, noSpells)
		a := advance(t, r, l, at)
		for _, s := range []Scenario{{Room: "loft"}, {Warmest: celsius(unit.Celsius(mean))}} {
			g, err := r.Try(s, h, ahead, packed(), at).Lot(a.Course(), l)
			if err != nil {
				t.Fatal(err)
			}
			if s.Room != "" && (g.Days.Likely > 1e-6 || g.Days.High > 1e-6) {
				t.Errorf("%g K warmer gains %+v days of %g", float64(warmer), g.Days, g.Now.Days)
			}
			if s.Warmest != nil && (g.Days.Likely < -1e-6 || g.Days.Low < -0.002*g.Now.Days) {
				t.Errorf("held at %v gains %+v days of %g", *s.Warmest, g.Days, g.Now.Days)
			}
		}
	})
}

// Rooms held are rooms that were so, where food has no lag.
func TestHeldIsTheRoomAsItWouldHaveBeen(t *testing.T) {
	most, damp := unit.Celsius(21), unit.RH(0.55)
	wild := func(i int) (unit.Celsius, unit.RH) {
		s := seasons(i)
		return unit.Celsius(s.TempMean), unit.RH(0.5 + 0.2*math.Sin(float64(i)/50))
	}
	h := newHouse().by("cellar", 8760, func(i int) room.Slot { t, rh := wild(i); return hour(t, rh, 0) })
	calm := newHouse().by("cellar", 8760, func(i int) room.Slot {
		was, rh := wild(i)
		now := min(was, most)
		// The vapour stays, but for what the bound on humidity takes.
		e := min(climate.VapourPressure(was, rh), climate.VapourPressure(now, damp))
		return hour(now, climate.RelativeHumidity(now, e), 0)
	})
	x := hold(h, &most, &damp, packed(), after(400))
	rapid.Check(t, func(t *rapid.T) {
		from := packed().Add(time.Duration(rapid.IntRange(0, 390*24*60).Draw(t, "from, minutes")) * time.Minute)
		to := from.Add(time.Duration(rapid.IntRange(1, 5*24*60).Draw(t, "minutes")) * time.Minute)
		a, b := x.Exposure("cellar", 0, 80, from, to), calm.Exposure("cellar", 0, 80, from, to)
		near(t, "days", float64(a.Days), float64(b.Days), 1e-6)
		near(t, "low", float64(a.Low), float64(b.Low), 1e-6)
		m, n := x.Mean("cellar", from, to), calm.Mean("cellar", from, to)
		near(t, "temperature", float64(m.Temp), float64(n.Temp), 1e-4)
		near(t, "vapour", float64(m.Vapour), float64(n.Vapour), 0.05)
		if m.Dose != h.Mean("cellar", from, to).Dose {
			t.Error("the bounds changed the light")
		}
	})
	if p, d := x.Plan("cellar"), x.Damp("cellar"); p != 20 || d != 0.5 {
		t.Errorf("unknown time is taken at %v and %v", p, d)
	}
	low := unit.Celsius(15)
	if p := hold(h, &low, nil, packed(), after(1)).Plan("cellar"); p != 15 {
		t.Errorf("unknown time is taken at %v under a bound of 15", p)
	}
}

// Cooling without drying condenses: there is no air damper than saturated.
func TestHeldNeverPassesSaturation(t *testing.T) {
	h := newHouse().set("cellar", hour(30, 0.8, 0))
	most := unit.Celsius(12)
	m := hold(h, &most, nil, packed(), after(10)).Mean("cellar", after(1), after(2))
	near(t, "humidity", float64(climate.RelativeHumidity(m.Temp, m.Vapour)), 1, 1e-6)
}

func TestWhatIfPackedOtherwise(t *testing.T) {
	c := shipped(t)
	h := newHouse().set("cellar", hour(21, 0.5, 300))
	r := reviewer(c, h, noSpells)
	at := after(30)
	gain := func(s Scenario, l lot.Lot) Gain { t.Helper(); return try(t, r, h, s, l, at) }

	milk := lotOf("whole-milk-powder", "pet-2l", "cellar")
	milk.Packing.MoistureWB = 0.025
	oats := lotOf("rolled-oats", "pet-2l", "cellar")
	oats.Packing.MoistureWB = 0.08
	if g := gain(Scenario{AbsorberCM3: 500}, oats); g.Not != "" || !(g.Days.Low > 0) || !(g.Days.Likely > 100) {
		t.Errorf("an absorber gains oats %+v (%s)", g.Days, g.Not)
	}
	foil := gain(Scenario{Container: "foil-pouch-4l", AbsorberCM3: 1000}, oats)
	if !(foil.Days.Likely > 100) {
		t.Errorf("foil with an absorber gains oats %+v", foil.Days)
	}
	if g := gain(Scenario{Past: true, Container: "foil-pouch-4l", AbsorberCM3: 1000}, oats); !(g.Days.Likely > foil.Days.Likely+5) {
		t.Errorf("packed in foil 30 days ago it has gained %+v, packed in it now %+v", g.Days, foil.Days)
	}
	l := lotOf("crystals", "bottle", "cellar")
	plain := reviewer(plainCatalog(), h, noSpells)
	if g := try(t, plain, h, Scenario{Boxed: true}, l, after(8)); !(g.Days.Likely > 100) || g.Now.By != "fading" {
		t.Errorf("a box gains %+v over %s", g.Days, g.Now.By)
	}
	now, past := try(t, plain, h, Scenario{Boxed: true}, l, after(8)), try(t, plain, h, Scenario{Boxed: true, Past: true}, l, after(8))
	if past.Days.Likely < now.Days.Likely || past.Then.By != "ageing" {
		t.Errorf("a box from the start gains %+v, from now on %+v", past.Days, now.Days)
	}

	refused := func(want string, s Scenario, change func(*lot.Lot)) {
		t.Helper()
		x := oats
		change(&x)
		if g := gain(s, x); g.Not != want || g.Now.Draws != nil {
			t.Errorf("refused as %q, want %q: %+v", g.Not, want, g.Days)
		}
	}
	refused(NotForFood, Scenario{AbsorberCM3: 100}, func(l *lot.Lot) { l.Packing.Food = "sugar" })
	refused(NotDry, Scenario{AbsorberCM3: 100}, func(l *lot.Lot) { l.Packing.MoistureWB = 0.14 })
	refused(NotDry, Scenario{AbsorberCM3: 100}, func(l *lot.Lot) { l.Packing.MoistureWB = 0.105 })
	refused(NotSealed, Scenario{AbsorberCM3: 100, Container: "paper-sack-10kg"}, func(*lot.Lot) {})
	refused(NotFinished, Scenario{}, func(l *lot.Lot) { l.FinishedAt = after(20) })
	x := oats
	if g := gain(Scenario{Room: "attic"}, x); g.Not != NotKnownRoom {
		t.Errorf("a room nobody knows: %+v", g)
	}
	for _, s := range []Scenario{{Container: "no-such-box"}} {
		a := advance(t, r, x, at)
		if _, err := r.Try(s, h, asLately(r, h), packed(), at).Lot(a.Course(), x); err == nil {
			t.Errorf("tried %+v", s)
		}
	}
	leaking := milk
	leaking.Seal = barrier.Failed
	if g := gain(Scenario{Container: "can-no10"}, leaking); !(g.Days.Likely >= 0) {
		t.Errorf("a good seal for one that leaks gains %+v", g.Days)
	}
}

// The total is that of the draws, so that its band is that of the sum and no
// sum of bands.
func TestTotal(t *testing.T) {
	c := shipped(t)
	h := newHouse().set("cellar", hour(26, 0.5, 0))
	r := reviewer(c, h, noSpells)
	at := after(20)
	var gains []Gain
	low, likely := 0.0, 0.0
	for _, food := range c.FoodIDs() {
		g := try(t, r, h, Scenario{Warmest: celsius(18)}, lotOf(food, "can-no10", "cellar"), at)
		gains, low, likely = append(gains, g), low+g.Days.Low, likely+g.Days.Likely
	}
	gains = append(gains, Gain{Not: NotFinished, Days: lot.Range{Likely: 1e9}})
	all := Total(gains)
	near(t, "likely", all.Likely, likely, 1e-6)
	if !(all.Low > low && all.Low < all.Likely && all.High > all.Likely) {
		t.Errorf("together %+v, the low edges add up to %g", all, low)
	}
}
