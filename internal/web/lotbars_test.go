package web

import (
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"
	"pgregory.net/rapid"

	"dryhold/internal/engine"
)

// partOf reads a length along the axis, from 0 to 1.
func partOf(t interface {
	Helper()
	Fatalf(string, ...any)
}, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(strings.TrimSuffix(text, "%"), 64)
	if err != nil || !strings.HasSuffix(text, "%") {
		t.Fatalf("%q is no part", text)
	}
	return v / 100
}

// TestBarAgainstDates: on an axis of ten years a bar begins and ends where its
// dates lie.
func TestBarAgainstDates(t *testing.T) {
	day := func(y, m, d int) time.Time { return time.Date(y, time.Month(m), d, 0, 0, 0, 0, time.UTC) }
	p := &pageContext{now: day(2024, 1, 1), zone: time.UTC}
	a := &lifeAxis{from: day(2020, 1, 1), to: day(2030, 1, 1), Today: lifeTick{X: "40.000%"}}
	place := func(at time.Time) float64 { return at.Sub(a.from).Hours() / a.to.Sub(a.from).Hours() }
	l := dryRice()
	l.ID, l.FoodName, l.AsOf, l.Packing.PackedAt = "L-1", "White rice", day(2024, 1, 1), day(2021, 1, 1)
	l.EndEarly, l.End, l.EndLate, l.EndAtPlan, l.LostBeyondPlan = day(2026, 1, 1), day(2027, 1, 1), day(2028, 1, 1), day(2027, 7, 1), 184
	v := p.life(l, a)
	f := func(what, text string, want time.Time) {
		t.Helper()
		if got := partOf(t, text); math.Abs(got-place(want)) > 1e-4 {
			t.Errorf("%s lies at %g, want %g for %v", what, got, place(want), want)
		}
	}
	span := func(what string, s *lifeSpan, from, to time.Time) {
		t.Helper()
		if s == nil {
			t.Fatalf("no %s", what)
		}
		f(what, s.X, from)
		f(what+" to", s.End, to)
		if got := partOf(t, s.X) + partOf(t, s.Width); math.Abs(got-place(to)) > 1e-4 {
			t.Errorf("%s is drawn to %g, want %g", what, got, place(to))
		}
	}
	span("lived", v.Lived, day(2021, 1, 1), day(2024, 1, 1))
	span("coming", v.Coming, day(2024, 1, 1), day(2027, 1, 1))
	span("spread", v.Spread, day(2026, 1, 1), day(2028, 1, 1))
	span("loss", v.Loss, day(2027, 1, 1), day(2028, 1, 1)) // 184 days after 1 July 2027
	f("plan end", v.Plan, day(2028, 1, 1))
	f("end", v.End, day(2027, 1, 1))
	for _, want := range []string{"Packed January 2021", "ends 2027", "2026 to 2028", "planned 2028", "184 days lost beyond plan so far"} {
		if !strings.Contains(v.Words, want) {
			t.Errorf("the bar says %q, not %q", v.Words, want)
		}
	}

	l.End, l.EndLate = time.Time{}, time.Time{} // beyond 100 years
	if v = p.life(l, a); !v.Beyond || v.End != "" || v.Loss != nil || !strings.Contains(v.Words, "beyond 2124") {
		t.Errorf("an end out of sight: %+v", v)
	}
	l.End, l.EndEarly, l.EndLate = day(2023, 1, 1), day(2022, 1, 1), day(2024, 2, 1) // past its end
	v = p.life(l, a)
	span("lived", v.Lived, day(2021, 1, 1), day(2023, 1, 1))
	if v.Coming != nil || !strings.Contains(v.Words, "ends now") {
		t.Errorf("past its end: %+v", v)
	}
	l.FinishedAt = day(2022, 6, 1)
	v = p.life(l, a)
	span("finished", v.Lived, day(2021, 1, 1), day(2022, 6, 1))
	if v.Coming != nil || v.Loss != nil || v.End != "" || !v.Finished {
		t.Errorf("a finished lot: %+v", v)
	}
	if v = p.life(engine.LotView{Lot: l.Lot}, a); v.Coming != nil || v.End != "" {
		t.Errorf("a lot not worked out: %+v", v)
	}
}

