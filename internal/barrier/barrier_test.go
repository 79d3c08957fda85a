package barrier

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"dryhold/internal/climate"
	"dryhold/internal/sorption"
	"dryhold/internal/unit"
)

func between(t *rapid.T, what string, low, high float64) float64 {
	return rapid.Float64Range(low, high).Draw(t, what)
}

// wide draws over decades, zero included.
func wide(t *rapid.T, what string, low, high float64) float64 {
	if rapid.IntRange(0, 9).Draw(t, what+" zero") == 0 {
		return 0
	}
	return math.Pow(10, between(t, what, math.Log10(low), math.Log10(high)))
}

func drawWall(t *rapid.T) Wall {
	return Wall{
		Oxygen:   OxygenConductance(wide(t, "oxygen", 1e-4, 100)),
		OxygenEa: unit.KJPerMol(between(t, "ea", 0, 50)),
		Water:    WaterPermeance(wide(t, "water", 1e-6, 100)),
		Closure:  Leak{OxygenConductance(wide(t, "leak", 1e-4, 10)), WaterPermeance(wide(t, "wet leak", 1e-6, 1))},
	}
}

func drawGas(t *rapid.T) Gas {
	g := Gas{
		Volume:   wide(t, "volume", 50, 20_000) + 50,
		Wall:     drawWall(t),
		Absorber: NewAbsorber(Kind(rapid.IntRange(0, 1).Draw(t, "kind")), wide(t, "rated", 10, 3000)),
		Uptake:   Uptake{Rate: wide(t, "uptake", 1e-5, 0.1), Ea: 50, Mass: wide(t, "mass", 1e-3, 20)},
	}
	if err := g.Check(); err != nil {
		t.Fatal(err)
	}
	return g
}

func drawState(t *rapid.T, g Gas) GasState {
	return GasState{between(t, "oxygen now", 0, 0.3), g.Absorber.Rated * between(t, "left", 0, 1)}
}

func drawSurroundings(t *rapid.T) Surroundings {
	return Surroundings{
		Core:     unit.Celsius(between(t, "core", -25, 60)),
		Activity: between(t, "aw", 0.1, 0.9),
		Outside:  rapid.SampledFrom([]float64{0, AirOxygen, AirOxygen, AirOxygen}).Draw(t, "outside"),
	}
}

func TestOxygenBalance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := drawGas(t)
		s := drawState(t, g)
		first := s
		var in, absorbed, eaten, moved float64
		for range rapid.IntRange(1, 30).Draw(t, "steps") {
			dt := unit.Days(wide(t, "dt", 1e-3, 4000))
			next, flow := g.Step(s, drawSurroundings(t), dt)
			if !(next.Oxygen >= 0 && next.Oxygen <= 0.3+1e-12) || !(next.Left >= 0 && next.Left <= s.Left) {
				t.Fatalf("%+v becomes %+v", s, next)
			}
			if flow.Absorbed < 0 || flow.Eaten < 0 {
				t.Fatalf("flow %+v", flow)
			}
			in, absorbed, eaten, s = in+flow.In, absorbed+flow.Absorbed, eaten+flow.Eaten, next
			moved += math.Abs(flow.In) + flow.Absorbed + flow.Eaten
		}
		scale := 1 + moved + g.Volume*(first.Oxygen+s.Oxygen)
		if got, want := g.Volume*(s.Oxygen-first.Oxygen), in-absorbed-eaten; math.Abs(got-want) > 1e-9*scale {
			t.Fatalf("gained %v, moved %v", got, want)
		}
		if got := first.Left - s.Left; math.Abs(got-absorbed) > 1e-9*scale {
			t.Fatalf("absorber lost %v, took up %v", got, absorbed)
		}
	})
}

