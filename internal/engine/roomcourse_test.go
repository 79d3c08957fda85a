package engine

import (
	"encoding/json"
	"errors"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"dryhold/internal/alarm"
	"dryhold/internal/climate"
	"dryhold/internal/kinetics"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// drawnPieces are hours in order, some of them left out, of any mixture of
// measured, estimated and unknown time.
func drawnPieces(t *rapid.T, from time.Time, n int) []coursePiece {
	var out []coursePiece
	for i := range n {
		if rapid.IntRange(0, 9).Draw(t, "left out") == 0 {
			continue
		}
		part := func(name string) uint32 {
			return uint32(rapid.SampledFrom([]int{0, 0, 600_000, 3_600_000}).Draw(t, name))
		}
		s := room.Slot{MeasuredMS: part("measured"), VapourMS: part("vapour"), DoseMS: part("dose")}
		if s.MeasuredMS < 3_600_000 {
			s.EstimatedMS = min(part("estimated"), 3_600_000-s.MeasuredMS)
			s.UnknownMS = 3_600_000 - s.MeasuredMS - s.EstimatedMS
		}
		p := coursePiece{at: from.Add(time.Duration(i) * time.Hour).UnixMilli(), core: math.NaN()}
		if s.MeasuredMS+s.EstimatedMS > 0 {
			s.TempMean = rapid.Float32Range(-20, 45).Draw(t, "temperature")
			s.TempMin, s.TempMax = s.TempMean-rapid.Float32Range(0, 5).Draw(t, "less"), s.TempMean+rapid.Float32Range(0, 5).Draw(t, "more")
			p.core, p.days = rapid.Float64Range(-20, 45).Draw(t, "core"), rapid.Float64Range(0, 0.5).Draw(t, "days")
		}
		if s.VapourMS > 0 {
			s.HumidityMean, s.VapourMean = rapid.Float32Range(0, 1).Draw(t, "humidity"), rapid.Float32Range(1, 4000).Draw(t, "pressure")
		}
		if s.DoseMS > 0 {
			s.Dose = rapid.Float32Range(0, 1000).Draw(t, "lux hours")
		}
		p.slot = s
		out = append(out, p)
	}
	return out
}

// bruteForce tells one bucket from the pieces in it, the plain way.
type bruteForce struct {
	measured, estimated, unknown, over                                int64
	temp, low, high, core, rh, dew, lux, luxMax, dose, ageing, rhHigh float64
}

func brute(all []coursePiece, from, to time.Time, limit, plan float64) bruteForce {
	nan := math.NaN()
	b := bruteForce{temp: nan, low: nan, high: nan, core: nan, rh: nan, dew: nan, lux: nan, luxMax: nan, dose: nan, ageing: nan, rhHigh: nan}
	var known, sum, cores, vapourMS, vapour, rh, luxMS, lux, days float64
	for _, p := range all {
		if p.at < from.UnixMilli() || p.at >= to.UnixMilli() {
			continue
		}
		s := p.slot
		k := float64(s.MeasuredMS) + float64(s.EstimatedMS)
		b.measured, b.estimated, b.unknown = b.measured+int64(s.MeasuredMS), b.estimated+int64(s.EstimatedMS), b.unknown+int64(s.UnknownMS)
		if float64(s.TempMean) > limit {
			b.over += int64(s.MeasuredMS)
		}
		if k > 0 {
			sum, cores, known, days = sum+float64(s.TempMean)*k, cores+p.core*k, known+k, days+p.days
			b.low, b.high = least(b.low, float64(s.TempMin)), -least(-b.high, -float64(s.TempMax))
		}
		if v := float64(s.VapourMS); v > 0 {
			vapour, rh, vapourMS = vapour+float64(s.VapourMean)*v, rh+float64(s.HumidityMean)*v, vapourMS+v
			b.rhHigh = -least(-b.rhHigh, -float64(s.HumidityMean))
		}
		if v := float64(s.DoseMS); v > 0 {
			lux, luxMS = lux+float64(s.Dose), luxMS+v
			b.luxMax = -least(-b.luxMax, -float64(s.Dose)*3_600_000/v)
		}
	}
	if known > 0 {
		b.temp, b.core, b.ageing = sum/known, cores/known, days/(known/86_400_000)/plan
	}
	if vapourMS > 0 {
		b.rh = rh / vapourMS
		if d, err := climate.DewPointAt(unit.Pascal(vapour / vapourMS)); err == nil {
			b.dew = float64(d)
		}
	}
	if luxMS > 0 {
		b.lux, b.dose = lux*3_600_000/luxMS, lux
	}
	return b
}

// least takes not-a-number for nothing yet.
func least(a, b float64) float64 {
	if math.IsNaN(a) {
		return b
	}
	return min(a, b)
}

func TestCourseAgainstBruteForce(t *testing.T) {
	zurich := mustZone(t, "Europe/Zurich")
	rapid.Check(t, func(t *rapid.T) {
		from := time.Date(2026, rapid.SampledFrom([]time.Month{3, 10}).Draw(t, "month"), rapid.IntRange(20, 31).Draw(t, "day"), 0, 0, 0, 0, time.UTC)
		hours := rapid.IntRange(50, 200).Draw(t, "hours")
		all := drawnPieces(t, from, hours)
		points := rapid.IntRange(10, 60).Draw(t, "points")
		edges, _ := courseEdges(from, from.Add(time.Duration(hours)*time.Hour), points, zurich)
		limits, plan := RoomLimits{Warm: 20, Damp: Number(math.NaN()), Bright: 10}, 0.7
		var c RoomCourse
		c.fill(edges, gather(edges, slices.Values(all), limits), plan)
		b, over := &c.Buckets, int64(0)
		for i := range b.Start {
			want := brute(all, edges[i], edges[i+1], 20, plan)
			over += want.over
			for name, x := range map[string][2]float64{
				"temperature": {float64(b.TempMean[i]), rounded(want.temp, 2)}, "least": {float64(b.TempMin[i]), rounded(want.low, 2)}, "greatest": {float64(b.TempMax[i]), rounded(want.high, 2)},
				"core": {float64(b.CoreMean[i]), rounded(want.core, 2)}, "humidity": {float64(b.RHMean[i]), rounded(want.rh, 4)}, "dampest": {float64(b.RHMax[i]), rounded(want.rhHigh, 4)},
				"dew point": {float64(b.DewPoint[i]), rounded(want.dew, 2)}, "light": {float64(b.LuxMean[i]), rounded(want.lux, 1)}, "brightest": {float64(b.LuxMax[i]), rounded(want.luxMax, 1)},
				"dose": {float64(b.Dose[i]), rounded(want.dose, 1)}, "ageing": {float64(b.Ageing[i]), rounded(want.ageing, 3)},
			} {
				if d := cmp.Diff(x[1], x[0], cmpopts.EquateNaNs(), cmpopts.EquateApprox(0, 0.1001)); d != "" {
					t.Errorf("bucket %d, %s (-want +got):\n%s", i, name, d)
				}
			}
			if b.Measured[i] != want.measured/1000 || b.Estimated[i] != want.estimated/1000 || b.Unknown[i] != want.unknown/1000 {
				t.Errorf("bucket %d: %d, %d, %d s, want %+v", i, b.Measured[i], b.Estimated[i], b.Unknown[i], want)
			}
			if (b.State[i] == BucketUnknown) != (want.measured+want.estimated == 0) || (b.State[i] == BucketUnknown) != math.IsNaN(float64(b.TempMean[i])) {
				t.Errorf("bucket %d is %s: %+v", i, b.State[i], want)
			}
		}
		if c.Summary.OverWarm != over/1000 || c.Summary.OverDamp != 0 {
			t.Errorf("above the limit for %d s, want %d", c.Summary.OverWarm, over/1000)
		}
		whole := brute(all, edges[0], edges[len(edges)-1], 20, plan)
		if d := cmp.Diff([]float64{whole.low, whole.temp, whole.high}, []float64{float64(c.Summary.Temp.Lowest), float64(c.Summary.Temp.Mean), float64(c.Summary.Temp.Highest)},
			cmpopts.EquateNaNs(), cmpopts.EquateApprox(0, 0.0051)); d != "" {
			t.Errorf("the whole (-want +got):\n%s", d)
		}
	})
}

func mustZone(t testing.TB, name string) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

// TestCourseEdges: never more buckets than asked for, none empty, all of the
// stretch in them, and days begin at midnight of the site.
func TestCourseEdges(t *testing.T) {
	zones := []*time.Location{time.UTC, mustZone(t, "Europe/Zurich"), mustZone(t, "Asia/Kolkata"), mustZone(t, "America/St_Johns")}
	rapid.Check(t, func(t *rapid.T) {
		zone := rapid.SampledFrom(zones).Draw(t, "zone")
		from := time.Unix(rapid.Int64Range(86_400, 4e9).Draw(t, "from"), 0)
		to := from.Add(time.Duration(rapid.Int64Range(1, 31*366*86_400).Draw(t, "seconds")) * time.Second)
		if rapid.Bool().Draw(t, "short") {
			to = from.Add(time.Duration(rapid.Int64Range(1, 60*3600).Draw(t, "seconds")) * time.Second)
		}
		points := rapid.IntRange(10, 1200).Draw(t, "points")
		edges, step := courseEdges(from, to, points, zone)
		n := len(edges) - 1
		if n < 1 || n > points {
			t.Fatalf("%d buckets of %s, asked for %d at most", n, step, points)
		}
		if edges[0].After(from) || edges[n].Before(to) || !edges[1].After(from) || !edges[n-1].Before(to) {
			t.Errorf("%s to %s in steps of %s from %s to %s", from, to, step, edges[0], edges[n])
		}
		for i, at := range edges {
			if i > 0 && !at.After(edges[i-1]) {
				t.Fatalf("edge %d is no later than the one before", i)
			}
			if h, m, s := at.In(zone).Clock(); step.days > 0 && h+m+s != 0 {
				t.Errorf("a day begins at %s", at.In(zone))
			}
			if step.days == 0 && at.UnixMilli()%step.ms != 0 {
				t.Errorf("a bucket of %s begins at %s", step, at)
			}
		}
		if step.fine() && to.Sub(from) > finest {
			t.Errorf("%s is told in steps of %s", to.Sub(from), step)
		}
	})
}

// TestCourseOfDaysThatAreNoDayLong: 23 and 25 hours.
func TestCourseOfDaysThatAreNoDayLong(t *testing.T) {
	zone := mustZone(t, "Europe/Zurich")
	f := func(first string, want ...float64) {
		t.Helper()
		from, err := time.ParseInLocation(time.DateOnly, first, zone)
		if err != nil {
			t.Fatal(err)
		}
		edges, step := courseEdges(from, from.AddDate(0, 0, 12), 12, zone)
		if step.String() != "P1D" {
			t.Fatalf("a step of %s", step)
		}
		var got []float64
		for i := range want {
			got = append(got, edges[i+1].Sub(edges[i]).Hours())
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s (-want +got):\n%s", first, d)
		}
	}
	f("2026-03-28", 24, 23, 24)
	f("2026-10-24", 24, 25, 24)
}

// pantryCourse is a house with a lot in its pantry and three weeks of readings: a
// day in the second week is lost, and the third week is hot.
func pantryCourse(t *testing.T) *Engine {
	t.Helper()
	c := config(add("L-1", "hard-wheat", "pail-20l", "pantry", at(24)), add("L-2", "hard-wheat", "pet-2l", "hall", at(24)))
	c.Rooms = []string{"pantry", "hall"}
	e := engineOf(t, c)
	e.Feed("pantry", pantryReadings(), at(21*24))
	return e
}

func pantryReadings() (out []room.Reading) {
	for h := 0.0; h < 21*24; h += 0.5 {
		if h > 200 && h < 230 {
			continue
		}
		v := 16 + 3*math.Sin(2*math.Pi*h/24)
		if h >= 14*24 {
			v += 12
		}
		out = append(out, temperature("pantry", "a", at(h), v), humidity("pantry", "a", at(h), 0.5))
	}
	return out
}

func TestCourseOfARoom(t *testing.T) {
	e := pantryCourse(t)
	c, err := e.CourseRoom(at(21*24), "pantry", at(0), at(21*24), 800)
	if err != nil {
		t.Fatal(err)
	}
	if c.Step != "PT1H" || len(c.Buckets.Start) != 21*24 || c.Seed != nil || c.Core.Container != "pail-20l" || c.Core.Chosen != CoreOfRoom {
		t.Fatalf("%s, %d buckets, core %+v", c.Step, len(c.Buckets.Start), c.Core)
	}
	for i, s := range c.Buckets.State {
		if want := i >= 200 && i < 230; want != (s == BucketEstimated) {
			t.Errorf("hour %d is %s", i, s)
		}
	}
	if low, high := c.Buckets.TempMin[210], c.Buckets.TempMax[210]; !(low < 14 && high > 18) {
		t.Errorf("an estimate without its bounds: %g to %g", low, high)
	}
	if c.Limits.Warm != 21 || c.Limits.Bright.Known() || c.Buckets.LuxMean[0].Known() {
		t.Errorf("limits %+v, light %g", c.Limits, c.Buckets.LuxMean[0])
	}
	// In the hot week, 7 days long, air is at 25 °C or more: above 21 °C throughout.
	if got := float64(c.Summary.OverWarm) / 3600; math.Abs(got-7*24) > 1.5 {
		t.Errorf("%.1f h above the limit, want 168", got)
	}
	plan := kinetics.AccelerationFactor(room.AirEa, 21, room.Reference)
	air := e.Exposure("pantry", 0, room.AirEa, at(300), at(301))
	if got, want := float64(c.Buckets.Ageing[300]), float64(air.Days)*24/plan; math.Abs(got-want) > 0.0006 {
		t.Errorf("ageing %g, want %g", got, want)
	}
	if !(c.Buckets.CoreMean[350] > 20 && c.Buckets.CoreMean[340] < c.Buckets.TempMean[340]) {
		t.Errorf("the core is at %g after 14 h of heat, at %g in air of %g after 4", c.Buckets.CoreMean[350], c.Buckets.CoreMean[340], c.Buckets.TempMean[340])
	}
	var kinds []string
	for _, x := range c.Events {
		kinds = append(kinds, string(x.Kind))
	}
	if d := cmp.Diff([]string{"estimated", "excursion"}, kinds); d != "" {
		t.Errorf("events (-want +got):\n%s", d)
	}
	reviews, err := e.Review(at(21 * 24))
	if err != nil {
		t.Fatal(err)
	}
	want := 0.0
	for _, x := range reviews[0].Events {
		if x.Kind == "excursion" {
			want += reviews[0].InDays(x.Cost).Lost.Sum()
		}
	}
	if hot := c.Events[1]; len(hot.Lots) != 1 || hot.Lots[0].Lot != "L-1" || want <= 0 || math.Abs(hot.Days-want) > 0.006 {
		t.Errorf("the hot week cost %+v, the review says %g days", hot, want)
	}
	if len(c.Strip.Start) != 21 || c.Strip.Start[0] != "2026-07-01" || c.Strip.State[7] != BucketMeasured || c.Strip.State[8] != BucketEstimated || c.Strip.Ageing[20] < 2*c.Strip.Ageing[0] {
		t.Errorf("strip %+v", c.Strip)
	}
}

// TestCourseFromReadings: a day by the minute has the hours of the ledger in it,
// and what nobody measured is unknown.
func TestCourseFromReadings(t *testing.T) {
	e := pantryCourse(t)
	c, err := e.CourseRoom(at(21*24), "pantry", at(190), at(238), 800)
	if err != nil {
		t.Fatal(err)
	}
	since, until := c.Seed.Needs(c.To)
	readings := slices.DeleteFunc(pantryReadings(), func(r room.Reading) bool { return r.At.Before(since) || r.At.After(until) })
	if err := c.Fine(readings, stale); err != nil {
		t.Fatal(err)
	}
	if c.Step != "PT5M" || len(c.Buckets.Start) != 48*12 {
		t.Fatalf("%d buckets of %s", len(c.Buckets.Start), c.Step)
	}
	measured, estimated := int64(0), int64(0)
	for i := range c.Buckets.Start {
		measured, estimated = measured+c.Buckets.Measured[i], estimated+c.Buckets.Estimated[i]
	}
	want := e.Exposure("pantry", 0, room.AirEa, at(190), at(238))
	if measured != int64(want.Measured.Seconds()) || estimated != int64(want.Estimated.Seconds()) {
		t.Errorf("%d s measured and %d s estimated, the ledger says %s and %s", measured, estimated, want.Measured, want.Estimated)
	}
	before, err := e.CourseRoom(at(21*24), "pantry", at(-48), at(24), 100)
	if err != nil {
		t.Fatal(err)
	}
	if b := &before.Buckets; b.State[0] != BucketUnknown || b.TempMean[0].Known() || b.Ageing[0].Known() || b.Unknown[0] != 3600 || b.State[60] != BucketMeasured {
		t.Errorf("before the first reading: %s, %g", b.State[0], b.TempMean[0])
	}
	nothing, err := e.CourseRoom(at(21*24), "hall", time.Time{}, time.Time{}, 100)
	if err != nil {
		t.Fatal(err)
	}
	if err := nothing.Fine(nil, stale); err != nil {
		t.Fatal(err)
	}
	body, err := json.Marshal(nothing.RoomCourse)
	if err != nil || nothing.Summary.Measured != 0 || nothing.Summary.Temp.Mean.Known() || nothing.To.Sub(nothing.From) != 24*time.Hour {
		t.Errorf("a room without a sensor: %v %s", err, body)
	}
	if nothing.Core.Chosen != CoreOfRoom || nothing.Core.Container != "pet-2l" {
		t.Errorf("core %+v", nothing.Core)
	}
}

func TestCourseRefusals(t *testing.T) {
	e := pantryCourse(t)
	now := at(21 * 24)
	f := func(name string, from, to time.Time, want error) {
		t.Helper()
		if _, err := e.CourseRoom(now, name, from, to, 100); !errors.Is(err, want) {
			t.Errorf("%s from %s to %s: %v", name, from, to, err)
		}
	}
	f("barn", at(0), at(1), lot.ErrNotFound)
	f("pantry", at(5), at(5), lot.ErrInvalid)
	f("pantry", at(9), at(5), lot.ErrInvalid)
	f("pantry", now.Add(time.Hour), time.Time{}, lot.ErrInvalid) // ahead
	f("pantry", at(5), now.Add(1000*time.Hour), nil)             // ends now
	empty := config()
	empty.Rooms, empty.Rules = []string{"pantry"}, func(string) map[alarm.Kind]alarm.Rule { return nil }
	c, err := engineOf(t, empty).CourseRoom(now, "pantry", at(0), now, 100)
	if err != nil || c.Core.Chosen != CoreOfCatalog || c.Core.Container == "" || c.Limits.Warm.Known() {
		t.Errorf("a house without a lot or a limit: %v, %+v", err, c.Core)
	}
}

// TestStripByWeeks: a year has 52 fields, the last has what is left of it.
func TestStripByWeeks(t *testing.T) {
	zone := mustZone(t, "Europe/Zurich")
	f := func(from, to time.Time, first, last string, n int) {
		t.Helper()
		edges := stripEdges(from, to, true)
		if got := len(edges) - 1; got != n || edges[0].Format(time.DateOnly) != first || edges[got-1].Format(time.DateOnly) != last {
			t.Errorf("%d weeks, the first of %s, the last of %s", got, edges[0].Format(time.DateOnly), edges[got-1].Format(time.DateOnly))
		}
	}
	day := func(y int, m time.Month, d int) time.Time { return time.Date(y, m, d, 0, 0, 0, 0, zone) }
	f(day(2024, 1, 1), day(2025, 1, 1), "2024-01-01", "2024-12-23", 52)
	f(day(2024, 12, 31), day(2025, 1, 2), "2024-12-23", "2025-01-01", 2)
	f(day(2025, 1, 8), day(2026, 1, 8), "2025-01-08", "2026-01-01", 52)
}
