package room

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/kinetics"
	"dryhold/internal/unit"
)

var testKeys = NewKeys(Grid([]unit.Hours{0, 2.33, 10.2}, []unit.KJPerMol{60, 80, AirEa})...)

// stale gives sensor b a limit longer than the open days, to try the window.
func stale(sensor string) time.Duration {
	if sensor == "b" {
		return 60 * time.Hour
	}
	return time.Hour
}

func epoch(hours float64) time.Time {
	return time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(hours * float64(time.Hour)))
}

func reading(sensor string, q unit.Quantity, at time.Time, v float64) Reading {
	return Reading{Series{"loft", sensor, q}, at.Truncate(time.Millisecond), q.Round(v)}
}

func newTestLedger(t tb) *Ledger {
	t.Helper()
	f, err := NewFold(testKeys)
	if err != nil {
		t.Fatal(err)
	}
	return NewLedger(f, stale)
}

// rebuild feeds readings in order of time, a day at a time, as the store does.
func rebuild(t tb, readings []Reading, asOf time.Time) *Ledger {
	t.Helper()
	l := newTestLedger(t)
	feed(t, l, readings, asOf)
	return l
}

func feed(t tb, l *Ledger, readings []Reading, asOf time.Time) {
	t.Helper()
	byTime := slices.Clone(readings)
	slices.SortStableFunc(byTime, func(a, b Reading) int { return a.At.Compare(b.At) })
	day := time.Time{}
	for _, r := range byTime {
		if d := r.At.Truncate(24 * time.Hour); d.After(day) {
			l.Advance(r.At)
			day = d
		}
		l.Feed(r)
	}
	l.Advance(asOf)
}

// live feeds readings in the order given, restarting at the day of a reading
// that comes too late, as the daemon does.
func live(t tb, readings []Reading, asOf time.Time, pace func(i int) bool) *Ledger {
	t.Helper()
	l := newTestLedger(t)
	latest := time.Time{}
	for i, r := range readings {
		if since := l.Add(r); !since.IsZero() {
			restart(t, l, readings[:i+1], since, latest)
		}
		if r.At.After(latest) {
			latest = r.At
		}
		if pace(i) {
			l.Advance(latest)
		}
	}
	l.Advance(asOf)
	return l
}

func restart(t tb, l *Ledger, stored []Reading, since, asOf time.Time) {
	t.Helper()
	from := l.Restart(since)
	var again []Reading
	for _, r := range stored {
		if !r.At.Before(from) {
			again = append(again, r)
		}
	}
	feed(t, l, again, asOf)
}

// result is everything a ledger says.
type result struct {
	Slots   []Slot
	Prefix  []float64
	Covered []cover
	Sum     [][]float64
	Settled time.Time
}

func (l *Ledger) result() result {
	_, slots := l.Slots()
	bounds := [][]float64{l.now.sum, l.now.below, l.now.above, l.now.core}
	for _, b := range l.bounds {
		bounds = append(bounds, b.below, b.above)
	}
	return result{slots, slices.Concat(l.prefix.pieces...), l.covered, bounds, l.Settled()}
}

func same(t *rapid.T, what string, got, want *Ledger) {
	patternsHold(t, got)
	if d := cmp.Diff(want.result(), got.result(), cmp.AllowUnexported(cover{})); d != "" {
		t.Fatalf("%s differs from the rebuild (-rebuild +%s):\n%.2000s", what, what, d)
	}
}

// TestAnyOrderIsBitEqual is the promise of the ledger: shuffled, late and
// repeated readings, with gaps and two sensors, end in the very bits of a
// rebuild from the store.
func TestAnyOrderIsBitEqual(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		readings := drawReadings(t)
		last := slices.MaxFunc(readings, func(a, b Reading) int { return a.At.Compare(b.At) }).At
		asOf := last.Add(time.Duration(rapid.IntRange(0, 180).Draw(t, "minutes past")) * time.Minute)
		want := rebuild(t, readings, asOf)

		order := rapid.Permutation(readings).Draw(t, "order")
		for range rapid.IntRange(0, 5).Draw(t, "repeats") {
			again := rapid.SampledFrom(readings).Draw(t, "again")
			order = append(order, again)
		}
		every := rapid.IntRange(1, 20).Draw(t, "advance every")
		same(t, "live", live(t, order, asOf, func(i int) bool { return i%every == 0 }), want)

		mostly := slices.Clone(readings)
		slices.SortStableFunc(mostly, func(a, b Reading) int { return a.At.Compare(b.At) })
		i, j := rapid.IntRange(0, len(mostly)-1).Draw(t, "i"), rapid.IntRange(0, len(mostly)-1).Draw(t, "j")
		mostly[i], mostly[j] = mostly[j], mostly[i]
		same(t, "nearly ordered", live(t, mostly, asOf, func(int) bool { return true }), want)
	})
}

