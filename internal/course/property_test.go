package course_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/barrier"
	"dryhold/internal/catalog"
	"dryhold/internal/course"
	"dryhold/internal/lot"
	"dryhold/internal/unit"
)

// air is that of a room by the day, the days coming round again.
type air struct {
	temps []float64 // °C
	rhs   []float64
	warm  unit.Celsius // on top of the temperatures
	slow  int          // so many days from one to the next, in a straight line; 0 for a new one every day
}

func (a air) house() *house {
	h := steady(0, 0)
	at := func(values []float64, at time.Time) float64 {
		n, each := len(values), max(1, a.slow)
		i := int(at.Sub(packed().Truncate(day))/day) % (n * each)
		if i < 0 { // the outlook asks for days before packing
			i += n * each
		}
		x, y, share := values[i/each], values[(i/each+1)%n], float64(i%each)/float64(each)
		return x + share*(y-x)
	}
	h.temp = func(_ string, t time.Time) unit.Celsius { return unit.Celsius(at(a.temps, t)) + a.warm }
	h.humid = func(t time.Time) unit.RH { return unit.RH(at(a.rhs, t)) }
	h.plan = 20
	return h
}

func anyAir(t *rapid.T, coldest, hottest, driest, dampest float64) air {
	return air{
		temps: rapid.SliceOfN(rapid.Float64Range(coldest, hottest), 1, 30).Draw(t, "°C"),
		rhs:   rapid.SliceOfN(rapid.Float64Range(driest, dampest), 1, 9).Draw(t, "RH"),
	}
}

// anyLot is a lot of any shipped food in any shipped container, with or
// without an absorber, a measured moisture, light, a known seal and a move.
func anyLot(t *rapid.T, c *catalog.Catalog) lot.Lot {
	food := rapid.SampledFrom(c.FoodIDs()).Draw(t, "food")
	box := rapid.SampledFrom(c.ContainerIDs()).Draw(t, "container")
	capacity := 0.0
	if f, err := c.Food(food); err == nil && f.NoAbsorber == "" {
		capacity = rapid.SampledFrom([]float64{0, 100, 300, 1000, 3000}).Draw(t, "absorber")
	}
	l := lotOf(t, c, food, box, capacity)
	l.Seal = rapid.SampledFrom(barrier.Seals()).Draw(t, "seal")
	l.Packing.Shading = rapid.SampledFrom([]lot.Shading{lot.OpenShelf, lot.Boxed}).Draw(t, "shading")
	return l
}

// age is long enough for the step of a day, and now and then for an absorber
// to end.
func age(t *rapid.T) time.Duration {
	return time.Duration(rapid.SampledFrom([]int{20, 61, 90, 150, 400, 1200}).Draw(t, "days"))*day + 7*time.Minute
}

// Warmer by 1 to 10 K at every instant, at the same humidity: no mode has come
// less far, and the lot does not end later.
func TestHotterNeverLengthensLife(t *testing.T) {
	c := shipped(t)
	rapid.Check(t, func(t *rapid.T) { hotter(t, c) })
}

// The energy of caking may be 0: no draw goes below that, or salt would cake
// faster in the cold.
func TestNoDrawFearsTheCold(t *testing.T) {
	c := shipped(t)
	l := lotOf(t, c, "salt", "glass-jar-1l", 0)
	at := func(celsius unit.Celsius) lot.Range {
		_, s := follow(t, course.New(c, steady(celsius, 0.5)), l, 20*day)
		return s.Modes[0].Consumed
	}
	for x := unit.Celsius(-5); x < 15; x++ {
		if cool, warm := at(x), at(x+4); warm.High < cool.High || warm.Low < cool.Low {
			t.Errorf("at %g °C %+v, 4 K warmer %+v", float64(x), cool, warm)
		}
	}
}

func hotter(t *rapid.T, c *catalog.Catalog) {
	a := anyAir(t, -5, 30, 0.2, 0.9)
	l := anyLot(t, c)
	long := age(t)
	b := a
	b.warm = unit.Celsius(rapid.Float64Range(1, 10).Draw(t, "K"))
	f, g := course.New(c, a.house()), course.New(c, b.house())
	k, cool := follow(t, f, l, long)
	j, warm := follow(t, g, l, long)
	for i := range cool.Modes {
		x, y := cool.Modes[i].Consumed, warm.Modes[i].Consumed
		const last = 1 - 1e-12 // the last digits, where warmth does nothing
		// Warmth makes an absorber quicker (49.8 kJ/mol) than a mode of lower
		// energy, and so can spare food a part of its first days in air.
		spared := 0.0
		if l.Packing.Treatment.CapacityCM3 > 0 {
			spared = 2 / cool.Modes[i].Mode.Life.Low
		}
		if y.Likely < x.Likely*last-spared || y.Low < x.Low*last-spared || y.High < x.High*last-spared {
			t.Errorf("%s warmer by %.1f K: consumed %+v, cooler %+v", cool.Modes[i].Mode.Name, float64(b.warm), y, x)
		}
	}
	x, y := outlookOf(t, f, k, l), outlookOf(t, g, j, l)
	// In a dry room warmth dries the food too, and then it may keep longer; and
	// the mean vapour of changing days is another humidity at their mean.
	if drier := warm.Moisture.Likely < cool.Moisture.Likely || y.Humidity < x.Humidity; !drier && later(y.End, x.End) {
		t.Errorf("ends at %v by %s, cooler at %v by %s", y.End, y.EndBy, x.End, x.EndBy)
	}
}

