package web

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/review"
	"dryhold/internal/unit"
)

// whatIfPath is a question, though it is posted: it needs the scope read.
const whatIfPath = "/api/v1/what-if"

// WhatIf is the body of POST /api/v1/what-if, answered with an engine.WhatIf.
// What is left out stays as it is. Nothing is changed by it.
type WhatIf struct {
	Lots   []string `json:"lots,omitempty"` // those in store when left out
	Room   string   `json:"room,omitempty"`
	AtMost string   `json:"at_most,omitempty"`          // "18 C", "64 F"
	Damp   string   `json:"at_most_humidity,omitempty"` // "55 %"
	Boxed  bool     `json:"boxed,omitempty"`
	Repack string   `json:"repack,omitempty"` // a container class
	// Absorber is the capacity of a fresh one in each container.
	Absorber float64 `json:"absorber_cm3,omitempty"`
	// SincePacking asks what would be if it had been so since packing, instead
	// of from now on.
	SincePacking bool `json:"since_packing,omitempty"`
	// Sensor is where one more sensor would hang: a room, or outdoors. It is
	// asked of alone: how much surer the projected ends would be.
	Sensor string `json:"sensor,omitempty"`
}

// question reads the units.
func (b WhatIf) question() (engine.Question, *refusal) {
	q := engine.Question{Lots: b.Lots, Sensor: b.Sensor, Scenario: review.Scenario{
		Past: b.SincePacking, Room: b.Room, Boxed: b.Boxed, Container: b.Repack, AbsorberCM3: b.Absorber,
	}}
	if b.AtMost != "" {
		v, u, err := unit.Split(unit.Temperature, b.AtMost)
		if err != nil {
			return q, &refusal{http.StatusUnprocessableEntity, "at_most: " + err.Error()}
		}
		t := unit.Celsius(u.Canonical(v))
		q.Warmest = &t
	}
	if b.Damp != "" {
		v, u, err := unit.Split(unit.Humidity, b.Damp)
		if err != nil {
			return q, &refusal{http.StatusUnprocessableEntity, "at_most_humidity: " + err.Error()}
		}
		rh := unit.RH(u.Canonical(v))
		q.Dampest = &rh
	}
	return q, nil
}

func (s *server) postWhatIf(w http.ResponseWriter, r *http.Request) {
	var body WhatIf
	no := readJSON(w, r, &body)
	var q engine.Question
	if no == nil {
		q, no = body.question()
	}
	if no != nil {
		writeProblem(w, no.status, no.detail)
		return
	}
	x, err := s.Actions.WhatIf(r.Context(), q)
	if err != nil {
		status, detail := s.failure(r, "try another way", err)
		writeProblem(w, status, detail)
		return
	}
	s.writeJSON(w, r, http.StatusOK, x)
}

// whatIfForm is the form as it was filled in.
type whatIfForm struct {
	Lot, Room, AtMost, Damp, Repack, Absorber, Sensor string
	Boxed, SincePacking                               bool
}

// asks says whether anything was asked.
func (f whatIfForm) asks() bool {
	return f.Room+f.AtMost+f.Damp+f.Repack+f.Absorber+f.Sensor != "" || f.Boxed
}

func formOf(q url.Values) whatIfForm {
	get := func(name string) string { return strings.TrimSpace(q.Get(name)) }
	return whatIfForm{get("lot"), get("room"), get("at_most"), get("at_most_humidity"), get("repack"), get("absorber_cm3"), get("sensor"), get("boxed") != "", get("since_packing") != ""}
}

