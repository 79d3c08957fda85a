package main

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/review"
	"dryhold/internal/web"
)

// looking is a daemon that answers every question with invented numbers, and
// keeps what it was asked.
func looking(t *testing.T) (url string, asked *[]string) {
	t.Helper()
	asked = new([]string)
	at := time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)
	c := review.Cost{Plain: 0.1, Lost: review.Parts{Heat: 0.3, Moisture: -0.0001}}
	r := review.Review{
		Lot: "L-1", Food: "brown-rice", Life: 200, KG: 10, Cost: c, Left: 0.6, Rooms: []review.InRoom{{Room: "loft", Cost: c}},
		Months: []review.Span{{Year: 2026, Month: 7, Cost: c}}, Years: []review.Span{{Year: 2026, Cost: c}},
		Events: []review.Event{{Spell: review.Spell{Room: "loft", Kind: review.Excursion, From: at.AddDate(0, 0, -7), To: at, Warm: true, Hottest: 36.2}, Cost: c}},
	}
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		body, err := io.ReadAll(q.Body)
		if err != nil {
			t.Error(err)
		}
		*asked = append(*asked, strings.TrimSpace(q.Method+" "+q.URL.RequestURI()+" "+string(body)))
		var answer any
		switch q.URL.Path {
		case "/api/v1/review":
			answer = web.NewReviewAnswer("Larch House", at, web.ReviewFilter{}, []review.Review{r}, func(string) string { return "Brown rice" })
		case "/api/v1/what-if":
			answer = engine.WhatIf{At: at, Tried: 1, Total: engine.Estimate{Low: -0.2, Likely: 30, High: 50}, Lots: []engine.LotGain{
				{Gain: review.Gain{Lot: "L-1", Days: lot.Range{Low: -0.2, Likely: 30, High: 50}}, Food: "Brown rice", Room: "loft", Now: at, Then: at.AddDate(0, 1, 0)},
				{Gain: review.Gain{Lot: "L-2", Not: review.NotSealed}, Food: "Hard wheat", Room: "loft", Why: "the container does not seal"},
			}, Climates: []engine.Learned{{Room: "loft", From: "2 years of readings of loft"}}}
			if strings.Contains(string(body), "sensor") {
				answer = engine.WhatIf{At: at, Tried: 1, Lots: []engine.LotGain{
					{Gain: review.Gain{Lot: "L-1"}, Band: &engine.Narrowing{Now: 400, Then: 300, Share: 0.25}, Food: "Brown rice", Room: "loft", Now: at, Then: at},
				}}
			}
		case "/api/v1/use-first":
			answer = web.UseFirstAnswer{Caution: web.UseFirstCaution, Words: web.SupplyWords(nil), Lots: []web.UseTurn{{
				Turn: review.Turn{Stock: review.Stock{Lot: "L-1", KG: 10, Early: at}}, FoodName: "Brown rice", Room: "loft", Words: []string{"may end by rancidity in 48 days"},
			}}}
		case "/api/v1/report":
			_, _ = io.WriteString(w, "%PDF-1.3 invented")
			return
		}
		if err := json.NewEncoder(w).Encode(answer); err != nil {
			t.Error(err)
		}
	}))
	t.Cleanup(s.Close)
	return s.URL, asked
}

func TestLookingBackAndAhead(t *testing.T) {
	url, asked := looking(t)
	prints := func(want []string, args ...string) {
		t.Helper()
		got, code := call(t, append(args, "--url", url)...)
		if code != 0 {
			t.Fatalf("%v: exit %d: %s", args, code, got)
		}
		for _, w := range want {
			if !strings.Contains(got, w) {
				t.Errorf("%v lacks %q:\n%s", args, w, got)
			}
		}
		for line := range strings.Lines(got) {
			if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); n > 100 && !strings.HasPrefix(strings.TrimSpace(line), `"`) {
				t.Errorf("%v: a line of %d characters: %s", args, n, line)
			}
		}
	}
	prints([]string{"60.0 days lost beyond plan storage", "3.00 kg of food", "60.0       0.0     0.0    0.0  60.0  3.00  all", "room loft", "2026-07", "loft, too warm, up to 36.2 °C, 7 Jul 2026 to 14 Jul 2026: 60.0 days, 3.00 kg, lots: 1"},
		"review", "--month", "--room", "loft")
	prints([]string{`"cost_days"`}, "review", "--lot", "L-1", "--json")
	prints([]string{"moved to cellar, the room at most at 64F, since packing", "L-1 Brown rice in loft: +30.0 days (0 to 50), likely end Jul 2026 → Aug 2026.", "does not go: the container does not seal", "for 1 lot of 2"},
		"what-if", "--all", "--room", "cellar", "--at-most", "64F", "--since-packing")
	prints([]string{"Climate ahead of loft: forecast from 2 years of readings of loft."}, "what-if", "--all", "--boxed")
	prints([]string{"one more sensor, outdoors, read for a year", "L-1 Brown rice in loft: band of 400 days, with it 300: 25 % narrower, by 100 days; likely end Jul", "Together the bands of the projected ends would be 25 % narrower, by 100 days, for 1 lot of 1."},
		"what-if", "--all", "--sensor", "outdoors")
	prints([]string{"1. L-1 Brown rice, 10.0 kg, in loft: low edge Jul 2026", "rancidity in 48 days.", "When in doubt, throw it out."}, "use-first")
	file := filepath.Join(t.TempDir(), "review.pdf")
	prints([]string{"Written to "}, "report", "--format", "pdf", "-o", file, "--from", "2026-01-01")
	if b, err := os.ReadFile(file); err != nil || !strings.HasPrefix(string(b), "%PDF-") {
		t.Errorf("the file: %q, %v", b, err)
	}
	want := []string{
		"GET /api/v1/review?room=loft", "GET /api/v1/review?lot=L-1", `POST /api/v1/what-if {"room":"cellar","at_most":"64F","since_packing":true}`,
		`POST /api/v1/what-if {"boxed":true}`, `POST /api/v1/what-if {"sensor":"outdoors"}`,
		"GET /api/v1/use-first", "GET /api/v1/report?format=pdf&from=2026-01-01",
	}
	if got := strings.Join(*asked, "\n"); got != strings.Join(want, "\n") {
		t.Errorf("asked\n%s\nwant\n%s", got, strings.Join(want, "\n"))
	}

	refuses := func(want string, args ...string) {
		t.Helper()
		if got, code := call(t, append(args, "--url", url)...); code != 2 || !strings.Contains(got, want) {
			t.Errorf("%v: exit %d: %s", args, code, got)
		}
	}
	refuses("--lot L-1", "what-if", "--room", "cellar")
	refuses("--lot L-1", "what-if", "--room", "cellar", "--all", "--lot", "L-1")
	refuses("say what is to be tried", "what-if", "--all")
	refuses("--absorber", "what-if", "--all", "--absorber", "NaN")
	refuses("choose one", "review", "--month", "--year")
	refuses("-o FILE", "report", "--format", "pdf")
}
