package web

import (
	"context"
	"encoding/json"
	"html"
	"io"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/review"
	"dryhold/internal/room"
)

// comparedRooms are invented: a loft that is hot in summer and was hotter the
// year before, a cellar at 15 °C, and the yard.
func comparedRooms(long string) (engine.Comparison, []review.AirRoom) {
	key := room.Key{Lag: 2, Ea: 80}
	first := time.Date(2024, 12, 1, 0, 0, 0, 0, time.UTC)
	c := engine.Comparison{First: first, End: first.AddDate(1, 9, 0), Outdoors: "yard", Rooms: []string{"cellar", "loft" + long, "yard"}, Keys: []room.Key{key}, Lots: []review.Standing{
		{Lot: "L-1" + long, Food: "Brown rice", Room: "loft" + long, Mode: "oxidation", Key: key, EaLow: 60, EaHigh: 100, Plan: 21, Amber: 0.6, Sealed: true},
		{Lot: "L-2", Food: "Hard wheat", Room: "cellar", Mode: "staling", Key: key, EaLow: 80, EaHigh: 80, Plan: 21, Amber: 0.6, Sealed: true},
	}}
	var rooms []review.AirRoom
	for _, name := range c.Rooms {
		r := review.AirRoom{Name: name, Plan: 21, Open: name == "yard", First: first, Ageing: map[room.Key][]float64{}}
		for i := range int(c.End.Sub(first).Hours() / 24) {
			at, out, in := first.AddDate(0, 0, i), 8.0, 15.0
			if m := at.Month(); m >= 6 && m <= 8 {
				out = 26
			}
			if strings.HasPrefix(name, "loft") {
				if in = out + 8; at.Year() == 2026 && out > 20 {
					in -= 5
				}
			}
			if name == "yard" {
				in = out
			}
			rate := math.Exp((float64(in) - 21) / 9) // about that of 80 kJ/mol
			var d review.AirDay
			for range 24 {
				d.AirHour(room.Slot{MeasuredMS: 3600e3, VapourMS: 3600e3, VapourMean: 700, TempMean: float32(in)}, rate/24, 1.0/24, 21, out, true)
			}
			r.Days, r.Ageing[key] = append(r.Days, d), append(r.Ageing[key], rate)
		}
		rooms = append(rooms, r)
	}
	return c, rooms
}

func comparedAnswer(o CompareOrder) CompareAnswer {
	long := ""
	if o.Room == "long" {
		long, o.Room = strings.Repeat("W", 120), ""
	}
	c, rooms := comparedRooms(long)
	return NewCompareAnswer("Larch House", noon(), o.Room, c, rooms)
}

func (k *keeper) CompareRooms(_ context.Context, o CompareOrder) (CompareAnswer, error) {
	if o.Room == "nowhere" {
		return CompareAnswer{}, lot.NotFound("there is no room %q", o.Room)
	}
	date := func(t time.Time) string {
		if t.IsZero() {
			return "-"
		}
		return t.Format(time.RFC3339)
	}
	return comparedAnswer(o), k.note("compare %q from %s to %s", o.Room, date(o.From), date(o.To))
}

func mapped() MappedRoom {
	off := func(mean, reach float64) *review.Offset {
		return &review.Offset{Mean: mean, Low: mean - reach, High: mean + reach, Hours: 168, Days: 7}
	}
	is := func(v float64) *float64 { return &v }
	place := func(name string, warmer *review.Offset) review.Place {
		return review.Place{Room: "loft", Place: name, From: ago(400 * time.Hour), To: ago(232 * time.Hour), Hours: 168, Temperature: warmer}
	}
	top, floor, short := place("top shelf by the window", off(2.4, 0.5)), place("floor", off(-1.1, 0.3)), place("behind the door", nil)
	top.Ageing, top.Degrees, top.Humidity = is(1.39), is(2.6), off(-0.06, 0.02)
	floor.Ageing, floor.Degrees, floor.Humidity = is(0.86), is(-1.2), off(0.09, 0.02)
	short.Not, short.Hours = review.TooFewDays, 30
	return NewMappedRoom(review.MapOf("loft", []review.Place{floor, top, short}), 24)
}

func (k *keeper) MapRooms(_ context.Context, name string) (MapAnswer, error) {
	if name == "nowhere" {
		return MapAnswer{}, lot.NotFound("there is no room %q", name)
	}
	return MapAnswer{Site: "Larch House", At: noon(), Rooms: []MappedRoom{mapped()}}, k.note("map %q", name)
}