func (f whatIfForm) body() (WhatIf, *refusal) {
	b := WhatIf{Room: f.Room, AtMost: f.AtMost, Damp: f.Damp, Repack: f.Repack, Sensor: f.Sensor, Boxed: f.Boxed, SincePacking: f.SincePacking}
	if f.Lot != "" {
		b.Lots = strings.Fields(strings.ReplaceAll(f.Lot, ",", " "))
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

// Words say what is asked.
func (b WhatIf) Words() string {
	if b.Sensor != "" {
		return "one more sensor, " + b.place() + ", read for a year"
	}
	var parts []string
	say := func(is bool, text string) {
		if is {
			parts = append(parts, text)
		}
	}
	say(b.Room != "", "moved to "+b.Room)
	say(b.AtMost != "", "the room at most at "+b.AtMost)
	say(b.Damp != "", "the room at most at "+b.Damp+" relative humidity")
	say(b.Boxed, "boxed from light")
	say(b.Repack != "", "repacked into "+b.Repack)
	say(b.Absorber > 0, "with a fresh absorber of "+strconv.FormatFloat(b.Absorber, 'f', -1, 64)+" cm³")
	when := ", from now on"
	if b.SincePacking {
		when = ", since packing"
	}
	return strings.Join(parts, ", ") + when
}

// place is where the sensor would hang.
func (b WhatIf) place() string {
	if b.Sensor == engine.Outdoors {
		return b.Sensor
	}
	return "in " + b.Sensor
}

// gainRow is one lot of an answer. Of a sensor Days is by how much the band
// would narrow, and Band from what to what.
type gainRow struct {
	Lot, Food, Room, Link string
	Days, Band, Ends, Why string
}

// whatIfView is the page of a question and its answer.
type whatIfView struct {
	Problem      string
	Form         whatIfForm
	Asked, Total string
	Sensor       bool
	At           moment
	Rows         []gainRow
	Climates     []string
}

func (s *server) getWhatIfPage(w http.ResponseWriter, r *http.Request) {
	form := formOf(r.URL.Query())
	v := whatIfView{Form: form}
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
				p := s.words(r)
				v.Asked, v.At = body.Words(), p.moment(x.At)
				v.Total, v.Rows, v.Climates, v.Sensor = GainTotal(x), gainRows(x, s.Zone), Climates(x), body.Sensor != ""
			} else {
				status, v.Problem = s.failure(r, "try another way", err)
			}
		} else {
			status, v.Problem = no.status, no.detail
		}
	}
	s.writePage(w, r, status, page{Name: "what if", Head: s.words(r).t("What if?"), Here: "/what-if", Sub: v.Asked, Caution: true}, v)
}

func gainRows(x engine.WhatIf, zone *time.Location) []gainRow {
	var out []gainRow
	for _, g := range x.Lots {
		row := gainRow{Lot: g.Lot, Food: g.Food, Room: g.Room, Link: "/lots/" + url.PathEscape(g.Lot), Why: g.Why}
		if g.Not == "" {
			row.Days, row.Band = Gained(g.Days.Likely), days(g.Days.Low)+" to "+days(g.Days.High)
			row.Ends = GainEnds(g, zone)
			if g.Band != nil {
				row.Days, row.Band = Narrower(*g.Band), days(g.Band.Now)+" → "+days(g.Band.Then)
			}
		}
		out = append(out, row)
	}
	return out
}

// GainEnds is from when to when the likely end moves.
func GainEnds(g engine.LotGain, zone *time.Location) string {
	f := func(t time.Time) string {
		if t.IsZero() {
			return "beyond 100 years"
		}
		return t.In(zone).Format("Jan 2006")
	}
	if g.Band != nil {
		return f(g.Now)
	}
	return f(g.Now) + " → " + f(g.Then)
}

// Narrower says by how much a band narrows.
func Narrower(n engine.Narrowing) string {
	if n.Days() < 0.5 {
		return "no narrower"
	}
	return percent().text(n.Share) + " narrower, by " + days(n.Days())
}

// Climates say what the climate ahead of the rooms was learned from.
func Climates(x engine.WhatIf) []string {
	var out []string
	for _, c := range x.Climates {
		out = append(out, "Climate ahead of "+c.Room+": forecast from "+c.From+".")
	}
	return out
}

// Gained says a gain in days.
func Gained(d float64) string {
	switch text := days(d); {
	case text == "0 days":
		return "no gain"
	case d > 0:
		return "+" + text
	default:
		return text
	}
}

// GainTotal says what all lots gain together.
func GainTotal(x engine.WhatIf) string {
	if x.Tried == 0 {
		return "It goes with none of these lots."
	}
	if n, is := bands(x); is {
		return "Together the bands of the projected ends would be " + Narrower(n) + ", for " + plural(x.Tried, "lot", "lots") + " of " + strconv.Itoa(len(x.Lots)) + "."
	}
	return "Together " + Gained(x.Total.Likely) + ", " + days(x.Total.Low) + " to " + days(x.Total.High) + " (10 to 90 %), for " +
		plural(x.Tried, "lot", "lots") + " of " + strconv.Itoa(len(x.Lots)) + "."
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
