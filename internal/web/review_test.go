package web

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/google/go-cmp/cmp"
	"golang.org/x/net/html"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/note"
	"dryhold/internal/review"
	"dryhold/internal/secret"
)

// lossOf is a cost of which heat is known, as a share.
func lossOf(heat float64) review.Cost {
	return review.Cost{Plain: 0.2, Lost: review.Parts{Heat: heat, Moisture: 0.01, Oxygen: -0.002, Light: 0.001}, More: 0.01}
}

// reviewed are two invented lots: one that a hot week in the loft has cost
// much, one that the cellar has spared.
func reviewed() []review.Review {
	hot := review.Spell{Room: "loft", Kind: review.Excursion, From: ago(240 * time.Hour), To: ago(72 * time.Hour), Warm: true, Hottest: 36.2}
	return []review.Review{{
		Lot: "L-1", Food: "hard-wheat", Room: "cellar", At: noon(), Mode: "staling", Life: 10_000, KG: 20, Cost: lossOf(-0.03), Left: 0.8,
		Months: []review.Span{{Year: 2026, Month: 7, Cost: lossOf(-0.03)}}, Years: []review.Span{{Year: 2026, Cost: lossOf(-0.03)}}, Rooms: []review.InRoom{{Room: "cellar", Cost: lossOf(-0.03)}},
	}, {
		Lot: "L-2", Food: "brown-rice", Room: "loft", At: noon(), Mode: "oxidation", Life: 200, KG: 10, PricePerKG: 2.34, Cost: lossOf(0.3), Left: 0.5,
		Months: []review.Span{{Year: 2026, Month: 7, Cost: lossOf(0.3)}}, Years: []review.Span{{Year: 2026, Cost: lossOf(0.3)}}, Rooms: []review.InRoom{{Room: "loft", Cost: lossOf(0.3)}},
		Events: []review.Event{{Spell: review.Spell{Room: "loft", Kind: review.Moved, From: ago(2400 * time.Hour), To: noon()}, Cost: lossOf(0.1)}, {Spell: hot, Cost: lossOf(0.2)}},
	}}
}

func (k *keeper) Review(_ context.Context, f ReviewFilter) (ReviewAnswer, error) {
	if f.Lot == "L-9" {
		return ReviewAnswer{}, lot.NotFound("there is no lot %q", f.Lot)
	}
	all := reviewed()
	if f.Lot == "long" {
		all[1].Lot, all[1].Food, all[1].Events[1].Room, all[1].Rooms[0].Room = strings.Repeat("W", 120), strings.Repeat("W", 120), strings.Repeat("W", 120), strings.Repeat("W", 120)
	}
	return NewReviewAnswer("Larch House", noon(), f, all, func(id string) string { return "Food " + id }), k.note("review %q %q %d", f.Lot, f.Room, f.Year)
}

func (k *keeper) WhatIf(_ context.Context, q engine.Question) (engine.WhatIf, error) {
	asked := fmt.Sprintf("what if %v %q %v %v %v %q %g", q.Lots, q.Room, q.Past, q.Boxed, q.Warmest != nil, q.Container, q.AbsorberCM3)
	if q.Warmest != nil {
		asked += fmt.Sprintf(" %.1f", float64(*q.Warmest))
	}
	if q.Dampest != nil {
		asked += fmt.Sprintf(" %.2f", float64(*q.Dampest))
	}
	if q.Sensor != "" {
		return engine.WhatIf{At: noon(), Tried: 2, Lots: []engine.LotGain{
			{Gain: review.Gain{Lot: "L-1"}, Band: &engine.Narrowing{Now: 400, Then: 100, Share: 0.75}, Food: "Hard wheat", Room: "loft", Now: noon().AddDate(10, 0, 0)},
			{Gain: review.Gain{Lot: "L-2"}, Band: &engine.Narrowing{Now: 200, Then: 200}, Food: "Brown rice", Room: "cellar"},
		}, Climates: []engine.Learned{{Room: "loft", From: "30 days of readings of loft"}}}, k.note("%s, sensor %s", asked, q.Sensor)
	}
	if q.Room == "nowhere" {
		return engine.WhatIf{}, lot.NotFound("there is no room %q", q.Room)
	}
	return engine.WhatIf{At: noon(), Tried: 1, Total: engine.Estimate{Low: 100, Likely: 812.4, High: 900}, Lots: []engine.LotGain{
		{Gain: review.Gain{Lot: "L-1", Days: lot.Range{Low: 100, Likely: 812.4, High: 900}}, Food: "Hard wheat", Room: "loft", Now: noon().AddDate(10, 0, 0), NowBy: "staling"},
		{Gain: review.Gain{Lot: "L-2", Not: review.NotDry}, Food: "Brown rice", Room: "loft", Why: "the food is too moist to be packed without oxygen"},
	}}, k.note("%s", asked)
}

