package engine

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/climate"
	"dryhold/internal/mould"
	"dryhold/internal/reference"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// air is a temperature (°C) and relative humidity at an hour of the tests.
type air func(hour float64) (t, rh float64)

func steadily(t, rh float64) air { return func(float64) (float64, float64) { return t, rh } }

// halfHourly makes readings of the cellar from one hour to another.
func halfHourly(from, to float64, a air) []room.Reading {
	var out []room.Reading
	for h := from; h <= to; h += 0.5 {
		t, rh := a(h)
		out = append(out, temperature("cellar", "a", at(h), t), humidity("cellar", "a", at(h), rh))
	}
	return out
}

// live brings readings as they were made, an hour's worth at a time, and looks
// at the state after each.
func live(t testing.TB, e *Engine, readings []room.Reading) {
	t.Helper()
	for batch := range slices.Chunk(readings, 4) {
		now := batch[len(batch)-1].At
		if fx := e.Observe(now, batch); len(fx.Refold) > 0 {
			t.Fatalf("asks for a refold: %+v", fx.Refold)
		}
		e.Tick(now)
		e.Snapshot(now)
	}
}

func surface(t testing.TB, e *Engine, name string, now time.Time) MouldView {
	t.Helper()
	for _, r := range e.Snapshot(now).Rooms {
		for _, m := range r.Mould {
			if r.Name == "cellar" && m.Surface == name {
				return m
			}
		}
	}
	t.Fatalf("the cellar has no %s", name)
	return MouldView{}
}

// TestMouldPublished: rooms held at the air of the published table reach its
// index, through readings, ledger and all. The tolerance is half of the last
// printed digit and 1e-5 more: slots hold the vapour pressure to 6e-8 of
// itself, which the 14th power of the humidity in the time to germination and
// the steep end of the growth (2.3 a grade) may bring to some 1e-6 of an index
// up to 6.
func TestMouldPublished(t *testing.T) {
	columns := map[string]string{"pine": "wood shelves", "sensitive": "cardboard", "medium-resistant": "plaster and concrete walls"}
	checked := 0
	for _, r := range reference.Published(t, "mould-index.csv") {
		e, fed := engineOf(t, quiet()), 0.0
		a := steadily(r.Num(t, "celsius"), r.Num(t, "rh_percent")/100)
		for _, days := range []float64{7, 28, 56, 84} {
			live(t, e, halfHourly(fed, 24*days, a)) // what was heard at the seam changes nothing
			fed = 24 * days
			for class, name := range columns {
				column := fmt.Sprintf("%s_%g", class, days)
				printed, ok := r[column]
				if !ok {
					continue
				}
				_, decimals, _ := strings.Cut(printed, ".")
				m := surface(t, e, name, at(fed))
				near(t, r["celsius"]+" °C "+r["rh_percent"]+" % "+column, m.Index, r.Num(t, column), 0.5001*math.Pow10(-len(decimals))+1e-5)
				if m.UnknownHours != 0 || m.Peak != m.Index {
					t.Errorf("%s: %+v", column, m)
				}
				checked++
			}
		}
	}
	if checked != 3*(4+2+2) {
		t.Errorf("%d values checked, want 24", checked)
	}
}

// cellarYear swings between damp and dry weeks, warm and cold.
func cellarYear(h float64) (t, rh float64) {
	return 14 + 9*math.Sin(h/500) + 3*math.Sin(h/24*2*math.Pi), 0.8 + 0.15*math.Sin(h/170) + 0.03*math.Sin(h/5)
}

// byHand follows one surface through half-hourly readings with a plain loop
// over the hours: the mean of an hour is that of the straight lines between
// its three readings; an hour without all three is not known.
func byHand(t testing.TB, s mould.Surface, hours int, a air, silent func(h float64) bool) mould.Index {
	t.Helper()
	var m mould.Index
	for h := range hours {
		var temp, vapour float64
		heard := 0
		for i, weight := range []float64{0.25, 0.5, 0.25} {
			when := float64(h) + float64(i)/2
			v, rh := a(when)
			v, rh = unit.Temperature.Round(v), unit.Humidity.Round(rh)
			temp += weight * v
			vapour += weight * float64(climate.VapourPressure(unit.Celsius(v), unit.RH(rh)))
			if !silent(when) {
				heard++
			}
		}
		if heard < 3 {
			m = m.Miss()
			continue
		}
		var err error
		rh := min(1, climate.RelativeHumidity(unit.Celsius(temp), unit.Pascal(vapour)))
		if m, err = s.Step(m, unit.Celsius(temp), rh); err != nil {
			t.Fatal(err)
		}
	}
	return m
}