// The step is exact: two halves are the whole, however long.
func TestOxygenStepHalved(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := drawGas(t)
		s, c, dt := drawState(t, g), drawSurroundings(t), unit.Days(wide(t, "dt", 1e-3, 4000))
		whole, _ := g.Step(s, c, dt)
		half, _ := g.Step(s, c, dt/2)
		half, _ = g.Step(half, c, dt/2)
		if math.Abs(whole.Oxygen-half.Oxygen) > 1e-9 || math.Abs(whole.Left-half.Left) > 1e-9*(1+g.Absorber.Rated) {
			t.Fatalf("whole %+v, halves %+v", whole, half)
		}
	})
}

// A better wall never lets more oxygen in, nor spends the absorber sooner.
func TestBetterBarrierKeepsOxygenOut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := drawGas(t)
		better := g
		better.Wall.Oxygen *= OxygenConductance(between(t, "better", 0, 1))
		better.Wall.Closure.Oxygen *= OxygenConductance(between(t, "better closure", 0, 1))
		s, c := drawState(t, g), drawSurroundings(t)
		s.Oxygen, c.Outside = min(s.Oxygen, AirOxygen), AirOxygen
		dt := unit.Days(wide(t, "dt", 1e-3, 4000))
		a, _ := g.Step(s, c, dt)
		b, _ := better.Step(s, c, dt)
		if b.Oxygen > a.Oxygen+1e-9 || b.Left < a.Left-1e-9*(1+s.Left) {
			t.Fatalf("better wall %+v, worse %+v", b, a)
		}
		f := func(what string, worse unit.Days, ends bool, longer unit.Days, ok bool) {
			if ok && !ends || ok && longer < worse*(1-1e-9)-1e-9 {
				t.Fatalf("%s: worse %v %v, better %v %v", what, worse, ends, longer, ok)
			}
		}
		spent, ends := g.Spent(s, c)
		later, ok := better.Spent(s, c)
		f("spent", spent, ends, later, ok)
		level := between(t, "level", 0.001, 0.2)
		spent, ends = g.Passes(level, s, c)
		later, ok = better.Passes(level, s, c)
		f("passes", spent, ends, later, ok)
	})
}

// The dates are those that stepping finds.
func TestOxygenDates(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := drawGas(t)
		s, c := drawState(t, g), drawSurroundings(t)
		if days, ok := g.Spent(s, c); ok && g.usable(s, c.Activity) > 1e-6 {
			before, _ := g.Step(s, c, days*(1-1e-6))
			after, _ := g.Step(s, c, days*(1+1e-6)+1e-9)
			usable := func(s GasState) float64 { return g.usable(s, c.Activity) }
			if !(usable(before) > 0) || usable(after) > 1e-9*(1+s.Left) {
				t.Fatalf("spent after %v: %v before, %v after", days, usable(before), usable(after))
			}
		}
		level := between(t, "level", 0.001, 0.2)
		days, ok := g.Passes(level, s, c)
		end, _ := g.Step(s, c, 1e15) // longer than the slowest drain drawn
		switch {
		case !ok && end.Oxygen > level+1e-9:
			t.Fatalf("never passes %v, but ends at %v", level, end.Oxygen)
		case ok && days > 0:
			at, _ := g.Step(s, c, days)
			if math.Abs(at.Oxygen-level) > 1e-7 {
				t.Fatalf("passes %v after %v, but is at %v", level, days, at.Oxygen)
			}
			fallthrough
		case ok:
			for _, later := range []unit.Days{1e-3, 1, 100, 1e4} {
				if s, _ := g.Step(s, c, days+later); s.Oxygen < level-1e-7 {
					t.Fatalf("passes %v after %v, but %v later is at %v", level, days, later, s.Oxygen)
				}
			}
		}
	})
}

func drawWater(t *rapid.T) Water {
	w := Water{
		Dry: wide(t, "dry", 0.1, 20) + 0.1,
		Isotherm: rapid.SampledFrom([]sorption.Isotherm{
			rice(), sorption.ChungPfost{A: 529.43, B: 17.609, C: 50.998},
			sorption.GAB{Xm: 0.075, C: 15, K: 0.75}, sorption.ModifiedHalsey{A: 4.4181, B: -0.011875, C: 1.7571},
			sorption.ModifiedOswin{A: 13.101, B: -0.052626, C: 2.9987}, sorption.Seed{Oil: 0.29},
		}).Draw(t, "isotherm"),
		Wall: drawWall(t),
	}
	if err := w.Check(); err != nil {
		t.Fatal(err)
	}
	return w
}