func (k *keeper) UseFirst(context.Context) (UseFirstAnswer, error) {
	turn := review.Turn{Stock: review.Stock{Lot: "L-2", Food: "brown-rice", KG: 10, Early: noon().AddDate(0, 5, 0), Likely: noon().AddDate(1, 0, 0), By: "oxidation"}}
	hot := reviewed()[1].Events[1].Spell
	x := UseFirstAnswer{Site: "Larch House", At: noon(), Caution: UseFirstCaution, Lots: []UseTurn{{Turn: turn, FoodName: "Brown rice", Container: "PET bottle, 2 L", Room: "loft", Count: 6}}}
	x.Lots[0].Reasons = []review.Reason{{Code: review.EndsEarly, Days: 153, Name: "oxidation"}, {Code: review.LostMost, Name: "heat", Days: 60, Share: 0.3}, {Code: review.WorstWas, Name: "loft", Days: 40, Spell: &hot}}
	for _, r := range x.Lots[0].Reasons {
		x.Lots[0].Words = append(x.Lots[0].Words, ReasonWords(r, time.UTC))
	}
	plan := review.Rotation{Eating: review.Eating{Food: "brown-rice", KGPerMonth: 1}, KG: 10, InTime: 5, Late: 5, Lots: []review.Meal{{Lot: "L-2", From: noon(), To: noon().AddDate(0, 5, 0), InTime: 5, Late: 5, By: noon().AddDate(0, 5, 0)}}}
	plan.Tasks = []review.Task{{Code: review.GiveAway, Lot: "L-2", KG: 5, By: noon()}}
	x.Plans = []UsePlan{{plan, "Brown rice", []string{TaskWords(plan.Tasks[0], "Brown rice", time.UTC)}}}
	x.Supply = &review.Supply{Persons: 2, Need: 2100, Days: lot.Range{Low: 8, Likely: 8.6, High: 9}, Foods: []review.FoodSupply{{Food: "brown-rice", KG: 10, Days: 8.6, Source: "an invented table"}}}
	x.Words = SupplyWords(x.Supply)
	return x, k.note("use first")
}

func (k *keeper) Report(_ context.Context, o ReportOrder) (ReportFile, error) {
	day := func(t time.Time) string {
		if t.IsZero() {
			return "-"
		}
		return t.Format(time.RFC3339)
	}
	if o.Format == "odt" {
		return ReportFile{}, lot.Invalid("no report can be written as %q", o.Format)
	}
	return ReportFile{"review.html", "text/html; charset=utf-8", []byte("<style>p{}</style>")}, k.note("report %s %s %q %q %s", day(o.From), day(o.To), o.Room, o.Lot, o.Format)
}

