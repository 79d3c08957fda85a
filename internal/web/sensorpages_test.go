package web

import (
	"errors"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/net/html"

	"dryhold/internal/lot"
	"dryhold/internal/sensor"
	"dryhold/internal/unit"
)

func TestPageOfASensor(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	doc := shown(t, h, "/sensors/cellar/cellar-1?kept=1", 200)
	wantWords(t, doc, "cellar-1 cellar", "Kept: calibrated temperature: value − 0.4 K, due again 2027-07-14", "Battery 87 %",
		"humidity 1.05 × value − 3.75 % 4 Jul 2025 ▲ due since 4 Jul 2026",
		"1 calibrated temperature: value − 0.4 K, due again 2027-07-14 before: not calibrated", "Mara ice water Take back 1")
	var to []string
	for _, a := range all(only(t, doc, "main", nil), "a", nil) {
		to = append(to, attr(a, "href"))
	}
	if d := cmp.Diff([]string{"/sensors/cellar/cellar-1/calibrate", "/sensors/cellar/cellar-1/swap", "/sensors/cellar/cellar-1/void", "/sensors/cellar/cellar-1/correct",
		"/sensors/cellar/cellar-1/place", "/sensors/cellar/cellar-1/revoke?change=1", "/sensors"}, to); d != "" {
		t.Errorf("links (-want +got):\n%s", d)
	}
	// A change that was taken back cannot be taken back again; nor can the
	// taking back.
	loft := shown(t, h, "/sensors/loft/loft-1", 200)
	wantWords(t, loft, "3 revoked change 2 before: voided everything it measures", "2 voided everything it measures until", "taken back by no. 3", "It was never calibrated.")
	if n := len(all(loft, "a", func(n *html.Node) bool { return strings.Contains(attr(n, "href"), "revoke") })); n != 0 {
		t.Errorf("%d links take back what was taken back", n)
	}
	if retired := shown(t, h, "/sensors/loft/loft-0", 200); strings.Contains(words(retired), "Tell of this sensor") {
		t.Error("a sensor that was replaced can be told of")
	}
	shown(t, h, "/sensors/loft/nobody", 404)
	shown(t, h, "/sensors/loft/loft-1/paint", 404)
	k.err = errors.New("secret: the disk is sick")
	if text := words(shown(t, h, "/sensors/loft/loft-1", 500)); strings.Contains(text, "secret") {
		t.Errorf("a fault of the machine is shown: %s", text)
	}
}

