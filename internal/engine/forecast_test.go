package engine

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/forecast"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// years of hours, in the tests.
const yearly = 365.25 * 24

// seasonal is a year's wave with its peak in late July and a daily one, some
// hours after at(0), 1 July.
func seasonal(mean, amplitude, swing float64) func(h float64) float64 {
	return func(h float64) float64 {
		return mean + float64(amplitude*math.Cos(2*math.Pi*(h-25*24)/yearly)) + float64(swing*math.Sin(2*math.Pi*h/24))
	}
}

// every two hours of some rooms up to an instant.
func histories(from, to float64, temps map[string]func(h float64) float64) []room.Reading {
	var out []room.Reading
	for h := from; h <= to; h += 2 {
		for _, name := range []string{"cellar", "loft", "yard"} {
			if t := temps[name]; t != nil {
				out = append(out, temperature(name, "a", at(h), t(h)), humidity(name, "a", at(h), 0.5))
			}
		}
	}
	return out
}

// watched is an engine with the default number of futures that was fed readings
// up to an instant.
func watched(t *testing.T, readings []room.Reading, now float64, change func(*Config), lots ...lot.Change) *Engine {
	t.Helper()
	c := quiet(lots...)
	c.Stale = func(string) time.Duration { return 3 * time.Hour }
	c.Forecasting = Forecasting{}
	if change != nil {
		change(&c)
	}
	e := engineOf(t, c)
	for _, name := range roomsOf(readings) {
		refold(e, Refold{Room: name}, readings, at(now))
	}
	return e
}

func viewOf(t *testing.T, e *Engine, now float64, id string) LotView {
	t.Helper()
	return lotNamed(t, e.Snapshot(at(now)), id)
}

// width of the band of the projected end relative to what lies ahead.
func width(l LotView) float64 {
	return l.EndLate.Sub(l.EndEarly).Hours() / l.End.Sub(l.AsOf).Hours()
}

// ahead is how long until an end, years.
func yearsTo(l LotView, end time.Time) float64 { return end.Sub(l.AsOf).Hours() / yearly }

// TestProjectedEndAtPlan: in a room that has been at plan storage for years the
// projected end is that at plan.
func TestProjectedEndAtPlan(t *testing.T) {
	const now = 3 * yearly
	still := func(float64) float64 { return 18 }
	e := watched(t, histories(0, now, map[string]func(float64) float64{"loft": still}), now, nil,
		add("L-1", "hard-wheat", "pet-2l", "loft", at(now-100*24)))
	l := viewOf(t, e, now, "L-1")
	if d := l.End.Sub(l.EndAtPlan).Hours() / l.EndAtPlan.Sub(l.AsOf).Hours(); math.Abs(d) > 0.03 {
		t.Errorf("ends in %.2f years, at plan in %.2f", yearsTo(l, l.End), yearsTo(l, l.EndAtPlan))
	}
	if l.EndEarly.After(l.EndAtPlan) || l.EndLate.Before(l.EndAtPlan) || l.EndBy != l.PlanBy {
		t.Errorf("the end at plan, %v by %s, is not in %v to %v by %s", l.EndAtPlan, l.PlanBy, l.EndEarly, l.EndLate, l.EndBy)
	}
}

// TestProjectedEndOfAHotLoft: it is earlier than at plan, and in a cool cellar
// later.
func TestProjectedEndOfAHotLoft(t *testing.T) {
	const now = 2 * yearly
	readings := histories(0, now, map[string]func(float64) float64{"loft": seasonal(22, 9, 4), "cellar": seasonal(12, 3, 0.2)})
	e := watched(t, readings, now, nil,
		add("L-1", "hard-wheat", "pet-2l", "loft", at(now-30*24)), add("L-2", "hard-wheat", "pet-2l", "cellar", at(now-30*24)))
	loft, cellar := viewOf(t, e, now, "L-1"), viewOf(t, e, now, "L-2")
	if a, b := yearsTo(loft, loft.EndLate), yearsTo(loft, loft.EndAtPlan); a > 0.7*b {
		t.Errorf("in the hot loft it ends in %.1f years at the latest, at plan in %.1f", a, b)
	}
	if a, b := yearsTo(cellar, cellar.EndEarly), yearsTo(cellar, cellar.EndAtPlan); a < b {
		t.Errorf("in the cool cellar it ends in %.1f years at the earliest, at plan in %.1f", a, b)
	}
	x, err := e.Explain("L-1", at(now))
	if err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprint(x.Sections)
	for _, want := range []string{"Projected end, if it stays in loft: about " + date(loft.End), "Climate taken for the coming year in loft: mean kinetic temperature", "2 years of readings of loft, no sensor outdoors"} {
		if !strings.Contains(text, want) {
			t.Errorf("the explanation lacks %q:\n%s", want, text)
		}
	}
}

