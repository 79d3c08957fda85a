package course_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"dryhold/internal/barrier"
	"dryhold/internal/catalog"
	"dryhold/internal/course"
)

// scaled is a band times a factor.
func scaled(b catalog.Band, by float64) catalog.Band {
	return catalog.Band{Low: b.Low * by, Likely: b.Likely * by, High: b.High * by}
}

// dampAir is air damper than any shipped food is packed, at temperatures that
// do not leave the core far behind.
func dampAir(t *rapid.T) air { return anyAir(t, 12, 22, 0.85, 0.95) }

// A better wall and closure, for oxygen and for water, never shorten life
// where the room is damper than the food: no mode has come further, and the lot
// ends no sooner. The edges of the bands are held to two per cent of the value,
// since draws beyond 10 and 90 % are continued in a straight line.
func TestBetterBarrierNeverShortensLife(t *testing.T) {
	c := shipped(t)
	rapid.Check(t, func(t *rapid.T) {
		l := anyLot(t, c)
		h := dampAir(t).house()
		oxygen, water := rapid.Float64Range(0, 1).Draw(t, "oxygen"), rapid.Float64Range(0, 1).Draw(t, "water")
		better := *c
		better.Containers = nil
		for _, k := range c.Containers {
			k.OxygenWall, k.OxygenClosure = scaled(k.OxygenWall, oxygen), scaled(k.OxygenClosure, oxygen)
			k.WaterWall, k.WaterClosure = scaled(k.WaterWall, water), scaled(k.WaterClosure, water)
			better.Containers = append(better.Containers, k)
		}
		long := age(t)
		f, g := course.New(c, h), course.New(&better, h)
		k, plain := follow(t, f, l, long)
		j, tight := follow(t, g, l, long)
		if plain.Activity.High > 0.8 {
			return // as damp as the room by now, and slower to follow it when it changes
		}
		const rounding, straight = 1e-9, 2e-2
		for i := range plain.Modes {
			x, y := plain.Modes[i].Consumed, tight.Modes[i].Consumed
			if y.Likely > x.Likely*(1+rounding) || y.Low > x.Low*(1+straight) || y.High > x.High*(1+straight) {
				t.Errorf("%s behind the better wall: consumed %+v, plain %+v", plain.Modes[i].Mode.Name, y, x)
			}
		}
		if x, y := outlookOf(t, f, k, l), outlookOf(t, g, j, l); later(x.End, y.End) {
			t.Errorf("ends at %v by %s, plain at %v by %s", y.End, y.EndBy, x.End, x.EndBy)
		}
		if tight.Oxygen.Likely > plain.Oxygen.Likely+rounding || tight.Moisture.Likely > plain.Moisture.Likely+rounding {
			t.Errorf("more came through the better wall: oxygen %g and %g, moisture %g and %g",
				tight.Oxygen.Likely, plain.Oxygen.Likely, tight.Moisture.Likely, plain.Moisture.Likely)
		}
	})
}

// A verified seal never lowers an edge of what is left against one that is
// assumed, in a room damper than the food: so it widens a band only upwards.
// Held to a hundredth of what is consumed, as above.
func TestVerifiedSealNeverLowersTheLowEdge(t *testing.T) {
	c := shipped(t)
	narrower := 0
	rapid.Check(t, func(t *rapid.T) {
		l := anyLot(t, c)
		f := course.New(c, dampAir(t).house())
		long := age(t)
		l.Seal = barrier.Assumed
		_, assumed := follow(t, f, l, long)
		l.Seal = barrier.Verified
		_, verified := follow(t, f, l, long)
		x, y := assumed.Remaining, verified.Remaining
		if y.Low < x.Low-1e-2*(1-x.Low) || y.High < x.High-1e-2*(1-x.High) || y.Likely != x.Likely {
			t.Errorf("verified %+v, assumed %+v", y, x)
		}
		if y.High-y.Low < x.High-x.Low {
			narrower++
		}
	})
	if narrower == 0 {
		t.Error("no verified seal made a band narrower")
	}
}

// Half the step changes what modes have consumed, water activity and oxygen
// by less than 0.1 % (of a tenth of a life and a water activity of 0.5 at
// least), in rooms that go from one temperature and humidity to any other in
// 30 days, as a house does. The
// edges of the bands are held to 2 %: where a seal leaks, the days in which
// the air comes back are few. Between a day at 0 °C and one at 40 °C, time and
// again, the step of a day is off by a few per cent: the wall, the food's own
// uptake and the moisture are taken at the mean core of the step.
func TestStepHalved(t *testing.T) {
	c := shipped(t)
	rapid.Check(t, func(t *rapid.T) {
		l := anyLot(t, c)
		a := anyAir(t, -5, 40, 0.1, 0.9)
		a.slow = 30
		h, long := a.house(), age(t)
		f, g := course.New(c, h), course.New(c, h)
		g.CutSteps(2)
		_, x := follow(t, f, l, long)
		_, y := follow(t, g, l, long)
		same := func(what string, a, b, least, share float64) {
			t.Helper()
			if math.Abs(a-b) > share*max(math.Abs(b), least) {
				t.Errorf("%s of %s in %s: %.6g, at half the step %.6g", what, l.Packing.Food, l.Packing.Container, a, b)
			}
		}
		for i := range x.Modes {
			a, b := x.Modes[i].Consumed, y.Modes[i].Consumed
			same(x.Modes[i].Mode.Name, a.Likely, b.Likely, 0.1, 1e-3)
			same(x.Modes[i].Mode.Name+", low", a.Low, b.Low, 0.1, 2e-2)
			same(x.Modes[i].Mode.Name+", high", a.High, b.High, 0.1, 2e-2)
		}
		same("water activity", x.Activity.Likely, y.Activity.Likely, 0.5, 1e-3)
		same("oxygen", x.Oxygen.Likely, y.Oxygen.Likely, 0.001, 1e-3)
	})
}

// What came through the wall is what is there, within 1e-9 of all that moved.
func TestOxygenAndWaterAreConserved(t *testing.T) {
	c := shipped(t)
	rapid.Check(t, func(t *rapid.T) {
		l := anyLot(t, c)
		k, err := c.Container(l.Packing.Container)
		if err != nil {
			t.Fatal(err)
		}
		f, err := c.Food(l.Packing.Food)
		if err != nil {
			t.Fatal(err)
		}
		b, err := course.New(c, anyAir(t, -5, 40, 0.1, 0.9).house()).Audit(l, packed().Add(age(t)))
		if err != nil {
			t.Fatal(err)
		}
		for i := range b.OxygenIn {
			if k.Sealed {
				near(t, "oxygen, cm3", b.OxygenGained[i], b.OxygenIn[i], 1e-9*(1000+math.Abs(b.Absorbed[i])))
				near(t, "absorber, cm3", b.LeftLost[i], b.Absorbed[i], 1e-9*(1000+b.Absorbed[i]))
			}
			if f.Isotherm != nil {
				near(t, "water, g", b.WaterGained[i], b.WaterIn[i], 1e-9*1000*l.Packing.NetMassKG)
			}
		}
	})
}
