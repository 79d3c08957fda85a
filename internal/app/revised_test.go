package app_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"dryhold/internal/room"
	"dryhold/internal/sensor"
	"dryhold/internal/unit"
	"dryhold/internal/web"
)

// newest gives what a field of a point was when it went out last, over all
// series whose line begins with this; empty when it never went out.
func (g *gateway) newest(series, field string, at time.Time) string {
	g.mu.Lock()
	defer g.mu.Unlock()
	out := ""
	for _, line := range g.lines {
		if !strings.HasPrefix(line, series) || !strings.HasSuffix(line, fmt.Sprint(" ", at.UnixMilli())) {
			continue
		}
		for _, f := range strings.FieldsFunc(line, func(r rune) bool { return r == ' ' || r == ',' }) {
			if v, ok := strings.CutPrefix(f, field+"="); ok {
				out = v
			}
		}
	}
	return out
}

// An hour goes out again when a late reading, an import or a change of a sensor
// revised it, over a restart too; and a lot when the keeper changed it.
func TestRevisedGoesOutAgain(t *testing.T) {
	taker := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusNoContent) }))
	t.Cleanup(taker.Close)
	g := newGateway(t, taker.URL)
	began := time.Date(2031, 7, 1, 0, 0, 0, 0, time.UTC)
	h, w, _ := clocked(t, began, began.AddDate(-1, 0, 0))
	h.opts.Settings.Influx, h.opts.ExportEvery, h.opts.Futures = exported(g.URL), 20*time.Millisecond, 4
	h.start()
	c := publisher(t, h.brokerURL())
	say := func(at time.Time, v int) {
		t.Helper()
		publish(t, c, "rooms/loft", false, fmt.Sprintf(`{"temperature":%d,"time":%q}`, v, at.Format(time.RFC3339)))
	}
	for i := range 5 * 48 { // five days
		w.run(30 * time.Minute)
		if i == 4*48+11 || i == 2*48+11 { // but for one late in each of two days
			continue
		}
		say(began.Add(time.Duration(i+1)*30*time.Minute), 20)
	}
	hour := func(day, n int) time.Time { return began.Add(time.Duration(day*24+n) * time.Hour) }
	wants := func(what string, at time.Time, field, want string) {
		t.Helper()
		eventually(t, what, func() bool { return g.newest("dryhold_hour,room=loft,", field, at) == want })
	}
	wants("the hours", hour(4, 22), "temperature_max", "20")
	say(hour(4, 6), 26)
	wants("an open day, late", hour(4, 6), "temperature_max", "26")
	say(hour(2, 6), 27)
	wants("a closed day, late", hour(2, 6), "temperature_max", "27")
	if _, err := h.app.Import(t.Context(), []room.Reading{{Series: room.Series{Room: "loft", Sensor: "loft", Quantity: unit.Temperature}, At: hour(1, 3).Add(10 * time.Minute), Value: 29}}); err != nil {
		t.Fatal(err)
	}
	if err := h.app.Imported(t.Context(), web.ImportDone{By: "mara", Source: "loft.csv", Stored: 1, From: hour(1, 3), To: hour(1, 4)}); err != nil {
		t.Fatal(err)
	}
	wants("an import", hour(1, 3), "temperature_max", "29")
	q := unit.Temperature
	_, err := h.app.ChangeSensor(t.Context(), sensor.Change{Kind: sensor.Voided, Room: "loft", Sensor: "loft", Quantity: &q, From: hour(3, 5), To: hour(3, 9), By: "mara", Note: "lay in the sun"})
	if err != nil {
		t.Fatal(err)
	}
	wants("a void", hour(3, 6), "quality", `"estimated"`)
	h.restart()
	if got := g.newest("dryhold_hour,room=loft,", "temperature_max", hour(0, 5)); got != "20" {
		t.Errorf("an hour nobody touched is %q", got)
	}

	rice := lotOf("loft")
	rice.Packing.PackedAt = began
	if code, answer := h.post("/api/v1/lots", rice); code >= 300 {
		t.Fatalf("%d %s", code, answer)
	}
	has := func(what, text string) {
		t.Helper()
		eventually(t, what, func() bool {
			g.mu.Lock()
			defer g.mu.Unlock()
			for _, line := range g.lines {
				if strings.HasPrefix(line, "dryhold_lot,lot=L-1,") && strings.Contains(line, text) {
					return true
				}
			}
			return false
		})
	}
	has("the new lot", "finished=false")
	if err := h.app.FinishLot(t.Context(), "L-1", time.Time{}, "eaten", "mara"); err != nil {
		t.Fatal(err)
	}
	has("the end of the lot", "finished=true")
}