// What a form says is shown first, and kept only when that is confirmed; the
// two ways come to the same change.
func TestSensorForms(t *testing.T) {
	q := func(q unit.Quantity) *unit.Quantity { return &q }
	at := func(h int) time.Time { return time.Date(2026, 7, 1, h, 0, 0, 0, time.UTC) }
	f := func(path string, form url.Values, says string, want sensor.Change) {
		t.Helper()
		h, k := house(t, larchHouse(), nil)
		form.Set("by", "Mara")
		want.By = "Mara"
		res := ask(t, h, http.MethodPost, "/sensors/"+path, form.Encode(), "Content-Type", formMedia)
		doc, err := html.Parse(res.Body)
		if err != nil || res.StatusCode != 200 {
			t.Fatalf("%s: %d %v", path, res.StatusCode, err)
		}
		for _, call := range k.seen() {
			if strings.HasPrefix(call, "sensor ") {
				t.Fatalf("%s was kept before it was confirmed: %s", path, call)
			}
		}
		wantWords(t, doc, says)
		again := url.Values{}
		for _, in := range all(only(t, doc, "form", func(n *html.Node) bool { return attr(n, "action") == "/sensors/"+path }), "input", nil) {
			again.Add(attr(in, "name"), attr(in, "value"))
		}
		res = ask(t, h, http.MethodPost, "/sensors/"+path, again.Encode(), "Content-Type", formMedia)
		if res.StatusCode != http.StatusSeeOther || !strings.HasPrefix(res.Header.Get("Location"), "/sensors/"+path[:strings.LastIndex(path, "/")]+"?kept=") {
			t.Errorf("%s: %d %s", path, res.StatusCode, res.Header.Get("Location"))
		}
		if d := cmp.Diff(want, change(t, k), nearly()); d != "" {
			t.Errorf("%s (-want +got):\n%s", path, d)
		}
	}
	f("cellar/cellar-1/calibrate", url.Values{"what": {"temperature C"}, "offset": {"−0,4"}, "due": {"2027-11-01"}, "note": {"ice water"}}, "calibrated temperature: value − 0.4 K, due again 2027-10-31",
		sensor.Change{Kind: sensor.Calibrated, Room: "cellar", Sensor: "cellar-1", Quantity: q(unit.Temperature), Gain: 1, Offset: -0.4, Due: time.Date(2027, 10, 31, 23, 0, 0, 0, time.UTC), Note: "ice water"})
	f("cellar/cellar-1/calibrate", url.Values{"what": {"humidity %"}, "read1": {"35"}, "true1": {"33"}, "read2": {"75"}, "true2": {"75"}, "from": {"2026-07-01T02:00"}}, "calibrated humidity: 1.05 × value − 3.75 %",
		sensor.Change{Kind: sensor.Calibrated, Room: "cellar", Sensor: "cellar-1", Quantity: q(unit.Humidity), Gain: 1.05, Offset: -0.0375, From: at(0), Note: "read 35 for 33 %, 75 for 75 %"})
	f("loft/loft-1/correct", url.Values{"what": {"temperature F"}, "offset": {"1.8"}, "from": {"2026-07-01T02:00"}, "to": {"2026-07-01T07:00"}, "note": {"by the stove"}}, "corrected temperature until 1 Jul 2026 07:00 CEST: value + 1 K From 1 Jul 2026 02:00 CEST Until 1 Jul 2026 07:00 CEST Reason by the stove",
		sensor.Change{Kind: sensor.Corrected, Room: "loft", Sensor: "loft-1", Quantity: q(unit.Temperature), Gain: 1, Offset: 1, From: at(0), To: at(5), Note: "by the stove"})
	f("loft/loft-1/void", url.Values{"from": {"2026-07-01T02:00"}, "note": {"in the sun"}}, "voided everything it measures until 14 Jul 2026 14:30 CEST",
		sensor.Change{Kind: sensor.Voided, Room: "loft", Sensor: "loft-1", From: at(0), To: noon(), Note: "in the sun"})
	f("loft/loft-1/void", url.Values{"what": {"illuminance"}, "from": {"2026-07-01"}, "to": {"2026-07-01T03:00:00Z"}, "note": {"lamp"}}, "voided illuminance",
		sensor.Change{Kind: sensor.Voided, Room: "loft", Sensor: "loft-1", Quantity: q(unit.Illuminance), From: at(-2), To: at(3), Note: "lamp"})
	f("loft/loft-1/swap", url.Values{"new": {" loft-2 "}}, "swapped for loft-2", sensor.Change{Kind: sensor.Swapped, Room: "loft", Sensor: "loft-1", New: "loft-2"})
	f("loft/loft-1/place", url.Values{"place": {"top shelf"}, "in": {"cellar"}}, `placed in cellar at "top shelf"`, sensor.Change{Kind: sensor.Placed, Room: "loft", Sensor: "loft-1", Place: "top shelf", In: "cellar"})
	f("cellar/cellar-1/revoke", url.Values{"change": {"1"}, "note": {"it was the other one"}}, "revoked change 1: calibrated temperature: value − 0.4 K", sensor.Change{Kind: sensor.Revoked, Revokes: 1, Note: "it was the other one"})
}