// TestBandNarrowsWithHistory: three years tell more than three weeks, and those
// more than nothing, where the lot ends about as at plan with a wide band.
func TestBandNarrowsWithHistory(t *testing.T) {
	const now = 3 * yearly
	f := func(hours float64) LotView {
		t.Helper()
		readings := histories(now-hours, now, map[string]func(float64) float64{"loft": seasonal(20, 6, 2)})
		if hours == 0 {
			readings = nil
		}
		return viewOf(t, watched(t, readings, now, nil, add("L-1", "hard-wheat", "pet-2l", "loft", at(now-10*24))), now, "L-1")
	}
	none, weeks, years := f(0), f(21*24), f(3*yearly)
	t.Logf("width of the band: %.3f of no history, %.3f of three weeks, %.3f of three years", width(none), width(weeks), width(years))
	if !(width(years) < 0.8*width(weeks)) || !(width(weeks) < width(none)) {
		t.Error("the band does not narrow with the history")
	}
	if none.EndAtPlan.Before(none.EndEarly) || none.EndAtPlan.After(none.EndLate) || none.EndEarly.IsZero() {
		t.Errorf("nothing known: ends %v to %v, at plan %v", none.EndEarly, none.EndLate, none.EndAtPlan)
	}
}

// TestNormalsAndOutdoorsHelp: what a keeper states stands in for the seasons
// not seen, and so does the air outdoors; the yard has no plan storage.
func TestNormalsAndOutdoorsHelp(t *testing.T) {
	const now = 2 * yearly
	loft, yard := seasonal(22, 8, 3), seasonal(10, 10, 5)
	short := histories(now-21*24, now, map[string]func(float64) float64{"loft": loft})
	air := append(histories(0, now, map[string]func(float64) float64{"yard": yard}), short...)
	one := add("L-1", "hard-wheat", "pet-2l", "loft", at(now-10*24))
	var stated forecast.Normals
	for i := range stated.Temp { // month i of the year, from July on
		stated.Temp[(i+6)%12] = unit.Celsius(seasonal(22, 8, 0)((float64(i) + 0.5) * yearly / 12))
	}
	alone := viewOf(t, watched(t, short, now, nil, one), now, "L-1")
	known := viewOf(t, watched(t, short, now, func(c *Config) {
		c.Forecasting.Normals = func(name string) *forecast.Normals {
			if name == "loft" {
				return &stated
			}
			return nil
		}
	}, one), now, "L-1")
	outdoors := func(c *Config) { c.Forecasting.Outdoors = "yard" }
	e := watched(t, air, now, outdoors, one)
	watchedAir := viewOf(t, e, now, "L-1")
	t.Logf("width of the band: alone %.3f, with normals %.3f, with the air outdoors %.3f", width(alone), width(known), width(watchedAir))
	if !(width(known) < width(alone)) || cmp.Equal(alone.End, watchedAir.End) {
		t.Error("neither makes a difference")
	}
	x, err := e.Explain("L-1", at(now))
	if err != nil || !strings.Contains(fmt.Sprint(x.Sections), "2 years of the air outdoors") {
		t.Errorf("the explanation does not tell of the air outdoors: %v\n%s", err, fmt.Sprint(x.Sections))
	}
}

// TestLiveForecastEqualsRebuilt: looked at day by day, with the air outdoors
// changing late, the ends are to the last bit those of an engine fed at once.
func TestLiveForecastEqualsRebuilt(t *testing.T) {
	const now = 40 * 24
	wave := map[string]func(float64) float64{"loft": seasonal(22, 8, 3), "yard": seasonal(10, 10, 5)}
	all := histories(0, now, wave)
	c := quiet(add("L-1", "hard-wheat", "pet-2l", "loft", at(0)), add("L-2", "brown-rice", "pet-2l", "loft", at(now-3)))
	c.Stale = func(string) time.Duration { return 3 * time.Hour }
	c.Forecasting = Forecasting{Outdoors: "yard", Futures: 5}
	live := engineOf(t, c)
	var late []room.Reading
	var batch []room.Reading
	for _, r := range all {
		if h := r.At.Sub(at(0)).Hours(); r.Room == "yard" && h > 20*24 && h < 20*24+12 {
			late = append(late, r)
			continue
		}
		if n := len(batch); n > 0 && !r.At.Equal(batch[n-1].At) && r.At.Hour()%8 == 0 {
			if fx := live.Observe(batch[n-1].At, batch); len(fx.Refold) > 0 {
				t.Fatal("in order, and yet a refold")
			}
			live.Snapshot(batch[n-1].At)
			batch = nil
		}
		batch = append(batch, r)
	}
	live.Observe(at(now), batch)
	before := lotNamed(t, live.Snapshot(at(now)), "L-1")
	for _, f := range live.Observe(at(now), late).Refold {
		refold(live, f, all, at(now))
	}
	fresh := engineOf(t, c)
	for _, name := range roomsOf(all) {
		refold(fresh, Refold{Room: name}, all, at(now))
	}
	after := live.Snapshot(at(now))
	if d := cmp.Diff(fresh.Snapshot(at(now)).Lots, after.Lots, sameBits); d != "" {
		t.Errorf("live differs from rebuilt (-rebuilt +live):\n%.2000s", d)
	}
	if got := lotNamed(t, after, "L-1"); got.End.Equal(before.End) && got.EndEarly.Equal(before.EndEarly) {
		t.Error("what came late of the air outdoors was not heard of")
	}
}
