package review

import (
	"math"
	"time"

	"dryhold/internal/kinetics"
	"dryhold/internal/room"
)

const (
	// leastDegreeDays is how much outdoor heat a season must have had to divide
	// by: a few hot hours say nothing of a room (judgement).
	leastDegreeDays = 5.0
	// changed and changedDays are by how much a room must have been better or
	// worse than the same season a year before under the same weather: a share,
	// and days at the reference (judgement).
	changed, changedDays = 0.2, 1.0
	// whole is the coverage from which a season is not called partial
	// (judgement).
	whole = 0.9
)

// Verdicts on a season against the one a year before. They are shown to
// programs: never rename.
const (
	Better = "better"
	Same   = "same"
	Worse  = "worse"
)

// SeasonAir is a room in one season, or in one meteorological year. Pointers
// are nil where a figure is not known.
type SeasonAir struct {
	Year   int    `json:"year"` // that in which it ends
	Season string `json:"season,omitempty"`
	// Coverage is the share of the whole season that was measured; below 90 %
	// the season is partial.
	Coverage float64 `json:"coverage"`
	Partial  bool    `json:"partial"`
	// All that follows is of the hours that were measured.
	Mean        *float64 `json:"mean_celsius"`
	MeanKinetic *float64 `json:"mean_kinetic_celsius"`
	Exposure    float64  `json:"exposure_days"`
	Beyond      float64  `json:"exposure_beyond_plan_days"`
	Above       int      `json:"hours_above_limit"`
	// DegreeDays are cooling degree-days of the air outdoors above the warm
	// limit of the room; nil where no air outdoors was measured.
	DegreeDays      *float64 `json:"outdoor_degree_days"`
	OutdoorCoverage float64  `json:"outdoor_coverage"`
	// PerDegreeDay is exposure beyond plan for each degree-day, both over the
	// hours known here and outdoors; nil under 5 degree-days.
	PerDegreeDay *float64 `json:"beyond_plan_per_degree_day"`
	// Expected is what Beyond would have been over those hours if the room had
	// kept heat out as in the same season a year before, and Verdict what that
	// says of the room.
	Expected *float64 `json:"expected_beyond_plan_days,omitempty"`
	Verdict  string   `json:"verdict,omitempty"`

	air  AirDay
	days int // of the calendar
}

// Dates gives the first day of a season or year and that after its last, as
// midnights in UTC.
func (x *SeasonAir) Dates() (first, after time.Time) {
	month := time.Month(0) // December of the year before
	for s := range seasonCount {
		if s.String() == x.Season {
			month = time.Month(3 * int(s))
		}
	}
	first = time.Date(x.Year, month, 1, 0, 0, 0, 0, time.UTC)
	return first, first.AddDate(0, 0, x.days)
}

// RoomSeasons is one room, season by season.
type RoomSeasons struct {
	Room string `json:"room"`
	// Limit is the warm limit: plan storage and the base of degree-days.
	Limit    float64     `json:"warm_limit_celsius"`
	Outdoors bool        `json:"outdoors,omitempty"`
	Seasons  []SeasonAir `json:"seasons"`
	Years    []SeasonAir `json:"years"` // from December to November
}

// SeasonsOf tells the seasons of a room, those of which nothing was measured
// left out, and the years they make up.
//
// A degree-day is the sum of what hourly means of the air outdoors are above a
// base, divided by 24. Accumulated temperature differences from hourly means
// are those of ISO 15927-6:2007 (its scope read; it defines them for heating);
// with the sign turned they are the cooling degree-days of the ASHRAE Handbook,
// Fundamentals (quoted by a glossary, read). The base is the warm limit of the
// room, since it is heat above that which costs life beyond plan (judgement).
func SeasonsOf(r AirRoom) RoomSeasons {
	out := RoomSeasons{Room: r.Name, Limit: float64(r.Plan), Outdoors: r.Open, Seasons: []SeasonAir{}, Years: []SeasonAir{}}
	var all []SeasonAir
	for i, d := range dates(r.First, len(r.Days)) {
		if n := len(all); n == 0 || all[n-1].Year != d.Year || all[n-1].Season != d.Season.String() {
			all = append(all, SeasonAir{Year: d.Year, Season: d.Season.String(), days: d.calendar()})
		}
		x := &all[len(all)-1]
		x.air = x.air.Add(r.Days[i])
	}
	for _, x := range all {
		if x.air.Known == 0 && x.air.Outdoors == 0 {
			continue
		}
		if n := len(out.Years); n == 0 || out.Years[n-1].Year != x.Year {
			out.Years = append(out.Years, SeasonAir{Year: x.Year, days: yearDays(x.Year)})
		}
		y := &out.Years[len(out.Years)-1]
		y.air = y.air.Add(x.air)
		out.Seasons = append(out.Seasons, x)
	}
	for _, list := range [][]SeasonAir{out.Seasons, out.Years} {
		for i := range list {
			list[i].tell()
			for j := range list[:i] {
				if !r.Open && list[j].Season == list[i].Season && list[j].Year == list[i].Year-1 {
					list[i].against(&list[j])
				}
			}
		}
	}
	return out
}

// calendar is how many days the season has in its year.
func (d dated) calendar() int {
	first := time.Date(d.Year, time.Month(3*int(d.Season)), 1, 0, 0, 0, 0, time.UTC) // month 0 is December of the year before
	return int(first.AddDate(0, 3, 0).Sub(first).Hours() / 24)
}

func yearDays(year int) int {
	first := time.Date(year, 0, 1, 0, 0, 0, 0, time.UTC)
	return int(first.AddDate(1, 0, 0).Sub(first).Hours() / 24)
}

// tell works out what the sums say.
func (x *SeasonAir) tell() {
	a, hours := &x.air, float64(24*x.days)
	x.Coverage, x.OutdoorCoverage = min(1, float64(a.Known)/hours), min(1, float64(a.Outdoors)/hours)
	x.Partial = x.Coverage < whole
	x.Exposure, x.Beyond, x.Above = a.Ageing, a.Beyond, a.Above
	if a.Known > 0 {
		mean := a.Heat / float64(a.Known)
		x.Mean = &mean
		if t, err := kinetics.EffectiveTemperature(room.AirEa, room.Reference, a.Ageing/(float64(a.Known)/24)); err == nil {
			v := float64(t)
			x.MeanKinetic = &v
		}
	}
	if a.Outdoors > 0 {
		x.DegreeDays = &a.DegreeDays
	}
	if a.BothDegreeDays >= leastDegreeDays {
		per := a.BothBeyond / a.BothDegreeDays
		x.PerDegreeDay = &per
	}
}

// against holds a season against the same one a year before.
func (x *SeasonAir) against(before *SeasonAir) {
	if x.PerDegreeDay == nil || before.PerDegreeDay == nil || x.Partial || before.Partial {
		return
	}
	expected := *before.PerDegreeDay * x.air.BothDegreeDays
	x.Expected, x.Verdict = &expected, Same
	switch more := x.air.BothBeyond - expected; {
	case math.Abs(more) < max(changedDays, changed*expected):
	case more < 0:
		x.Verdict = Better
	default:
		x.Verdict = Worse
	}
}