// asked is an answer with its body as text.
func asked(t *testing.T, h http.Handler, method, path, body string) (status int, text string) {
	t.Helper()
	r := ask(t, h, method, path, body)
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return r.StatusCode, string(b)
}

func TestCompareAsData(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	f := func(path string, status int, want string) {
		t.Helper()
		if got, body := asked(t, h, http.MethodGet, path, ""); got != status || !strings.Contains(body, want) {
			t.Errorf("GET %s: %d, want %d with %q:\n%.500s", path, got, status, want, body)
		}
	}
	f("/api/v1/rooms/compare", 200, `"outdoors":"yard"`)
	f("/api/v1/rooms/compare", 200, `"verdict":"better"`)
	f("/api/v1/rooms/compare?room=loft", 200, `"advice":"`)
	f("/api/v1/rooms/compare?room=nowhere", 404, "nowhere")
	f("/api/v1/rooms/compare?from=yesterday", 422, "is not a day")
	f("/api/v1/rooms/compare?room=cellar&from=2025-01-01&to=2026-01-31", 200, "cellar")
	f("/api/v1/rooms/map?room=loft", 200, `"hottest":"top shelf by the window"`)
	f("/api/v1/rooms/map?room=nowhere", 404, "nowhere")
	f("/rooms/compare?room=nowhere", 404, "No comparison")
	f("/rooms/compare?to=x", 422, "No comparison")
	// Days are those of the site, at UTC+1 in winter.
	if calls := strings.Join(k.seen(), "\n"); !strings.Contains(calls, `compare "cellar" from 2025-01-01T00:00:00+01:00 to 2026-01-31T00:00:00+01:00`) {
		t.Error(calls)
	}
	var x CompareAnswer
	_, body := asked(t, h, http.MethodGet, "/api/v1/rooms/compare", "")
	if err := json.Unmarshal([]byte(body), &x); err != nil || len(x.Rooms) != 3 || len(x.Lots) != 2 || x.From != "2024-12-01" || x.To != "2026-08-31" {
		t.Errorf("%+v, %v", x, err)
	}
}

func TestPlaceSensor(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	if status, body := asked(t, h, http.MethodPost, "/api/v1/sensors/loft/roamer/place", `{"place":"top shelf","in":"cellar","by":"Mara"}`); status != http.StatusOK {
		t.Errorf("%d %s", status, body)
	}
	if calls := strings.Join(k.seen(), "\n"); !strings.Contains(calls, "placed") || !strings.Contains(calls, "top shelf") {
		t.Error(calls)
	}
	if status, body := asked(t, h, http.MethodPost, "/api/v1/sensors/loft/roamer/place", `{"place":"top shelf","in":"`+strings.Repeat("x", 200)+`","by":"Mara"}`); status != http.StatusUnprocessableEntity {
		t.Errorf("a long name: %d %s", status, body)
	}
}

// TestPlacedSensorIsShown: its row says that it does not count.
func TestPlacedSensorIsShown(t *testing.T) {
	snap := larchHouse()
	snap.Sensors[0].Place, snap.Sensors[0].PlaceRoom = "top shelf", "loft"
	h, _ := house(t, snap, nil)
	if _, body := asked(t, h, http.MethodGet, "/?refresh=off", ""); !strings.Contains(body, "at the place top shelf in loft, does not count for its room") {
		t.Error("the page does not say where the sensor stands")
	}
}

func TestComparePage(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	_, body := asked(t, h, http.MethodGet, "/rooms/compare", "")
	body = html.UnescapeString(body)
	for _, want := range []string{
		"Best room for each lot", "Move it to cellar and leave it there", "Leave it: no room is known to be better.",
		"Hottest is \"top shelf by the window\", +2.4 K (+1.9 to +2.9)", "hold the room to 21.4 °C instead of 24.0 °C", "under three days",
		"Jun-Aug 2026", "the room kept heat out better", "better room", "The air outdoors.", "Dec-Nov 2026", "partial", "Quality is not safety",
	} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if _, review := asked(t, h, http.MethodGet, "/review", ""); !strings.Contains(review, `href="/rooms/compare"`) {
		t.Error("the review does not lead to the comparison")
	}
}