// TestMouldByHand: a year of a damp cellar with its sensor silent now and
// then, against the plain loop. The tolerance allows for the single precision
// of the slots, as in TestMouldPublished, over a year of hours that grow and
// decline.
func TestMouldByHand(t *testing.T) {
	const hours = 8766
	silent := func(h float64) bool {
		day := math.Floor(h / 24)
		return math.Mod(day, 17) == 5 && math.Mod(h, 24) > 6 && math.Mod(h, 24) < 20
	}
	var heard []room.Reading
	for _, r := range halfHourly(0, hours, cellarYear) {
		if !silent(r.At.Sub(at(0)).Hours()) {
			heard = append(heard, r)
		}
	}
	e := engineOf(t, quiet())
	live(t, e, heard)
	f := func(name string, class mould.Class, recovery float64) {
		t.Helper()
		want, got := byHand(t, mould.Surface{Class: class, Recovery: recovery}, hours, cellarYear, silent), surface(t, e, name, at(hours))
		near(t, name+": index", got.Index, want.Value, 2e-5)
		near(t, name+": peak", got.Peak, want.Peak, 2e-5)
		near(t, name+": unknown hours", got.UnknownHours, want.Unknown, 0)
		if want.Unknown != 14*22 || !(want.Peak > 0.05 && want.Value < want.Peak) {
			t.Errorf("%s: the year does not try the model: %+v", name, want)
		}
	}
	f("wood shelves", mould.Pine, 1)
	f("cardboard", mould.Sensitive, 0.5)
	f("plaster and concrete walls", mould.MediumResistant, 0.25)
}

// TestMouldHoldsThroughGaps: hours of which the humidity is not known are
// counted and change nothing, whether the temperature is measured, estimated
// or unknown too.
func TestMouldHoldsThroughGaps(t *testing.T) {
	damp := steadily(20, 0.95)
	f := func(what string, kept func(r room.Reading) bool) {
		t.Helper()
		e := engineOf(t, quiet())
		live(t, e, halfHourly(0, 240, damp))
		before := surface(t, e, "cardboard", at(240))
		var later []room.Reading
		for _, r := range halfHourly(240.5, 299.5, damp) {
			if kept(r) {
				later = append(later, r)
			}
		}
		live(t, e, later)
		e.Tick(at(299.5))
		gap := surface(t, e, "cardboard", at(299.5))
		want := before
		want.UnknownHours = 59
		if d := cmp.Diff(want, gap, sameBits); d != "" || before.Index <= 0 || before.UnknownHours != 0 {
			t.Errorf("%s: after the gap (-want +got):\n%s", what, d)
		}
		// Heard again from 300 h on, it goes on as if the 60 h had not been.
		live(t, e, halfHourly(300, 360, damp))
		after := surface(t, e, "cardboard", at(360))
		want = surface(t, mustHear(t, halfHourly(0, 300, damp)), "cardboard", at(300))
		want.UnknownHours = 60
		if d := cmp.Diff(want, after, sameBits); d != "" || after.Index <= before.Index {
			t.Errorf("%s: heard again (-want +got):\n%s", what, d)
		}
	}
	f("temperature alone", func(r room.Reading) bool { return r.Quantity == unit.Temperature })
	f("humidity alone", func(r room.Reading) bool { return r.Quantity == unit.Humidity })
	f("nothing", func(room.Reading) bool { return false })
}

func mustHear(t testing.TB, readings []room.Reading) *Engine {
	t.Helper()
	e := engineOf(t, quiet())
	live(t, e, readings)
	return e
}

// TestMouldNeedsHalfTheHour: known by less than half an hour does not stand
// for it.
func TestMouldNeedsHalfTheHour(t *testing.T) {
	f := func(minutes, unknown float64) {
		t.Helper()
		readings := halfHourly(1, 6, steadily(20, 0.95))
		first := at(1).Add(-time.Duration(minutes * float64(time.Minute)))
		readings = append([]room.Reading{temperature("cellar", "a", first, 20), humidity("cellar", "a", first, 0.95)}, readings...)
		if got := surface(t, mustHear(t, readings), "wood shelves", at(6)).UnknownHours; got != unknown {
			t.Errorf("heard for %g minutes of the first hour: %g unknown hours, want %g", minutes, got, unknown)
		}
	}
	f(60, 0)
	f(30, 0)
	f(29, 1)
	f(1, 1)
}

// TestMouldInSaturatedAir: vapour mixed over an hour of saturated air that
// warms is more than saturation at its mean temperature; the hour counts.
func TestMouldInSaturatedAir(t *testing.T) {
	e := mustHear(t, halfHourly(0, 48, func(h float64) (float64, float64) { return 15 + 10*math.Sin(h), 1 }))
	if m := surface(t, e, "wood shelves", at(48)); m.UnknownHours != 0 || m.Index <= 0 {
		t.Errorf("%+v", m)
	}
}

// TestMouldOfAFastClock: hours that are not over are not counted, though a
// sensor whose clock is ahead has told of them.
func TestMouldOfAFastClock(t *testing.T) {
	e := mustHear(t, halfHourly(0, 48, steadily(20, 0.95)))
	want := surface(t, e, "wood shelves", at(48))
	e.Observe(at(48.9), halfHourly(48.5, 51, steadily(20, 0.95)))
	if got := surface(t, e, "wood shelves", at(48.9)); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
}

