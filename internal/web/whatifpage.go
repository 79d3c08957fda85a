package web

import (
	"cmp"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/engine"
)

// whatIfForm is the form as it was filled in.
type whatIfForm struct {
	Lot, Room, AtMost, Damp, Repack, Absorber, Sensor string
	Boxed, SincePacking                               bool
}

// asks says whether anything was asked.
func (f whatIfForm) asks() bool {
	return f.Room+f.AtMost+f.Damp+f.Repack+f.Absorber+f.Sensor != "" || f.Boxed
}

// formOf reads the form. A temperature without a unit is in that of the form,
// which names it, so that an address means the same to everyone.
func formOf(q url.Values) whatIfForm {
	get := func(name string) string { return strings.TrimSpace(q.Get(name)) }
	number := func(name string) string { return strings.Replace(get(name), ",", ".", 1) }
	f := whatIfForm{strings.Join(q["lot"], " "), get("room"), number("at_most"), number("at_most_humidity"), get("repack"), number("absorber_cm3"), get("sensor"), get("boxed") != "", get("since_packing") != ""}
	if plainNumber(f.AtMost) {
		f.AtMost += map[bool]string{true: " F", false: " C"}[get("units") == "us"]
	}
	if plainNumber(f.Damp) {
		f.Damp += " %"
	}
	f.Lot = strings.Join(strings.FieldsFunc(f.Lot, func(r rune) bool { return r == ' ' || r == ',' }), " ")
	return f
}

func plainNumber(text string) bool {
	_, err := strconv.ParseFloat(text, 64)
	return err == nil
}

func (f whatIfForm) body() (WhatIf, *refusal) {
	b := WhatIf{Room: f.Room, AtMost: f.AtMost, Damp: f.Damp, Repack: f.Repack, Sensor: f.Sensor, Boxed: f.Boxed, SincePacking: f.SincePacking}
	if f.Lot != "" {
		b.Lots = strings.Fields(f.Lot)
	}
	if f.Absorber != "" {
		v, err := strconv.ParseFloat(f.Absorber, 64)
		if err != nil {
			return b, &refusal{http.StatusUnprocessableEntity, "absorber: write its capacity in cm3, such as 300"}
		}
		b.Absorber = v
	}
	return b, nil
}

// slider is a number that a script lets drag; empty is not asked for.
type slider struct {
	ID, Label, Unit string
	Value           string // as typed
	Start           string // where the knob stands while nothing is asked
	Low, High, Step string
	Words, None     string // what the output says, the number for a {}
}

// whatIfChoices is the form with what can be chosen.
type whatIfChoices struct {
	Lots, Rooms, Containers, Absorbers, Sensors []choice
	Warm, Damp                                  slider
	US, Boxed, SincePacking                     bool
}

// usualAbsorbers are the sizes of packets that are sold, cm3 (common practice,
// no source).
func usualAbsorbers() []string { return []string{"50", "100", "300", "500", "1000", "2000"} }

// choices fills the form from the published state.
func (s *server) choices(p *pageContext, f whatIfForm) whatIfChoices {
	var lots, containers, absorbers []choice
	snap := s.Snapshot()
	if snap != nil {
		for _, l := range snap.Lots {
			if !l.Finished() {
				lots = append(lots, choice{Value: l.ID, Text: l.ID + " " + p.word(l.FoodName)})
			}
		}
		slices.SortFunc(lots, func(a, b choice) int { return cmp.Compare(a.Value, b.Value) })
	}
	for _, c := range s.Actions.Containers() {
		containers = append(containers, choice{Value: c, Text: c})
	}
	for _, a := range usualAbsorbers() {
		absorbers = append(absorbers, choice{Value: a, Text: a + " cm³"})
	}
	rooms := roomChoices(snap)
	sensors := append(slices.Clone(rooms), choice{Value: engine.Outdoors, Text: p.t("outdoors")})
	c := whatIfChoices{
		Lots: chosenOf(p.t("all in store"), f.Lot, lots), Rooms: chosenOf(p.t("where it stands"), f.Room, rooms),
		Containers: chosenOf(p.t("as it is packed"), f.Repack, containers), Absorbers: chosenOf(p.t("as it was packed"), f.Absorber, absorbers),
		Sensors: chosenOf(p.t("none"), f.Sensor, sensors), US: p.us, Boxed: f.Boxed, SincePacking: f.SincePacking,
	}
	c.Warm = slider{ID: "at_most", Label: p.t("Room at most at"), Unit: "°C", Start: "18", Low: "0", High: "35", Step: "0.5",
		Words: p.t("never above %s °C", "{}"), None: p.t("as it is"), Value: inUnit(f.AtMost, p.us)}
	if p.us {
		c.Warm.Unit, c.Warm.Start, c.Warm.Low, c.Warm.High, c.Warm.Step, c.Warm.Words = "°F", "64", "32", "95", "1", p.t("never above %s °F", "{}")
	}
	c.Damp = slider{ID: "at_most_humidity", Label: p.t("Humidity at most at"), Unit: strings.TrimSpace(p.humidity(0).symbol), Start: "55", Low: "20", High: "90", Step: "1",
		Words: p.t("never above %s %% RH", "{}"), None: p.t("as it is"), Value: strings.TrimSpace(strings.TrimSuffix(f.Damp, "%"))}
	return c
}

