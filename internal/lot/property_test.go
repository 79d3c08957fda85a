package lot

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// ledgers are real ledgers, one a room, with one plan for all.
type ledgers struct {
	plan  unit.Celsius
	rooms map[string]*room.Ledger
}

func (l ledgers) Plan(string) unit.Celsius { return l.plan }

func (l ledgers) Exposure(name string, lag unit.Hours, ea unit.KJPerMol, from, to time.Time) room.Exposure {
	return l.rooms[name].Between(lag, ea, from, to)
}

// course is what a room measured: temperatures an hour apart, some missing.
type course struct {
	temps   []float64
	missing []bool
}

func drawCourse(t *rapid.T, name string) course {
	n := rapid.IntRange(30, 200).Draw(t, name+" hours")
	return course{
		temps:   rapid.SliceOfN(rapid.Float64Range(-10, 45), n, n).Draw(t, name),
		missing: rapid.SliceOfN(rapid.Custom(func(t *rapid.T) bool { return rapid.IntRange(0, 4).Draw(t, "fate") == 0 }), n, n).Draw(t, name+" missing"),
	}
}

// foldOf is the fold of all classes; its tables take long to make, so a test
// makes them once.
func foldOf(t *testing.T) *room.Fold {
	t.Helper()
	var keys []room.Key
	for _, k := range pantry().Containers {
		for _, f := range pantry().Foods {
			for _, m := range f.Modes {
				keys = append(keys, room.Key{Lag: unit.Hours(k.Lag.Likely), Ea: unit.KJPerMol(m.Ea.Likely)})
			}
		}
	}
	fold, err := room.NewFold(room.NewKeys(keys...))
	if err != nil {
		t.Fatal(err)
	}
	return fold
}

// ledger folds a course that begins some hours after packing.
func (c course) ledger(fold *room.Fold, late int, asOf time.Time) *room.Ledger {
	l := room.NewLedger(fold, func(string) time.Duration { return 90 * time.Minute })
	for i, v := range c.temps {
		if at := packed.Add(time.Duration(late+i) * time.Hour); !c.missing[i] && !at.After(asOf) {
			l.Advance(at)
			l.Feed(room.Reading{Series: room.Series{Room: "x", Sensor: "a", Quantity: unit.Temperature}, At: at, Value: unit.Temperature.Round(v)})
		}
	}
	l.Advance(asOf)
	return l
}

func drawLot(t *rapid.T, asOf time.Time) Lot {
	p := good()
	p.Food = rapid.SampledFrom(pantry().FoodIDs()).Draw(t, "food")
	p.Container = rapid.SampledFrom(pantry().ContainerIDs()).Draw(t, "container")
	if rapid.Bool().Draw(t, "absorber") {
		p.Treatment = Treatment{Kind: Absorber, CapacityCM3: rapid.Float64Range(50, 6000).Draw(t, "capacity")}
	}
	p.Room = rapid.SampledFrom([]string{"cellar", "loft"}).Draw(t, "room")
	l := lotOf(p)
	for _, h := range rapid.SliceOfN(rapid.Float64Range(0, asOf.Sub(packed).Hours()), 0, 4).Draw(t, "moves") {
		last := l.Stays[len(l.Stays)-1]
		if at := packed.Add(time.Duration(h * float64(time.Hour))); !at.Before(last.From) {
			l.Stays = append(l.Stays, Stay{map[string]string{"cellar": "loft", "loft": "cellar"}[last.Room], at})
		}
	}
	return l
}

func drawHouse(t *rapid.T) (cellar, loft course, asOf time.Time, plan unit.Celsius) {
	cellar, loft = drawCourse(t, "cellar"), drawCourse(t, "loft")
	asOf = packed.Add(time.Duration(rapid.IntRange(1, 220*60).Draw(t, "as of, min")) * time.Minute)
	return cellar, loft, asOf, unit.Celsius(rapid.Float64Range(5, 30).Draw(t, "plan"))
}

// houseOf is a house of two rooms. The hold of the bottle is cut to days, so
// that it ends within the courses.
func houseOf(fold *room.Fold, cellar, loft course, asOf time.Time, plan unit.Celsius) Evaluator {
	c := pantry()
	for i, k := range c.Containers {
		if k.LowOxygenHold.High > 0 {
			h := &c.Containers[i].LowOxygenHold
			h.Low, h.Likely, h.High = 1.3, 2.7, 4.1
		}
	}
	return Evaluator{c, ledgers{plan, map[string]*room.Ledger{"cellar": cellar.ledger(fold, 0, asOf), "loft": loft.ledger(fold, 20, asOf)}}}
}

