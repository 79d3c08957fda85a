package web

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/lot"
	"dryhold/internal/review"
)

// The words of this file are those of pages and command line: the pages have
// them in their language, all others in English.

// CompareCaution goes with every comparison of rooms.
const CompareCaution = "This is about quality, not safety: a better room does not make food safe. When in doubt, throw it out. Your local food-safety authority goes before this."

// gainBand is a gain in days of life a year with its band.
func (p *pageContext) gainBand(g lot.Range) string {
	if g.Low == g.High {
		return p.days(g.Likely)
	}
	return p.t("%s (%s to %s)", p.days(g.Likely), p.number(g.Low, 1), p.number(g.High, 1))
}

// BestRoomWords say what to do with a lot.
func BestRoomWords(l review.LotRooms) string { return english().bestRoom(l) }

func (p *pageContext) bestRoom(l review.LotRooms) string {
	var out []string
	say := func(text string) { out = append(out, text) }
	switch l.Advice {
	case review.AdviceMove:
		say(p.t("Move it to %s and leave it there: about %s of life gained a year.", l.Always, p.gainBand(l.AlwaysGain)))
	case review.AdviceSeasons:
		say(p.t("Move it with the seasons, %s: about %s of life gained a year.", p.seasonMoves(l), p.gainBand(l.Moves)))
		if l.AlwaysGain.Likely > 0 {
			say(p.t("All year in %s it would gain %s.", l.Always, p.days(l.AlwaysGain.Likely)))
		}
	case review.AdviceLeave:
		if l.Moves.Likely > 0 {
			say(p.t("Leave it: the best moves known would gain %s of life a year, less than a week.", p.days(l.Moves.Likely)))
		} else {
			say(p.t("Leave it: no room is known to be better."))
		}
	default:
		say(p.t("Not known: too little of %s was measured in any season to compare.", l.Room))
	}
	if l.Known > 0 && l.Known < len(l.Seasons) {
		say(p.t("Of the four seasons %s were measured well enough in %s; in the others it is taken to stay.", strconv.Itoa(l.Known), l.Room))
	}
	if l.Dark {
		say(p.t("Light reaches it and is not measured in %s, so heat alone is compared: box it to be sure.", l.Room))
	}
	return strings.Join(out, " ")
}

// seasonMoves lists the room of each season, neighbours together.
func (p *pageContext) seasonMoves(l review.LotRooms) string {
	var parts []string
	for i := 0; i < len(l.Seasons); {
		best, names := l.Seasons[i].Best, []string{p.season(l.Seasons[i].Season)}
		for i++; i < len(l.Seasons) && l.Seasons[i].Best == best; i++ {
			names = append(names, p.season(l.Seasons[i].Season))
		}
		all := names[0]
		for _, name := range names[1:] {
			all = p.t("%s and %s", all, name)
		}
		parts = append(parts, p.t("%s in %s", all, best))
	}
	return strings.Join(parts, ", ")
}

// season is a season by the name that package review gives it, which names its
// months.
func (p *pageContext) season(name string) string {
	switch name {
	case "Dec-Feb":
		return p.t("Dec-Feb")
	case "Mar-May":
		return p.t("Mar-May")
	case "Jun-Aug":
		return p.t("Jun-Aug")
	case "Sep-Nov":
		return p.t("Sep-Nov")
	case "":
		return p.t("Dec-Nov")
	}
	return name
}

// notOffered says why a room is not.
func (p *pageContext) notOffered(code string) string {
	switch code {
	case review.NotMeasured:
		return p.t("not measured enough")
	case review.NotSameTime:
		return p.t("not measured at the same time")
	case review.NotDamp:
		return p.t("too damp for its container")
	case review.NotDampKnown:
		return p.t("humidity not known, and its container lets water through")
	case review.NotLightKnown:
		return p.t("light not known")
	}
	return code
}

// BestCell tells a season of a lot in a few words: the best room with its rate
// and that at home, in days at the reference for each day.
func BestCell(s review.SeasonRooms, home string) string { return english().bestCell(s, home) }

func (p *pageContext) bestCell(s review.SeasonRooms, home string) string {
	rate := func(name string) *review.RoomRate {
		i := slices.IndexFunc(s.Rooms, func(r review.RoomRate) bool { return r.Room == name })
		if i < 0 {
			return &review.RoomRate{Room: name}
		}
		return &s.Rooms[i]
	}
	here := rate(home)
	if here.Rate == nil {
		return p.t("not known in %s", home)
	}
	if best := rate(s.Best); s.Best != home && best.Rate != nil {
		return p.t("%s %s, here %s", s.Best, p.number(*best.Rate, 2), p.number(*here.Rate, 2))
	}
	text := home + " " + p.number(*here.Rate, 2)
	// What would be cooler and is not offered wants its reason.
	for _, r := range s.Rooms {
		if r.Not != "" && r.Rate != nil && *r.Rate < *here.Rate {
			text = p.t("%s; not %s: %s", text, r.Room, p.notOffered(r.Not))
		}
	}
	return text
}