func drawReadings(t *rapid.T) []Reading {
	days := rapid.IntRange(1, 6).Draw(t, "days")
	quarters := rapid.SliceOfNDistinct(rapid.IntRange(0, days*24*4), 2, 80, rapid.ID[int]).Draw(t, "quarters")
	var out []Reading
	for _, m := range quarters {
		at := epoch(float64(m) / 4)
		sensor := rapid.SampledFrom([]string{"a", "a", "a", "b"}).Draw(t, "sensor")
		out = append(out, reading(sensor, unit.Temperature, at, rapid.Float64Range(-10, 40).Draw(t, "t")))
		if rapid.Bool().Draw(t, "humid") {
			out = append(out, reading(sensor, unit.Humidity, at, rapid.Float64Range(0, 1).Draw(t, "rh")))
		}
		if rapid.Bool().Draw(t, "lit") {
			out = append(out, reading(sensor, unit.Illuminance, at, rapid.Float64Range(0, 500).Draw(t, "lux")))
		}
	}
	return out
}

// tb is what the feeding functions need of *testing.T and *rapid.T alike.
type tb interface {
	Helper()
	Fatal(args ...any)
	Fatalf(format string, args ...any)
}

// TestExposureAgainstPlainIntegration holds the fold against an independent
// sum: the core stepped by the second with a plain Euler rule refined by the
// exact decay, the factor by math.Exp.
func TestExposureAgainstPlainIntegration(t *testing.T) {
	f := func(lag unit.Hours, ea unit.KJPerMol, minutes int) {
		t.Helper()
		var readings []Reading
		air := func(h float64) float64 { return 26 + 8*math.Sin(2*math.Pi*h/24) + 2*math.Sin(h) }
		for m := 0; m <= 48*60; m += minutes {
			readings = append(readings, reading("a", unit.Temperature, epoch(float64(m)/60), air(float64(m)/60)))
		}
		l := rebuild(t, readings, epoch(48))
		got := float64(l.Between(lag, ea, epoch(0), epoch(48)).Days)
		want := plain(readings, float64(lag), ea)
		if rel := math.Abs(got-want) / want; rel > 1e-6 {
			t.Errorf("lag %g h, Ea %g, every %d min: %.12g d, plain integration %.12g d, relative error %.2g", float64(lag), float64(ea), minutes, got, want, rel)
		}
	}
	f(0, 80, 1)
	f(0, 80, 10)
	f(2.33, 80, 10)
	f(10.2, 60, 10)
	f(10.2, AirEa, 59)
}

func plain(readings []Reading, lag float64, ea unit.KJPerMol) float64 {
	core, sum := readings[0].Value, 0.0
	for i := 1; i < len(readings); i++ {
		a, b := readings[i-1], readings[i]
		n := int(math.Ceil(b.At.Sub(a.At).Seconds() / 5))
		step := b.At.Sub(a.At).Seconds() / float64(n)
		for k := range n {
			mid := a.Value + (b.Value-a.Value)*(float64(k)+0.5)/float64(n)
			before := core
			if lag == 0 {
				core, before = mid, mid
			} else {
				core = mid + (core-mid)*math.Exp(-step/3600/lag)
			}
			sum += kinetics.AccelerationFactor(ea, unit.Celsius((core+before)/2), Reference) * step / 86400
		}
	}
	return sum
}

