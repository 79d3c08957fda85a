package web

import (
	"encoding/json"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"dryhold/internal/engine"
)

// courseOf asks for a course as programs do.
func courseOf(t *testing.T, h http.Handler, path string) engine.RoomCourse {
	t.Helper()
	res := ask(t, h, http.MethodGet, path, "")
	var c engine.RoomCourse
	if err := json.NewDecoder(res.Body).Decode(&c); err != nil || res.StatusCode != 200 {
		t.Fatalf("GET %s: %d, %v", path, res.StatusCode, err)
	}
	return c
}

func figures(n *html.Node) []*html.Node {
	return all(n, "figure", func(f *html.Node) bool { return attr(f, "data-chart") != "" })
}

// The tables of the page hold what programs get, whatever the stretch.
func TestRoomTablesEqualTheAPI(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	for _, query := range []string{"", "?last=hour", "?last=day", "?last=month", "?last=all", "?from=2026-07-01&to=2026-07-12"} {
		doc := shown(t, h, "/room/loft"+query, 200)
		found := figures(doc)
		if len(found) != 5 {
			t.Fatalf("%s: %d charts", query, len(found))
		}
		for _, f := range found {
			c := courseOf(t, h, attr(f, "data-src"))
			var o roomChart
			if err := json.Unmarshal([]byte(attr(f, "data-chart")), &o); err != nil {
				t.Fatal(err)
			}
			tableEquals(t, f, &o, &c)
			wantWords(t, only(t, f, "figcaption", nil), "of the time measured")
		}
	}
}

// tableEquals holds the table of a chart against the columns of a course.
func tableEquals(t *testing.T, f *html.Node, o *roomChart, c *engine.RoomCourse) {
	t.Helper()
	var head []string
	for _, th := range all(only(t, f, "thead", nil), "th", nil) {
		head = append(head, words(th))
	}
	b := &c.Buckets
	columns := map[string]map[string]engine.Column{
		" °C": {"Least": b.TempMin, "Mean": b.TempMean, "Greatest": b.TempMax, "Core of the food": b.CoreMean, "Dew point": b.DewPoint},
		" %":  {"Least": b.RHMin, "Mean": b.RHMean, "Greatest": b.RHMax},
		" lx": {"Mean": b.LuxMean, "Greatest": b.LuxMax, "Dose, lux hours": b.Dose},
		"":    {"Times as fast as planned": b.Ageing},
	}[o.Unit]
	rows := all(only(t, f, "tbody", nil), "tr", nil)
	if len(rows) != len(b.Start) {
		t.Fatalf("%d rows, %d buckets", len(rows), len(b.Start))
	}
	for i, row := range rows {
		if got, want := attr(only(t, row, "time", nil), "datetime"), b.Start[i].Format(time.RFC3339); got != want {
			t.Fatalf("row %d begins %s, want %s", i, got, want)
		}
		for k, td := range all(row, "td", nil) {
			name, got := head[k+1], words(td)
			if name == "State" {
				want := map[engine.BucketState]string{engine.BucketMeasured: "measured", engine.BucketEstimated: "estimated", engine.BucketPartial: "known in part", engine.BucketUnknown: "unknown"}[b.State[i]]
				if got != want {
					t.Errorf("row %d is %q, want %q", i, got, want)
				}
				continue
			}
			col, ok := columns[name]
			if !ok {
				t.Fatalf("no column %q of %q", name, o.Unit)
			}
			want := float64(col[i])
			if o.Unit == " %" {
				want *= 100
			}
			v, err := strconv.ParseFloat(strings.Replace(got, "−", "-", 1), 64)
			if math.IsNaN(want) != (got == "–") || !math.IsNaN(want) && (err != nil || math.Abs(v-want) > 1e-9) {
				t.Fatalf("row %d, %s: %q, want %g", i, name, got, want)
			}
		}
	}
}

func TestRoomPage(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	doc := shown(t, h, "/room/loft?last=month", 200)
	wantWords(t, doc, "Room loft", "Cool 33.4 °C limit 24.0 °C ▲ too warm", "brown-rice-1", "milk-powder-1",
		"a gap, its temperature estimated", "It cost 1 lot", "hard-wheat-1 Hard wheat:", "h measured above the limit of 24.0 °C.",
		"The core is that of 20 L pail, in which most food stands here: it follows the air with a lag of 10.2 h.",
		"Of 61 days, food aged", "96.6 % of the time measured, the rest unknown.", "2 to 4 times", "Quality is not safety")
	strip := only(t, doc, "figure", func(n *html.Node) bool { return attr(n, "class") == "strip" })
	if n := len(all(strip, "rect", func(r *html.Node) bool { return attr(r, "x") != "" })); n != 61 {
		t.Errorf("%d fields of the strip, want one a day", n)
	}
	here := only(t, doc, "a", func(a *html.Node) bool { return attr(a, "aria-current") == "true" })
	wantWords(t, here, "Month")
	steps := map[string]string{}
	for _, a := range all(doc, "a", nil) {
		steps[words(a)] = attr(a, "href")
	}
	for word, want := range map[string]string{
		"Earlier": "/room/loft?from=2026-05-15T12%3A30%3A00Z&to=2026-06-14T12%3A30%3A00Z#course", "Later": "/room/loft?from=2026-06-14T12%3A30%3A00Z&to=2026-07-14T12%3A30%3A00Z#course",
		"Zoom in": "/room/loft?from=2026-06-22T00%3A30%3A00Z&to=2026-07-07T00%3A30%3A00Z#course", "Zoom out": "/room/loft?from=2026-05-15T12%3A30%3A00Z&to=2026-07-14T12%3A30%3A00Z#course",
	} {
		if steps[word] != want {
			t.Errorf("%s leads to %s, want %s", word, steps[word], want)
		}
	}
	empty := shown(t, h, "/room/attic", 200)
	wantWords(t, empty, "Nothing is known of it in this time.", "Nothing was measured yet.", "No lot stands in this room.",
		"Nothing was measured in this time, so that nothing can be told.")
	if strings.Contains(words(empty), "0.0 h measured") {
		t.Error("what nobody measured is said to have been within its limit")
	}
}

