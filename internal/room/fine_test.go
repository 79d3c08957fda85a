package room

import (
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"dryhold/internal/unit"
)

// near says that two numbers are the same but for rounding to a slot's
// single precision.
func near(a, b float64) bool {
	return a == b || math.IsNaN(a) && math.IsNaN(b) || math.Abs(a-b) <= 2e-6*max(1, math.Abs(a), math.Abs(b))
}

// TestFineAddsUp: the pieces of an hour make the hour of the ledger, measured,
// estimated or unknown, and the core goes from day to day as the ledger has it.
func TestFineAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		readings := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Reading {
			q := rapid.SampledFrom([]unit.Quantity{unit.Temperature, unit.Temperature, unit.Humidity, unit.Illuminance}).Draw(t, "quantity")
			v := map[unit.Quantity]float64{unit.Temperature: 30, unit.Humidity: 1, unit.Illuminance: 500}[q] * rapid.Float64Range(0, 1).Draw(t, "value")
			return reading(rapid.SampledFrom([]string{"a", "c"}).Draw(t, "sensor"), q, epoch(rapid.Float64Range(0, 80).Draw(t, "hours")), v)
		}), 2, 200).Draw(t, "readings")
		slices.SortStableFunc(readings, func(a, b Reading) int { return a.At.Compare(b.At) })
		l := rebuild(t, readings, epoch(90))
		lag := rapid.SampledFrom([]unit.Hours{0, 2.33, 10.2}).Draw(t, "lag")
		width := rapid.SampledFrom([]time.Duration{time.Minute, 5 * time.Minute, 30 * time.Minute}).Draw(t, "width")
		from := epoch(float64(rapid.IntRange(0, 60).Draw(t, "from")))
		to := from.Add(20 * time.Hour)
		seed := l.Seed(lag, from, to)
		since, until := seed.Needs(to)
		needed := slices.DeleteFunc(slices.Clone(readings), func(r Reading) bool { return r.At.Before(since) || r.At.After(until) })
		hours := map[time.Time][]Fine{}
		if err := seed.Fine(needed, stale, width, from, to, func(f Fine) {
			hours[f.At.Truncate(time.Hour)] = append(hours[f.At.Truncate(time.Hour)], f)
		}); err != nil {
			t.Fatal(err)
		}
		vapour := map[time.Time]float32{}
		for at, s := range rebuild(t, cut(readings, width), epoch(90)).Hours(from, to) {
			vapour[at] = s.VapourMean
		}
		for at, want := range l.Hours(from, to) {
			want.VapourMean = vapour[at]
			if !at.Add(time.Hour).After(l.Settled()) {
				sumsTo(t, at, hours[at], want)
				sums, _ := l.Running(0, AirEa, at, []int{0, 1})
				got := 0.0
				for _, f := range hours[at] {
					got += f.Exposure
				}
				if math.Abs(got-(sums[1]-sums[0])) > 0.02*got { // two Gauss points are coarse where air falls 15 K in minutes
					t.Errorf("%s: an exposure of %g in pieces, %g by the hour", at, got, sums[1]-sums[0])
				}
			}
		}
	})
}

// cut adds humidity at the edges of pieces, on the straight line between the
// readings in order of time. From reading to reading the fold takes the vapour
// pressure as a straight line, which it is not where the air warms: an hour has
// that of its pieces only if it is summed over the same stretches.
func cut(readings []Reading, width time.Duration) []Reading {
	out, last := slices.Clone(readings), map[string]Reading{}
	for _, b := range readings {
		a, any := last[b.Sensor]
		if b.Quantity != unit.Humidity || any && !b.At.After(a.At) { // of two at an instant the first counts
			continue
		}
		last[b.Sensor] = b
		if !any || b.At.Sub(a.At) > stale(b.Sensor) {
			continue
		}
		for at := a.At.Truncate(width).Add(width); at.Before(b.At); at = at.Add(width) {
			v := interpolate(sample{a.At.UnixMilli(), a.Value}, sample{b.At.UnixMilli(), b.Value}, at.UnixMilli())
			out = append(out, Reading{b.Series, at, v})
		}
	}
	return out
}

