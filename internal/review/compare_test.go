package review

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/barrier"
	"dryhold/internal/climate"
	"dryhold/internal/kinetics"
	"dryhold/internal/room"
	"dryhold/internal/sorption"
	"dryhold/internal/unit"
)

// The rooms and lots are invented.

var wheatKey = room.Key{Lag: 2, Ea: 80}

// steady makes a room from 1 March 2025 on whose air is the same all of a day.
// A day at NaN was not measured.
func steady(name string, days int, celsius func(day int, d time.Time) float64) AirRoom {
	r := AirRoom{Name: name, Plan: 21, First: time.Date(2025, 3, 1, 0, 0, 0, 0, time.UTC), Ageing: map[room.Key][]float64{wheatKey: nil}}
	plan := kinetics.AccelerationFactor(room.AirEa, r.Plan, room.Reference) / 24
	for i := range days {
		t, day, s := celsius(i, r.First.AddDate(0, 0, i)), AirDay{}, room.Slot{UnknownMS: 3600e3}
		if t == t {
			vapour := climate.VapourPressure(unit.Celsius(t), 0.4)
			s = room.Slot{MeasuredMS: 3600e3, VapourMS: 3600e3, TempMean: float32(t), VapourMean: float32(vapour), HumidityMean: 0.4}
		}
		exposure := kinetics.AccelerationFactor(room.AirEa, unit.Celsius(t), room.Reference) / 24
		aged := kinetics.AccelerationFactor(wheatKey.Ea, unit.Celsius(t), room.Reference)
		for range 24 {
			day.AirHour(s, exposure, plan, r.Plan, 0, false)
		}
		r.Days, r.Ageing[wheatKey] = append(r.Days, day), append(r.Ageing[wheatKey], aged)
	}
	return r
}

func at(celsius float64) func(int, time.Time) float64 {
	return func(int, time.Time) float64 { return celsius }
}

// bySeason has a temperature for each season, December to February first.
func bySeason(celsius [4]float64) func(int, time.Time) float64 {
	return func(_ int, d time.Time) float64 { s, _ := seasonOf(d); return celsius[s] }
}

func wheat(in string) Standing {
	return Standing{Lot: "L-1", Food: "Hard wheat", Room: in, Mode: "staling", Key: wheatKey, EaLow: 60, EaHigh: 100, Plan: 21, Amber: 0.65, Sealed: true}
}

var year2025 = 365

func TestSeasonOf(t *testing.T) {
	f := func(date string, want Season, year int) {
		t.Helper()
		d, err := time.Parse(time.DateOnly, date)
		if err != nil {
			t.Fatal(err)
		}
		if s, y := seasonOf(d); s != want || y != year {
			t.Errorf("%s is %v of %d, want %v of %d", date, s, y, want, year)
		}
	}
	f("2025-11-30", SepNov, 2025)
	f("2025-12-01", DecFeb, 2026)
	f("2026-02-28", DecFeb, 2026)
	f("2026-03-01", MarMay, 2026)
	f("2026-06-01", JunAug, 2026)
	f("2026-08-31", JunAug, 2026)
	f("2026-09-01", SepNov, 2026)
	if n := (dated{DecFeb, 2024}).calendar(); n != 91 { // with 29 February
		t.Errorf("December 2023 to February 2024 has %d days", n)
	}
	if n := yearDays(2024); n != 366 {
		t.Errorf("December 2023 to November 2024 has %d days", n)
	}
}

// TestBestByHand: the pantry is at 21 °C all year, so ages 1 day a day (the
// reference); the cellar at 30 °C in summer and 15 °C else. By models section
// 3.1 at 80 kJ/mol these are 2.6409 and 0.5061 days a day. Moving out of the
// cellar for the summer gains 92 × (2.6409 - 1) days of the year.
func TestBestByHand(t *testing.T) {
	cellar, pantry := steady("cellar", year2025, bySeason([4]float64{15, 15, 30, 15})), steady("north-pantry", year2025, at(21))
	got := BestRooms([]Standing{wheat("cellar"), wheat("north-pantry")}, []AirRoom{cellar, pantry})
	best := func(l LotRooms) (out [4]string) {
		for i, s := range l.Seasons {
			out[i] = s.Best
		}
		return out
	}
	for _, l := range got {
		if d := cmp.Diff([4]string{"cellar", "cellar", "north-pantry", "cellar"}, best(l)); d != "" {
			t.Errorf("from %s (-want +got):\n%s", l.Room, d)
		}
	}
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 0.02 {
			t.Errorf("%s %g, want %g", what, got, want)
		}
	}
	near("from the cellar", got[0].Moves.Likely, 92*(2.6409-1))
	near("from the pantry", got[1].Moves.Likely, (90.25+92+91)*(1-0.5061))
	// All year in the pantry: what the summer gains less what the rest loses.
	near("all year in the pantry", got[0].AlwaysGain.Likely, 92*(2.6409-1)-(90.25+92+91)*(1-0.5061))
	if got[0].Always != "north-pantry" || got[1].Always != "north-pantry" || got[1].AlwaysGain.Likely != 0 {
		t.Errorf("best single rooms %s (%v) and %s (%v)", got[0].Always, got[0].AlwaysGain, got[1].Always, got[1].AlwaysGain)
	}
	if got[0].Advice != AdviceSeasons || got[0].Known != 4 {
		t.Errorf("advice %s in %d seasons", got[0].Advice, got[0].Known)
	}
	if m := got[0].Moves; !(m.Low < m.Likely && m.Likely < m.High) {
		t.Errorf("the band of the activation energy is %v", m)
	}
	// At 60 kJ/mol 30 °C is 2.0716 (exp(60000/R (1/294.15 - 1/303.15))).
	near("at the low edge", got[0].Moves.Low, 92*(2.0716-1))
}

