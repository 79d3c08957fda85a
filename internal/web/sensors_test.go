package web

import (
	"encoding/json"
	"errors"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/net/html"

	"dryhold/internal/alarm"
	"dryhold/internal/audit"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/sensor"
	"dryhold/internal/unit"
)

// change is what the last call of the keeper was given.
func change(t *testing.T, k *keeper) (c sensor.Change) {
	t.Helper()
	calls := k.seen()
	if len(calls) == 0 {
		t.Fatal("nothing reached the keeper")
	}
	body, ok := strings.CutPrefix(calls[len(calls)-1], "sensor ")
	if err := json.Unmarshal([]byte(body), &c); err != nil || !ok {
		t.Fatalf("%v: %s", err, calls[len(calls)-1])
	}
	return c
}

func TestSensorEdits(t *testing.T) {
	q := func(q unit.Quantity) *unit.Quantity { return &q }
	at := func(h int) time.Time { return time.Date(2026, 7, 1, h, 0, 0, 0, time.UTC) }
	near := nearly()
	f := func(path, body string, want sensor.Change) {
		t.Helper()
		h, k := house(t, larchHouse(), nil)
		res := ask(t, h, http.MethodPost, "/api/v1/sensors/"+path, body)
		answer := text(t, res)
		if res.StatusCode != 200 {
			t.Errorf("%s %s: %d %s", path, body, res.StatusCode, answer)
			return
		}
		if d := cmp.Diff(want, change(t, k), near); d != "" {
			t.Errorf("%s (-want +got):\n%s", path, d)
		}
		var done SensorChanged
		if err := json.Unmarshal([]byte(answer), &done); err != nil || done.What != audit.Words(want) || done.Refold[0].Days != 3 {
			t.Errorf("%s: %v %s", path, err, answer)
		}
	}
	f("cellar/cellar-1/calibrate", `{"quantity":"temperature","offset":-0.3,"unit":"K","due":"2027-11-01T12:00:00Z","note":"ice water","by":"Mara"}`,
		sensor.Change{Kind: sensor.Calibrated, Room: "cellar", Sensor: "cellar-1", Quantity: q(unit.Temperature), Gain: 1, Offset: -0.3, Due: time.Date(2027, 11, 1, 12, 0, 0, 0, time.UTC), Note: "ice water", By: "Mara"})
	f("cellar/cellar-1/calibrate", `{"quantity":"temperature","offset":-0.9,"unit":"F","from":"2026-07-01T02:00:00+02:00","by":"Mara"}`,
		sensor.Change{Kind: sensor.Calibrated, Room: "cellar", Sensor: "cellar-1", Quantity: q(unit.Temperature), Gain: 1, Offset: -0.5, From: at(0).In(time.FixedZone("", 7200)), By: "Mara"})
	f("cellar/a%2Fb%20c/calibrate", `{"quantity":"humidity","gain":1.05,"by":"Mara"}`,
		sensor.Change{Kind: sensor.Calibrated, Room: "cellar", Sensor: "a/b c", Quantity: q(unit.Humidity), Gain: 1.05, By: "Mara"})
	f("cellar/cellar-1/calibrate", `{"quantity":"temperature","by":"Mara"}`, // seen to be right
		sensor.Change{Kind: sensor.Calibrated, Room: "cellar", Sensor: "cellar-1", Quantity: q(unit.Temperature), Gain: 1, By: "Mara"})
	f("cellar/cellar-1/calibrate", `{"quantity":"temperature","unit":"F","points":[{"reading":32.9,"reference":32}],"note":"ice water","by":"Mara"}`,
		sensor.Change{Kind: sensor.Calibrated, Room: "cellar", Sensor: "cellar-1", Quantity: q(unit.Temperature), Gain: 1, Offset: -0.5, Note: "ice water (read 32.9 for 32 F)", By: "Mara"})
	f("cellar/cellar-1/calibrate", `{"quantity":"humidity","unit":"%","points":[{"reading":35,"reference":33},{"reading":75,"reference":75}],"by":"Mara"}`,
		sensor.Change{Kind: sensor.Calibrated, Room: "cellar", Sensor: "cellar-1", Quantity: q(unit.Humidity), Gain: 1.05, Offset: 0.33 - 1.05*0.35, Note: "read 35 for 33 %, 75 for 75 %", By: "Mara"})
	f("loft/loft-1/correct", `{"quantity":"temperature","offset":1,"unit":"C","from":"2026-07-01T00:00:00Z","to":"2026-07-01T05:00:00Z","note":"by the stove","by":"Mara"}`,
		sensor.Change{Kind: sensor.Corrected, Room: "loft", Sensor: "loft-1", Quantity: q(unit.Temperature), Gain: 1, Offset: 1, From: at(0), To: at(5), Note: "by the stove", By: "Mara"})
	f("loft/loft-1/void", `{"from":"2026-07-01T00:00:00Z","note":"in the sun","by":"Mara"}`,
		sensor.Change{Kind: sensor.Voided, Room: "loft", Sensor: "loft-1", From: at(0), To: noon(), Note: "in the sun", By: "Mara"})
	f("loft/loft-1/void", `{"quantity":"illuminance","from":"2026-07-01T00:00:00Z","to":"2026-07-01T05:00:00Z","note":"lamp","by":"Mara"}`,
		sensor.Change{Kind: sensor.Voided, Room: "loft", Sensor: "loft-1", Quantity: q(unit.Illuminance), From: at(0), To: at(5), Note: "lamp", By: "Mara"})
	f("loft/loft-1/swap", `{"new":"loft-2","at":"2026-07-01T05:00:00Z","by":"Mara"}`,
		sensor.Change{Kind: sensor.Swapped, Room: "loft", Sensor: "loft-1", New: "loft-2", From: at(5), By: "Mara"})
	f("changes/2/revoke", `{"note":"it did not","by":"Mara"}`, sensor.Change{Kind: sensor.Revoked, Revokes: 2, Note: "it did not", By: "Mara"})
}

