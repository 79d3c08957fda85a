package review

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// By hand, from the six orders: exposure 4, water 3, oxygen 2 against 1, 1, 1.
// Heat first adds 3, after water 9, after oxygen 6, last 18: twice 3, once 9,
// once 6, twice 18 are 57, a sixth of it 9.5. In the same way water adds 2, 8,
// 4, 16: 48/6 = 8; and oxygen 1, 4, 3, 12: 33/6 = 5.5. Together 23 = 24-1.
func TestShareByHand(t *testing.T) {
	p := share(rate{4, 3, 2}, rate{1, 1, 1})
	near(t, "heat", p.Heat, 9.5, 1e-12)
	near(t, "moisture", p.Moisture, 8, 1e-12)
	near(t, "oxygen", p.Oxygen, 5.5, 1e-12)
	near(t, "light", p.Light, 0, 0)
	near(t, "sum", p.Sum(), 23, 1e-12)
}

// What makes the rule: the parts add up, a cause that changes nothing has no
// part, and the causes can change names.
func TestShareIsFair(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(what string) float64 { return rapid.Float64Range(0, 100).Draw(t, what) }
		now, plan := rate{draw("x"), draw("w"), draw("o")}, rate{draw("x0"), draw("w0"), draw("o0")}
		p := share(now, plan)
		near(t, "sum", p.Sum(), now.all()-plan.all(), 1e-9)
		swap := share(rate{now.water, now.exposure, now.oxygen}, rate{plan.water, plan.exposure, plan.oxygen})
		near(t, "heat as moisture", swap.Moisture, p.Heat, 1e-9)
		near(t, "oxygen the same", swap.Oxygen, p.Oxygen, 1e-9)
		near(t, "and back", -share(plan, now).Heat, p.Heat, 1e-9)
		now.oxygen = plan.oxygen
		if got := share(now, plan).Oxygen; got != 0 {
			t.Errorf("oxygen as planned has a part of %g", got)
		}
		// Linear in exposure: a step may be cut anywhere.
		k := rapid.Float64Range(0, 1).Draw(t, "cut")
		one, rest := now, now
		one.exposure, rest.exposure = k*now.exposure, (1-k)*now.exposure
		a, b := plan, plan
		a.exposure, b.exposure = k*plan.exposure, (1-k)*plan.exposure
		cut, whole := share(one, a).Add(share(rest, b)), share(now, plan)
		near(t, "cut, heat", cut.Heat, whole.Heat, 1e-9)
		near(t, "cut, moisture", cut.Moisture, whole.Moisture, 1e-9)
	})
}

// Two compartments by hand: a food that only warmth drives (fading, in the
// dark) and one that warmth and water drive (ageing), in an open sack that is
// always as humid as the room. Planned are 20 °C and 50 %; it stands 60 days
// at that, then 40 days at 30 °C and 60 %.
func TestTwoCompartmentsByHand(t *testing.T) {
	c := plainCatalog()
	h := newHouse().by("cellar", 100*24, func(i int) room.Slot {
		if i < 60*24 {
			return hour(20, 0.5, 0)
		}
		return hour(30, 0.6, 0)
	})
	l := lotOf("crystals", "sack", "cellar")
	r := reviewer(c, h, noSpells)
	out := advance(t, r, l, after(100)).Review(l)
	x, x0, w := factor(80, 30), factor(80, 20), 2.0 // a tenth beyond 0.5 doubles
	if out.Mode != "ageing" {
		t.Fatalf("told of %s", out.Mode)
	}
	near(t, "life", out.Life, 1000/x0, 1)
	near(t, "plain", out.Cost.Plain, 100*x0/1000, 1e-9)
	near(t, "heat", out.Cost.Lost.Heat, 40*(x-x0)*(w+1)/2/1000, 1e-4)
	near(t, "moisture", out.Cost.Lost.Moisture, 40*(w-1)*(x+x0)/2/1000, 1e-4)
	near(t, "oxygen", out.Cost.Lost.Oxygen, 0, 0)
	near(t, "light", out.Cost.Lost.Light, 0, 0)
	near(t, "all", out.Cost.Consumed(), (60*x0+40*x*w)/1000, 1e-4)
	near(t, "left", out.Left, 1-out.Cost.Consumed(), 1e-12)
	near(t, "days", out.InDays(out.Cost).Plain, 100, 0.1) // plan storage costs a day a day
	near(t, "kg", out.InKG(out.Cost).Consumed(), 10*out.Cost.Consumed(), 1e-12)
}

