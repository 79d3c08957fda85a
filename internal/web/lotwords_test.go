package web

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/barrier"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/mould"
	"dryhold/internal/unit"
)

func TestEnding(t *testing.T) {
	at := time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)
	year := func(y int) time.Time { return time.Date(y, 3, 9, 0, 0, 0, 0, time.UTC) }
	f := func(early, end, late time.Time, likely, band string) {
		t.Helper()
		l, b := Ending(engine.LotView{AsOf: at, EndEarly: early, End: end, EndLate: late}, time.UTC, "Jan 2006")
		if l != likely || b != band {
			t.Errorf("reads %q and %q, want %q and %q", l, b, likely, band)
		}
	}
	f(year(2028), year(2031), year(2037), "2031", "2028 to 2037")
	f(year(2027), year(2028), year(2029), "Mar 2028", "Mar 2027 to Mar 2029")
	f(at, year(2027), year(2037), "2027", "now to 2037")
	f(at, at, at, "now", "")
	f(year(2090), time.Time{}, time.Time{}, "beyond 2126", "2090 to beyond 2126")
	f(time.Time{}, time.Time{}, time.Time{}, "beyond 2126", "")
	if l, b := Ending(engine.LotView{End: year(2031)}, time.UTC, "Jan 2006"); l != "not known" || b != "" {
		t.Errorf("a lot that was never worked out ends %q, %q", l, b)
	}
	zone := time.FixedZone("east", 3*3600)
	newYear := time.Date(2030, 12, 31, 22, 0, 0, 0, time.UTC)
	if l, _ := Ending(engine.LotView{AsOf: at, EndEarly: newYear, End: newYear, EndLate: year(2040)}, zone, "Jan 2006"); l != "2031" {
		t.Errorf("the year is that of the zone: %q", l)
	}
}

func TestWaterIsGoodOnlyWhereAllIsKnown(t *testing.T) {
	f := func(change func(*engine.LotView), want Words) {
		t.Helper()
		l := dryRice()
		change(&l)
		if d := cmp.Diff(want, Water(l)); d != "" {
			t.Errorf("(-want +got):\n%s", d)
		}
	}
	f(func(*engine.LotView) {}, Words{"below amber 0.60", Good})
	f(func(l *engine.LotView) { l.Moisture.Activity.High = 0.61 }, Words{"may be past amber 0.60", Doubtful})
	f(func(l *engine.LotView) { l.Moisture.Activity.High = 0.65 }, Words{"may be past red 0.65", Doubtful})
	f(func(l *engine.LotView) { l.Moisture.Amber.Past = true }, Words{"past amber 0.60, red is 0.65", Near})
	f(func(l *engine.LotView) { l.Moisture.Amber.Past, l.Moisture.Red.Past = true, true }, Words{"past red 0.65", Bad})
	f(func(l *engine.LotView) { l.Moisture.Amber.Level = 0.753 }, Words{"below amber 0.753", Good})
	f(func(l *engine.LotView) { l.Moisture = engine.MoistureView{} }, Words{"not known", Doubtful})
	f(func(l *engine.LotView) { l.Moisture.Activity.High = math.NaN() }, Words{"not known", Doubtful})
	f(func(l *engine.LotView) { l.Present.HumidityKnown = false },
		Words{"below amber 0.60 if the room is dry: its humidity is not known", Doubtful})
}

