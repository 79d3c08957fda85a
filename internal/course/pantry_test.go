package course_test

import (
	"math"
	"testing"

	"dryhold/internal/catalog"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/sorption"
	"dryhold/internal/unit"
)

// julian is the year of the worked cases, days.
const julian = 365.25

func exactly(v float64) catalog.Band { return catalog.Band{Low: v, Likely: v, High: v} }

func between(low, likely, high float64) catalog.Band {
	return catalog.Band{Low: low, Likely: likely, High: high}
}

// mode is a mode of zero order that nothing but warmth drives.
func mode(name string, ea float64, life catalog.Band) catalog.Mode {
	one := exactly(1)
	return catalog.Mode{
		Name: name, Ea: exactly(ea), Life: life, LowOxygenGain: one, OxygenHalf: exactly(0.02),
		ActivityAt: exactly(0.4), PerTenth: one, LightRate: exactly(0),
	}
}

// wheat is hard wheat, Henderson, ASAE D245.4; rice is rough rice of the same
// set (models 4.1).
func wheat() sorption.Isotherm { return sorption.ModifiedHenderson{K: 2.3007e-5, N: 2.2857, C: 55.815} }
func rice() sorption.Isotherm  { return sorption.ModifiedHenderson{K: 1.9187e-5, N: 2.4451, C: 51.161} }

// pantry is a small catalog with round numbers, so that results can be worked
// out by hand.
func pantry() *catalog.Catalog {
	food := func(id string, void float64, i sorption.Isotherm, modes ...catalog.Mode) catalog.Food {
		return catalog.Food{
			ID: id, Name: id, Modes: modes, BulkDensity: exactly(800), Void: exactly(void), Isotherm: i, IsothermSource: "models 4.1",
			Moisture: exactly(0.10), Amber: exactly(0.6), Red: exactly(0.65), Limit: "mould", Uptake: exactly(0),
		}
	}
	rancidity := mode("rancidity", 60, between(300, 600, 900))
	rancidity.LowOxygenGain = between(5, 12, 16)
	grain := food("hard-wheat", 0.40, wheat(), mode("staling", 80, between(5*julian, 10*julian, 20*julian)))
	grain.Species = "wheat"
	container := func(id string, litres float64) catalog.Container {
		return catalog.Container{ID: id, Name: id, Volume: exactly(litres), Lag: exactly(2), Sealed: true, WallEa: exactly(32.8)}
	}
	bottle, sack := container("bottle", 2), container("sack", 14)
	bottle.Clear = true
	// The bottle of models 5.2 (table 11.2 of a
	// biosystems engineering handbook) with a closure that passes nothing.
	bottle.OxygenWall, bottle.WaterWall = exactly(0.8268), exactly(0.0872*0.105/0.30)
	sack.Sealed, sack.SealFailure = false, exactly(1)
	sack.WaterWall = exactly(20)
	return &catalog.Catalog{
		Reference: room.Reference,
		Foods: []catalog.Food{
			grain,
			// 0.8 l of gas in the bottle: 5 % headspace and this void.
			food("rice", 0.35/0.95, rice(), mode("staling", 75, exactly(8*julian))),
			food("rolled-oats", 0.70, rice(), rancidity, mode("fading", 100, exactly(4000))),
		},
		Containers: []catalog.Container{bottle, sack, container("steel-can", 3)},
	}
}

// can is a lot of a food in the steel can, through whose wall nothing moves.
func can(t testing.TB, food string, capacity float64) lot.Lot {
	return lotOf(t, pantry(), food, "steel-can", capacity)
}

// quantile is the standard normal number of the 21st of 200 equal slices: the
// low edge of a band that hangs on one constant lies exactly there, and the
// high edge as far on the other side.
func quantile() float64 { return math.Sqrt2 * math.Erfinv(2*20.5/200-1) }

// edge is the standard normal quantile of 90 %.
const edge = 1.2815515655446004

// inBand is the value of a band above 0 at the low or the high quantile of the
// draws; the bands of a catalog are read as 10 to 90 % on a logarithm.
func inBand(b catalog.Band) (low, high float64) {
	z := quantile() / edge // -0.99
	return b.Likely * math.Pow(b.Low/b.Likely, -z), b.Likely * math.Pow(b.High/b.Likely, -z)
}

// moistureAt is the moisture at which a food has a water activity.
func moistureAt(t testing.TB, i sorption.Isotherm, aw float64, c unit.Celsius) float64 {
	t.Helper()
	m, err := i.Moisture(aw, c)
	if err != nil {
		t.Fatal(err)
	}
	return float64(m.WetBasis())
}