// PlaceRow is one place of a room in words.
type PlaceRow struct {
	Place, When, Warmer, Damper, Ageing, Limit string
}

// apart is a difference with its interval.
func (p *pageContext) apart(o *review.Offset, m measure) string {
	if o == nil {
		return p.t("unknown")
	}
	n := func(v float64) string {
		if v > 0 {
			return "+" + m.number(v, 1)
		}
		return m.number(v, 1)
	}
	return p.t("%s (%s to %s)", n(o.Mean)+m.symbol, n(o.Low), n(o.High))
}

// points are a difference of relative humidities.
func (p *pageContext) points() measure { return p.measure(100, 1, " "+p.t("points")) }

// PlaceRowOf puts a place into words; limit is the warm limit of its room, °C.
func PlaceRowOf(x *review.Place, limit float64, zone *time.Location) PlaceRow {
	return at(zone).placeRow(x, limit)
}

func (p *pageContext) placeRow(x *review.Place, limit float64) PlaceRow {
	row := PlaceRow{Place: x.Place, Warmer: p.apart(x.Temperature, p.kelvin()), Damper: p.apart(x.Humidity, p.points()), Ageing: p.t("unknown"), Limit: p.t("unknown")}
	row.When = p.t("%s to %s, %s beside the room's sensors", p.dayOf(x.From), p.dayOf(x.To), p.tn("%d hour", "%d hours", x.Hours))
	if x.Ageing != nil {
		row.Ageing = p.ratio(*x.Ageing)
		row.Limit = p.t("add %s: limit %s", p.kelvin().text(*x.Degrees), p.celsius().text(limit-*x.Degrees))
	}
	switch x.Not {
	case review.NoHours:
		row.When = p.t("%s: the sensor sent nothing", row.When)
	case review.NoFixed:
		row.When = p.t("%s: no fixed sensor measured the room meanwhile", row.When)
	case review.TooFewDays:
		row.When = p.t("%s: under three days, leave it there longer", row.When)
	}
	return row
}

// MapWords say which places are the extremes of a room.
func MapWords(m review.RoomMap, limit float64) []string { return english().mapped(m, limit) }

func (p *pageContext) mapped(m review.RoomMap, limit float64) []string {
	if len(m.Places) == 0 {
		return []string{p.t("No place of it was mapped: carry a sensor about, a week at each place, and say where it stands with `dryhold rooms place`.")}
	}
	if m.Hottest == "" {
		return []string{p.t("Fewer than two places are known: leave the sensor three days or more at each.")}
	}
	at := func(name string) *review.Place {
		return &m.Places[slices.IndexFunc(m.Places, func(x review.Place) bool { return x.Place == name })]
	}
	hot, cold := at(m.Hottest), at(m.Coldest)
	warmest, coldest := p.apart(hot.Temperature, p.kelvin()), p.apart(cold.Temperature, p.kelvin())
	out := []string{p.t("Hottest is %q, %s against the fixed sensors in the same hours, and coldest %q, %s.", hot.Place, warmest, cold.Place, coldest)}
	if !m.Sure {
		out[0] = p.t("Hottest is %q, %s against the fixed sensors in the same hours, and coldest %q, %s; their intervals meet, so that they are not told apart yet.", hot.Place, warmest, cold.Place, coldest)
	}
	if hot.Degrees != nil && *hot.Degrees > 0.05 {
		out = append(out, p.t("Food at %q ages %s as fast as the sensors of the room tell, as if it were %s warmer: for what stands there hold the room to %s instead of %s.",
			hot.Place, p.ratio(*hot.Ageing), p.kelvin().text(*hot.Degrees), p.celsius().text(limit-*hot.Degrees), p.celsius().text(limit)))
	}
	if m.Driest != "" {
		dry, wet := at(m.Driest), at(m.Dampest)
		a, b := p.apart(dry.Humidity, p.points()), p.apart(wet.Humidity, p.points())
		if m.SureDamp {
			out = append(out, p.t("Driest is %q, %s of relative humidity, and dampest %q, %s.", dry.Place, a, wet.Place, b))
		} else {
			out = append(out, p.t("Driest is %q, %s of relative humidity, and dampest %q, %s; their intervals meet.", dry.Place, a, wet.Place, b))
		}
	}
	return out
}