// The same food where it is cooler and drier than planned gains.
func TestCoolWinterGains(t *testing.T) {
	h := newHouse().set("cellar", hour(10, 0.4, 0))
	l := lotOf("crystals", "sack", "cellar")
	out := advance(t, reviewer(plainCatalog(), h, noSpells), l, after(200)).Review(l)
	x, x0, w := factor(80, 10), factor(80, 20), 0.5
	near(t, "heat", out.Cost.Lost.Heat, 200*(x-x0)*(w+1)/2/1000, 1e-6)
	near(t, "moisture", out.Cost.Lost.Moisture, 200*(w-1)*(x+x0)/2/1000, 1e-6)
	if out.Cost.Lost.Heat >= 0 || out.Cost.Lost.Moisture >= 0 {
		t.Errorf("a cool, dry room gains: %+v", out.Cost.Lost)
	}
	if worst := out.Worst(3); len(worst) != 0 {
		t.Errorf("nothing was lost, and yet %+v", worst)
	}
}

// 100 lux for 200 days in a clear bottle on an open shelf is 480,000 lux hours,
// by 1e-5 a lux hour to half of it 4.8/ln 2 lives: light limits, and that is
// told, of the whole past. In a box there is none.
func TestLightByHand(t *testing.T) {
	h := newHouse().set("cellar", hour(20, 0.5, 100))
	l := lotOf("crystals", "bottle", "cellar")
	r := reviewer(plainCatalog(), h, noSpells)
	out := advance(t, r, l, after(200)).Review(l)
	if out.Mode != "fading" {
		t.Fatalf("told of %s", out.Mode)
	}
	near(t, "light", out.Cost.Lost.Light, 4.8/math.Ln2, 1e-9)
	near(t, "heat", out.Cost.Lost.Heat, 0, 1e-12)
	near(t, "plain", out.Cost.Plain, 200*factor(50, 20)/5000, 1e-9)
	l.Packing.Shading = lot.Boxed
	if boxed := advance(t, r, l, after(200)).Review(l); boxed.Mode != "ageing" || boxed.Cost.Lost.Light != 0 {
		t.Errorf("boxed, told of %s: %+v", boxed.Mode, boxed.Cost.Lost)
	}
}

// A year of 18 + 10 sin, by the day, acts as a steady 19.5505 °C at 50 kJ/mol
// and as 21.5017 °C at 120 (models section 2, computed there): heat costs what
// that temperature does.
func TestHeatOfAYearIsThatOfItsEffectiveTemperature(t *testing.T) {
	h := newHouse().by("cellar", 365*24, func(i int) room.Slot {
		return hour(unit.Celsius(18+10*math.Sin(2*math.Pi*float64(i/24)/365)), 0.5, 0)
	})
	f := func(ea, effective float64) {
		t.Helper()
		c := plainCatalog()
		m := &c.Foods[0].Modes[0]
		m.Ea, m.PerTenth = exactly(ea), exactly(1)
		l := lotOf("crystals", "bottle", "cellar")
		out := advance(t, reviewer(c, h, noSpells), l, after(365)).Review(l)
		want := 365 * (factor(ea, effective) - factor(ea, 20)) / 1000
		near(t, "heat", out.Cost.Lost.Heat, want, 1e-5) // the table has four decimals
		near(t, "days", out.InDays(out.Cost).Lost.Heat, 365*(factor(ea, effective)/factor(ea, 20)-1), 0.5)
	}
	f(50, 19.5505)
	f(120, 21.5017)
}