func TestReviewAnswers(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	res := ask(t, h, http.MethodGet, "/api/v1/review?lot=L-2&room=loft", "")
	var x ReviewAnswer
	if err := json.NewDecoder(res.Body).Decode(&x); err != nil || res.StatusCode != http.StatusOK {
		t.Fatalf("%d: %v", res.StatusCode, err)
	}
	// 0.3 of 200 days and -0.03 of 10000 days of heat.
	if got := x.House.Cost.Days.Lost.Heat; got < -240.001 || got > -239.999 || len(x.Lots) != 2 || x.Lots[0].Lot != "L-2" || x.Lots[0].Mass.Lost.Heat != 3 {
		t.Errorf("%v: %+v", got, x.Lots)
	}
	wantProblem(t, ask(t, h, http.MethodGet, "/api/v1/review?lot=L-9", ""), http.StatusNotFound, `no lot "L-9"`)
	wantWords(t, shown(t, h, "/review?lot=L-9", http.StatusNotFound), "No review", `no lot "L-9"`)
	wantProblem(t, ask(t, h, http.MethodGet, "/api/v1/review?year=MMXXVI", ""), http.StatusUnprocessableEntity, "write 2026")
	doc := shown(t, h, "/review", http.StatusOK)
	wantWords(t, doc, "What storage has cost", "gained beyond plan storage", "loft, too warm, up to 36.2 °C, 4 Jul 2026 to 11 Jul 2026", "the cost of heat alone", "What lost most", "Moves", "−300.0",
		"On paper 7.23 lost", "this leaves out 1 lot", "compressor failed")
	// An event leads to its room at that time, and to a note of it.
	for _, want := range []string{"/room/loft?from=2026-07-04T12%3A30%3A00Z&to=2026-07-11T12%3A30%3A00Z", "/review/notes?from=2026-07-04T12%3A30%3A00Z&room=loft&to=2026-07-11T12%3A30%3A00Z"} {
		only(t, doc, "a", func(n *html.Node) bool { return attr(n, "href") == want })
	}
	wantWords(t, shown(t, h, "/review?lot=L-2&room=loft&year=2026", http.StatusOK), "Of lot L-2, of its time in loft, in 2026.", "Show all")
	if d := k.seen(); !slices.Contains(d, `review "L-2" "loft" 0`) || !slices.Contains(d, `review "L-2" "loft" 2026`) {
		t.Errorf("asked %q", d)
	}
}

// The tables of the page are what programs get, rounded, and the charts have
// one column for each month and one bar for each room of them.
func TestReviewTablesEqualTheData(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	var x ReviewAnswer
	if err := json.NewDecoder(ask(t, h, http.MethodGet, "/api/v1/review", "").Body).Decode(&x); err != nil {
		t.Fatal(err)
	}
	doc := shown(t, h, "/review", http.StatusOK)
	rows := func(caption string) (out []string) {
		table := only(t, doc, "table", func(n *html.Node) bool { return words(only(t, n, "caption", nil)) == caption })
		for _, r := range all(only(t, table, "tbody", nil), "tr", nil) {
			var cells []string
			for _, c := range all(r, "td", nil) {
				cells = append(cells, words(c))
			}
			out = append(out, strings.Join(cells, " "))
		}
		return out
	}
	row := func(c review.Sums) string {
		d := c.Days.Lost
		paper := "not told"
		if c.Paper.Priced > 0 {
			paper = fmt.Sprintf("%.2f", c.Paper.Lost)
			if c.Paper.Unpriced > 0 {
				paper += " without 1 lot"
			}
		}
		return strings.ReplaceAll(fmt.Sprintf("%.1f %.1f %.1f %.1f %.1f %.2f %s", d.Heat, d.Moisture, d.Oxygen, d.Light, d.Sum(), c.KG.Lost.Sum(), paper), "-", "−")
	}
	f := func(caption string, want ...string) {
		t.Helper()
		if d := cmp.Diff(want, rows(caption)); d != "" {
			t.Errorf("%s (-data +page):\n%s", caption, d)
		}
	}
	f("By month", row(x.House.Months[0].Cost))
	f("By year", row(x.House.Years[0].Cost))
	f("By room", row(x.House.Rooms[0].Cost), row(x.House.Rooms[1].Cost))
	f("What lost most: excursions and gaps", row(x.House.Events[0].Cost))
	plot := only(t, doc, "svg", func(n *html.Node) bool { return attr(n, "class") == "plot" })
	if n := len(all(plot, "g", nil)); n != len(x.House.Months) || attr(plot, "role") != "img" || attr(plot, "aria-label") == "" {
		t.Errorf("%d columns for %d months", n, len(x.House.Months))
	}
	bars := only(t, doc, "ul", func(n *html.Node) bool { return attr(n, "class") == "bars" })
	if n := len(all(bars, "li", nil)); n != len(x.House.Rooms) {
		t.Errorf("%d bars for %d rooms", n, len(x.House.Rooms))
	}
	wantWords(t, doc, "In 1 month storage has gained 148 days in all.", "The time in loft has cost most, 61.8 days; that in cellar has gained 210 days.")
}