// room is air of t and a humidity that may be beyond saturation at the core.
func room(t *rapid.T) (unit.Celsius, unit.Pascal) {
	core := unit.Celsius(between(t, "core", -20, 60))
	return core, climate.VapourPressure(core, unit.RH(between(t, "rh", 0, 1.1)))
}

func TestWaterBalance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := drawWater(t)
		m := unit.DryBasis(between(t, "m", 0, 0.4))
		first, total := m, 0.0
		for range rapid.IntRange(1, 20).Draw(t, "steps") {
			core, vapour := room(t)
			next, gained := w.Step(m, core, vapour, unit.Days(wide(t, "dt", 1e-3, 4000)))
			if next.Check() != nil || gained*float64(next-m) < 0 {
				t.Fatalf("%v becomes %v, gaining %v", m, next, gained)
			}
			// Water goes towards the drier side, and not beyond the balance.
			f := w.flow(core, vapour)
			before, after := sorption.ActivityClamped(w.Isotherm, m, core), sorption.ActivityClamped(w.Isotherm, next, core)
			if (f.humidity-before)*float64(next-m) < -1e-12 || (f.humidity-before)*(f.humidity-after) < -1e-6 {
				t.Fatalf("air %v: activity from %v to %v", f.humidity, before, after)
			}
			m, total = next, total+gained
		}
		if got := 1000 * w.Dry * float64(m-first); math.Abs(got-total) > 1e-9*(1+1000*w.Dry) {
			t.Fatalf("holds %v g more, gained %v", got, total)
		}
	})
}

func TestWaterStepHalved(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := drawWater(t)
		m := unit.DryBasis(between(t, "m", 0.02, 0.3))
		core, vapour := room(t)
		dt := unit.Days(wide(t, "dt", 1e-3, 4000))
		whole, _ := w.Step(m, core, vapour, dt)
		half, _ := w.Step(m, core, vapour, dt/2)
		half, _ = w.Step(half, core, vapour, dt/2)
		if math.Abs(float64(whole-half)) > 1e-3*float64(half)+1e-6 { // the second is a ten-thousandth of a point
			t.Fatalf("whole %v, halves %v", whole, half)
		}
	})
}

// A better wall never makes dry food damp sooner, where the room is damper.
func TestBetterBarrierKeepsDry(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := drawWater(t)
		better := w
		better.Wall.Water *= WaterPermeance(between(t, "better", 0, 1))
		better.Wall.Closure.Water *= WaterPermeance(between(t, "better closure", 0, 1))
		core := unit.Celsius(between(t, "core", 0, 50))
		inside, rh := between(t, "inside", 0.1, 0.6), between(t, "rh", 0.6, 0.95)
		m, vapour := sorption.MoistureClamped(w.Isotherm, inside, core), climate.VapourPressure(core, unit.RH(rh))
		dt := unit.Days(wide(t, "dt", 1e-3, 4000))
		a, _ := w.Step(m, core, vapour, dt)
		b, _ := better.Step(m, core, vapour, dt)
		if float64(b-a) > 1e-6 {
			t.Fatalf("better wall %v, worse %v", b, a)
		}
		line := between(t, "line", 0.6, 0.8)
		soon, ends := w.Reaches(line, m, core, vapour)
		late, ok := better.Reaches(line, m, core, vapour)
		if ok && !ends || ok && late < soon*(1-1e-9) {
			t.Fatalf("line %v: worse %v %v, better %v %v", line, soon, ends, late, ok)
		}
	})
}