func TestOxygenAndAbsorber(t *testing.T) {
	share := func(low, likely, high float64, want, band string) {
		t.Helper()
		if l, b := Oxygen(between(low, likely, high)); l != want || b != band {
			t.Errorf("reads %q and %q, want %q and %q", l, b, want, band)
		}
	}
	share(2e-5, 0.012, 0.209, "1.2 %", "under 0.1 to 21 %")
	share(2e-5, 3e-5, 0.209, "under 0.1 %", "up to 21 %")
	share(0.209, 0.209, 0.209, "21 %", "")
	share(0, 0, 0.0009, "under 0.1 %", "")
	share(math.NaN(), math.NaN(), 0.2, "not known", "")

	f := func(change func(*engine.LotView), want Words, absorber string) {
		t.Helper()
		l := dryRice()
		l.Packing.Treatment.Kind = lot.Absorber
		change(&l)
		if d := cmp.Diff(want, Atmosphere(l)); d != "" {
			t.Errorf("(-want +got):\n%s", d)
		}
		if got := Absorber(l, time.UTC); got != absorber {
			t.Errorf("absorber %q, want %q", got, absorber)
		}
	}
	const left = "absorber: 58 cm3 left in each, spent in June 2027"
	f(func(*engine.LotView) {}, Words{"low oxygen, if the seal holds", Doubtful}, left)
	f(func(l *engine.LotView) { l.Oxygen.Fraction.High = 0.02 }, Words{"low oxygen", Good}, left)
	f(func(l *engine.LotView) { l.Oxygen.Spent.At = time.Time{} }, Words{"low oxygen, if the seal holds", Doubtful}, "absorber: 58 cm3 left in each, its end not in sight")
	f(func(l *engine.LotView) {
		l.Oxygen.Words, l.Packing.PackedAt = "air", l.AsOf.Add(-time.Hour)
	}, Words{"air, the absorber is at work", Doubtful}, "absorber: 58 cm3 left in each, spent in June 2027")
	f(func(l *engine.LotView) { l.Oxygen.Words, l.Oxygen.Spent.Past = "18 % oxygen", true }, Words{"18 % oxygen in spite of an absorber", Near}, "absorber spent")
	f(func(l *engine.LotView) { l.Oxygen.Words, l.Packing.Treatment.Kind = "air", lot.NoTreatment }, Words{"air", As}, "")
	f(func(l *engine.LotView) { l.Oxygen = engine.OxygenView{Left: math.NaN()} }, Words{"not known", Doubtful}, "absorber: not known")
}

func TestPassed(t *testing.T) {
	month := func(y int) time.Time { return time.Date(y, 3, 9, 0, 0, 0, 0, time.UTC) }
	f := func(p engine.Passing, want string) {
		t.Helper()
		if got := Passed(p, time.UTC); got != want {
			t.Errorf("%+v reads %q, want %q", p, got, want)
		}
	}
	f(engine.Passing{Level: 0.6, Past: true}, "passed")
	f(engine.Passing{Level: 0.6}, "not in sight")
	f(engine.Passing{At: month(2031), Early: month(2029), Late: month(2040)}, "Mar 2031; Mar 2029 to Mar 2040")
	f(engine.Passing{At: month(2031), Early: month(2029)}, "Mar 2031; from Mar 2029 on")
	f(engine.Passing{Early: month(2029)}, "not in sight; from Mar 2029 on") // likely never, not surely
	f(engine.Passing{At: month(2031)}, "Mar 2031")
}

func TestInsects(t *testing.T) {
	f := func(change func(*engine.LotView), want Words) {
		t.Helper()
		l := dryRice()
		change(&l)
		if d := cmp.Diff(want, Insects(l)); d != "" {
			t.Errorf("(-want +got):\n%s", d)
		}
	}
	const hold = "low-oxygen hold complete 17 days after packing, if the seal held"
	f(func(*engine.LotView) {}, Words{hold, Doubtful})
	f(func(l *engine.LotView) { _, _, l.Oxygen.SealFailure.High = barrier.Verified.FailureShare() }, Words{hold, Good})
	f(func(l *engine.LotView) {
		l.Insects.Hold, l.Insects.Frozen, l.Insects.Words = 0, true, "freezing complete"
	}, Words{"freezing complete", Good})
	f(func(l *engine.LotView) { l.Insects.Hold, l.Insects.Ended = 0.4, false }, Words{hold + "; 0.3 generations possible", Near})
	f(func(l *engine.LotView) {
		*l.Insects = engine.InsectView{Words: "no treatment", Generations: between(1, 1.4, 2)}
	}, Words{"no treatment; 1.4 generations possible", Bad})
	f(func(l *engine.LotView) { l.Insects = nil }, Words{"none lives on it", Good})
	f(func(l *engine.LotView) { *l = engine.LotView{} }, Words{"not known", Doubtful})
}