// A stretch of a room's time is noted and taken back by forms, which keep what
// was typed when it is refused.
func TestNotingForms(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	at := "/review/notes?" + url.Values{"room": {"loft"}, "from": {"2026-07-04T12:30:00Z"}, "to": {"2026-07-11T12:30:00Z"}}.Encode()
	doc := shown(t, h, at, http.StatusOK)
	wantWords(t, doc, "loft, 4 Jul 2026 14:30 CEST – 11 Jul 2026 14:30 CEST")
	post := func(path, body string, want int) *http.Response {
		t.Helper()
		res := ask(t, h, http.MethodPost, path, body, "Content-Type", "application/x-www-form-urlencoded")
		if res.StatusCode != want {
			t.Fatalf("POST %s: %d, want %d", path, res.StatusCode, want)
		}
		return res
	}
	form := func(change ...string) string {
		q := url.Values{}
		for _, in := range all(only(t, doc, "main", nil), "input", nil) {
			q.Set(attr(in, "name"), attr(in, "value"))
		}
		for i := 0; i < len(change); i += 2 {
			q.Set(change[i], change[i+1])
		}
		return q.Encode()
	}
	res := post("/review/notes", form("text", "compressor failed", "by", "Mara"), http.StatusSeeOther)
	told := func(want note.Change) {
		t.Helper()
		var got note.Change
		calls := k.seen()
		if err := json.Unmarshal([]byte(strings.TrimPrefix(calls[len(calls)-1], "note of a room ")), &got); err != nil {
			t.Fatalf("%v: %q", err, calls)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("kept (-want +got):\n%s", d)
		}
	}
	if to := res.Header.Get("Location"); to != "/review#notes" {
		t.Errorf("sent to %s", to)
	}
	told(note.Change{Kind: note.Noted, Room: "loft", From: ago(240 * time.Hour), To: ago(72 * time.Hour), Text: "compressor failed", By: "Mara"})
	again := post("/review/notes", form("from", "yesterday", "text", "x", "by", "Mara"), http.StatusUnprocessableEntity)
	if body := text(t, again); !strings.Contains(body, "is no time") || !strings.Contains(body, `value="x"`) {
		t.Error("a refused note is not told why, or loses its words")
	}
	wantWords(t, shown(t, h, "/review/notes/1/revoke", http.StatusOK), "compressor failed", "Take it back")
	post("/review/notes/1/revoke", "text=it+was+the+fuse&by=Mara", http.StatusSeeOther)
	told(note.Change{Kind: note.Revoked, Revokes: 1, Text: "it was the fuse", By: "Mara"})
	shown(t, h, "/review/notes/2/revoke", http.StatusNotFound) // it was taken back
}