func sumsTo(t *rapid.T, at time.Time, pieces []Fine, want Slot) {
	t.Helper()
	var got Slot
	var temp, vapour, rh, dose float64
	low, high := math.Inf(1), math.Inf(-1)
	for _, f := range pieces {
		s := f.Slot
		got.MeasuredMS, got.EstimatedMS, got.UnknownMS = got.MeasuredMS+s.MeasuredMS, got.EstimatedMS+s.EstimatedMS, got.UnknownMS+s.UnknownMS
		got.VapourMS, got.DoseMS = got.VapourMS+s.VapourMS, got.DoseMS+s.DoseMS
		if s.MeasuredMS > 0 {
			temp += float64(s.TempMean) * float64(s.MeasuredMS)
			low, high = min(low, float64(s.TempMin)), max(high, float64(s.TempMax))
		}
		vapour += float64(s.VapourMean) * float64(s.VapourMS)
		rh += float64(s.HumidityMean) * float64(s.VapourMS)
		dose += float64(s.Dose)
	}
	if got.MeasuredMS != want.MeasuredMS || got.EstimatedMS != want.EstimatedMS || got.UnknownMS != want.UnknownMS || got.VapourMS != want.VapourMS || got.DoseMS != want.DoseMS {
		t.Fatalf("%s: the pieces hold %+v, the hour %+v", at, got, want)
	}
	if want.MeasuredMS > 0 && !(near(temp/float64(want.MeasuredMS), float64(want.TempMean)) && near(low, float64(want.TempMin)) && near(high, float64(want.TempMax))) {
		t.Errorf("%s: the pieces are %g (%g to %g), the hour %+v", at, temp/float64(want.MeasuredMS), low, high, want)
	}
	if ms := float64(want.VapourMS); ms > 0 && !(near(vapour/ms, float64(want.VapourMean)) && near(rh/ms, float64(want.HumidityMean))) {
		t.Errorf("%s: vapour %g, humidity %g, the hour %+v", at, vapour/ms, rh/ms, want)
	}
	if !near(dose, float64(want.Dose)) {
		t.Errorf("%s: dose %g, the hour %+v", at, dose, want)
	}
	if want.MeasuredMS == 0 && want.EstimatedMS > 0 {
		for _, f := range pieces {
			if f.Slot.EstimatedMS > 0 && (f.Slot.TempMean != want.TempMean || f.Slot.TempMin != want.TempMin || f.Slot.TempMax != want.TempMax) {
				t.Errorf("%s: estimated as %+v, by the hour %+v", at, f.Slot, want)
			}
		}
	}
}

// TestCoresFollowTheFold: by the hour means the core stays near that of the
// fold, whether the ledger keeps the lag or not.
func TestCoresFollowTheFold(t *testing.T) {
	var readings []Reading
	for m := range 10 * 24 * 4 {
		h := float64(m) / 4
		if h > 100 && h < 110 { // a gap, estimated
			continue
		}
		readings = append(readings, reading("a", unit.Temperature, epoch(h), 18+6*math.Sin(2*math.Pi*h/24)+0.02*h))
	}
	l := rebuild(t, readings, epoch(240))
	other, err := NewFold(NewKeys(Key{5, AirEa}))
	if err != nil {
		t.Fatal(err)
	}
	k := NewLedger(other, stale)
	feed(t, k, readings, epoch(240))
	f := func(l *Ledger, lag unit.Hours, fine *Ledger) {
		t.Helper()
		cores, err := l.Cores(lag, epoch(0), epoch(230))
		if err != nil {
			t.Fatal(err)
		}
		seed, n, worst := fine.Seed(lag, epoch(0), epoch(240)), 0, 0.0
		exact := map[int]float64{}
		if err := seed.Fine(readings, stale, time.Minute, epoch(0), epoch(240), func(f Fine) {
			exact[int(f.At.Sub(epoch(0)).Hours())] += f.Core / 60
		}); err != nil {
			t.Fatal(err)
		}
		for _, core := range cores {
			if n >= 36 { // before, it still has what it began with, which is the air of the first hour
				worst = max(worst, math.Abs(core-exact[n]))
			}
			n++
		}
		if n != 230 || !(worst < 0.05) {
			t.Errorf("lag %g h: %d hours, off by %.3f K", lag, n, worst)
		}
	}
	f(l, 2.33, l)
	f(l, 10.2, l)
	f(l, 5, k) // not kept
	if _, err := l.Cores(unit.Hours(-1), epoch(0), epoch(1)); err == nil {
		t.Error("a lag of -1 h was taken")
	}
	if err := l.Seed(0, epoch(0), epoch(1)).Fine(nil, stale, 7*time.Minute, epoch(0), epoch(1), func(Fine) {}); err == nil {
		t.Error("pieces of 7 minutes were taken")
	}
	for _, core := range must(newTestLedger(t).Cores(0, epoch(0), epoch(3))) {
		if !math.IsNaN(core) {
			t.Errorf("a room without readings has a core of %g °C", core)
		}
	}
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}