func TestAdvice(t *testing.T) {
	f := func(home, other func(int, time.Time) float64, want string) {
		t.Helper()
		got := BestRooms([]Standing{wheat("cellar")}, []AirRoom{steady("cellar", year2025, home), steady("loft", year2025, other)})[0]
		if got.Advice != want {
			t.Errorf("advice %s, want %s: %+v", got.Advice, want, got)
		}
	}
	f(at(21), at(18), AdviceMove)
	f(at(21), at(24), AdviceLeave)
	f(at(21), at(20.9), AdviceLeave) // about 4 days a year
	f(at(21), bySeason([4]float64{15, 15, 30, 15}), AdviceSeasons)
	f(at(21), bySeason([4]float64{15, 15, 20.95, 15}), AdviceMove)
	f(at(math.NaN()), at(10), AdviceUnknown)
	f(at(21), at(math.NaN()), AdviceLeave)
}

// TestUnknownIsNeverBest: what was not measured is not chosen, however cool
// the days of it were that were measured.
func TestUnknownIsNeverBest(t *testing.T) {
	nan := math.NaN()
	f := func(what string, other func(day int, d time.Time) float64, want string, not string) {
		t.Helper()
		rooms := []AirRoom{steady("cellar", 2*year2025, at(21)), steady("loft", 2*year2025, other)}
		got := BestRooms([]Standing{wheat("cellar")}, rooms)[0]
		s := got.Seasons[JunAug]
		if s.Best != want || s.Rooms[1].Not != not || (not == "") == (s.Rooms[1].Rate == nil) {
			t.Errorf("%s: best %s, the loft %+v", what, s.Best, s.Rooms[1])
		}
	}
	f("cool and known", at(5), "loft", "")
	f("never measured", at(nan), "cellar", NotMeasured)
	f("45 days of summer", func(i int, d time.Time) float64 {
		if d.Year() == 2025 && d.YearDay() >= 152 && d.YearDay() < 152+45 {
			return 5
		}
		return nan
	}, "cellar", NotMeasured)
	f("46 days of summer", func(i int, d time.Time) float64 {
		if d.Year() == 2025 && d.YearDay() >= 152 && d.YearDay() < 152+46 {
			return 5
		}
		return nan
	}, "loft", "")
	// The other summer than the cellar's: both are known, but never at once.
	rooms := []AirRoom{
		steady("cellar", 2*year2025, func(i int, _ time.Time) float64 { return []float64{21, nan}[i/365] }),
		steady("loft", 2*year2025, func(i int, _ time.Time) float64 { return []float64{nan, 5}[i/365] }),
	}
	got := BestRooms([]Standing{wheat("cellar")}, rooms)[0]
	if s := got.Seasons[JunAug]; s.Best != "cellar" || s.Rooms[1].Not != NotSameTime || got.Advice != AdviceLeave {
		t.Errorf("in other years: %+v, advice %s", s, got.Advice)
	}
	// A room not known in winter is no room for all the year.
	rooms[0], rooms[1] = steady("cellar", year2025, at(21)), steady("loft", year2025, bySeason([4]float64{nan, 5, 5, 5}))
	if got := BestRooms([]Standing{wheat("cellar")}, rooms)[0]; got.Always != "cellar" || got.Advice != AdviceSeasons || got.Seasons[DecFeb].Best != "cellar" {
		t.Errorf("without a winter: %s all year, advice %s, in winter %s", got.Always, got.Advice, got.Seasons[DecFeb].Best)
	}
}

// TestNoShelterOutdoors: the air outdoors is no room to move to.
func TestNoShelterOutdoors(t *testing.T) {
	yard := steady("yard", year2025, at(0))
	yard.Open = true
	got := BestRooms([]Standing{wheat("cellar")}, []AirRoom{steady("cellar", year2025, at(21)), yard})[0]
	if got.Advice != AdviceLeave || len(got.Seasons[0].Rooms) != 1 {
		t.Errorf("%+v", got)
	}
}

// TestRoomNeverRead: of a lot in a room of which nothing was ever read, nothing
// is said, season by season.
func TestRoomNeverRead(t *testing.T) {
	got := BestRooms([]Standing{wheat("hall")}, []AirRoom{steady("cellar", year2025, at(5))})[0]
	if got.Advice != AdviceUnknown || len(got.Seasons) != 4 || got.Seasons[0].Best != "hall" || got.Moves.Likely != 0 {
		t.Errorf("%+v", got)
	}
}