func TestSensorEditsRefused(t *testing.T) {
	f := func(path, body string, status int, detail string) {
		t.Helper()
		h, k := house(t, larchHouse(), nil)
		wantProblem(t, ask(t, h, http.MethodPost, "/api/v1/sensors/"+path, body), status, detail)
		if calls := k.seen(); len(calls) != 0 {
			t.Errorf("%s %s reached the keeper: %q", path, body, calls)
		}
	}
	f("loft/loft-1/calibrate", `{}`, 422, "quantity: say what is adjusted, one of temperature, humidity")
	f("loft/loft-1/calibrate", `{"quantity":"charm"}`, 400, "unknown quantity")
	f("loft/loft-1/calibrate", `{"quantity":"temperature","offset":0.3}`, 422, "unit: say in which unit the numbers are, one of C, ")
	f("loft/loft-1/calibrate", `{"quantity":"temperature","points":[{"reading":1,"reference":0}]}`, 422, "unit:")
	f("loft/loft-1/calibrate", `{"quantity":"temperature","offset":0.3,"unit":"%"}`, 422, `unit: "%" is not a unit of temperature`)
	f("loft/loft-1/calibrate", `{"quantity":"temperature","offset":0.3,"unit":"C","points":[{"reading":1,"reference":0}]}`, 422, "not both")
	f("loft/loft-1/calibrate", `{"quantity":"temperature","unit":"C","points":[{"reading":1000,"reference":0}]}`, 422, "points: temperature 1000")
	f("loft/loft-1/calibrate", `{"quantity":"temperature","unit":"C","points":[`+strings.Repeat(`{},`, maxPoints)+`{}]}`, 422, "at most 10")
	f("loft/loft-1/calibrate", `{"quantity":"temperature","offset_c":1}`, 400, "offset_c")
	f("loft/loft-1/correct", `{"quantity":"temperature","from":"2026-07-01T00:00:00Z"}`, 422, "offset:")
	f("loft/loft-1/correct", `{"quantity":"temperature","offset":1,"unit":"K"}`, 422, "from: say from when")
	f("loft/loft-1/void", `{"note":"in the sun"}`, 422, "from: say from when")
	f("loft/loft-1/swap", `{"new":"`+strings.Repeat("x", maxName+1)+`"}`, 422, "longer than")
	f("loft/"+strings.Repeat("x", maxName+1)+"/swap", `{}`, 422, "longer than")
	f("changes/two/revoke", `{}`, 404, `"two" is no number of a change`)
	f("changes/0/revoke", `{}`, 404, "no number")
	for _, path := range []string{"loft/loft-1/calibrate", "loft/loft-1/correct", "loft/loft-1/void", "loft/loft-1/swap", "changes/1/revoke"} {
		f(path, `{"by":"`+strings.Repeat("x", maxName+1)+`"}`, 422, "by:")
		f(path, `{"note":"`+strings.Repeat("x", maxNote+1)+`"}`, 422, "note:")
	}
}