func TestMouldIsGoodOnlyWhereHumidityIsKnown(t *testing.T) {
	f := func(r engine.RoomView, want Surface, opinion string) {
		t.Helper()
		r.Temperature = is(20, noon())
		surfaces, o := Mould(r)
		if d := cmp.Diff(want, surfaces[0]); d != "" {
			t.Errorf("(-want +got):\n%s", d)
		}
		if o != opinion {
			t.Errorf("second opinion %q, want %q", o, opinion)
		}
	}
	const none, unknown = "no growth at the present temperature and humidity", "not known, temperature and humidity are wanted"
	dry := is(0.5, noon())
	f(engine.RoomView{Humidity: dry, Mould: surfaces(0, 0, 0, "no growth")}, Surface{"wood shelves", "0.0", Words{"no growth", Good}}, none)
	f(engine.RoomView{Humidity: dry, Mould: surfaces(0.2, 0.2, 20, "no growth")},
		Surface{"wood shelves", "0.2", Words{"no growth; 20 h not known were left out", Good}}, none)
	f(engine.RoomView{Humidity: dry, Mould: surfaces(0.2, 0.2, 80, "no growth")},
		Surface{"wood shelves", "0.2", Words{"no growth; 80 h not known were left out", Doubtful}}, none)
	f(engine.RoomView{Humidity: is(0.9, noon()), Mould: surfaces(3.4, 3.4, 0, "growth seen by eye"), GrowthNow: "1 to 2 mm a day on a dirty surface"},
		Surface{"wood shelves", "3.4", Words{"growth seen by eye", Bad}}, "1 to 2 mm a day on a dirty surface")
	f(engine.RoomView{Humidity: dry, Mould: surfaces(0.4, 3.4, 0, "no growth; at its worst growth seen by eye")},
		Surface{"wood shelves", "0.4", Words{"no growth; at its worst growth seen by eye", Near}}, none)
	f(engine.RoomView{Humidity: engine.Value{At: ago(time.Hour)}, Mould: surfaces(0, 0, 0, "no growth")},
		Surface{"wood shelves", "0.0", Words{"no growth when humidity was last known", Doubtful}}, unknown)
	f(engine.RoomView{}, Surface{"all surfaces", "not known", Words{"no humidity", Doubtful}}, unknown)
	f(engine.RoomView{Humidity: dry}, Surface{"all surfaces", "not known", Words{"no whole hour of humidity yet", Doubtful}}, none)
	if _, o := Mould(engine.RoomView{Temperature: is(-4, noon()), Humidity: dry}); o != "not known at this temperature" {
		t.Errorf("below the isopleths: %q", o)
	}
}

// The gap that can hide growth is the shortest one in which the model brings
// it forth: at saturation, on any surface, at any temperature.
func TestFirstGrowthIsThatOfTheModel(t *testing.T) {
	least := math.Inf(1)
	for _, class := range []mould.Class{mould.Pine, mould.VerySensitive, mould.Sensitive, mould.MediumResistant, mould.Resistant} {
		for temp := unit.Celsius(1); temp < 50; temp += 0.5 {
			s, m := mould.Surface{Class: class, Recovery: 1}, mould.Index{}
			for m.Value < 1 && m.Hours < 1000 {
				var err error
				if m, err = s.Step(m, temp, 1); err != nil {
					t.Fatal(err)
				}
			}
			least = min(least, m.Hours)
		}
	}
	if math.Abs(least-firstGrowth) > 2 {
		t.Errorf("mould begins after %g hours at the soonest, not %g", least, firstGrowth)
	}
}