func mustState(t *rapid.T, v Evaluator, l Lot, asOf time.Time) State {
	s, err := v.State(l, asOf)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestLowLikelyHigh(t *testing.T) {
	fold := foldOf(t)
	rapid.Check(t, func(t *rapid.T) {
		cellar, loft, asOf, plan := drawHouse(t)
		v := houseOf(fold, cellar, loft, asOf, plan)
		s := mustState(t, v, drawLot(t, asOf), asOf)
		f := func(what string, r Range) {
			if !(r.Low <= r.Likely+1e-12 && r.Likely <= r.High+1e-12) {
				t.Fatalf("%s is not in order: %+v", what, r)
			}
		}
		f("remaining", s.Remaining)
		if s.Remaining.High > 1+1e-9 {
			t.Fatalf("more left than there was: %+v", s.Remaining)
		}
		for _, m := range s.Modes {
			f(m.Mode.Name+" exposure", m.Exposure)
			f(m.Mode.Name+" consumed", m.Consumed)
		}
		if s.Estimated < 0 || s.Unknown < 0 || s.Estimated+s.Unknown > asOf.Sub(packed)+time.Second {
			t.Fatalf("estimated %v and unknown %v of %v", s.Estimated, s.Unknown, asOf.Sub(packed))
		}
	})
}

func TestHotterNeverHelps(t *testing.T) {
	fold := foldOf(t)
	rapid.Check(t, func(t *rapid.T) {
		cellar, loft, asOf, plan := drawHouse(t)
		l := drawLot(t, asOf)
		hotter := course{make([]float64, len(cellar.temps)), cellar.missing}
		for i, v := range cellar.temps {
			hotter.temps[i] = v + rapid.Float64Range(0, 20).Draw(t, "hotter by")
		}
		a := mustState(t, houseOf(fold, cellar, loft, asOf, plan), l, asOf)
		b := mustState(t, houseOf(fold, hotter, loft, asOf, plan), l, asOf)
		if b.Remaining.Likely > a.Remaining.Likely+1e-9 || b.Remaining.Low > a.Remaining.Low+1e-9 {
			t.Fatalf("hotter, yet more is left: %+v, was %+v", b.Remaining, a.Remaining)
		}
		if b.EndAtPlan.After(a.EndAtPlan.Add(time.Second)) {
			t.Fatalf("hotter, yet it ends later: %v, was %v", b.EndAtPlan, a.EndAtPlan)
		}
		for i := range a.Modes {
			if b.Modes[i].Exposure.Likely < a.Modes[i].Exposure.Likely-1e-9 {
				t.Fatalf("hotter, yet less exposed: %+v, was %+v", b.Modes[i].Exposure, a.Modes[i].Exposure)
			}
		}
		if a.Limiting == b.Limiting && b.LostBeyondPlan < a.LostBeyondPlan-1e-9*(1+math.Abs(a.LostBeyondPlan)) {
			t.Fatalf("hotter, yet cheaper: %g, was %g", b.LostBeyondPlan, a.LostBeyondPlan)
		}
	})
}

func TestCostIsAdditive(t *testing.T) {
	fold := foldOf(t)
	rapid.Check(t, func(t *rapid.T) {
		cellar, loft, asOf, plan := drawHouse(t)
		v, l := houseOf(fold, cellar, loft, asOf, plan), drawLot(t, asOf)
		f, err := v.Catalog.Food(l.Packing.Food)
		if err != nil {
			t.Fatal(err)
		}
		m := rapid.SampledFrom(f.Modes).Draw(t, "mode")
		cut := packed.Add(time.Duration(rapid.Int64Range(0, int64(asOf.Sub(packed)/time.Millisecond)).Draw(t, "cut, ms")) * time.Millisecond)
		whole := v.Cost(l, m, packed, asOf)
		parts := v.Cost(l, m, packed, cut) + v.Cost(l, m, cut, asOf)
		if math.Abs(whole-parts) > 1e-9*max(1, math.Abs(whole)) {
			t.Fatalf("cut at %v: %.15g, whole %.15g", cut, parts, whole)
		}
	})
}