func TestWhatIfAnswers(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	post := func(body string) *http.Response { return ask(t, h, http.MethodPost, "/api/v1/what-if", body) }
	if res := post(`{"lots":["L-1"],"at_most":"64.4F","at_most_humidity":"55 %","repack":"foil-pouch-4l","absorber_cm3":300,"since_packing":true}`); res.StatusCode != http.StatusOK {
		t.Fatalf("%d", res.StatusCode)
	}
	// 64.4 °F is 18 °C.
	if got, want := k.seen(), `what if [L-1] "" true false true "foil-pouch-4l" 300 18.0 0.55`; len(got) != 1 || got[0] != want {
		t.Errorf("asked %q, want %q", got, want)
	}
	wantProblem(t, post(`{"at_most":"18"}`), http.StatusUnprocessableEntity, "at_most")
	wantProblem(t, post(`{"at_most_humidity":"18 C"}`), http.StatusUnprocessableEntity, "at_most_humidity")
	wantProblem(t, post(`{"room":"nowhere"}`), http.StatusNotFound, "nowhere")
	wantProblem(t, post(`{"rooms":"x"}`), http.StatusBadRequest, "rooms")
	doc := shown(t, h, "/what-if?lot=L-1,L-2&at_most=18+C&boxed=yes&absorber_cm3=300", http.StatusOK)
	wantWords(t, doc, "the room at most at 18.0 °C, boxed from light, with a fresh absorber of 300 cm³, from now on", "Together +812 days, 100 days to 900 days (10 to 90 %), for 1 lot of 2.", "Jul 2036 → beyond 100 years", "does not go: the food is too moist")
	doc = shown(t, h, "/what-if?sensor=outdoors", http.StatusOK)
	wantWords(t, doc, "one more sensor, outdoors, read for a year", "75 % narrower, by 300 days", "no narrower", "400 days → 100 days", "Together the bands of the projected ends would be 50 % narrower, by 300 days, for 2 lots of 2.", "Climate ahead of loft: forecast from 30 days of readings of loft.")
	if got := k.seen(); !strings.HasSuffix(got[len(got)-1], "sensor outdoors") {
		t.Errorf("asked %q", got)
	}
	// A number without a unit is in that of the form, and shown in that of who reads it.
	wantWords(t, shown(t, h, "/what-if?at_most=64%2C4&units=us&at_most_humidity=55", http.StatusOK), "the room at most at 18.0 °C, the room at most at 55 % relative humidity, from now on")
	wantWords(t, shown(t, h, "/what-if?room=nowhere", http.StatusNotFound), `no room "nowhere"`)
	wantWords(t, shown(t, h, "/what-if?at_most=warm", http.StatusUnprocessableEntity), "at_most")
	wantWords(t, shown(t, h, "/what-if?absorber_cm3=big", http.StatusUnprocessableEntity), "such as 300")
	before := len(k.seen())
	wantWords(t, shown(t, h, "/what-if?lot=L-1", http.StatusOK), "Ask")
	if got := k.seen(); len(got) != before {
		t.Errorf("a form not filled in asked %q", got[before:])
	}
}

// A question is posted and needs no more than looking does.
func TestWhatIfIsReading(t *testing.T) {
	for path, want := range map[string]secret.Scope{"/api/v1/what-if": secret.Read, "/api/v1/lots": secret.Keep, "/api/v1/refold": secret.Admin} {
		r, err := http.NewRequest(http.MethodPost, "http://127.0.0.1"+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		if got := needed(r); got != want {
			t.Errorf("POST %s needs %q, want %q", path, got, want)
		}
	}
}

func TestUseFirstAnswers(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	var x UseFirstAnswer
	if err := json.NewDecoder(ask(t, h, http.MethodGet, "/api/v1/use-first", "").Body).Decode(&x); err != nil || len(x.Lots) != 1 || x.Caution != UseFirstCaution {
		t.Fatalf("%+v: %v", x, err)
	}
	wantWords(t, shown(t, h, "/use-first", http.StatusOK), "Use first", "When in doubt, throw it out.", "1. L-2 Brown rice, 10 kg", "Dec 2026", "may end by oxidation in 153 days",
		"heat has cost it 60.0 days, 30 % of its life", "feeds 2 persons at 2100 kcal a day each for about 9 days (8 to 9), by energy alone", "Give away or swap 5.0 kg of L-2 (Brown rice)")
}

func TestReportIsAFile(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	res := ask(t, h, http.MethodGet, "/api/v1/report?from=2026-01-01&to=2026-06-30&room=loft&lot=L-1&format=html", "")
	var body bytes.Buffer
	if _, err := body.ReadFrom(res.Body); err != nil || res.StatusCode != http.StatusOK {
		t.Fatalf("%d: %v", res.StatusCode, err)
	}
	// The policy of the pages goes with it, and the browser does not show it as one.
	if got := res.Header.Get("Content-Disposition"); got != `attachment; filename="review.html"` || res.Header.Get("Content-Security-Policy") != contentSecurity {
		t.Errorf("%q, %q", got, res.Header.Get("Content-Security-Policy"))
	}
	if got, want := k.seen(), `report 2026-01-01T00:00:00+01:00 2026-06-30T00:00:00+02:00 "loft" "L-1" html`; len(got) != 1 || got[0] != want {
		t.Errorf("ordered %q, want %q", got, want)
	}
	wantProblem(t, ask(t, h, http.MethodGet, "/api/v1/report?from=yesterday", ""), http.StatusUnprocessableEntity, "2026-01-01")
	wantProblem(t, ask(t, h, http.MethodGet, "/api/v1/report?format=odt", ""), http.StatusUnprocessableEntity, "odt")
}

func TestReviewsOnANarrowScreen(t *testing.T) {
	ctx := browser(t)
	base, _ := serve(t, larchHouse())
	for _, width := range []int64{360, 390, 961, 1280} {
		for _, path := range []string{"/review", "/review?lot=long", "/review?lot=L-9", "/what-if", "/what-if?room=cellar", "/use-first", "/alarms?normal=yes", "/notices", "/alarms/replay", "/rooms/compare", "/review/notes?room=loft&from=2026-07-04T12:30:00Z&to=2026-07-11T12:30:00Z"} {
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 800), chromedp.Navigate(base+path)); err != nil {
				t.Fatalf("cannot open %s at %d px: %v", path, width, err)
			}
			has := evaluate[int](t, ctx, `document.documentElement.clientWidth`)
			needs := evaluate[int](t, ctx, `document.documentElement.scrollWidth`)
			if has != int(width) || needs > has {
				t.Errorf("%s needs %d px and has %d at a width of %d", path, needs, has, width)
			}
		}
	}
}

