package lot

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"dryhold/internal/catalog"
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

func houseOf(fold *room.Fold, cellar, loft course, asOf time.Time, plan unit.Celsius) Evaluator {
	return Evaluator{pantry(), ledgers{plan, map[string]*room.Ledger{"cellar": cellar.ledger(fold, 0, asOf), "loft": loft.ledger(fold, 20, asOf)}}}
}

// modes of the food of a lot.
func modes(t *rapid.T, v Evaluator, l Lot) []catalog.Mode {
	f, err := v.Catalog.Food(l.Packing.Food)
	if err != nil {
		t.Fatal(err)
	}
	return f.Modes
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
		cooler, warmer := houseOf(fold, cellar, loft, asOf, plan), houseOf(fold, hotter, loft, asOf, plan)
		for _, m := range modes(t, cooler, l) {
			a, b := cooler.Cost(l, m, packed, asOf), warmer.Cost(l, m, packed, asOf)
			if !(b >= a-1e-9*(1+math.Abs(a))) {
				t.Fatalf("hotter, yet %s is cheaper: %g, was %g", m.Name, b, a)
			}
			held := unit.Celsius(rapid.Float64Range(-10, 45).Draw(t, "held at"))
			days := rapid.Float64Range(0, 30).Draw(t, "days held")
			if less, more := cooler.CostOfHolding(l, m, held, days), cooler.CostOfHolding(l, m, held+1, days); more < less || less < -days {
				t.Fatalf("%s for %g days at %g °C costs %g, a kelvin hotter %g", m.Name, days, float64(held), less, more)
			}
		}
	})
}

// TestColdGainsNoMoreThanTheTime: cold saves at most the days that passed.
func TestColdGainsNoMoreThanTheTime(t *testing.T) {
	fold := foldOf(t)
	rapid.Check(t, func(t *rapid.T) {
		cellar, loft, asOf, plan := drawHouse(t)
		v, l := houseOf(fold, cellar, loft, asOf, plan), drawLot(t, asOf)
		for _, m := range modes(t, v, l) {
			if got := v.Cost(l, m, packed, asOf); !(got >= -asOf.Sub(packed).Hours()/24-1e-9) || math.IsInf(got, 1) {
				t.Fatalf("%s costs %g days in %v", m.Name, got, asOf.Sub(packed))
			}
		}
	})
}

func TestCostIsAdditive(t *testing.T) {
	fold := foldOf(t)
	rapid.Check(t, func(t *rapid.T) {
		cellar, loft, asOf, plan := drawHouse(t)
		v, l := houseOf(fold, cellar, loft, asOf, plan), drawLot(t, asOf)
		m := rapid.SampledFrom(modes(t, v, l)).Draw(t, "mode")
		cut := packed.Add(time.Duration(rapid.Int64Range(0, int64(asOf.Sub(packed)/time.Millisecond)).Draw(t, "cut, ms")) * time.Millisecond)
		whole := v.Cost(l, m, packed, asOf)
		parts := v.Cost(l, m, packed, cut) + v.Cost(l, m, cut, asOf)
		if math.Abs(whole-parts) > 1e-9*max(1, math.Abs(whole)) {
			t.Fatalf("cut at %v: %.15g, whole %.15g", cut, parts, whole)
		}
	})
}