// TestAxisOfLives: whatever the lots, all of every bar lies within the picture,
// in order, and the years on the axis are round, few and apart.
func TestAxisOfLives(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		now := time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)
		p := &pageContext{now: now, zone: time.UTC}
		days := func(name string, from, to int) time.Duration {
			return time.Duration(rapid.IntRange(from, to).Draw(r, name)) * 24 * time.Hour
		}
		var lots []engine.LotView
		for i := range rapid.IntRange(0, 8).Draw(r, "lots") {
			l := dryRice()
			l.ID, l.AsOf, l.Packing.PackedAt = fmt.Sprintf("L-%d", i), now, now.Add(-days("packed", 0, 12000))
			l.EndEarly = now.Add(days("early", -100, 9000))
			l.End = l.EndEarly.Add(days("likely", 0, 9000))
			l.EndLate = l.End.Add(days("late", 0, 9000))
			l.EndAtPlan, l.LostBeyondPlan = l.End.Add(days("plan", -4000, 4000)), float64(rapid.IntRange(-900, 900).Draw(r, "lost"))
			if rapid.Bool().Draw(r, "out of sight") {
				l.EndLate = time.Time{}
			}
			lots = append(lots, l)
		}
		a := p.lifeAxis(lots)
		if len(a.Ticks) > 6 {
			r.Fatalf("%d years on the axis", len(a.Ticks))
		}
		for i, tick := range a.Ticks {
			if i > 0 && partOf(r, tick.X)-partOf(r, a.Ticks[i-1].X) < 0.1 { // 33 px of 330, as wide as a year is written
				r.Fatalf("years %s and %s are %s and %s", a.Ticks[i-1].Text, tick.Text, a.Ticks[i-1].X, tick.X)
			}
		}
		for _, l := range lots {
			v := p.life(l, a)
			for _, s := range []*lifeSpan{v.Lived, v.Coming, v.Loss, v.Spread} {
				if s == nil {
					continue
				}
				if x, end := partOf(r, s.X), partOf(r, s.End); !(x >= 0 && x < end && end <= 1) {
					r.Fatalf("a stretch from %s to %s", s.X, s.End)
				}
			}
			if v.Lived != nil && v.Coming != nil && v.Lived.End != v.Coming.X {
				r.Fatalf("lived to %s, coming from %s", v.Lived.End, v.Coming.X)
			}
		}
	})
}

// many is a house with so many lots.
func many(n int) *engine.Snapshot {
	snap := larchHouse()
	l := snap.Lots[0]
	snap.Lots = nil
	for i := range n {
		l.ID = fmt.Sprintf("L-%05d", i)
		l.End = noon().AddDate(1, 0, i)
		l.LostBeyondPlan = float64((i * 7919) % n)
		l.Packing.PackedAt = noon().AddDate(0, 0, -(i*31)%3000)
		snap.Lots = append(snap.Lots, l)
	}
	return snap
}

// TestLotsPage: bars, order, filters and pages of a store of 20,000 lots.
func TestLotsPage(t *testing.T) {
	h, _ := house(t, many(20_000), nil)
	first := func(path string, lives int) string {
		t.Helper()
		doc := shown(t, h, path, http.StatusOK)
		names := all(doc, "p", classed("lifename"))
		if len(names) != lives || len(all(doc, "svg", classed("life"))) < lives {
			t.Fatalf("%s: %d bars, want %d", path, len(names), lives)
		}
		return words(names[0])
	}
	for path, want := range map[string]string{
		"/lots": "L-00000", "/lots?page=2": "L-00100", "/lots?page=200": "L-19900", "/lots?page=9999": "L-19900", "/lots?page=-3": "L-00000",
		"/lots?order=loss": "L-02321", "/lots?room=cellar&food=white-rice": "L-00000",
	} {
		if got := first(path, livesOnPage); !strings.Contains(got, want) {
			t.Errorf("%s begins with %q, want %s", path, got, want)
		}
	}
	doc := shown(t, h, "/lots?page=100&order=packed", http.StatusOK)
	wantWords(t, doc, "20000 lots in store", "First to end is White rice L-00000 in cellar")
	var pages []string
	for _, n := range all(doc, "a", func(n *html.Node) bool {
		return strings.Contains(attr(n, "href"), "page=") && strings.Contains(attr(n, "href"), "order=packed")
	}) {
		pages = append(pages, words(n))
	}
	if len(pages) < 6 || len(pages) > 20 {
		t.Errorf("%d links to pages: %v", len(pages), pages)
	}
	wantWords(t, shown(t, h, "/lots?room=attic", http.StatusOK), "No lot is as asked for.")
}

func TestLotsPageOfAHouse(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	doc := shown(t, h, "/lots", http.StatusOK)
	wantWords(t, doc, "3 lots in store", "1 lot has a warning", "61.3 days lost beyond plan so far", "23.8 days spared so far", "today", "plan end", "3 warnings")
	table := only(t, doc, "table", nil)
	if rows := all(table, "tr", nil); len(rows) != 4 {
		t.Errorf("%d rows in the table", len(rows))
	}
	for _, n := range all(table, "td", nil) {
		if attr(n, "data-name") == "" {
			t.Errorf("a cell has no name: %s", words(n))
		}
	}
	if len(all(doc, "pattern", nil)) != 1 || len(all(doc, "rect", classed("losslines"))) == 0 {
		t.Error("the loss is told by colour alone")
	}
	doc = shown(t, h, "/lots?finished=yes&did=imported", http.StatusOK)
	wantWords(t, doc, "1 lot is finished", "finished June 2026", "Done: the lots are entered")
	if n := only(t, doc, "p", classed("done")); attr(n, "role") != "status" {
		t.Error("what was done is not told as a status")
	}
	wantWords(t, shown(t, h, "/lots?did=%3Cb%3E", http.StatusOK), "3 lots in store")

	none, _ := house(t, &engine.Snapshot{Site: "Larch House", At: noon()}, nil)
	wantWords(t, shown(t, none, "/lots", http.StatusOK), "No lot is entered yet")
	starting, _ := house(t, nil, nil)
	shown(t, starting, "/lots", http.StatusServiceUnavailable)
}
