package wire

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
)

func commandNoon() time.Time { return time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC) }

func TestParseCommand(t *testing.T) {
	f := func(payload string, want Command) {
		t.Helper()
		got, err := ParseCommand([]byte(payload), commandNoon())
		if err != nil {
			t.Fatalf("%s: %v", payload, err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s (-want +got):\n%s", payload, d)
		}
	}
	warm := alarm.Key{Kind: alarm.Warm, Room: "loft"}
	f(`{"id":"4f1c","do":"acknowledge","alarm":"warm/loft","by":" mara "}`, Command{ID: "4f1c", Do: alarm.ActAcknowledge, Alarm: warm, By: "mara"})
	f(`{"id":"1","do":"shelve","alarm":"warm/loft","by":"mara","for":"8h","note":"painters are in"}`,
		Command{ID: "1", Do: alarm.ActShelve, Alarm: warm, By: "mara", Note: "painters are in", Until: commandNoon().Add(8 * time.Hour)})
	f(`{"id":"2","do":"shelve","alarm":"warm/loft","by":"mara","until":"2026-07-14T20:00:00.5+02:00"}`,
		Command{ID: "2", Do: alarm.ActShelve, Alarm: warm, By: "mara", Until: commandNoon().Add(6 * time.Hour)})
	f(`{"id":"3","do":"annotate","alarm":"quality/L-3","by":"mara","note":"for the birds"}`,
		Command{ID: "3", Do: alarm.ActAnnotate, Alarm: alarm.Key{Kind: alarm.Quality, Lot: "L-3"}, By: "mara", Note: "for the birds"})

	g := func(payload, want, id string) {
		t.Helper()
		got, err := ParseCommand([]byte(payload), commandNoon())
		if err == nil || !strings.Contains(err.Error(), want) || got.ID != id {
			t.Errorf("%s: id %q, %v; want %q, %q", payload, got.ID, err, id, want)
		}
	}
	good := func(more string) string {
		return `{"id":"4f1c","do":"shelve","alarm":"warm/loft","by":"mara"` + more + `}`
	}
	g(``, "not the JSON expected", "")
	g(`[]`, "not the JSON expected", "")
	g("{\"id\":\"\xff\"}", "not UTF-8", "")
	g(good(`,"for":"1h"`)+"{}", "goes on after", "4f1c")
	g(good(`,"colour":"red"`), `unknown field "colour"`, "4f1c")
	g(`{"do":"acknowledge","alarm":"warm/loft","by":"mara"}`, "id: give each command an id", "")
	g(`{"id":"`+strings.Repeat("x", 101)+`","do":"acknowledge","alarm":"warm/loft","by":"mara"}`, "id: give each command an id", "")
	g(`{"id":"4f1c","do":"ack","alarm":"warm/loft","by":"mara"}`, `do: unknown act "ack"`, "4f1c")
	g(`{"id":"4f1c","do":"acknowledge","alarm":"wram/loft","by":"mara"}`, `did you mean "warm"?`, "4f1c")
	g(`{"id":"4f1c","do":"acknowledge","alarm":"warm/loft","by":" "}`, "by: give the name", "4f1c")
	g(good(``), "say how long", "4f1c")
	g(good(`,"for":"1h","until":"2026-07-14T20:00:00Z"`), "not both", "4f1c")
	g(good(`,"for":"9d"`), "longer than an alarm may be shelved", "4f1c")
	g(`{"id":"4f1c","do":"unshelve","alarm":"warm/loft","by":"mara","for":"1h"}`, "only shelving has an end", "4f1c")
	g(good(`,"for":"1h","note":"`+strings.Repeat("x", 2001)+`"`), "note: it is longer", "4f1c")
	g(good(`,"note":"`+strings.Repeat("x", 4096)+`"`), "send at most 4096", "")
}

func FuzzParseCommand(f *testing.F) {
	f.Add([]byte(`{"id":"4f1c","do":"shelve","alarm":"warm/loft","by":"mara","for":"8h","note":"painters are in"}`))
	f.Add([]byte(`{"id":"1","do":"annotate","alarm":"quality/L-3","by":"mara","until":"0000-01-01T00:00:00Z"}`))
	f.Add([]byte("{\"id\":\"\xff\"}"))
	f.Fuzz(func(t *testing.T, payload []byte) {
		c, err := ParseCommand(payload, commandNoon())
		if len(c.ID) > maxCommandID || err == nil && (c.ID == "" || c.By == "" || c.Alarm.Kind == "" || (c.Do == alarm.ActShelve) == c.Until.IsZero()) {
			t.Errorf("%q reads as %+v, %v", payload, c, err)
		}
	})
}