// TestDampRooms: a cool damp room is offered to food behind foil and not to
// food in a sack; where its humidity is not known, only to foil.
func TestDampRooms(t *testing.T) {
	f := func(gramsADay, rh float64, want string) {
		t.Helper()
		cellar := steady("cellar", year2025, at(10))
		for i := range cellar.Days {
			d := &cellar.Days[i]
			d.Vapour = 24 * float64(climate.VapourPressure(10, unit.RH(rh)))
			if rh == 0 {
				d.Vapour, d.Damp = 0, 0
			}
		}
		l := wheat("loft")
		l.Water = barrier.Water{Dry: 10, Isotherm: sorption.ChungPfost{A: 529.43, B: 17.609, C: 50.998}, Wall: barrier.Wall{Water: barrier.WaterPermeance(gramsADay)}}
		l.Moisture = sorption.MoistureClamped(l.Water.Isotherm, 0.4, 21)
		got := BestRooms([]Standing{l}, []AirRoom{cellar, steady("loft", year2025, at(21))})[0].Seasons[JunAug]
		if got.Rooms[0].Not != want || (got.Best == "cellar") != (want == "") {
			t.Errorf("%g g/(d kPa) at %g: best %s, %+v", gramsADay, rh, got.Best, got.Rooms[0])
		}
	}
	const sack, foil = 100, 0.0001
	f(sack, 0.85, NotDamp)
	f(sack, 0.60, "")
	f(foil, 0.85, "")
	f(sack, 0, NotDampKnown)
	f(foil, 0, "")
}

// TestLightCounts: a lux hour ages this lot by 0.001 days; at 100 lux day and
// night that is 2.4 days a day, which outweighs the cooler room.
func TestLightCounts(t *testing.T) {
	lit := func(r AirRoom, lux float64) AirRoom {
		for i := range r.Days {
			r.Days[i].Lit, r.Days[i].Light = 24, 24*lux
		}
		return r
	}
	cool, warm := func() AirRoom { return steady("cellar", year2025, at(10)) }, func() AirRoom { return steady("loft", year2025, at(21)) }
	f := func(light float64, cellar, loft AirRoom, best, not string, dark bool) {
		t.Helper()
		l := wheat("loft")
		l.Light = light
		got := BestRooms([]Standing{l}, []AirRoom{cellar, loft})[0]
		if s := got.Seasons[MarMay]; s.Best != best || s.Rooms[0].Not != not || got.Dark != dark {
			t.Errorf("best %s, cellar %+v, dark %v", s.Best, s.Rooms[0], got.Dark)
		}
	}
	f(0.001, lit(cool(), 100), lit(warm(), 1), "loft", "", false)
	f(0.001, lit(cool(), 1), lit(warm(), 100), "cellar", "", false)
	f(0.001, cool(), lit(warm(), 100), "loft", NotLightKnown, false)
	f(0.001, lit(cool(), 100), warm(), "cellar", "", true) // heat alone
	f(0, lit(cool(), 100), lit(warm(), 1), "cellar", "", false)
}

// TestHotterIsNeverBetter: of two rooms measured whenever they like, the one
// that is hotter in every hour is never the better, nor is anything gained by
// it; and a move never has a gain below 0.
func TestHotterIsNeverBetter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		base := rapid.SliceOfN(rapid.Float64Range(-5, 35), 30, 30).Draw(t, "base")
		rooms := []string{"cellar", "loft", "north-pantry"}
		var warmer [3]float64
		var air []AirRoom
		for i, name := range rooms {
			warmer[i] = float64(i) * rapid.Float64Range(0.01, 5).Draw(t, "warmer")
			if i == 2 {
				warmer[2] += warmer[1]
			}
			silent := rapid.SliceOfN(rapid.IntRange(0, 3), 14, 14).Draw(t, "silent")
			air = append(air, steady(name, 700, func(day int, _ time.Time) float64 {
				if silent[day/50] == 0 {
					return math.NaN()
				}
				return base[day%30] + warmer[i]
			}))
		}
		for _, l := range BestRooms([]Standing{wheat("cellar"), wheat("loft"), wheat("north-pantry")}, air) {
			if l.Moves.Likely < 0 || l.AlwaysGain.Likely < 0 || l.Room == "cellar" && l.Moves.Likely != 0 {
				t.Fatalf("%s gains %v and %v", l.Room, l.Moves, l.AlwaysGain)
			}
			for _, s := range l.Seasons {
				for hot := range rooms {
					for cool := range hot {
						if x := s.Rooms[cool]; s.Best == rooms[hot] && x.Not == "" {
							t.Fatalf("in %s %s is best, and %s is cooler and known (%v)", s.Season, s.Best, x.Room, *x.Rate)
						}
					}
				}
				if i := indexOf(rooms, s.Best); s.Rooms[i].Rate == nil && s.Best != l.Room {
					t.Fatalf("in %s %s is best and not known", s.Season, s.Best)
				}
			}
		}
	})
}

func indexOf(names []string, name string) int {
	for i, n := range names {
		if n == name {
			return i
		}
	}
	return -1
}