func TestBestRoomWords(t *testing.T) {
	season := func(name, best string) review.SeasonRooms { return review.SeasonRooms{Season: name, Best: best} }
	l := review.LotRooms{Room: "loft", Known: 4, Always: "cellar", Seasons: []review.SeasonRooms{
		season("Dec-Feb", "loft"), season("Mar-May", "loft"), season("Jun-Aug", "cellar"), season("Sep-Nov", "loft"),
	}, Moves: lot.Range{Low: 50, Likely: 60, High: 70}, AlwaysGain: lot.Range{Low: 20, Likely: 20, High: 20}}
	f := func(advice, want string, change func(l *review.LotRooms)) {
		t.Helper()
		x := l
		x.Advice = advice
		if change != nil {
			change(&x)
		}
		if got := BestRoomWords(x); got != want {
			t.Errorf("%s:\n got %s\nwant %s", advice, got, want)
		}
	}
	f(review.AdviceSeasons, "Move it with the seasons, Dec-Feb and Mar-May in loft, Jun-Aug in cellar, Sep-Nov in loft: about 60.0 days (50.0 to 70.0) of life gained a year. All year in cellar it would gain 20.0 days.", nil)
	f(review.AdviceMove, "Move it to cellar and leave it there: about 20.0 days of life gained a year.", nil)
	f(review.AdviceLeave, "Leave it: the best moves known would gain 3.0 days of life a year, less than a week.", func(l *review.LotRooms) { l.Moves.Likely = 3 })
	f(review.AdviceLeave, "Leave it: no room is known to be better. Of the four seasons 2 were measured well enough in loft; in the others it is taken to stay.", func(l *review.LotRooms) { l.Moves, l.Known = lot.Range{}, 2 })
	f(review.AdviceUnknown, "Not known: too little of loft was measured in any season to compare.", func(l *review.LotRooms) { l.Known = 0 })
	f(review.AdviceLeave, "Leave it: no room is known to be better. Light reaches it and is not measured in loft, so heat alone is compared: box it to be sure.", func(l *review.LotRooms) { l.Moves, l.Dark = lot.Range{}, true })
}

func TestBestCell(t *testing.T) {
	is := func(v float64) *float64 { return &v }
	f := func(best, not string, cellar, loft *float64, want string) {
		t.Helper()
		s := review.SeasonRooms{Season: "Jun-Aug", Best: best, Rooms: []review.RoomRate{{Room: "cellar", Rate: cellar, Not: not}, {Room: "loft", Rate: loft}}}
		if got := BestCell(s, "loft"); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
	f("cellar", "", is(0.5), is(1.25), "cellar 0.50, here 1.25")
	f("loft", "", is(2), is(1.25), "loft 1.25")
	f("loft", review.NotDamp, is(0.5), is(1.25), "loft 1.25; not cellar: too damp for its container")
	f("loft", review.NotMeasured, nil, is(1.25), "loft 1.25")
	f("loft", "", is(0.5), nil, "not known in loft")
}

func TestSeasonWords(t *testing.T) {
	f := func(room review.RoomSeasons, outdoors, want string) {
		t.Helper()
		if got := strings.Join(SeasonWords(room, outdoors), " "); !strings.Contains(got, want) {
			t.Errorf("got %q, want %q", got, want)
		}
	}
	expected := 10.0
	f(review.RoomSeasons{Outdoors: true}, "yard", "The air outdoors.")
	f(review.RoomSeasons{}, "", "nothing is normalised")
	f(review.RoomSeasons{Seasons: []review.SeasonAir{{Season: "Jun-Aug", Year: 2026, Beyond: 15, Expected: &expected, Verdict: review.Worse}}}, "yard",
		"Jun-Aug 2026: 15.0 days beyond plan, where the room of the year before would have had 10.0 days under the same heat outdoors; the room kept heat out worse.")
}

// TestComparePageFits: no width makes the page scroll sideways, however long
// the names.
func TestComparePageFits(t *testing.T) {
	ctx := browser(t)
	base, _ := serve(t, larchHouse())
	for _, path := range []string{"/rooms/compare", "/rooms/compare?room=long"} {
		for _, width := range []int64{360, 390, 961, 1280} {
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 800), chromedp.Navigate(base+path)); err != nil {
				t.Fatalf("cannot open %s at %d px: %v", path, width, err)
			}
			if has, needs := evaluate[int](t, ctx, `document.documentElement.clientWidth`), evaluate[int](t, ctx, `document.documentElement.scrollWidth`); needs > has {
				t.Errorf("%s needs %d px at a width of %d", path, needs, width)
			}
		}
	}
}
