package climate

import (
	"math"
	"testing"

	"dryhold/internal/reference"
	"dryhold/internal/unit"
)

// The oracle counts relative humidity over the stable phase and gives the
// frost point below the triple point; ours is over liquid water at every
// temperature. So each state is entered by its vapour pressure, and the frost
// point is asked for where the oracle means one (models 1.2). Where both
// agree, above freezing, the functions of relative humidity are checked too.
func TestMoistAirAgainstPsychrolib(t *testing.T) {
	rows := reference.Oracle(t, "psychrolib.csv")
	if len(rows) != 200 {
		t.Fatalf("%d states, want 200", len(rows))
	}
	frozen := 0
	for _, r := range rows {
		name := r["celsius"] + " °C, RH " + r["rh"] + ", " + r["air_pascal"] + " Pa"
		c, rh := unit.Celsius(r.Num(t, "celsius")), unit.RH(r.Num(t, "rh"))
		air := unit.Pascal(r.Num(t, "air_pascal"))
		f := func(what, column string, got, relative, absolute float64) {
			t.Helper()
			want := r.Num(t, column)
			near(t, name+": "+what, got, want, math.Abs(want)*relative+absolute)
		}
		sat := must[unit.Pascal](t)(SaturationPressure(c))
		pw := unit.Pascal(float64(rh) * float64(sat))
		f("saturation", "saturation_pascal", float64(sat), 3e-4, 0)
		f("vapour pressure", "vapour_pascal", float64(pw), 3e-4, 0)
		f("deficit", "deficit_pascal", float64(sat-pw), 1e-3, 1e-3)
		f("humidity ratio", "ratio_kg_per_kg", must[float64](t)(HumidityRatio(pw, air)), 1e-3, 0)
		f("absolute humidity", "absolute_g_per_m3", must[float64](t)(AbsoluteHumidity(c, pw)), 1e-3, 0)
		if r.Num(t, "dew_celsius") <= float64(TriplePoint) {
			frozen++
			f("frost point", "dew_celsius", float64(must[unit.Celsius](t)(FrostPointAt(pw))), 0, 0.02)
		} else {
			f("dew point", "dew_celsius", float64(must[unit.Celsius](t)(DewPointAt(pw))), 0, 0.02)
		}
		if c <= TriplePoint {
			overLiquid := RelativeHumidity(c, pw)
			if c < -1 && !(overLiquid < rh) {
				t.Errorf("%s: over liquid %g, not below the figure over ice", name, float64(overLiquid))
			}
			f("vapour pressure by our humidity", "vapour_pascal", float64(VapourPressure(c, overLiquid)), 3e-4, 0)
			f("frost point by our humidity", "dew_celsius", float64(must[unit.Celsius](t)(FrostPoint(c, overLiquid))), 0, 0.02)
			continue
		}
		f("VapourPressure", "vapour_pascal", float64(VapourPressure(c, rh)), 3e-4, 0)
		f("Deficit", "deficit_pascal", float64(Deficit(c, rh)), 1e-3, 1e-3)
		near(t, name+": RelativeHumidity", float64(RelativeHumidity(c, unit.Pascal(r.Num(t, "vapour_pascal")))), float64(rh), 3e-4*float64(rh))
		if r.Num(t, "dew_celsius") > float64(TriplePoint) {
			f("DewPoint", "dew_celsius", float64(must[unit.Celsius](t)(DewPoint(c, rh))), 0, 0.02)
		}
	}
	if frozen < 60 { // the ice branch must not be tested by nothing
		t.Errorf("only %d states with a frost point", frozen)
	}
}
