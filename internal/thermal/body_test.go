package thermal

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"dryhold/internal/reference"
	"dryhold/internal/unit"
)

func hours(h float64) unit.Hours { return unit.Hours(h) }

func body(t testing.TB) func(b Body, err error) Body {
	return func(b Body, err error) Body {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
}

// The times of container-lag.csv once more, by the body itself.
func TestBodyPublished(t *testing.T) {
	for _, r := range reference.Published(t, "container-lag.csv") {
		radius, height := r.Num(t, "radius_m"), r.Num(t, "height_m")
		b, err := rice().Slab(radius)
		if height > 0 {
			b, err = rice().Can(radius, height)
		}
		if err != nil {
			t.Fatal(err)
		}
		near(t, r["container"]+": tau", float64(b.Lag()), r.Num(t, "tau_h"), halfDigit(r["tau_h"]))
		if height == 0 {
			continue
		}
		for column, target := range map[string]unit.Celsius{"t50_h": 50, "t90_h": 90, "t95_h": 95} {
			h, err := b.TimeTo(0, 100, target)
			if err != nil {
				t.Fatal(err)
			}
			near(t, r["container"]+": "+column, float64(h), r.Num(t, column), halfDigit(r[column])+0.02+0.003*r.Num(t, column))
		}
	}
}

// Long after a step the lag that starts Delay later is the core.
func TestDelayMakesTheLagMeetTheCore(t *testing.T) {
	f := func(what string, b Body) {
		t.Helper()
		late := 8 * b.Lag()
		near(t, what, math.Exp(-float64((late-b.Delay())/b.Lag()))/b.Left(late), 1, 1e-3)
		if !(b.Delay() > 0 && b.Delay() < b.Lag()) {
			t.Errorf("%s: delay %g h, lag %g h", what, float64(b.Delay()), float64(b.Lag()))
		}
	}
	f("bottle", body(t)(rice().Can(0.054, 0.25)))
	f("pouch", body(t)(rice().Slab(0.03)))
	f("carton", body(t)(rice().Block(0.4, 0.3, 0.3)))
	f("ball", body(t)(rice().Ball(0.1)))
}

// A freezer of -18 °C and food from a room of 21 °C: common sense for the
// direction, the series for the figures. A 2 L bottle is below -15 °C in half
// a day, a 20 L pail takes nearly two days: the thermal lag that a freezing
// hold must add.
func TestTimeInAFreezer(t *testing.T) {
	f := func(b Body, low, high float64) {
		t.Helper()
		h, err := b.TimeTo(21, -18, -15)
		if err != nil {
			t.Fatal(err)
		}
		if !(float64(h) > low && float64(h) < high) {
			t.Errorf("%g h, want %g to %g h", float64(h), low, high)
		}
		near(t, "core then", -18+39*b.Left(h), -15, 1e-9)
	}
	f(body(t)(rice().Can(0.054, 0.25)), 6, 9)
	f(body(t)(rice().Can(0.145, 0.33)), 28, 36)
}

// "Packed cartons behave like one block, scale with L²" (models section 10):
// exactly so when the surface is held at the temperature of the air.
func TestBlocksScaleWithTheSquareOfTheirSize(t *testing.T) {
	cold := rice()
	cold.Film = 1e9
	small, err := cold.BlockLag(0.2, 0.3, 0.4)
	if err != nil {
		t.Fatal(err)
	}
	large, err := cold.BlockLag(0.4, 0.6, 0.8)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "ratio", float64(large/small), 4, 1e-6)
}

// A carton of eight 2 L bottles, two by four, 0.216 m by 0.432 m by 0.30 m.
func TestCartonOfBottles(t *testing.T) {
	bottle := body(t)(rice().Can(0.054, 0.30)).Lag()
	lag := func(gap float64) unit.Hours {
		crate, err := rice().Crate(0.75, gap)
		if err != nil {
			t.Fatal(err)
		}
		boxed, err := crate.Wrapped(0.004, 0.06)
		if err != nil {
			t.Fatal(err)
		}
		return body(t)(boxed.Block(0.216, 0.432, 0.30)).Lag()
	}
	still, shining := lag(StillAir), lag(StillAir+0.1)
	if !(still > shining && shining > 3*bottle) {
		t.Errorf("carton %g h in still air, %g h with radiation, a bottle alone %g h", float64(still), float64(shining), float64(bottle))
	}
	solid, err := rice().Crate(0.75, rice().Conductivity)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "gaps that conduct as the food does", solid.Conductivity, rice().Conductivity, 1e-15)
	near(t, "density", solid.Density, 0.75*830, 1e-9)
	bare, err := rice().Wrapped(0, 0.06)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "no layer", bare.Film, rice().Film, 1e-12)
	board, err := rice().Wrapped(0.004, 0.06)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "board", board.Film, 1/(1.0/8+0.004/0.06), 1e-12)
}

func TestBodyProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size := rapid.Float64Range(0.01, 0.5)
		s := rice()
		s.Film = rapid.Float64Range(1, 50).Draw(t, "film")
		l, w, h := size.Draw(t, "length"), size.Draw(t, "width"), size.Draw(t, "height")
		b, err := s.Block(l, w, h)
		if err != nil {
			t.Fatal(err)
		}
		bigger, err := s.Block(l*1.1, w, h)
		if err != nil {
			t.Fatal(err)
		}
		if bigger.Lag() <= b.Lag() {
			t.Fatalf("the bigger block is quicker: %g h, not above %g h", float64(bigger.Lag()), float64(b.Lag()))
		}
		start, air := unit.Celsius(rapid.Float64Range(-30, 40).Draw(t, "start")), unit.Celsius(rapid.Float64Range(-30, 40).Draw(t, "air"))
		if math.Abs(float64(start-air)) < 0.1 {
			t.Skip("no step")
		}
		part := unit.Celsius(rapid.Float64Range(0.01, 0.95).Draw(t, "part"))
		near, err := b.TimeTo(start, air, start+(air-start)*part)
		if err != nil {
			t.Fatal(err)
		}
		far, err := b.TimeTo(start, air, start+(air-start)*(part+0.04))
		if err != nil || far <= near {
			t.Fatalf("the farther target is reached sooner: %g h against %g h (%v)", float64(far), float64(near), err)
		}
		if got := 1 - b.Left(near); math.Abs(got-float64(part)) > 1e-9 {
			t.Fatalf("after %g h %g is done, not %g", float64(near), got, float64(part))
		}
	})
}

func TestBodyRefusals(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	f := func(what string, err error) {
		t.Helper()
		if err == nil {
			t.Errorf("%s was accepted", what)
		} else if !strings.Contains(err.Error(), "cannot ") {
			t.Errorf("%s: %q does not say what it cannot do", what, err)
		}
	}
	for _, x := range []float64{0, -1, nan, inf, 11} {
		_, err := rice().Slab(x)
		f("slab", err)
		_, err = rice().Ball(x)
		f("ball", err)
		_, err = rice().BlockLag(2*x, 1, 1)
		f("block", err)
	}
	spoilt := rice()
	spoilt.Density = nan
	_, err := spoilt.Slab(0.03)
	f("spoilt stuff", err)
	_, err = spoilt.Crate(0.7, StillAir)
	f("crate of spoilt stuff", err)
	_, err = spoilt.Wrapped(0.01, 0.06)
	f("spoilt stuff wrapped", err)
	huge := rice()
	huge.Film = 1e308
	huge.Conductivity = 1e-10
	_, err = huge.Slab(0.03)
	f("endless Biot number", err)
	for _, x := range []float64{0, -0.1, 0.79, nan} {
		_, err = rice().Crate(x, StillAir)
		f("share", err)
	}
	for _, x := range []float64{0, -0.1, nan, inf} {
		_, err = rice().Crate(0.7, x)
		f("gap", err)
		_, err = rice().Wrapped(0.01, x)
		f("layer", err)
	}
	for _, x := range []float64{-0.1, nan, inf} {
		_, err = rice().Wrapped(x, 0.06)
		f("thickness", err)
	}
	b := body(t)(rice().Slab(0.03))
	for _, c := range [][3]unit.Celsius{
		{21, -18, -18}, {21, -18, -20}, {21, -18, 22}, {5, 5, 6}, {5, 5, 4.9},
		{unit.Celsius(nan), -18, 0}, {21, unit.Celsius(nan), 0}, {21, -18, unit.Celsius(nan)},
		{-300, 20, 0}, {21, unit.Celsius(-inf), 0}, {21, 400, 100},
	} {
		_, err = b.TimeTo(c[0], c[1], c[2])
		f("target", err)
	}
	_, err = Body{}.TimeTo(21, -18, 0)
	f("body without size", err)
	if h, err := b.TimeTo(21, -18, 21); err != nil || h != 0 {
		t.Errorf("the start is reached after %g h (%v)", float64(h), err)
	}
	if l := b.Left(-1); l != 1 {
		t.Errorf("before the start %g is left", l)
	}
}

func BenchmarkNewCan(b *testing.B) {
	for b.Loop() {
		if _, err := rice().Can(0.054, 0.25); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkBodyLeft(b *testing.B) {
	can, err := rice().Can(0.054, 0.25)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		can.Left(3)
	}
}
