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

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.10g, want %.10g", what, got, want)
	}
}

func wheat() Lot { return lotOf(with(good(), func(p *Packing) { p.Food = "hard-wheat" })) }

// staling is the one mode of the wheat, 80 kJ/mol.
func staling() catalog.Mode { return pantry().Foods[0].Modes[0] }

// af is its acceleration against 21 °C.
func af(t unit.Celsius) float64 { return kinetics.AccelerationFactor(80, t, 21) }

// costOf is the cost of staling of a lot in days since packing.
func costOf(h house, l Lot, from, to float64) float64 {
	return Evaluator{pantry(), h}.Cost(l, staling(), day(from), day(to))
}

// TestPublishedBudget: models section 3.1, computed there: 80 kJ/mol, 90 days
// at 21, 30 at 30 and 10 at 38 °C. With plan storage at the reference the cost
// is what the hot days add, by the factors of the same table.
func TestPublishedBudget(t *testing.T) {
	h := house{"cellar": {21, []spell{{from: packed, t: 21}, {from: day(90), t: 30}, {from: day(120), t: 38}}}}
	near(t, "cost", costOf(h, wheat(), 0, 130), 30*(2.6409-1)+10*(5.9725-1), 2e-3)
	// The whole budget there is 0.62684 equivalent years.
	near(t, "130 days and their cost", (130+costOf(h, wheat(), 0, 130))/year, 0.62684, 5e-6)
}

func TestMovesAddUp(t *testing.T) {
	h := house{
		"cellar": {18, []spell{{from: packed, t: 15}}},
		"loft":   {24, []spell{{from: packed, t: 30}}},
	}
	l := wheat()
	l.Stays = []Stay{{"cellar", packed}, {"loft", day(10)}, {"cellar", day(30)}}
	// What the loft cost is measured against the loft's plan, what the cellar
	// saved against the cellar's; the days are those of the room it is in.
	near(t, "cost", costOf(h, l, 0, 60), (40*(af(15)-af(18))+20*(af(30)-af(24)))/af(18), 1e-9)
	near(t, "of the days in the loft", costOf(h, l, 10, 30), 20*(af(30)-af(24))/af(18), 1e-9)
	near(t, "from the loft into the cellar", costOf(h, l, 29, 31), (af(30)-af(24)+af(15)-af(18))/af(18), 1e-9)
	// Carried through at once: no time passed in the loft.
	l.Stays = []Stay{{"cellar", packed}, {"loft", day(10)}, {"cellar", day(10)}}
	near(t, "a stay of no time", costOf(h, l, 0, 60), 60*(af(15)-af(18))/af(18), 1e-9)
}

func TestUnknownTimeCostsNothing(t *testing.T) {
	h := house{"cellar": {18, []spell{{from: packed, t: 25}, {from: day(60), unknown: true}}}}
	near(t, "known and unknown", costOf(h, wheat(), 0, 90), 60*(af(25)/af(18)-1), 1e-9)
	near(t, "unknown alone", costOf(h, wheat(), 60, 90), 0, 0)
}

func TestEstimatedTimeCosts(t *testing.T) {
	h := house{"cellar": {18, []spell{{from: packed, t: 22, spread: 3}}}}
	near(t, "cost", costOf(h, wheat(), 0, 30), 30*(af(22)/af(18)-1), 1e-9)
}

func TestCost(t *testing.T) {
	cost := func(plan, air unit.Celsius, from, to float64) float64 {
		return costOf(steady(plan, air), wheat(), from, to)
	}
	near(t, "at plan", cost(18, 18, 0, 365), 0, 1e-9)
	near(t, "at plan, off the reference", cost(30, 30, 10, 365), 0, 1e-9)
	near(t, "7 days at 30 °C against 21 °C", cost(21, 30, 3, 10), 7*(2.6409-1), 1e-3) // models section 3.1
	near(t, "cooler than plan gains", cost(21, 15, 0, 10), 10*(0.5061-1), 1e-3)
	near(t, "before it was packed", cost(18, 30, -20, -10), 0, 0)
	near(t, "backwards", cost(18, 30, 10, 5), 0, 0)
	near(t, "from before packing", cost(21, 30, -20, 10), cost(21, 30, 0, 10), 1e-12)
}

func TestUnknownClassCostsNothing(t *testing.T) {
	l := wheat()
	l.Packing.Container = "amphora"
	near(t, "unknown container", costOf(steady(18, 30), l, 0, 10), 0, 0)
}

// TestCostLagsBehindTheAir: the exposure asked for is that of the container's
// core at the mode's activation energy.
func TestCostLagsBehindTheAir(t *testing.T) {
	var asked []room.Key
	v := Evaluator{pantry(), listener{steady(21, 21), &asked}}
	v.Cost(wheat(), staling(), packed, day(1))
	if len(asked) != 1 || asked[0] != (room.Key{Lag: 2.33, Ea: 80}) {
		t.Errorf("asked for %+v, want a lag of 2.33 h at 80 kJ/mol", asked)
	}
}

// listener is a house that notes what it is asked for.
type listener struct {
	house
	asked *[]room.Key
}

func (l listener) Exposure(name string, lag unit.Hours, ea unit.KJPerMol, from, to time.Time) room.Exposure {
	*l.asked = append(*l.asked, room.Key{Lag: lag, Ea: ea})
	return l.house.Exposure(name, lag, ea, from, to)
}

func TestCostOfHolding(t *testing.T) {
	v := Evaluator{pantry(), steady(21, 21)}
	near(t, "a week at 30 °C", v.CostOfHolding(wheat(), staling(), 30, 7), 7*(2.6409-1), 1e-3) // models section 3.1
	near(t, "a week at plan", v.CostOfHolding(wheat(), staling(), 21, 7), 0, 1e-12)
	// It is what Cost finds once the week is over.
	near(t, "agrees with Cost", v.CostOfHolding(wheat(), staling(), 30, 7), costOf(steady(21, 30), wheat(), 0, 7), 1e-9)
	// The room it stands in now counts, not the one it was packed in.
	l := wheat()
	l.Stays = append(l.Stays, Stay{"loft", day(3)})
	h := house{"cellar": {18, nil}, "loft": {24, nil}}
	near(t, "after a move", Evaluator{pantry(), h}.CostOfHolding(l, staling(), 30, 7), 7*(af(30)/af(24)-1), 1e-9)
}

func TestReferenceIsThatOfTheCatalog(t *testing.T) {
	if room.Reference != catalog.ReferenceTemperature {
		t.Errorf("exposure is counted at %g °C, life stated at %g °C", float64(room.Reference), float64(catalog.ReferenceTemperature))
	}
}
