package web

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/lot"
	"dryhold/internal/review"
)

// CompareCaution goes with every comparison of rooms.
const CompareCaution = "This is about quality, not safety: a better room does not make food safe. When in doubt, throw it out. Your local food-safety authority goes before this."

// GainBand is a gain in days of life a year with its band.
func GainBand(g lot.Range) string {
	if g.Low == g.High {
		return days(g.Likely)
	}
	return days(g.Likely) + " (" + decimal(g.Low, 1) + " to " + decimal(g.High, 1) + ")"
}

// BestRoomWords say what to do with a lot.
func BestRoomWords(l review.LotRooms) string {
	var out []string
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	switch l.Advice {
	case review.AdviceMove:
		say("Move it to %s and leave it there: about %s of life gained a year.", l.Always, GainBand(l.AlwaysGain))
	case review.AdviceSeasons:
		say("Move it with the seasons, %s: about %s of life gained a year.", seasonMoves(l), GainBand(l.Moves))
		if l.AlwaysGain.Likely > 0 {
			say("All year in %s it would gain %s.", l.Always, days(l.AlwaysGain.Likely))
		}
	case review.AdviceLeave:
		if l.Moves.Likely > 0 {
			say("Leave it: the best moves known would gain %s of life a year, less than a week.", days(l.Moves.Likely))
		} else {
			say("Leave it: no room is known to be better.")
		}
	default:
		say("Not known: too little of %s was measured in any season to compare.", l.Room)
	}
	if l.Known > 0 && l.Known < len(l.Seasons) {
		say("Of the four seasons %d were measured well enough in %s; in the others it is taken to stay.", l.Known, l.Room)
	}
	if l.Dark {
		say("Light reaches it and is not measured in %s, so heat alone is compared: box it to be sure.", l.Room)
	}
	return strings.Join(out, " ")
}

// seasonMoves lists the room of each season, neighbours together.
func seasonMoves(l review.LotRooms) string {
	var parts []string
	for _, s := range l.Seasons {
		if n := len(parts); n > 0 && strings.HasSuffix(parts[n-1], " in "+s.Best) {
			parts[n-1] = strings.TrimSuffix(parts[n-1], " in "+s.Best) + " and " + s.Season + " in " + s.Best
			continue
		}
		parts = append(parts, s.Season+" in "+s.Best)
	}
	return strings.Join(parts, ", ")
}

// notOffered says why a room is not.
func notOffered(code string) string {
	switch code {
	case review.NotMeasured:
		return "not measured enough"
	case review.NotSameTime:
		return "not measured at the same time"
	case review.NotDamp:
		return "too damp for its container"
	case review.NotDampKnown:
		return "humidity not known, and its container lets water through"
	case review.NotLightKnown:
		return "light not known"
	}
	return code
}

// BestCell tells a season of a lot in a few words: the best room with its rate
// and that at home, in days at the reference for each day.
func BestCell(s review.SeasonRooms, home string) string {
	rate := func(name string) *review.RoomRate {
		i := slices.IndexFunc(s.Rooms, func(r review.RoomRate) bool { return r.Room == name })
		if i < 0 {
			return &review.RoomRate{Room: name}
		}
		return &s.Rooms[i]
	}
	here := rate(home)
	if here.Rate == nil {
		return "not known in " + home
	}
	text := home + " " + decimal(*here.Rate, 2)
	if best := rate(s.Best); s.Best != home && best.Rate != nil {
		return s.Best + " " + decimal(*best.Rate, 2) + ", here " + decimal(*here.Rate, 2)
	}
	// What would be cooler and is not offered wants its reason.
	for _, r := range s.Rooms {
		if r.Not != "" && r.Rate != nil && *r.Rate < *here.Rate {
			text += "; not " + r.Room + ": " + notOffered(r.Not)
		}
	}
	return text
}

// PlaceRow is one place of a room in words.
type PlaceRow struct {
	Place, When, Warmer, Damper, Ageing, Limit string
}

// apart is a difference with its interval.
func apart(o *review.Offset, times float64, unit string) string {
	if o == nil {
		return "unknown"
	}
	n := func(v float64) string {
		if v > 0 {
			return "+" + decimal(v*times, 1)
		}
		return decimal(v*times, 1)
	}
	return n(o.Mean) + unit + " (" + n(o.Low) + " to " + n(o.High) + ")"
}

// PlaceRowOf puts a place into words; limit is the warm limit of its room, °C.
func PlaceRowOf(p *review.Place, limit float64, zone *time.Location) PlaceRow {
	date := func(t time.Time) string { return t.In(zone).Format("2 Jan 2006") }
	row := PlaceRow{Place: p.Place, When: date(p.From) + " to " + date(p.To) + ", " + plural(p.Hours, "hour", "hours") + " beside the room's sensors"}
	row.Warmer, row.Damper, row.Ageing, row.Limit = apart(p.Temperature, 1, " K"), apart(p.Humidity, 100, " points"), "unknown", "unknown"
	if p.Ageing != nil {
		row.Ageing = times(*p.Ageing)
		row.Limit = "add " + decimal(*p.Degrees, 1) + " K: limit " + celsius().text(limit-*p.Degrees)
	}
	switch p.Not {
	case review.NoHours:
		row.When += ": the sensor sent nothing"
	case review.NoFixed:
		row.When += ": no fixed sensor measured the room meanwhile"
	case review.TooFewDays:
		row.When += ": under three days, leave it there longer"
	}
	return row
}

