package app_test

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"math"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"dryhold/internal/app"
	"dryhold/internal/engine"
	"dryhold/internal/report"
	"dryhold/internal/review"
	"dryhold/internal/room"
	"dryhold/internal/settings"
	"dryhold/internal/store"
	"dryhold/internal/unit"
	"dryhold/internal/web"
)

// reviewedHouse is a daemon whose loft and cellar have been measured by the
// hour for 13 months, the loft through a hot fortnight, with lots in both.
func reviewedHouse(t *testing.T) (*house, time.Time) {
	t.Helper()
	h := newHouse(t, nil)
	now := time.Date(2026, 11, 30, 12, 0, 0, 0, time.UTC)
	h.opts.Now = func() time.Time { return now }
	h.opts.Settings.Eating = []settings.Eating{{Food: "white-rice", KGPerMonth: 2, Months: 6}}
	h.opts.Settings.Persons = &settings.Persons{Count: 2}
	packed := now.AddDate(0, -13, 0).Truncate(24 * time.Hour)
	s, err := store.Open(t.Context(), h.opts.DataDir, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"loft", "cellar"} {
		var batch store.Batch
		for at := packed; at.Before(now); at = at.Add(time.Hour) {
			celsius := 16.0
			if name == "loft" && at.After(now.AddDate(0, -4, -14)) && at.Before(now.AddDate(0, -4, 0)) {
				celsius = 34
			}
			for q, v := range map[unit.Quantity]float64{unit.Temperature: celsius, unit.Humidity: 0.45} {
				batch.Readings = append(batch.Readings, room.Reading{Series: room.Series{Room: name, Sensor: "a", Quantity: q}, At: at, Value: v})
			}
		}
		if err := s.Commit(t.Context(), batch, nil, now, func([]room.Reading) (store.Outcome, error) { return store.Outcome{}, nil }); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	h.start()
	for _, where := range []string{"loft", "loft", "cellar"} {
		l := lotOf(where)
		l.PackedAt = packed.Add(12 * time.Hour)
		if _, err := h.app.AddLot(t.Context(), l.Packing, "Ada"); err != nil {
			t.Fatal(err)
		}
	}
	if err := h.app.MoveLot(t.Context(), "L-2", "cellar", now.AddDate(0, -1, 0), "Ada"); err != nil {
		t.Fatal(err)
	}
	return h, now
}

func answered[T any](t *testing.T, h *house, path string) (x T) {
	t.Helper()
	status, body := get(t, h.app.URL()+path)
	if err := json.Unmarshal([]byte(body), &x); err != nil || status != http.StatusOK {
		t.Fatalf("GET %s: %d %s: %v", path, status, body, err)
	}
	return x
}

// TestReportTellsTheReview: what the report says of rooms, lots and excursions
// is what the review says, rounded, and what its own months add up to.
func TestReportTellsTheReview(t *testing.T) {
	h, now := reviewedHouse(t)
	x := answered[web.ReviewAnswer](t, h, "/api/v1/review")
	r := answered[report.Report](t, h, "/api/v1/report?format=json&from="+now.AddDate(0, -14, 0).Format(time.DateOnly))
	near := func(what string, got report.Number, want, tolerance float64) {
		t.Helper()
		if math.IsNaN(float64(got)) || math.Abs(float64(got)-want) > tolerance {
			t.Errorf("%s: the report says %v, the review %v", what, got, want)
		}
	}
	if x.House.Lots != 3 || len(r.Rooms) != 2 || len(r.Lots) != 3 || len(x.House.Moves) != 1 {
		t.Fatalf("%d lots, %d rooms, %d lots, moves %+v", x.House.Lots, len(r.Rooms), len(r.Lots), x.House.Moves)
	}
	// Numbers have one decimal in the report, kilograms two; the sum of all
	// rooms is of numbers not rounded.
	near("all", r.Cost.Sum, x.House.Cost.Days.Lost.Sum(), 0.0501)
	near("all by heat", r.Cost.Heat, x.House.Cost.Days.Lost.Heat, 0.0501)
	near("all as food", r.Cost.Mass, x.House.Cost.KG.Lost.Sum(), 0.00501)
	for i, in := range r.Rooms {
		for _, c := range x.House.Rooms {
			if c.Room == in.Name {
				near(in.Name, in.Cost.Sum, c.Cost.Days.Lost.Sum(), 0.0501)
				near(in.Name+" as food", in.Cost.Mass, c.Cost.KG.Lost.Sum(), 0.00501)
			}
		}
		months := 0.0
		for _, m := range in.Months {
			months += float64(m.Cost.Sum)
		}
		near(in.Name+" by month", in.Cost.Sum, months, 0.06*float64(len(in.Months)))
		if in.Name == "loft" {
			if len(in.Excursions) == 0 || in.Excursions[0].Peak != 34 || in.Excursions[0].Kind != "warm" || len(in.Excursions[0].Worst) != 2 {
				t.Fatalf("%d: the hot fortnight is told as %+v", i, in.Excursions)
			}
			near("the hot fortnight", in.Excursions[0].Cost.Sum, x.House.Events[0].Cost.Days.Lost.Sum(), 0.0501)
			if in.Excursions[0].Cost.Heat <= 10 {
				t.Errorf("a fortnight at 34 °C has cost two lots %v days", in.Excursions[0].Cost.Heat)
			}
		}
	}
	for _, l := range x.Lots {
		for _, told := range r.Lots {
			if told.ID == l.Lot {
				near(l.Lot, told.Lost.Sum, l.Days.Lost.Sum(), 0.0501)
				near(l.Lot+" in percent", told.LostShare, 100*l.Cost.Lost.Sum(), 0.0501)
				near(l.Lot+" at plan", told.Spent, l.Days.Plain, 0.0501)
			}
		}
	}
	// The rooms apart make up the whole, on the page's data as well.
	sum := 0.0
	for _, name := range []string{"loft", "cellar"} {
		sum += answered[web.ReviewAnswer](t, h, "/api/v1/review?room="+name).House.Cost.Days.Lost.Sum()
	}
	near("rooms apart", r.Cost.Sum, sum, 0.0501)
	sum = 0
	for _, name := range []string{"loft", "cellar"} {
		for year := now.Year() - 2; year <= now.Year(); year++ {
			in := answered[web.ReviewAnswer](t, h, fmt.Sprintf("/api/v1/review?room=%s&year=%d", name, year))
			sum += in.House.Cost.Days.Lost.Sum()
			if year == now.Year()-2 && in.House.Lots != 0 {
				t.Errorf("%d lots before any was packed", in.House.Lots)
			}
		}
	}
	near("rooms and years apart", r.Cost.Sum, sum, 0.0501)

	// The other formats name the same numbers.
	total := fmt.Sprintf("%.1f", math.Abs(float64(r.Cost.Sum))) // a minus is written in two ways
	for _, format := range []string{"text", "csv", "html"} {
		if status, body := get(t, h.app.URL()+"/api/v1/report?format="+format+"&from="+now.AddDate(0, -14, 0).Format(time.DateOnly)); status != http.StatusOK || !strings.Contains(body, total) {
			t.Errorf("the %s form: %d, without %s", format, status, total)
		}
	}
	if status, body := get(t, h.app.URL()+"/api/v1/report?format=pdf"); status != http.StatusOK || !strings.HasPrefix(body, "%PDF-") {
		t.Errorf("the PDF: %d", status)
	}
	for path, want := range map[string]int{
		"format=odt": 422, "room=nowhere": 404, "lot=L-9": 404, "from=2026-02-01&to=2026-01-01": 422, "from=1900-01-01": 422, "from=2027-01-01&to=2027-02-01": 422,
	} {
		if status, body := get(t, h.app.URL()+"/api/v1/report?"+path); status != want {
			t.Errorf("%s: %d %s", path, status, body)
		}
	}
}

func TestUseFirstOfADaemon(t *testing.T) {
	h, _ := reviewedHouse(t)
	x := answered[web.UseFirstAnswer](t, h, "/api/v1/use-first")
	if len(x.Lots) != 3 || x.Supply == nil || x.Supply.Need != review.PlanningEnergy || len(x.Plans) == 0 || x.Caution == "" {
		t.Fatalf("%+v", x)
	}
	for i, l := range x.Lots {
		if len(l.Words) == 0 || i > 0 && !l.Early.IsZero() && l.Early.Before(x.Lots[i-1].Early) {
			t.Errorf("place %d: %+v", i+1, l)
		}
		v := lotNamed(t, h.app.Snapshot(), l.Lot)
		if p := v.Projected(); !p.Early.Equal(l.Early) || !p.Likely.Equal(l.Likely) {
			t.Errorf("%s: %+v is shown as %+v", l.Lot, l.Stock, p)
		}
	}
}

// TestWhatIfAmongEdits: a question about all lots is answered in turns, between
// which edits are done, and nothing is changed by it.
func TestWhatIfAmongEdits(t *testing.T) {
	h, now := reviewedHouse(t)
	for range 30 {
		l := lotOf("loft")
		l.PackedAt = now.AddDate(0, -6, 0)
		if _, err := h.app.AddLot(t.Context(), l.Packing, "Ada"); err != nil {
			t.Fatal(err)
		}
	}
	before := lotNamed(t, h.app.Snapshot(), "L-1")
	ask := engine.Question{Scenario: review.Scenario{Room: "cellar"}}
	var all sync.WaitGroup
	for range 3 {
		all.Go(func() {
			x, err := h.app.WhatIf(t.Context(), ask)
			if err != nil || len(x.Lots) < 33 || x.Tried != len(x.Lots) {
				t.Errorf("%d of %d lots tried: %v", x.Tried, len(x.Lots), err)
				return
			}
			for _, g := range x.Lots {
				if g.Lot == "L-1" && g.Days.Likely <= 0 {
					t.Errorf("a lot gains %+v in a cooler room", g.Days)
				}
			}
		})
		all.Go(func() {
			if err := h.app.NoteLot(t.Context(), "L-3", nil, "looked at", now, "Ada"); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	if after := lotNamed(t, h.app.Snapshot(), "L-1"); after.Remaining != before.Remaining || after.Room() != "loft" {
		t.Errorf("asking has changed %+v to %+v", before.Remaining, after.Remaining)
	}
}

func TestReviewAfterTheStop(t *testing.T) {
	a := daemon(t, app.Options{Settings: local(""), DataDir: t.TempDir()})
	if err := a.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, err := a.Review(t.Context(), web.ReviewFilter{}); err == nil {
		t.Error("a stopped daemon reviewed")
	}
	if _, err := a.WhatIf(t.Context(), engine.Question{Scenario: review.Scenario{Boxed: true}}); err == nil {
		t.Error("a stopped daemon tried")
	}
}