// inUnit is a temperature of the form, with its unit, in that of the page; what
// cannot be read stays as it was typed.
func inUnit(text string, us bool) string {
	b, no := WhatIf{AtMost: text}.question()
	if no != nil || b.Warmest == nil {
		return text
	}
	v := float64(*b.Warmest)
	if us {
		v = v*1.8 + 32
	}
	return strconv.FormatFloat(math.Round(10*v)/10, 'f', -1, 64)
}

// gainRow is one lot of an answer. Of a sensor Days is by how much the band
// would narrow, and Band from what to what.
type gainRow struct {
	Lot, Food, Room, Link string
	Days, Band, Ends, Why string
	Bar                   bandBar
}

// whatIfView is the page of a question and its answer.
type whatIfView struct {
	Problem      string
	Form         whatIfChoices
	Asked, Total string
	Sensor       bool
	Rows         []gainRow
	Climates     []string
}

func (s *server) getWhatIfPage(w http.ResponseWriter, r *http.Request) {
	p, form := s.words(r), formOf(r.URL.Query())
	v := whatIfView{Form: s.choices(p, form)}
	status := http.StatusOK
	if form.asks() {
		body, no := form.body()
		var q engine.Question
		if no == nil {
			q, no = body.question()
		}
		if no == nil {
			x, err := s.Actions.WhatIf(r.Context(), q)
			if err == nil {
				v.Asked = p.asked(p.inUnits(body, q))
				v.Total, v.Rows, v.Climates, v.Sensor = p.gainTotal(x), p.gainRows(x), p.climates(x), body.Sensor != ""
			} else {
				status, v.Problem = s.failure(r, "try another way", err)
			}
		} else {
			status, v.Problem = no.status, no.detail
		}
	}
	s.writePage(w, r, status, page{Name: "what if", Head: p.t("What if?"), Here: "/what-if", Caution: true, Scripts: []string{"review.js"}}, v)
}

// inUnits is what was asked in the units of the page.
func (p *pageContext) inUnits(b WhatIf, q engine.Question) WhatIf {
	if q.Warmest != nil {
		b.AtMost = p.celsius().text(float64(*q.Warmest))
	}
	if q.Dampest != nil {
		b.Damp = p.percent().text(float64(*q.Dampest))
	}
	return b
}

// Words say what is asked.
func (b WhatIf) Words() string { return english().asked(b) }

func (p *pageContext) asked(b WhatIf) string {
	switch b.Sensor {
	case "":
	case engine.Outdoors:
		return p.t("one more sensor, outdoors, read for a year")
	default:
		return p.t("one more sensor, in %s, read for a year", b.Sensor)
	}
	var parts []string
	say := func(is bool, text string) {
		if is {
			parts = append(parts, text)
		}
	}
	say(b.Room != "", p.t("moved to %s", b.Room))
	say(b.AtMost != "", p.t("the room at most at %s", b.AtMost))
	say(b.Damp != "", p.t("the room at most at %s relative humidity", b.Damp))
	say(b.Boxed, p.t("boxed from light"))
	say(b.Repack != "", p.t("repacked into %s", b.Repack))
	say(b.Absorber > 0, p.t("with a fresh absorber of %s cm³", strconv.FormatFloat(b.Absorber, 'f', -1, 64)))
	if b.SincePacking {
		return p.t("%s, since packing", strings.Join(parts, ", "))
	}
	return p.t("%s, from now on", strings.Join(parts, ", "))
}

