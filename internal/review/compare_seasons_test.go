package review

import (
	"math"
	"testing"
	"time"

	"dryhold/internal/kinetics"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// besides makes a room of hours beside the air outdoors; NaN is not known.
func besides(first time.Time, days int, plan unit.Celsius, hour func(h int) (in, out float64)) AirRoom {
	r := AirRoom{Name: "loft", Plan: plan, First: first}
	plain := kinetics.AccelerationFactor(room.AirEa, plan, room.Reference) / 24
	for d := range days {
		var day AirDay
		for h := range 24 {
			in, out := hour(24*d + h)
			s, exposure := room.Slot{UnknownMS: 3600e3}, 0.0
			if in == in {
				s = room.Slot{MeasuredMS: 3600e3, TempMean: float32(in)}
				exposure = kinetics.AccelerationFactor(room.AirEa, unit.Celsius(in), room.Reference) / 24
			}
			day.AirHour(s, exposure, plain, plan, out, out == out)
		}
		r.Days = append(r.Days, day)
	}
	return r
}

// TestSeasonsByHand: a summer of 92 days at 30 °C outdoors and 25 °C in a loft
// with a limit of 20 °C. Degree-days 92 × 10. AF(25) and AF(20) at 83.144
// kJ/mol, related to 21 °C, are 1.5779 (models section 3.1) and 0.8906
// (exp(10000 (1/294.15 - 1/293.15))).
func TestSeasonsByHand(t *testing.T) {
	june := time.Date(2025, 6, 1, 0, 0, 0, 0, time.UTC)
	got := SeasonsOf(besides(june, 92+91, 20, func(h int) (float64, float64) {
		if h < 92*24 {
			return 25, 30
		}
		return 15, 10
	}))
	if len(got.Seasons) != 2 || len(got.Years) != 1 {
		t.Fatalf("%d seasons, %d years", len(got.Seasons), len(got.Years))
	}
	near := func(what string, got *float64, want, within float64) {
		t.Helper()
		if got == nil || math.Abs(*got-want) > within {
			t.Errorf("%s is %v, want %g", what, got, want)
		}
	}
	x := got.Seasons[0]
	beyond := 92 * (1.5779 - 0.8906)
	near("mean", x.Mean, 25, 1e-9)
	near("mean kinetic temperature", x.MeanKinetic, 25, 1e-6)
	near("exposure", &x.Exposure, 92*1.5779, 0.01)
	near("beyond", &x.Beyond, beyond, 0.02)
	near("degree-days", x.DegreeDays, 920, 1e-6)
	near("for each degree-day", x.PerDegreeDay, beyond/920, 1e-4)
	if x.Above != 92*24 || x.Coverage != 1 || x.Partial || x.Season != "Jun-Aug" || x.Year != 2025 {
		t.Errorf("%+v", x)
	}
	autumn := got.Seasons[1]
	if autumn.Beyond != 0 || autumn.Above != 0 || *autumn.DegreeDays != 0 || autumn.PerDegreeDay != nil {
		t.Errorf("a cool autumn: %+v", autumn)
	}
	if y := got.Years[0]; y.Above != 92*24 || !y.Partial || math.Abs(y.Coverage-183.0/365) > 1e-12 {
		t.Errorf("half a year: %+v", y)
	}
}

// TestPartialAndWithoutOutdoors: coverage is of the whole season of the
// calendar, and without air outdoors nothing is divided.
func TestPartialAndWithoutOutdoors(t *testing.T) {
	nan := math.NaN()
	june := time.Date(2025, 6, 1, 0, 0, 0, 0, time.UTC)
	got := SeasonsOf(besides(june, 46, 20, func(int) (float64, float64) { return 25, nan }))
	x := got.Seasons[0]
	if x.Coverage != 0.5 || !x.Partial || x.DegreeDays != nil || x.PerDegreeDay != nil || x.OutdoorCoverage != 0 {
		t.Errorf("half a summer: %+v", x)
	}
	// Hours known on one side alone do not enter the ratio.
	got = SeasonsOf(besides(june, 92, 20, func(h int) (float64, float64) {
		if h < 46*24 {
			return 25, nan
		}
		return 30, 35
	}))
	x = got.Seasons[0]
	want := (kinetics.AccelerationFactor(room.AirEa, 30, room.Reference) - kinetics.AccelerationFactor(room.AirEa, 20, room.Reference)) / 15
	if x.PerDegreeDay == nil || math.Abs(*x.PerDegreeDay-want) > 1e-9 {
		t.Errorf("ratio %v, want %g", x.PerDegreeDay, want)
	}
	if got := SeasonsOf(besides(june, 92, 20, func(int) (float64, float64) { return nan, nan })); len(got.Seasons) != 0 {
		t.Errorf("seasons of which nothing is known: %+v", got.Seasons)
	}
}

// TestSeasonsMakeTheYear: sums of seasons are those of the year.
func TestSeasonsMakeTheYear(t *testing.T) {
	december := time.Date(2023, 12, 1, 0, 0, 0, 0, time.UTC)
	wave := func(h int) (float64, float64) {
		out := 12 + 10*math.Sin(2*math.Pi*float64(h)/8766) + 8*math.Sin(2*math.Pi*float64(h)/24)
		if h%97 < 9 {
			return math.NaN(), out
		}
		return out/2 + 10, out
	}
	got := SeasonsOf(besides(december, 366, 18, wave))
	if len(got.Seasons) != 4 || len(got.Years) != 1 {
		t.Fatalf("%d seasons, %d years", len(got.Seasons), len(got.Years))
	}
	var sum AirDay
	for _, x := range got.Seasons {
		sum = sum.Add(x.air)
	}
	y := got.Years[0]
	off := func(what string, a, b float64) {
		t.Helper()
		if math.Abs(a-b) > 1e-9*max(1, math.Abs(b)) {
			t.Errorf("%s: seasons %g, year %g", what, a, b)
		}
	}
	off("exposure", sum.Ageing, y.Exposure)
	off("beyond plan", sum.Beyond, y.Beyond)
	off("hours above", float64(sum.Above), float64(y.Above))
	off("degree-days", sum.DegreeDays, *y.DegreeDays)
	// And the year is that of the hours themselves.
	exposure, degrees := 0.0, 0.0
	for h := range 366 * 24 {
		in, out := wave(h)
		if in == in {
			exposure += kinetics.AccelerationFactor(room.AirEa, unit.Celsius(in), room.Reference) / 24
		}
		degrees += max(0, out-18) / 24
	}
	off("exposure by the hour", exposure, y.Exposure)
	off("degree-days by the hour", degrees, *y.DegreeDays)
	if y.Partial { // 9 of 97 hours are missing
		t.Errorf("coverage %g", y.Coverage)
	}
}

// TestRoomAgainstWeather: a room of first order (models section 11) that
// follows the air outdoors. A hotter summer behind the same walls is no worse
// room; the same weather behind a ventilated roof is a better one, and sun let
// in a worse one, also in the hotter summer.
func TestRoomAgainstWeather(t *testing.T) {
	june := time.Date(2024, 6, 1, 0, 0, 0, 0, time.UTC)
	const days = 365 + 92
	f := func(what string, hotter, gain, tau float64, want string) {
		t.Helper()
		in := 22.0
		got := SeasonsOf(besides(june, days, 21, func(h int) (float64, float64) {
			day := h / 24
			out := 26 + 4*math.Sin(2*math.Pi*float64(day)/9) + 6*math.Sin(2*math.Pi*float64(h)/24)
			warmer, lag := 2.0, 12.0
			if day >= 365 {
				out, warmer, lag = out+hotter, gain, tau
			} else if day >= 92 {
				out -= 20
			}
			in += (1 - math.Exp(-1/lag)) * (out + warmer - in)
			return in, out
		}))
		last := got.Seasons[len(got.Seasons)-1]
		if last.Season != "Jun-Aug" || last.Year != 2025 || last.Expected == nil || last.Verdict != want {
			t.Errorf("%s: verdict %q, want %q: beyond %g, expected %v", what, last.Verdict, want, last.Beyond, last.Expected)
		}
	}
	f("the same again", 0, 2, 12, Same)
	f("1 K hotter outdoors", 1, 2, 12, Same)
	f("2 K cooler outdoors", -2, 2, 12, Same)
	f("shaded", 0, 0, 12, Better)
	f("shaded, in a hotter summer", 1, 0, 12, Better)
	f("sun let in", 0, 5, 12, Worse)
	f("sun let in, in a cooler summer", -1, 5, 12, Worse)
}