func TestSensorsAndAuditAreRead(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	var got SensorsAnswer
	body := text(t, ask(t, h, http.MethodGet, "/api/v1/sensors", ""))
	if err := json.Unmarshal([]byte(body), &got); err != nil || len(got.Sensors) != len(larchHouse().Sensors) || len(got.Changes) != 3 {
		t.Fatalf("%v: %s", err, body)
	}
	if c := got.Changes[1]; c.Seq != 2 || c.RevokedBy != 3 || !strings.HasPrefix(c.What, "voided everything") || got.Changes[0].RevokedBy != 0 {
		t.Errorf("changes %+v", got.Changes)
	}
	f := func(query string, acts int, more bool, call string) {
		t.Helper()
		var got AuditAnswer
		body := text(t, ask(t, h, http.MethodGet, "/api/v1/audit"+query, ""))
		if err := json.Unmarshal([]byte(body), &got); err != nil || len(got.Acts) != acts || got.More != more {
			t.Errorf("%s: %v %s", query, err, body)
		}
		if calls := k.seen(); calls[len(calls)-1] != call {
			t.Errorf("%s: %q, want %q", query, calls[len(calls)-1], call)
		}
	}
	f("", 3, false, "audit since 0001-01-01T00:00:00Z, at most 201")
	f("?limit=2", 2, true, "audit since 0001-01-01T00:00:00Z, at most 3")
	f("?limit=3", 3, false, "audit since 0001-01-01T00:00:00Z, at most 4")
	f("?since=2999-01-01T00:00:00Z", 0, false, "audit since 2999-01-01T00:00:00Z, at most 201")
	for _, query := range []string{"?limit=0", "?limit=-1", "?limit=many", "?limit=1000000", "?since=yesterday"} {
		wantProblem(t, ask(t, h, http.MethodGet, "/api/v1/audit"+query, ""), 422, query[1:6])
	}
	k.err = errors.New("secret: the disk is sick")
	wantProblem(t, ask(t, h, http.MethodGet, "/api/v1/sensors", ""), 500, "fault of the machine")
	wantProblem(t, ask(t, h, http.MethodGet, "/api/v1/audit", ""), 500, "fault of the machine")
	k.err = lot.NotNow("not now")
	wantProblem(t, ask(t, h, http.MethodGet, "/api/v1/audit", ""), 503, "not now")

	empty, _ := house(t, &engine.Snapshot{Site: "Larch House"}, nil)
	if body := text(t, ask(t, empty, http.MethodGet, "/api/v1/sensors", "")); !strings.Contains(body, `"sensors":[]`) {
		t.Errorf("no sensor is an empty list, not null: %s", body)
	}
}

func TestPageShowsSensors(t *testing.T) {
	snap := larchHouse()
	snap.Intake.Devices = []engine.DeviceView{
		{Device: "homie/5/loft-light", Room: "loft", Sensor: "loft-light", State: "lost", Gone: true, Heard: ago(5 * time.Hour)},
		{Device: "homie/5/gateway", State: "ready", Heard: ago(50 * time.Hour)},
	}
	h, _ := house(t, snap, nil)
	doc := shown(t, h, "/sensors", 200)
	table := only(t, doc, "table", func(n *html.Node) bool { return attr(n, "aria-labelledby") == "all" })
	rows := all(table, "tr", nil)[1:]
	if len(rows) != 5 {
		t.Fatalf("%d sensors shown, want 5: one of six was replaced", len(rows))
	}
	wantWords(t, rows[0], "cellar-1 cellar", "✓ reports 14 Jul 2026 14:29 CEST , 42 s ago", "temperature 14.2 °C humidity 58 % RH light 0 lx", "87 % link −71 dBm",
		"temperature: value − 0.4 K ✓ due 14 Jul 2027", "humidity: 1.05 × value − 3.75 % ▲ due since 4 Jul 2026", "✓ none")
	wantWords(t, rows[1], "temperature 33.4 °C", "12 %", "never", "▲ battery low : Loft: battery of sensor loft-1 low: 12 % since 11 Jul 2026")
	wantWords(t, rows[2], "? silent for more than 30 min", "light last 120 lx, 5 h ago", "not told", "▲ silent : Sensor loft-light has sent nothing for 5 h since 14 Jul 2026 10:30 CEST")
	wantWords(t, rows[3], "loft-2 loft", "◆ put in place, not heard yet never heard", "nothing that counts", "? not heard yet")
	wantWords(t, rows[4], "oxygen 20.9 %")
	wantWords(t, doc, "1 sensor that was replaced loft/loft-0", "? 2 not heard, 3 reporting", "loft, loft-2: temperature 30.2 °C",
		"homie/5/loft-light loft/loft-light ? lost 14 Jul 2026 09:30 CEST", "homie/5/gateway several ✓ ready")
	if links := all(rows[0], "a", nil); len(links) != 1 || attr(links[0], "href") != "/sensors/cellar/cellar-1" {
		t.Errorf("links of a sensor: %d", len(links))
	}
	none, _ := house(t, &engine.Snapshot{Site: "Larch House", At: noon()}, nil)
	wantWords(t, shown(t, none, "/sensors", 200), "No sensor has reported yet.")
	starting, _ := house(t, nil, nil)
	wantWords(t, shown(t, starting, "/sensors", 503), "still reading its store")
}

// Every kind of alarm has words and numbers of its own on the page.
func TestEveryKindOfAlarmHasWords(t *testing.T) {
	for _, kind := range alarm.Kinds() {
		snap := larchHouse()
		snap.Alarms = []engine.AlarmView{{Key: alarm.Key{Kind: kind, Room: "loft", Sensor: "loft-1"}, State: alarm.ActiveUnacknowledged, Value: 0.5, Peak: 0.6, Limit: 0.4}}
		h, _ := house(t, snap, nil)
		card := only(t, shown(t, h, "/", 200), "article", func(n *html.Node) bool { return strings.Contains(attr(n, "class"), "alarm") })
		wantWords(t, card, "Now", "Peak", "Limit", "loft")
		if strings.Contains(attr(card, "aria-label"), "_") {
			t.Errorf("%s is shown as %q", kind, attr(card, "aria-label"))
		}
	}
}

// nearly takes numbers that differ by rounding alone as equal.
func nearly() cmp.Option {
	return cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) < 1e-12 })
}