func TestRoomPageInUSUnits(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	res := ask(t, h, http.MethodGet, "/room/loft?last=day", "", "Cookie", preferencesCookie+"=en.us.")
	doc, err := html.Parse(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	f := figures(doc)[0]
	var o roomChart
	if err := json.Unmarshal([]byte(attr(f, "data-chart")), &o); err != nil {
		t.Fatal(err)
	}
	if o.Unit != " °F" || o.Factor != 1.8 || o.Offset != 32 || o.Limits[0].Value != 24 || o.Limits[0].Label != "limit 75.2 °F" {
		t.Errorf("a chart in US units has %+v", o)
	}
	wantWords(t, only(t, f, "figcaption", nil), "above the limit of 75.2 °F")
}

func TestRoomRefusals(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	f := func(query string, status int, detail string) {
		t.Helper()
		res := ask(t, h, http.MethodGet, "/api/v1/rooms/loft/course"+query, "")
		body := text(t, res)
		if res.StatusCode != status || !strings.Contains(body, detail) || res.Header.Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s: %d %s", query, res.StatusCode, body)
		}
		shown(t, h, "/room/loft"+query, status)
	}
	f("?from=yesterday", 422, `from: \"yesterday\" is neither an instant nor a day`)
	f("?to=2026-02-30", 422, `to: \"2026-02-30\"`)
	f("?to=1970-12-31", 422, "since 1971")
	f("?from=2026-07-02&to=2026-07-01", 422, "is no stretch of time")
	f("?from=2026-07-20", 422, "is no stretch of time that is over")
	f("?points=9", 422, "from 10 to 5000")
	f("?points=5001", 422, "from 10 to 5000")
	f("?points=many", 422, "points:")
	res := ask(t, h, http.MethodGet, "/api/v1/rooms/barn/course", "")
	if body := text(t, res); res.StatusCode != 404 || !strings.Contains(body, "no room") {
		t.Errorf("%d %s", res.StatusCode, body)
	}
}

// TestCourseDays: a day of the site is 23, 24 or 25 hours long.
func TestCourseDays(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Zurich")
	if err != nil {
		t.Fatal(err)
	}
	f := func(day string, hours float64) {
		t.Helper()
		o, detail := courseOrder("loft", url.Values{"from": {day}, "to": {day}}, zone)
		if got := o.To.Sub(o.From).Hours(); detail != "" || got != hours {
			t.Errorf("%s has %g h, want %g: %s", day, got, hours, detail)
		}
	}
	f("2026-03-29", 23)
	f("2026-03-30", 24)
	f("2026-10-25", 25)
	o, detail := courseOrder("loft", url.Values{"from": {"2026-07-01T00:00:00 02:00"}}, zone) // the plus not escaped
	if want := time.Date(2026, 6, 30, 22, 0, 0, 0, time.UTC); detail != "" || !o.From.Equal(want) || o.Points != usualPoints {
		t.Errorf("%v: %s", o, detail)
	}
}

func FuzzCourseOrder(f *testing.F) {
	for _, q := range []string{"", "from=2026-07-01&to=2026-07-02&points=80", "from=2026-07-01T00:00:00%2B02:00", "to=9999-12-31", "from=0000-01-01", "points=-1"} {
		f.Add(q)
	}
	f.Fuzz(func(t *testing.T, query string) {
		q, err := url.ParseQuery(query)
		if err != nil {
			return
		}
		o, detail := courseOrder("loft", q, time.UTC)
		if detail != "" {
			return
		}
		if o.Points < fewestPoints || o.Points > mostPoints || !o.From.IsZero() && !o.To.IsZero() && !o.From.Before(o.To) {
			t.Errorf("%q became %+v", query, o)
		}
		if again, detail := courseOrder("loft", mustQuery(t, courseURL(o)), time.UTC); detail != "" && !o.From.IsZero() && !o.To.IsZero() && o.To.Sub(o.From) >= time.Second {
			t.Errorf("%q became %+v, and its address is refused: %s %+v", query, o, detail, again)
		}
	})
}

func mustQuery(t *testing.T, address string) url.Values {
	u, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	return u.Query()
}
