package main

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"dryhold/internal/engine"
	"dryhold/internal/kinetics"
	"dryhold/internal/review"
	"dryhold/internal/room"
	"dryhold/internal/unit"
	"dryhold/internal/web"
)

// comparing is a daemon with an invented loft and cellar, that keeps what it
// was asked.
func comparing(t *testing.T) (url string, asked *[]string) {
	t.Helper()
	asked = new([]string)
	key := room.Key{Lag: 2, Ea: 80}
	first := time.Date(2025, 6, 1, 0, 0, 0, 0, time.UTC)
	c := engine.Comparison{First: first, End: first.AddDate(1, 3, 0), Outdoors: "yard", Lots: []review.Standing{
		{Lot: "L-1", Food: "Brown rice", Room: "loft", Mode: "oxidation", Key: key, EaLow: 60, EaHigh: 100, Plan: 21, Sealed: true},
	}}
	var rooms []review.AirRoom
	for i, name := range []string{"cellar", "loft"} {
		celsius := 15 + 12*float64(i)
		r := review.AirRoom{Name: name, Plan: 21, First: first, Ageing: map[room.Key][]float64{}}
		factor := kinetics.AccelerationFactor(room.AirEa, unit.Celsius(celsius), room.Reference)
		for range int(c.End.Sub(first).Hours() / 24) {
			var d review.AirDay
			for range 24 {
				d.AirHour(room.Slot{MeasuredMS: 3600e3, VapourMS: 3600e3, TempMean: float32(celsius)}, factor/24, 1.0/24, 21, 26, true)
			}
			r.Days, r.Ageing[key] = append(r.Days, d), append(r.Ageing[key], celsius/21)
		}
		rooms = append(rooms, r)
	}
	is := func(v float64) *float64 { return &v }
	m := review.MapOf("loft", []review.Place{
		{Room: "loft", Place: "top shelf", From: first, To: first.AddDate(0, 0, 7), Hours: 168, Temperature: &review.Offset{Mean: 2, Low: 1, High: 3}, Ageing: is(1.3), Degrees: is(2.1)},
		{Room: "loft", Place: "floor", From: first, To: first.AddDate(0, 0, 1), Hours: 24, Not: review.TooFewDays},
	})
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		body, err := io.ReadAll(q.Body)
		if err != nil {
			t.Error(err)
		}
		*asked = append(*asked, strings.TrimSpace(q.Method+" "+q.URL.RequestURI()+" "+string(body)))
		var answer any = web.SensorChanged{Of: "loft/roamer", What: `placed at "top shelf"`}
		switch q.URL.Path {
		case "/api/v1/rooms/compare":
			answer = web.NewCompareAnswer("Larch House", first, "", c, rooms)
		case "/api/v1/rooms/map":
			answer = web.MapAnswer{At: first, Rooms: []web.MappedRoom{web.NewMappedRoom(m, 24)}}
			if q.URL.RawQuery == "room=cellar" {
				answer = web.MapAnswer{}
			}
		}
		if err := json.NewEncoder(w).Encode(answer); err != nil {
			t.Error(err)
		}
	}))
	t.Cleanup(s.Close)
	return s.URL, asked
}

// A sensor that is carried about is listed by where it stands.
func TestPlacedSensorIsListed(t *testing.T) {
	var b strings.Builder
	at := time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)
	s := web.SensorsAnswer{At: at, Sensors: []engine.SensorView{{Name: "roamer", Room: "loft", LastSeen: at, State: engine.Speaking, Place: "top shelf", PlaceRoom: "cellar"}}}
	if err := printSensors(&b, s, false); err != nil || !strings.Contains(b.String(), "at top shelf in cellar") {
		t.Errorf("%v:\n%s", err, b.String())
	}
}

