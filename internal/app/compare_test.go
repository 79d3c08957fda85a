package app_test

import (
	"log/slog"
	"math"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/audit"
	"dryhold/internal/report"
	"dryhold/internal/review"
	"dryhold/internal/room"
	"dryhold/internal/store"
	"dryhold/internal/unit"
	"dryhold/internal/web"
)

// roamedHouse is a daemon whose loft is watched by sensor a, while roamer was
// carried about: a week on the top shelf, 3 K warmer, then on the floor, 1 K
// cooler and damper; and it reports as one of the loft while in the cellar.
func roamedHouse(t *testing.T) (*house, time.Time) {
	t.Helper()
	h := newHouse(t, nil)
	now := time.Date(2026, 7, 30, 12, 0, 0, 0, time.UTC)
	h.opts.Now = func() time.Time { return now }
	s, err := store.Open(t.Context(), h.opts.DataDir, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	var batch store.Batch
	read := func(name, sensor string, at time.Time, celsius, rh float64) {
		for q, v := range map[unit.Quantity]float64{unit.Temperature: celsius, unit.Humidity: rh} {
			batch.Readings = append(batch.Readings, room.Reading{Series: room.Series{Room: name, Sensor: sensor, Quantity: q}, At: at, Value: q.Round(v)})
		}
	}
	start := now.AddDate(0, 0, -40)
	for at := start; at.Before(now); at = at.Add(30 * time.Minute) {
		h := at.Sub(start).Hours()
		loft, cellar := 24+4*math.Sin(2*math.Pi*h/24)+math.Sin(h/50), 15.0
		read("loft", "a", at, loft, 0.45)
		read("cellar", "b", at, cellar, 0.60)
		switch day := int(h / 24); {
		case day >= 10 && day < 17:
			read("loft", "roamer", at, loft+3, 0.40)
		case day >= 17 && day < 24:
			read("loft", "roamer", at, loft-1, 0.52)
		case day >= 24 && day < 31:
			read("loft", "roamer", at, cellar+0.5, 0.60)
		}
	}
	if err := s.Commit(t.Context(), batch, nil, now, func([]room.Reading) (store.Outcome, error) { return store.Outcome{}, nil }); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return h.start(), start
}

// TestMapOfADaemon: three places told by the keeper are found as they were, the
// room is again as its fixed sensor tells it, and all of it is there after a
// restart.
func TestMapOfADaemon(t *testing.T) {
	h, start := roamedHouse(t)
	packed := lotOf("loft")
	packed.PackedAt = start.Add(24 * time.Hour)
	if _, err := h.app.AddLot(t.Context(), packed.Packing, "Ada"); err != nil {
		t.Fatal(err)
	}
	if m := answered[web.MapAnswer](t, h, "/api/v1/rooms/map"); len(m.Rooms) != 0 {
		t.Fatalf("before anything was told: %+v", m.Rooms)
	}
	day := func(n int) time.Time { return start.AddDate(0, 0, n) }
	place := func(code int, body web.PlaceSensor) {
		t.Helper()
		body.By = "Ada"
		if got, answer := h.post("/api/v1/sensors/loft/roamer/place", body); got != code {
			t.Fatalf("%d %s", got, answer)
		}
	}
	place(200, web.PlaceSensor{Place: "top shelf by the window", From: day(10)})
	place(200, web.PlaceSensor{Place: "floor", From: day(17), To: day(24)})
	place(200, web.PlaceSensor{Place: "behind the door", In: "cellar", From: day(24), To: day(31)})
	place(404, web.PlaceSensor{Place: "floor", In: "celar", From: day(24)})
	place(422, web.PlaceSensor{Place: "floor", From: day(99)})
	check := func() web.MapAnswer {
		t.Helper()
		m := answered[web.MapAnswer](t, h, "/api/v1/rooms/map")
		if len(m.Rooms) != 2 || m.Rooms[1].Room != "loft" {
			t.Fatalf("%+v", m.Rooms)
		}
		loft := m.Rooms[1]
		if loft.Hottest != "top shelf by the window" || loft.Coldest != "floor" || loft.Driest != loft.Hottest || loft.Dampest != "floor" || !loft.Sure || !loft.SureDamp {
			t.Errorf("%+v", loft.RoomMap)
		}
		near := func(what string, o *review.Offset, want float64) {
			t.Helper()
			if o == nil || math.Abs(o.Mean-want) > 0.02 || o.Low > want+0.02 || o.High < want-0.02 || o.Days != 7 {
				t.Errorf("%s: %+v, want %g", what, o, want)
			}
		}
		near("top shelf", loft.Places[0].Temperature, 3)
		near("its humidity", loft.Places[0].Humidity, -0.05)
		near("floor", loft.Places[1].Temperature, -1)
		near("behind the door", m.Rooms[0].Places[0].Temperature, 0.5)
		if d := loft.Places[0].Degrees; d == nil || math.Abs(*d-3) > 0.05 || !strings.Contains(strings.Join(loft.Words, " "), "3.0 K warmer") {
			t.Errorf("degrees %v, words %q", d, loft.Words)
		}
		return m
	}
	before := check()
	// The room no longer knows of the top shelf: it is hottest at 29 °C.
	if c := answered[web.CompareAnswer](t, h, "/api/v1/rooms/compare?room=loft"); len(c.Rooms) != 1 || math.Abs(*c.Rooms[0].Seasons[0].Mean-24) > 0.15 || !c.Rooms[0].Seasons[0].Partial || len(c.Lots) != 1 || c.Lots[0].Advice != review.AdviceUnknown {
		t.Errorf("%+v", c)
	}
	if done, _ := refold(t, h.app); !done.Same {
		t.Error("rebuilt from the store the state is another")
	}
	h.restart()
	if d := cmp.Diff(before.Rooms, check().Rooms); d != "" {
		t.Errorf("after a restart (-before +after):\n%s", d)
	}
	if code, answer := h.post("/api/v1/sensors/changes/1/revoke", web.RevokeSensor{By: "Bea", Note: "it stood in the hall"}); code != 200 {
		t.Fatalf("%d %s", code, answer)
	}
	if m := answered[web.MapAnswer](t, h, "/api/v1/rooms/map?room=loft"); len(m.Rooms) != 1 || len(m.Rooms[0].Places) != 1 || m.Rooms[0].Hottest != "" {
		t.Errorf("of one place taken back: %+v", m.Rooms)
	}
	acts := auditOf(t, h.app.URL())
	if !slices.ContainsFunc(acts, func(a audit.Act) bool { return a.By == "Bea" && a.Old == `placed at "top shelf by the window"` }) {
		t.Errorf("audit: %+v", acts)
	}
}

// TestCompareOfADaemon: over the API and on the page, after 13 months with a
// hot fortnight in the loft.
func TestCompareOfADaemon(t *testing.T) {
	h, _ := reviewedHouse(t)
	x := answered[web.CompareAnswer](t, h, "/api/v1/rooms/compare")
	if len(x.Rooms) != 2 || len(x.Lots) != 3 || x.Outdoors != "" || x.From != "2025-10-30" || x.To != "2026-11-30" {
		t.Fatalf("%+v", x)
	}
	// 14 days at 34 °C, 18 K above the cellar: of the loft's summer.
	if l := x.Lots[0]; l.Room != "loft" || l.Known != 4 || l.Seasons[review.JunAug].Best != "cellar" || l.Moves.Likely <= 7 {
		t.Errorf("%+v", l)
	}
	if l := x.Lots[2]; l.Room != "cellar" || l.Advice != review.AdviceLeave || l.Moves.Likely != 0 {
		t.Errorf("%+v", l)
	}
	f := func(path string, status int, want string) {
		t.Helper()
		if got, body := get(t, h.app.URL()+path); got != status || !strings.Contains(body, want) {
			t.Errorf("GET %s: %d, want %d with %q", path, got, status, want)
		}
	}
	f("/rooms/compare", 200, "nothing is normalised")
	// The yearly report tells the same seasons, rounded.
	rep := answered[report.Report](t, h, "/api/v1/report?format=json&from=2025-12-01&to=2026-11-29")
	for i, r := range rep.Rooms {
		if len(r.Seasons) != 4 || r.Seasons[0].First != (report.Date{Year: 2025, Month: 12, Day: 1}) {
			t.Fatalf("%s has the seasons %+v", r.Name, r.Seasons)
		}
		for j, s := range r.Seasons {
			y := x.Rooms[i].Seasons[j+1] // the first is the autumn before
			if !strings.HasPrefix(s.Name, y.Season) || math.Abs(float64(s.Beyond)-y.Beyond) > 0.05001 || math.Abs(float64(s.Mean)-*y.Mean) > 0.05001 || s.Per.Known() {
				t.Errorf("%s: the report has %+v, the comparison %+v", r.Name, s, y)
			}
		}
	}
	f("/api/v1/rooms/compare?room=lft", http.StatusNotFound, "no room")
	f("/api/v1/rooms/map?room=lft", http.StatusNotFound, "no room")
	f("/api/v1/rooms/compare?from=2027-01-01", 422, "lies ahead")
	f("/api/v1/rooms/compare?from=2026-03-01&to=2026-01-01", 422, "first day first")
	f("/api/v1/rooms/compare?from=1990-01-01", 422, "31 years")
	if err := stopped(t, h); err == nil {
		t.Error("answered by a daemon that was stopped")
	}
}

func stopped(t *testing.T, h *house) error {
	t.Helper()
	a := h.app
	h.stop()
	_, err := a.CompareRooms(t.Context(), web.CompareOrder{})
	return err
}