// The slider moves the number, the number the slider; the answer follows when
// neither moved for a moment, without another page, and the address with it.
func TestSliders(t *testing.T) {
	ctx := browser(t)
	base, k := serve(t, larchHouse())
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(390, 800), chromedp.Navigate(base+"/what-if")); err != nil {
		t.Fatal(err)
	}
	if words := evaluate[string](t, ctx, `document.querySelector("[data-output=at_most]").textContent`); words != "as it is" {
		t.Errorf("nothing asked reads %q", words)
	}
	evaluate[bool](t, ctx, `window.same = true`)
	evaluate[bool](t, ctx, `(() => { const r = document.getElementById("at_most_range"); r.value = "16.5"; r.dispatchEvent(new Event("input", {bubbles: true})); r.dispatchEvent(new Event("change", {bubbles: true})); return true })()`)
	if err := chromedp.Do(ctx, chromedp.WaitVisible(chromedp.CSS(`#answer .gains`))); err != nil {
		t.Fatal(err)
	}
	f := func(what, expression, want string) {
		t.Helper()
		if got := evaluate[string](t, ctx, expression); got != want {
			t.Errorf("%s: %q, want %q", what, got, want)
		}
	}
	f("the number", `document.getElementById("at_most").value`, "16.5")
	f("the words", `document.querySelector("[data-output=at_most]").textContent`, "never above 16.5 °C")
	f("what the knob says", `document.getElementById("at_most_range").getAttribute("aria-valuetext")`, "never above 16.5 °C")
	f("the address", `location.search`, "?units=metric&at_most=16.5")
	f("the page", `String(window.same)`, "true")
	f("bands drawn", `String(document.querySelectorAll("#answer .gain").length)`, "1") // the other lot does not go
	if got := k.seen(); got[len(got)-1] != `what if [] "" false false true "" 0 16.5` {
		t.Errorf("asked %q", got)
	}
	// The address means the same to who opens it.
	if err := chromedp.Do(ctx, chromedp.Reload(), chromedp.WaitVisible(chromedp.CSS(`#answer .gains`))); err != nil {
		t.Fatal(err)
	}
	f("the knob", `document.getElementById("at_most_range").value`, "16.5")
	f("a number in another writing", `(() => { const n = document.getElementById("at_most"); n.value = "17,5"; n.dispatchEvent(new Event("input", {bubbles: true})); return document.getElementById("at_most_range").value })()`, "17.5")
}