// A form that is refused says why and keeps what was typed.
func TestSensorFormsRefused(t *testing.T) {
	f := func(path string, form url.Values, status int, why string) {
		t.Helper()
		h, k := house(t, larchHouse(), nil)
		form.Set("note", "typed before")
		form.Set("confirm", "yes")
		res := ask(t, h, http.MethodPost, "/sensors/"+path, form.Encode(), "Content-Type", formMedia)
		body := text(t, res)
		if res.StatusCode != status || !strings.Contains(html.UnescapeString(body), why) || !strings.Contains(body, "typed before") {
			t.Errorf("%s %v: %d, want %d with %q", path, form, res.StatusCode, status, why)
		}
		if calls := k.seen(); len(calls) != 0 {
			t.Errorf("%s %v reached the keeper: %q", path, form, calls)
		}
	}
	f("loft/loft-1/calibrate", url.Values{}, 422, "unknown quantity")
	f("loft/loft-1/calibrate", url.Values{"what": {"temperature C"}, "offset": {"a little"}}, 422, `"a little" is not a number`)
	f("loft/loft-1/calibrate", url.Values{"what": {"temperature lx"}, "offset": {"1"}}, 422, "not a unit of temperature")
	f("loft/loft-1/calibrate", url.Values{"what": {"temperature C"}, "read1": {"1"}}, 422, "needs both")
	f("loft/loft-1/calibrate", url.Values{"what": {"temperature C"}, "offset": {"1"}, "from": {"yesterday"}}, 422, `from: "yesterday" is not a time`)
	f("loft/loft-1/correct", url.Values{"what": {"temperature C"}, "from": {"2026-07-01"}}, 422, "offset: say how")
	f("loft/loft-1/void", url.Values{}, 422, "from: say from when")
	f("loft/loft-1/void", url.Values{"from": {"2026-07-01"}, "to": {"2026-06-01"}}, 422, "ends before it begins")
	f("loft/loft-1/void", url.Values{"from": {"2026-07-01"}, "what": {"charm"}}, 422, "unknown quantity")
	f("loft/loft-1/swap", url.Values{"new": {strings.Repeat("x", maxName+1)}}, 422, "longer than")
	f("loft/loft-1/revoke", url.Values{"change": {"two"}}, 422, "which change")

	h, k := house(t, larchHouse(), nil)
	k.err = lot.Invalid("the clock says otherwise")
	res := ask(t, h, http.MethodPost, "/sensors/loft/loft-1/swap", url.Values{"new": {"loft-2"}, "confirm": {"yes"}}.Encode(), "Content-Type", formMedia)
	if body := text(t, res); res.StatusCode != 422 || !strings.Contains(body, "the clock says otherwise") || !strings.Contains(body, `value="loft-2"`) {
		t.Errorf("%d %s", res.StatusCode, body)
	}
	if res := ask(t, h, http.MethodPost, "/sensors/loft/loft-1/swap", `{}`); res.StatusCode != http.StatusUnsupportedMediaType {
		t.Errorf("a form sent as JSON: %d", res.StatusCode)
	}
}

// Every form has a label for each of its fields and says who it is.
func TestSensorFormsAreLabelled(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	for _, act := range []string{actCalibrate, actCorrect, actVoid, actSwap, actPlace, actRevoke} {
		doc := shown(t, h, "/sensors/cellar/cellar-1/"+act+"?note=typed", 200)
		labels := map[string]bool{}
		for _, l := range all(doc, "label", nil) {
			labels[attr(l, "for")] = true
		}
		for _, tag := range []string{"input", "select"} {
			for _, in := range all(doc, tag, nil) {
				if !labels[attr(in, "id")] {
					t.Errorf("%s: field %q has no label", act, attr(in, "name"))
				}
			}
		}
		only(t, doc, "input", func(n *html.Node) bool { return attr(n, "name") == "by" })
		if note := only(t, doc, "input", func(n *html.Node) bool { return attr(n, "name") == "note" }); attr(note, "value") != "typed" {
			t.Errorf("%s: the note is lost on the way back", act)
		}
	}
}

// FuzzSensorForm: no form does what its change does not say, and none panics.
func FuzzSensorForm(f *testing.F) {
	for _, seed := range []string{"what=temperature+C&offset=0%2C4", "what=humidity+%25&read1=35&true1=33", "from=2026-07-01T09:30&to=2026-07-02&note=x", "change=3", "offset=1e400&what=link+dBm", "from=0001-01-01"} {
		f.Add(uint8(0), seed)
	}
	acts := []string{actCalibrate, actCorrect, actVoid, actSwap, actPlace, actRevoke}
	f.Fuzz(func(t *testing.T, act uint8, body string) {
		form, err := url.ParseQuery(body)
		if err != nil {
			return
		}
		p := &pageContext{now: noon(), zone: time.UTC}
		c, no := p.changeFrom(acts[int(act)%len(acts)], form)
		if no != nil {
			if no.status != http.StatusUnprocessableEntity || no.detail == "" {
				t.Fatalf("%q: %+v", body, no)
			}
			return
		}
		if c.Offset != c.Offset || c.Gain != c.Gain {
			t.Fatalf("%q: a calibration that is no number", body)
		}
		if !c.To.IsZero() && !c.From.Before(c.To) && (c.Kind == sensor.Voided || c.Kind == sensor.Corrected) {
			t.Fatalf("%q: a time that ends before it begins", body)
		}
	})
}