// SeasonRow is a season or a year of a room in words.
type SeasonRow struct {
	Season, Measured, Mean, Kinetic, Exposure, Beyond, Above, Degrees, Per, Verdict string
}

// SeasonRowOf puts a season into words.
func SeasonRowOf(x *review.SeasonAir) SeasonRow { return english().seasonRow(x) }

func (p *pageContext) seasonRow(x *review.SeasonAir) SeasonRow {
	degrees := func(v *float64) string {
		if v == nil {
			return p.t("unknown")
		}
		return p.celsius().text(*v)
	}
	r := SeasonRow{
		Season: p.seasonOf(x), Measured: p.percent().text(x.Coverage), Mean: degrees(x.Mean), Kinetic: degrees(x.MeanKinetic),
		Exposure: p.number(x.Exposure, 1), Beyond: p.number(x.Beyond, 1), Above: strconv.Itoa(x.Above), Degrees: p.t("no air outdoors"), Per: p.t("unknown"),
	}
	if x.Partial {
		r.Measured = p.t("%s, partial", r.Measured)
	}
	if x.Mean == nil {
		r.Exposure, r.Beyond, r.Above = p.t("unknown"), p.t("unknown"), p.t("unknown")
	}
	if x.DegreeDays != nil {
		r.Degrees = p.number(*x.DegreeDays, 0)
		if x.OutdoorCoverage < 0.9 {
			r.Degrees = p.t("%s (%s measured)", r.Degrees, p.percent().text(x.OutdoorCoverage))
		}
		r.Per = p.t("too little heat outdoors")
	}
	if x.PerDegreeDay != nil {
		r.Per = p.number(*x.PerDegreeDay*100, 2)
	}
	if x.Expected != nil {
		r.Verdict = p.verdict(x.Verdict, p.number(*x.Expected, 1))
	}
	return r
}

// verdict is a room against itself, and what it would have had a year before.
func (p *pageContext) verdict(code, expected string) string {
	switch code {
	case review.Better:
		return p.t("better room; as a year before %s days", expected)
	case review.Worse:
		return p.t("worse room; as a year before %s days", expected)
	}
	return p.t("same room; as a year before %s days", expected)
}

// seasonOf names a season, or the year of its meteorology, with its year.
func (p *pageContext) seasonOf(x *review.SeasonAir) string {
	return p.season(x.Season) + " " + strconv.Itoa(x.Year)
}

// SeasonWords say whether a room keeps heat out better or worse than a year
// before, by its latest season that can be compared.
func SeasonWords(r review.RoomSeasons, outdoors string) []string {
	return english().seasons(r, outdoors)
}

func (p *pageContext) seasons(r review.RoomSeasons, outdoors string) []string {
	var out []string
	switch {
	case r.Outdoors:
		return []string{p.t("The air outdoors.")}
	case outdoors == "":
		out = append(out, p.t("No air outdoors is measured, so nothing is normalised: a hot summer and a worse room look alike. Name the room of an outdoor sensor under `outdoor` in the configuration."))
	}
	for _, x := range slices.Backward(r.Seasons) {
		if x.Expected == nil {
			continue
		}
		name, beyond, expected := p.seasonOf(&x), p.days(x.Beyond), p.days(*x.Expected)
		switch {
		case x.Beyond < 0.05 && *x.Expected < 0.05:
			return append(out, p.t("%s: nothing beyond plan, as the year before.", name))
		case x.Verdict == review.Better:
			return append(out, p.t("%s: %s beyond plan, where the room of the year before would have had %s under the same heat outdoors; the room kept heat out better.", name, beyond, expected))
		case x.Verdict == review.Worse:
			return append(out, p.t("%s: %s beyond plan, where the room of the year before would have had %s under the same heat outdoors; the room kept heat out worse.", name, beyond, expected))
		}
		return append(out, p.t("%s: %s beyond plan, where the room of the year before would have had %s under the same heat outdoors; the room kept heat out about as well: what differs is the weather.", name, beyond, expected))
	}
	return out
}

// seasonTable is a room with its latest seasons and years, the latest first.
func (p *pageContext) seasonTable(r review.RoomSeasons, outdoors string, seasons, years int) seasonTable {
	t := seasonTable{Room: r.Room, About: p.t("warm limit and base of degree-days %s", p.celsius().text(r.Limit)), Words: p.seasons(r, outdoors)}
	for _, list := range [][]review.SeasonAir{r.Seasons[max(0, len(r.Seasons)-seasons):], r.Years[max(0, len(r.Years)-years):]} {
		for i := range slices.Backward(list) {
			t.Rows = append(t.Rows, p.seasonRow(&list[i]))
		}
	}
	return t
}