// TestMouldWaitsForHumidity: a humidity that is merely due does not make the
// hour unknown; once the sensor is silent it does.
func TestMouldWaitsForHumidity(t *testing.T) {
	e := mustHear(t, halfHourly(0, 48, steadily(20, 0.95)))
	f := func(h, unknown float64) {
		t.Helper()
		e.Observe(at(h), []room.Reading{temperature("cellar", "b", at(h), 20)})
		if got := surface(t, e, "wood shelves", at(h)).UnknownHours; got != unknown {
			t.Errorf("at %g h: %g unknown hours, want %g", h, got, unknown)
		}
	}
	f(48.5, 0)
	f(49.25, 0) // the sensor may yet speak
	f(49.75, 1) // its stale limit of 90 minutes is over
	f(50.5, 2)
}

func TestDryRoomStaysClean(t *testing.T) {
	e := mustHear(t, halfHourly(0, 24*60, func(h float64) (float64, float64) { return 21 + 3*math.Sin(h), 0.5 + 0.2*math.Sin(h/7) }))
	r := roomNamed(t, e.Snapshot(at(24*60)), "cellar")
	want := []MouldView{
		{Surface: "wood shelves", Words: "no growth"},
		{Surface: "cardboard", Words: "no growth"},
		{Surface: "plaster and concrete walls", Words: "no growth"},
	}
	if d := cmp.Diff(want, r.Mould); d != "" || r.GrowthNow != "" {
		t.Errorf("now %q, surfaces (-want +got):\n%s", r.GrowthNow, d)
	}
}

// TestMouldUnknown: a room whose humidity was never known has no index, which
// is not an index of 0.
func TestMouldUnknown(t *testing.T) {
	f := func(what string, readings []room.Reading) {
		t.Helper()
		e := engineOf(t, quiet())
		live(t, e, readings)
		e.Tick(at(100))
		r := roomNamed(t, e.Snapshot(at(100)), "cellar")
		if len(r.Mould) != 0 || r.GrowthNow != "" {
			t.Errorf("%s: %+v, now %q", what, r.Mould, r.GrowthNow)
		}
		data, err := json.Marshal(r)
		if err != nil || strings.Contains(string(data), `"index"`) {
			t.Errorf("%s: %s (%v)", what, data, err)
		}
	}
	all := halfHourly(0, 72, steadily(20, 0.95))
	only := func(q unit.Quantity) []room.Reading {
		return slices.DeleteFunc(slices.Clone(all), func(r room.Reading) bool { return r.Quantity != q })
	}
	f("no humidity sensor", only(unit.Temperature))
	f("no temperature sensor", only(unit.Humidity))
	f("one reading", all[:2])
}

func TestMouldWords(t *testing.T) {
	f := func(value, peak float64, want string) {
		t.Helper()
		if got := mouldWords(mould.Index{Value: value, Peak: peak}); got != want {
			t.Errorf("index %g, peak %g: %q, want %q", value, peak, got, want)
		}
	}
	f(0, 0, "no growth")
	f(0.99, 0.99, "no growth")
	f(1, 1, "first growth, seen under a microscope")
	f(2.99, 2.99, "first growth, seen under a microscope")
	f(3, 3, "growth seen by eye")
	f(5.49, 5.49, "growth seen by eye")
	f(5.99, 5.99, "surface covered")
	f(0.2, 3.5, "no growth; at its worst growth seen by eye")
	f(2.5, 2.9, "first growth, seen under a microscope")
	for _, want := range []string{"colder than the air", "water activity"} {
		if !strings.Contains(MouldCaveat, want) {
			t.Errorf("the caveat does not say %q", want)
		}
	}
}

// TestGrowthNow: the isopleths of Zeng et al. 2023 (models 7.2): at 20 °C
// growth begins at 75.62 %, 0.1 mm a day at 77.09 %; at 30 °C 4 mm a day at
// 89.64 %.
func TestGrowthNow(t *testing.T) {
	f := func(celsius, percent float64, want string) {
		t.Helper()
		if got := growthNow(Value{Known: true, Value: celsius}, Value{Known: true, Value: percent / 100}); got != want {
			t.Errorf("%g °C %g %%: %q, want %q", celsius, percent, got, want)
		}
	}
	f(20, 75.6, "")
	f(20, 75.7, "under 0.1 mm a day on a dirty surface")
	f(20, 77.0, "under 0.1 mm a day on a dirty surface")
	f(20, 77.2, "0.1 to 0.5 mm a day on a dirty surface")
	f(30, 89.6, "3 to 4 mm a day on a dirty surface")
	f(30, 89.7, "4 or more mm a day on a dirty surface")
	f(-5, 99, "")
	f(46, 99, "")
	for _, known := range []bool{false, true} {
		if got := growthNow(Value{Known: known, Value: 25}, Value{Known: !known, Value: 0.95}); got != "" {
			t.Errorf("of a value not known any more: %q", got)
		}
	}
	e := mustHear(t, halfHourly(0, 1, steadily(25, 0.95)))
	if got := roomNamed(t, e.Snapshot(at(1)), "cellar").GrowthNow; got != "4 or more mm a day on a dirty surface" {
		t.Errorf("the cellar: %q", got)
	}
}