// The date of a line is the one that stepping finds.
func TestWaterDates(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := drawWater(t)
		core := unit.Celsius(between(t, "core", 0, 50))
		m := sorption.MoistureClamped(w.Isotherm, between(t, "inside", 0.1, 0.9), core)
		rh := between(t, "rh", 0.05, 0.95)
		vapour, line := climate.VapourPressure(core, unit.RH(rh)), between(t, "line", 0.1, 0.9)
		days, ok := w.Reaches(line, m, core, vapour)
		if !ok {
			end, _ := w.Step(m, core, vapour, 1e9)
			before, after := sorption.ActivityClamped(w.Isotherm, m, core), sorption.ActivityClamped(w.Isotherm, end, core)
			if (before-line)*(after-line) < -1e-6 {
				t.Fatalf("never reaches %v, but goes from %v to %v", line, before, after)
			}
			return
		}
		at, _ := w.Step(m, core, vapour, days)
		if aw := sorption.ActivityClamped(w.Isotherm, at, core); math.Abs(aw-line) > 2e-5 {
			t.Fatalf("reaches %v after %v, but is at %v", line, days, aw)
		}
	})
}

func TestNothingHappensInNoTime(t *testing.T) {
	g := Gas{Volume: 800, Wall: Wall{Oxygen: 1}, Absorber: NewAbsorber(SelfActivated, 300)}
	w := Water{Dry: 1, Isotherm: rice(), Wall: Wall{Water: 1}}
	for _, dt := range []unit.Days{0, -1, unit.Days(math.NaN()), unit.Days(math.Inf(-1))} {
		if s, flow := g.Step(g.Packed(), at(20), dt); s != g.Packed() || flow != (GasFlow{Mean: AirOxygen}) {
			t.Errorf("%v days: %+v, %+v", dt, s, flow)
		}
		if m, gained := w.Step(0.1, 20, 1000, dt); m != 0.1 || gained != 0 {
			t.Errorf("%v days: %v, %v", dt, m, gained)
		}
	}
	// A step without end arrives where the steps lead.
	forever := unit.Days(math.Inf(1))
	if s, _ := g.Step(g.Packed(), at(20), forever); math.Abs(s.Oxygen-AirOxygen) > 1e-9 || s.Left != 0 {
		t.Errorf("in the end: %+v", s)
	}
	if m, _ := w.Step(0.1, 20, 1400, forever); math.Abs(sorption.ActivityClamped(rice(), m, 20)-float64(climate.RelativeHumidity(20, 1400))) > 1e-6 {
		t.Errorf("in the end: %v", m)
	}
	// In air above saturation food gets soaked, and dries again.
	wet, _ := w.Step(0.1, 20, 2600, 1e5)
	if wet != Soaked {
		t.Errorf("in fog: %v", wet)
	}
	if dry, gained := w.Step(wet, 20, 1400, 1e5); dry > 0.2 || gained > 0 {
		t.Errorf("after fog: %v", dry)
	}
	// Glass: years pass, nothing moves, and no line is ever passed.
	glass := Gas{Volume: 800}
	if s, flow := glass.Step(GasState{Oxygen: 0.01}, at(20), 10_000); s.Oxygen != 0.01 || flow != (GasFlow{Mean: 0.01}) {
		t.Errorf("glass: %+v, %+v", s, flow)
	}
	if _, ok := glass.Passes(0.02, GasState{Oxygen: 0.01}, at(20)); ok {
		t.Error("glass passes a level")
	}
	jar := Water{Dry: 1, Isotherm: rice()}
	if m, _ := jar.Step(0.1, 20, 2000, 10_000); m != 0.1 {
		t.Errorf("glass: moisture %v", m)
	}
	if _, ok := jar.Reaches(0.65, 0.1, 20, 2000); ok {
		t.Error("glass reaches a line")
	}
}