// MapWords say which places are the extremes of a room.
func MapWords(m review.RoomMap, limit float64) []string {
	if len(m.Places) == 0 {
		return []string{"No place of it was mapped: carry a sensor about, a week at each place, and say where it stands with `dryhold rooms place`."}
	}
	if m.Hottest == "" {
		return []string{"Fewer than two places are known: leave the sensor three days or more at each."}
	}
	at := func(name string) *review.Place {
		return &m.Places[slices.IndexFunc(m.Places, func(p review.Place) bool { return p.Place == name })]
	}
	hot, cold := at(m.Hottest), at(m.Coldest)
	text := fmt.Sprintf("Hottest is %q, %s against the fixed sensors in the same hours, and coldest %q, %s", hot.Place, apart(hot.Temperature, 1, " K"), cold.Place, apart(cold.Temperature, 1, " K"))
	if !m.Sure {
		text += "; their intervals meet, so that they are not told apart yet"
	}
	out := []string{text + "."}
	if hot.Degrees != nil && *hot.Degrees > 0.05 {
		out = append(out, fmt.Sprintf("Food at %q ages %s as fast as the sensors of the room tell, as if it were %s K warmer: for what stands there hold the room to %s instead of %s.",
			hot.Place, times(*hot.Ageing), decimal(*hot.Degrees, 1), celsius().text(limit-*hot.Degrees), celsius().text(limit)))
	}
	if m.Driest != "" {
		dry, wet := at(m.Driest), at(m.Dampest)
		text := fmt.Sprintf("Driest is %q, %s of relative humidity, and dampest %q, %s", dry.Place, apart(dry.Humidity, 100, " points"), wet.Place, apart(wet.Humidity, 100, " points"))
		if !m.SureDamp {
			text += "; their intervals meet"
		}
		out = append(out, text+".")
	}
	return out
}

// SeasonRow is a season or a year of a room in words.
type SeasonRow struct {
	Season, Measured, Mean, Kinetic, Exposure, Beyond, Above, Degrees, Per, Verdict string
}

// SeasonRowOf puts a season into words.
func SeasonRowOf(x *review.SeasonAir) SeasonRow {
	degrees := func(v *float64) string {
		if v == nil {
			return "unknown"
		}
		return celsius().text(*v)
	}
	r := SeasonRow{
		Season: strings.TrimSpace(x.Season + " " + strconv.Itoa(x.Year)), Measured: decimal(100*x.Coverage, 0) + " %", Mean: degrees(x.Mean), Kinetic: degrees(x.MeanKinetic),
		Exposure: decimal(x.Exposure, 1), Beyond: decimal(x.Beyond, 1), Above: strconv.Itoa(x.Above), Degrees: "no air outdoors", Per: "unknown",
	}
	if x.Season == "" {
		r.Season = "Dec-Nov " + strconv.Itoa(x.Year)
	}
	if x.Partial {
		r.Measured += ", partial"
	}
	if x.Mean == nil {
		r.Exposure, r.Beyond, r.Above = "unknown", "unknown", "unknown"
	}
	if x.DegreeDays != nil {
		r.Degrees = decimal(*x.DegreeDays, 0)
		if x.OutdoorCoverage < 0.9 {
			r.Degrees += " (" + decimal(100*x.OutdoorCoverage, 0) + " % measured)"
		}
		r.Per = "too little heat outdoors"
	}
	if x.PerDegreeDay != nil {
		r.Per = decimal(*x.PerDegreeDay*100, 2)
	}
	if x.Expected != nil {
		r.Verdict = fmt.Sprintf("%s; as a year before %s days", map[string]string{review.Better: "better room", review.Same: "same room", review.Worse: "worse room"}[x.Verdict], decimal(*x.Expected, 1))
	}
	return r
}

// SeasonWords say whether a room keeps heat out better or worse than a year
// before, by its latest season that can be compared.
func SeasonWords(r review.RoomSeasons, outdoors string) []string {
	var out []string
	switch {
	case r.Outdoors:
		return []string{"The air outdoors."}
	case outdoors == "":
		out = append(out, "No air outdoors is measured, so nothing is normalised: a hot summer and a worse room look alike. Name the room of an outdoor sensor under `outdoor` in the configuration.")
	}
	for _, x := range slices.Backward(r.Seasons) {
		if x.Expected == nil {
			continue
		}
		if x.Beyond < 0.05 && *x.Expected < 0.05 {
			out = append(out, fmt.Sprintf("%s %d: nothing beyond plan, as the year before.", x.Season, x.Year))
			break
		}
		verdict := "the room kept heat out about as well: what differs is the weather"
		switch x.Verdict {
		case review.Better:
			verdict = "the room kept heat out better"
		case review.Worse:
			verdict = "the room kept heat out worse"
		}
		out = append(out, fmt.Sprintf("%s %d: %s beyond plan, where the room of the year before would have had %s under the same heat outdoors; %s.", x.Season, x.Year, days(x.Beyond), days(*x.Expected), verdict))
		break
	}
	return out
}

// seasonTableOf is a room with its latest seasons and years, the latest first.
func seasonTableOf(r review.RoomSeasons, outdoors string, seasons, years int) seasonTable {
	t := seasonTable{Room: r.Room, About: "warm limit and base of degree-days " + celsius().text(r.Limit), Words: SeasonWords(r, outdoors)}
	for _, list := range [][]review.SeasonAir{r.Seasons[max(0, len(r.Seasons)-seasons):], r.Years[max(0, len(r.Years)-years):]} {
		for i := range slices.Backward(list) {
			t.Rows = append(t.Rows, SeasonRowOf(&list[i]))
		}
	}
	return t
}