func TestRoomsCompared(t *testing.T) {
	url, asked := comparing(t)
	prints := func(args []string, want ...string) {
		t.Helper()
		got, code := call(t, append(args, "--url", url)...)
		if code != 0 {
			t.Fatalf("%v: exit %d: %s", args, code, got)
		}
		flat := strings.Join(strings.Fields(got), " ")
		for _, w := range want {
			if !strings.Contains(flat, w) {
				t.Errorf("%v lacks %q:\n%s", args, w, got)
			}
		}
		for line := range strings.Lines(got) {
			if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); n > 100 && !strings.HasPrefix(strings.TrimSpace(line), `"`) {
				t.Errorf("%v: a line of %d characters: %s", args, n, line)
			}
		}
	}
	prints([]string{"rooms", "compare"},
		"Measured from 2025-06-01 to 2026-08-31.", "L-1 Brown rice in loft, limited by oxidation: Move it to cellar and leave it there", "Jun-Aug: cellar 0.71, here 1.29",
		"loft, warm limit and base of degree-days 21.0 °C", "Jun-Aug 2026: 89.5 days beyond plan", "MEASURED MEAN KINETIC DAYS BEYOND HOURS DEGREE-DAYS PER 100 ROOM IN",
		"100 % 27.0 27.0 181.5 89.5 2208 460 19.5 same Jun-Aug 2026", "100 % 15.0 15.0 45.3 0.0 0 460 0.0 same Jun-Aug 2026", "Jun-Aug 2026: nothing beyond plan, as the year before.", "Dec-Nov 2026", "throw it out")
	prints([]string{"rooms", "compare", "--room", "loft", "--from", "2025-06-01", "--to", "2026-08-31", "--format", "json"}, `"best_single_room": "cellar"`)
	prints([]string{"rooms", "map"}, "loft", "Fewer than two places are known", "- top shelf: warmer by +2.0 K (+1.0 to +3.0)", "add 2.1 K: limit 21.9 °C", "under three days")
	prints([]string{"rooms", "map", "--room", "cellar"}, "No place was mapped yet")
	prints([]string{"rooms", "map", "--format", "json"}, `"place": "top shelf"`)
	prints([]string{"rooms", "place", "loft", "top shelf", "--sensor", "roamer", "--by", "Mara", "--from", "2026-07-01T09:00:00Z", "--to", "2026-07-08T09:00:00Z"}, `placed at "top shelf"`)
	prints([]string{"rooms", "place", "cellar", "floor", "--sensor", "roamer", "--reports-as", "loft", "--by", "Mara"})
	prints([]string{"rooms", "place", "cellar", "--back", "--sensor", "roamer", "--reports-as", "loft", "--by", "Mara"})
	want := []string{
		"GET /api/v1/rooms/compare", "GET /api/v1/rooms/compare?from=2025-06-01&room=loft&to=2026-08-31", "GET /api/v1/rooms/map", "GET /api/v1/rooms/map?room=cellar", "GET /api/v1/rooms/map",
		`POST /api/v1/sensors/loft/roamer/place {"place":"top shelf","from":"2026-07-01T09:00:00Z","to":"2026-07-08T09:00:00Z","by":"Mara"}`,
		`POST /api/v1/sensors/loft/roamer/place {"place":"floor","in":"cellar","by":"Mara"}`,
		`POST /api/v1/sensors/loft/roamer/place {"place":"","by":"Mara"}`,
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
	refuses("neither text nor json", "rooms", "compare", "--format", "pdf")
	refuses("neither text nor json", "rooms", "map", "--format", "csv")
	refuses("needs --sensor", "rooms", "place", "loft", "floor")
	refuses("needs a PLACE or --back", "rooms", "place", "loft", "--sensor", "roamer")
	refuses("--back goes without", "rooms", "place", "loft", "floor", "--sensor", "roamer", "--back")
	refuses("1 or 2 arguments", "rooms", "place", "--sensor", "roamer")
	refuses("is not a time", "rooms", "place", "loft", "floor", "--sensor", "roamer", "--from", "once")
}