// later says that an end is later than another one, zero being out of sight;
// what is worked out between knots a week apart is not told apart to a minute.
func later(a, b time.Time) bool {
	switch {
	case b.IsZero():
		return false
	case a.IsZero():
		return true
	}
	return a.Sub(b) > time.Minute
}

// Low <= likely <= high in everything, under any climate.
func TestBandsAreInOrder(t *testing.T) {
	c := shipped(t)
	rapid.Check(t, func(t *rapid.T) {
		h := anyAir(t, -5, 40, 0.05, 0.95).house()
		h.spread = unit.Celsius(rapid.SampledFrom([]float64{0, 2}).Draw(t, "spread"))
		h.lux = rapid.SampledFrom([]float64{0, 300}).Draw(t, "lux")
		if from := rapid.IntRange(0, 90).Draw(t, "blind from"); rapid.Bool().Draw(t, "blind") {
			h.blind = func(at time.Time) bool { return at.After(after(float64(from))) && at.Before(after(float64(from)+40)) }
		}
		l := anyLot(t, c)
		f := course.New(c, h)
		k, s := follow(t, f, l, age(t))
		in := func(what string, r lot.Range, low, high float64) {
			t.Helper()
			if !(r.Low <= r.Likely && r.Likely <= r.High && r.Low >= low && r.High <= high) {
				t.Errorf("%s of %s in %s: %+v, outside %g to %g or out of order", what, l.Packing.Food, l.Packing.Container, r, low, high)
			}
		}
		end := math.MaxFloat64
		in("remaining", s.Remaining, -end, 1)
		in("moisture", s.Moisture, 0, 1)
		in("activity", s.Activity, 0, 1)
		in("oxygen", s.Oxygen, 0, barrier.AirOxygen+1e-12)
		in("failure", s.Failure, 0, 1)
		if s.Viable != nil {
			in("viable", *s.Viable, 0, 1)
		}
		for _, m := range s.Modes {
			in(m.Mode.Name+" exposure", m.Exposure, 0, end)
			in(m.Mode.Name+" consumed", m.Consumed, 0, end)
			if m.Retention != nil {
				in(m.Mode.Name+" retention", *m.Retention, 0, 1)
			}
			if !m.Mode.Nutrient && m.Consumed.Likely > s.Modes[s.Limiting].Consumed.Likely {
				t.Errorf("%s is ahead of the limiting mode", m.Mode.Name)
			}
		}
		o := outlookOf(t, f, k, l)
		if later(o.EndEarly, o.End) || later(o.End, o.EndLate) {
			t.Errorf("ends %v, %v, %v", o.EndEarly, o.End, o.EndLate)
		}
	})
}

// Cutting the way at whole UTC days, or at whole hours in the first 60 days,
// changes not a bit, and asking for the state changes nothing.
func TestPiecesAreBitEqual(t *testing.T) {
	c := shipped(t)
	exact := cmp.AllowUnexported(course.Course{}, course.Inside{}, course.Progress{})
	rapid.Check(t, func(t *rapid.T) {
		f, l := course.New(c, anyAir(t, -5, 40, 0.1, 0.9).house()), anyLot(t, c)
		if moved := rapid.IntRange(0, 150_000).Draw(t, "moved after minutes"); moved > 0 {
			l.Stays = append(l.Stays, lot.Stay{Room: "loft", From: packed().Add(time.Duration(moved) * time.Minute)})
		}
		if opened := rapid.IntRange(0, 150_000).Draw(t, "opened after minutes"); opened > 75_000 {
			l.OpenedAt = packed().Add(time.Duration(opened-75_000) * time.Minute)
		}
		to := packed().Add(age(t))
		whole := advance(t, f, l, to)
		hours := rapid.SliceOfN(rapid.IntRange(1, 1200*24), 1, 12).Draw(t, "cuts")
		slices.Sort(hours)
		k := advance(t, f, l, packed())
		for _, h := range hours {
			at := packed().Truncate(time.Hour).Add(time.Duration(h) * time.Hour)
			if at.Sub(packed()) > 60*day {
				at = at.Truncate(day)
			}
			if !at.After(k.At) || at.After(to) {
				continue
			}
			var err error
			if k, err = f.Advance(k, l, at); err != nil {
				t.Fatal(err)
			}
			kept := k.Copy()
			first := stateOf(t, f, k, l)
			look := outlookOf(t, f, k, l)
			if d := cmp.Diff(first, stateOf(t, f, k, l)); d != "" {
				t.Errorf("asked twice (-first +second):\n%s", d)
			}
			if d := cmp.Diff(look, outlookOf(t, f, k, l)); d != "" {
				t.Errorf("looked ahead twice (-first +second):\n%s", d)
			}
			if d := cmp.Diff(kept, k, exact); d != "" {
				t.Errorf("State or Outlook changed the course:\n%s", d)
			}
		}
		k, err := f.Advance(k, l, to)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(whole, k, exact); d != "" {
			t.Errorf("in pieces (-whole +pieces):\n%s", d)
		}
	})
}
