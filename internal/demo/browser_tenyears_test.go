package demo_test

import (
	"context"
	"log/slog"
	"math"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/cdproto/page"

	"dryhold/internal/demo"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/store"
	"dryhold/internal/unit"
)

// usable notes when a page can be used: its first chart is drawn or, where it
// has none, all of it is there.
const usable = `(() => {
	const done = () => requestAnimationFrame(() => requestAnimationFrame(() => { window.usable ??= performance.now() }));
	const look = () => {
		const charts = document.querySelectorAll("figure[data-chart]");
		if (document.readyState === "complete" && (charts.length === 0 || document.querySelector('figure[data-drawn="yes"] canvas'))) done();
		else requestAnimationFrame(look);
	};
	requestAnimationFrame(look);
})()`

// The page of a room with ten years of hours behind it is to be usable within a
// second; how long it takes is told beside what a page without content takes. No
// time of a wall clock fails the test: that the charts are drawn does.
func TestTenYears(t *testing.T) {
	b := newTab(t)
	h := &larchHouse{t: t, dir: filepath.Join(t.TempDir(), "data"), began: time.Now()}
	from := demo.End().AddDate(-10, 0, 0)
	n := fillYears(t, h.dir, from)
	t.Cleanup(h.kill)
	h.start()
	t.Logf("%d readings, ready after %v", n, time.Since(h.began).Round(10*time.Millisecond))
	for range 20 {
		post(t, h.url+"/api/v1/lots", map[string]any{
			"food": "white-rice", "container": "pet-2l", "count": 12, "net_mass_kg": 1.6, "packed_at": from.AddDate(0, 1, 0), "room": demo.Loft,
			"treatment": lot.Treatment{Kind: lot.Absorber, CapacityCM3: 300}, "shading": lot.Boxed, "by": "Mara",
		})
	}
	command(b, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: usable})
	took := func(path string, charts bool) float64 {
		t.Helper()
		least := math.Inf(1)
		for range 5 {
			b.open(h.url + path)
			least = min(least, evaluate[float64](b, `new Promise(done => { const look = () => window.usable ? done(window.usable) : setTimeout(look, 5); look() })`))
		}
		if drawn := evaluate[int](b, `document.querySelectorAll('figure[data-drawn="yes"] canvas').length`); charts && drawn == 0 {
			t.Errorf("%s: no chart is drawn", path)
		}
		for _, c := range b.complaints() {
			t.Errorf("%s: the browser complains: %s", path, c)
		}
		return least
	}
	empty := took("/preferences", false)
	whole := "/room/" + demo.Loft + "?from=" + from.Format(time.DateOnly) + "&to=" + demo.End().Format(time.DateOnly)
	for _, path := range []string{"/room/" + demo.Loft, whole} {
		ms := took(path, true)
		t.Logf("%s usable after %.0f ms, the best of 5; a page without content after %.0f ms: %.1f times as long", path, ms, empty, ms/empty)
	}
}

// fillYears puts ten years of hours of the loft into a store, invented.
func fillYears(t *testing.T, dir string, from time.Time) (n int) {
	t.Helper()
	db, err := store.Open(t.Context(), dir, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	var batch store.Batch
	for at := from; at.Before(demo.End()); at = at.Add(time.Hour) {
		year, day := 2*math.Pi*float64(at.YearDay())/365.25, 2*math.Pi*float64(at.Hour())/24
		for q, v := range map[unit.Quantity]float64{
			unit.Temperature: 14 - 9*math.Cos(year) - 4*math.Cos(day), unit.Humidity: 0.55 + 0.1*math.Sin(year), unit.Illuminance: max(0, -60*math.Cos(day)),
		} {
			batch.Readings = append(batch.Readings, room.Reading{Series: room.Series{Room: demo.Loft, Sensor: demo.Loft, Quantity: q}, At: at, Value: v})
		}
		if len(batch.Readings) >= 20_000 || !at.Add(time.Hour).Before(demo.End()) {
			n += len(batch.Readings)
			err := db.Commit(context.Background(), batch, nil, at, func([]room.Reading) (store.Outcome, error) { return store.Outcome{}, nil })
			if err != nil {
				t.Fatal(err)
			}
			batch.Readings = nil
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	return n
}