func TestChecks(t *testing.T) {
	f := func(err error, want string) {
		t.Helper()
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v does not contain %q", err, want)
		}
	}
	good := Gas{Volume: 800, Wall: Wall{Oxygen: 1, OxygenEa: 32.8, Water: 1}, Absorber: NewAbsorber(SelfActivated, 300)}
	gas := func(change func(g *Gas)) error { g := good; change(&g); return g.Check() }
	if err := good.Check(); err != nil {
		t.Error(err)
	}
	f(gas(func(g *Gas) { g.Volume = 0 }), "gas space is 0 cm3")
	f(gas(func(g *Gas) { g.Volume = math.NaN() }), "gas space is NaN")
	f(gas(func(g *Gas) { g.Wall.Oxygen = -1 }), "oxygen conductance of the wall is -1")
	f(gas(func(g *Gas) { g.Wall.OxygenEa = 4000 }), "oxygen through the wall")
	f(gas(func(g *Gas) { g.Wall.Closure.Water = WaterPermeance(math.Inf(1)) }), "water permeance of the closure")
	f(gas(func(g *Gas) { g.Absorber.Rated = -300 }), "rated capacity")
	f(gas(func(g *Gas) { g.Absorber.Rate = 0 }), "would take up nothing")
	f(gas(func(g *Gas) { g.Absorber.Kind = 9 }), "no known kind")
	f(gas(func(g *Gas) { g.Absorber.Ea = -1 }), "rate of the absorber")
	f(gas(func(g *Gas) { g.Uptake.Mass = -1 }), "mass of the food")
	f(gas(func(g *Gas) { g.Uptake.Rate = -1 }), "uptake of the food")
	f(gas(func(g *Gas) { g.Uptake.Ea = -1 }), "uptake of the food")
	f(Water{Isotherm: rice()}.Check(), "dry matter is 0 kg")
	f(Water{Dry: 1}.Check(), "no isotherm")
	f(Water{Dry: 1, Isotherm: sorption.Seed{Oil: 2}}.Check(), "oil content")
	f(Water{Dry: 1, Isotherm: rice(), Wall: Wall{Water: -1}}.Check(), "water permeance of the wall")
	for _, c := range []struct {
		litres, headspace, void float64
		want                    string
	}{{-1, 0, 0, "container volume"}, {2, 1.5, 0, "headspace 1.5"}, {2, 0, math.NaN(), "void fraction NaN"}} {
		_, err := GasSpace(c.litres, c.headspace, c.void)
		f(err, c.want)
	}
}

func BenchmarkOxygenStep(b *testing.B) {
	g := Gas{Volume: 800, Wall: Wall{Oxygen: 0.8268, OxygenEa: 32.8}, Absorber: NewAbsorber(SelfActivated, 300)}
	s := g.Packed()
	for b.Loop() {
		s, _ = g.Step(s, at(20), 1.0/24)
	}
}

func BenchmarkWaterStep(b *testing.B) {
	for _, c := range []struct {
		name string
		wall WaterPermeance
	}{{"bottle", 0.0305}, {"paper", 4.2}} {
		b.Run(c.name, func(b *testing.B) {
			w := Water{Dry: 1.467, Isotherm: rice(), Wall: Wall{Water: c.wall}}
			m, n := unit.DryBasis(0.12), 0
			for b.Loop() {
				n++
				m, _ = w.Step(m, 20+unit.Celsius(n%10), unit.Pascal(1200+n%100), 1.0/24)
			}
		})
	}
}

// TestMeanOfAStep: the mean oxygen of one long step, in which the absorber
// ends, is that of many short ones.
func TestMeanOfAStep(t *testing.T) {
	g := Gas{Volume: 800, Wall: Wall{Oxygen: 0.8, Closure: Leak{Oxygen: 0.2}}, Absorber: NewAbsorber(SelfActivated, 200)}
	c := Surroundings{Core: 23, Activity: 0.4, Outside: AirOxygen}
	const days, n = 400, 400_000
	end, flow := g.Step(g.Packed(), c, days)
	s, sum := g.Packed(), 0.0
	for range n {
		next, _ := g.Step(s, c, unit.Days(days)/n)
		sum += (s.Oxygen + next.Oxygen) / 2
		s = next
	}
	if s.Left != 0 || end.Left != 0 {
		t.Fatalf("the absorber has %g and %g cm3 left, it was to end", end.Left, s.Left)
	}
	near(t, "mean oxygen", flow.Mean, sum/n, 1e-7)
}