func TestGaps(t *testing.T) {
	steady := func(from, to float64, v float64) []Reading {
		var out []Reading
		for h := from; h <= to; h += 0.25 {
			out = append(out, reading("a", unit.Temperature, epoch(h), v))
		}
		return out
	}
	t.Run("a gap is estimated from the room's own days, with a bound on each side", func(t *testing.T) {
		rs := append(steady(0, 24, 20), steady(24.25, 48, 24)...)
		l := rebuild(t, append(rs, steady(60, 72, 22)...), epoch(72))
		e := l.Between(0, 80, epoch(48), epoch(60))
		if e.Estimated != 12*time.Hour || e.Unknown != 0 || e.Measured != 0 {
			t.Fatalf("the gap should be estimated whole: %+v", e)
		}
		low, high := kinetics.AccelerationFactor(80, 20, 21)/2, kinetics.AccelerationFactor(80, 24, 21)/2
		if e.Days <= e.Low || e.Days >= e.High || math.Abs(float64(e.Low)-low) > 1e-2 || math.Abs(float64(e.High)-high) > 1e-2 {
			t.Errorf("estimate %.4f (%.4f to %.4f), want inside %.4f to %.4f", e.Days, e.Low, e.High, low, high)
		}
	})
	t.Run("late readings replace the estimate", func(t *testing.T) {
		all := steady(0, 72, 20)
		var early, late []Reading
		for _, r := range all {
			if r.At.After(epoch(30)) && r.At.Before(epoch(40)) {
				late = append(late, r)
			} else {
				early = append(early, r)
			}
		}
		l := live(t, append(early, late...), epoch(72), func(int) bool { return true })
		if e := l.Between(0, 80, epoch(0), epoch(72)); e.Estimated != 0 || e.Measured != 72*time.Hour {
			t.Errorf("after the late readings nothing is estimated: %+v", e)
		}
	})
	t.Run("before anything was measured a gap is unknown and adds nothing", func(t *testing.T) {
		l := rebuild(t, []Reading{reading("a", unit.Temperature, epoch(0), 20), reading("a", unit.Temperature, epoch(5), 20)}, epoch(5))
		e := l.Between(0, 80, epoch(-1), epoch(5))
		if e.Unknown != 6*time.Hour || e.Days != 0 {
			t.Errorf("want 6 h unknown: %+v", e)
		}
	})
	t.Run("time since the last reading waits for the stale limit, then is a gap", func(t *testing.T) {
		l := rebuild(t, steady(0, 24, 20), epoch(24.9))
		if got := l.Settled(); !got.Equal(epoch(24)) {
			t.Errorf("settled to %v, want the last reading", got)
		}
		l.Advance(epoch(25.5))
		if e := l.Between(0, 80, epoch(24), epoch(25.5)); e.Estimated != 90*time.Minute {
			t.Errorf("want 1.5 h estimated: %+v", e)
		}
	})
}

func TestTwoSensorsAreAveraged(t *testing.T) {
	var rs []Reading
	for h := 0.0; h <= 6; h += 0.5 {
		rs = append(rs, reading("a", unit.Temperature, epoch(h), 20), reading("b", unit.Temperature, epoch(h+0.1), 24))
	}
	_, slots := rebuild(t, rs, epoch(6)).Slots()
	if s := slots[3]; math.Abs(float64(s.TempMean)-22) > 1e-6 || s.MeasuredMS != 3600_000 {
		t.Errorf("hour of two sensors at 20 and 24 °C: %+v", s)
	}
}

func TestMoistureAndLightSlots(t *testing.T) {
	var rs []Reading
	for h := 0.0; h <= 2; h += 0.1 {
		rs = append(rs, reading("a", unit.Temperature, epoch(h), 25), reading("a", unit.Humidity, epoch(h), 0.5), reading("a", unit.Illuminance, epoch(h), 100))
	}
	_, slots := rebuild(t, rs, epoch(2)).Slots()
	s := slots[0]
	// 1584.61 Pa: models section 1.2, 30-point table computed with npm psychrolib 1.1.1.
	if math.Abs(float64(s.VapourMean)-1584.61) > 0.5 || math.Abs(float64(s.HumidityMean)-0.5) > 1e-6 {
		t.Errorf("25 °C, 50 %%: vapour pressure %g Pa, humidity %g", s.VapourMean, s.HumidityMean)
	}
	if math.Abs(float64(s.Dose)-100) > 1e-3 {
		t.Errorf("an hour at 100 lx is 100 lx h, got %g", s.Dose)
	}
}