func (p *pageContext) gainRows(x engine.WhatIf) []gainRow {
	var out []gainRow
	var bands []*[3]float64
	for _, g := range x.Lots {
		row := gainRow{Lot: g.Lot, Food: p.word(g.Food), Room: g.Room, Link: "/lots/" + url.PathEscape(g.Lot), Why: g.Why}
		var band *[3]float64
		if g.Not == "" {
			row.Days, row.Band = p.gained(g.Days.Likely), p.t("%s to %s", p.days(g.Days.Low), p.days(g.Days.High))
			row.Ends = p.gainEnds(g)
			band = &[3]float64{g.Days.Low, g.Days.Likely, g.Days.High}
			if g.Band != nil {
				row.Days, row.Band = p.narrower(*g.Band), p.days(g.Band.Now)+" → "+p.days(g.Band.Then)
				band = &[3]float64{0, g.Band.Then, g.Band.Now}
			}
		}
		out, bands = append(out, row), append(bands, band)
	}
	for i, bar := range bandBars(bands) {
		out[i].Bar = bar
	}
	return out
}

// GainEnds is from when to when the likely end moves.
func GainEnds(g engine.LotGain, zone *time.Location) string { return at(zone).gainEnds(g) }

func (p *pageContext) gainEnds(g engine.LotGain) string {
	if g.Band != nil {
		return p.endMonth(g.Now)
	}
	return p.endMonth(g.Now) + " → " + p.endMonth(g.Then)
}

// endMonth is the month of an end, which is zero where there is none.
func (p *pageContext) endMonth(t time.Time) string {
	if t.IsZero() {
		return p.t("beyond 100 years")
	}
	return p.date(t, "Jan 2006")
}

// Narrower says by how much a band narrows.
func Narrower(n engine.Narrowing) string { return english().narrower(n) }

func (p *pageContext) narrower(n engine.Narrowing) string {
	if n.Days() < 0.5 {
		return p.t("no narrower")
	}
	return p.t("%s narrower, by %s", p.percent().text(n.Share), p.days(n.Days()))
}

// Climates say what the climate ahead of the rooms was learned from.
func Climates(x engine.WhatIf) []string { return english().climates(x) }

func (p *pageContext) climates(x engine.WhatIf) (out []string) {
	for _, c := range x.Climates {
		out = append(out, p.t("Climate ahead of %s: forecast from %s.", c.Room, c.From))
	}
	return out
}

// Gained says a gain in days.
func Gained(d float64) string { return english().gained(d) }

func (p *pageContext) gained(d float64) string {
	switch text := p.days(d); {
	case text == p.days(0):
		return p.t("no gain")
	case d > 0:
		return "+" + text
	default:
		return text
	}
}

// GainTotal says what all lots gain together.
func GainTotal(x engine.WhatIf) string { return english().gainTotal(x) }

func (p *pageContext) gainTotal(x engine.WhatIf) string {
	if x.Tried == 0 {
		return p.t("It goes with none of these lots.")
	}
	of := strconv.Itoa(len(x.Lots))
	if n, is := bands(x); is {
		return p.t("Together the bands of the projected ends would be %s, for %s of %s.", p.narrower(n), p.lotCount(x.Tried), of)
	}
	return p.t("Together %s, %s to %s (10 to 90 %%), for %s of %s.", p.gained(x.Total.Likely), p.days(x.Total.Low), p.days(x.Total.High), p.lotCount(x.Tried), of)
}

// bands adds up those of the lots; is says whether a sensor was asked of.
func bands(x engine.WhatIf) (sum engine.Narrowing, is bool) {
	for _, g := range x.Lots {
		if g.Band != nil {
			sum.Now, sum.Then, is = sum.Now+g.Band.Now, sum.Then+g.Band.Then, true
		}
	}
	if sum.Now > 0 {
		sum.Share = 1 - sum.Then/sum.Now
	}
	return sum, is
}
