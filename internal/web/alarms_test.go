package web

import (
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/net/html"

	"dryhold/internal/alarm"
)

func TestActsReachActions(t *testing.T) {
	f := func(do, body, want string) {
		t.Helper()
		h, k := house(t, larchHouse(), nil)
		if res := ask(t, h, http.MethodPost, "/api/v1/alarms/"+do, body); res.StatusCode != 204 {
			t.Errorf("%s: status %d: %s", do, res.StatusCode, text(t, res))
		}
		if d := cmp.Diff([]string{want}, k.seen()); d != "" {
			t.Errorf("%s (-want +got):\n%s", do, d)
		}
	}
	f("acknowledge", `{"kind":"warm","room":"loft","by":"Mara"}`, "acknowledge warm/loft by Mara: ")
	f("shelve", `{"kind":"warm","room":"loft","by":"Mara","for":"8h","note":"painters"}`, "shelve warm/loft until 2026-07-14T20:30:00Z by Mara: painters")
	f("shelve", `{"kind":"warm","room":"loft","by":"Mara","until":"2026-07-15T08:00:00.7+02:00"}`, "shelve warm/loft until 2026-07-15T06:00:00Z by Mara: ")
	f("unshelve", `{"kind":"silent","room":"loft","sensor":"loft-1","by":"Mara"}`, "unshelve silent/loft/loft-1 by Mara: ")
	f("out-of-service", `{"kind":"quality","lot":"L-3","by":"Mara","note":"for the birds"}`, "out-of-service quality/L-3 by Mara: for the birds")
	f("return-to-service", `{"kind":"disk","by":"Mara"}`, "return-to-service disk by Mara: ")
	f("annotate", `{"kind":"warm","room":"loft","by":"Mara","note":" compressor failed "}`, "annotate warm/loft by Mara: compressor failed")
}

func TestActsRefused(t *testing.T) {
	f := func(do, body, want string) {
		t.Helper()
		h, k := house(t, larchHouse(), nil)
		wantProblem(t, ask(t, h, http.MethodPost, "/api/v1/alarms/"+do, body), 422, want)
		if n := len(k.seen()); n > 0 {
			t.Errorf("%s %s reached Actions", do, body)
		}
	}
	for _, do := range alarm.Acts() {
		f(do, `{"by":"Mara"}`, "say which alarm")
		f(do, `{"kind":"warm","by":"Mara"}`, "say which alarm")
		f(do, `{"kind":"quality","room":"loft","by":"Mara"}`, "say which alarm")
		f(do, `{"kind":"warm","room":"loft","by":" "}`, "by: give the name")
		f(do, `{"kind":"warm","room":"loft","by":"`+strings.Repeat("x", 101)+`","for":"1h"}`, map[bool]string{true: "by: the name is longer", false: "only shelving has an end"}[do == "shelve"])
		if do != alarm.ActShelve {
			f(do, `{"kind":"warm","room":"loft","by":"Mara","until":"2026-07-15T08:00:00Z"}`, "only shelving has an end")
		}
	}
	f("shelve", `{"kind":"warm","room":"loft","by":"Mara"}`, "say how long it is shelved")
	f("shelve", `{"kind":"warm","room":"loft","by":"Mara","for":"1h","until":"2026-07-15T08:00:00Z"}`, "not both")
	f("shelve", `{"kind":"warm","room":"loft","by":"Mara","for":"a while"}`, "is not a time span")
	f("shelve", `{"kind":"warm","room":"loft","by":"Mara","for":"8d"}`, "longer than an alarm may be shelved")
}

func TestAlarmsAnswer(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	f := func(query string, alarms, normal int) {
		t.Helper()
		var a AlarmsAnswer
		if err := json.NewDecoder(ask(t, h, http.MethodGet, "/api/v1/alarms"+query, "").Body).Decode(&a); err != nil || len(a.Alarms) != alarms || len(a.Normal) != normal {
			t.Errorf("%q: %d alarms and %d normal ones, %v", query, len(a.Alarms), len(a.Normal), err)
		}
	}
	f("", 3, 0)
	f("?all=true", 3, 2)
	wantProblem(t, ask(t, h, http.MethodGet, "/api/v1/alarms?all=yes", ""), 422, "write true or false")

	g := func(query string, events int, more bool, call string) {
		t.Helper()
		var a AlarmHistoryAnswer
		err := json.NewDecoder(ask(t, h, http.MethodGet, "/api/v1/alarms/history"+query, "").Body).Decode(&a)
		if err != nil || len(a.Events) != events || a.More != more {
			t.Errorf("%q: %d events, more %v, %v", query, len(a.Events), a.More, err)
		}
		if got := k.seen(); got[len(got)-1] != call {
			t.Errorf("%q asks for %q", query, got[len(got)-1])
		}
	}
	never := time.Time{}.Format(time.RFC3339)
	g("", 4, false, `history of "" from `+never+" to "+never+", at most 101")
	g("?limit=4", 4, false, `history of "" from `+never+" to "+never+", at most 5")
	g("?limit=3&alarm=warm/loft&from=2026-07-01T00:00:00Z&to=2026-08-01T00:00:00Z", 3, true, `history of "warm/loft" from 2026-07-01T00:00:00Z to 2026-08-01T00:00:00Z, at most 4`)
	for query, want := range map[string]string{"from=today": "is not a time", "limit=0": "write 1 to 10000", "limit=x": "write 1 to", "alarm=wram/loft": `did you mean "warm"`} {
		wantProblem(t, ask(t, h, http.MethodGet, "/api/v1/alarms/history?"+query, ""), 422, want)
	}
}

func TestAlarmsPage(t *testing.T) {
	snap := larchHouse()
	snap.Alarms[0].Note, snap.Alarms[0].NoteBy, snap.Alarms[0].NoteAt = "compressor failed", "Mara", ago(2*time.Hour)
	snap.Alarms[1].State, snap.Alarms[1].AsideBy, snap.Alarms[1].ShelvedUntil, snap.Alarms[1].Active = alarm.Shelved, "Ben", ago(-5*time.Hour), true
	snap.Alarms[2].State, snap.Alarms[2].AsideBy = alarm.OutOfService, "Ben"
	h, _ := house(t, snap, nil)
	doc := shown(t, h, "/alarms", 200)
	wantWords(t, doc, "Mara, 14 Jul 2026 12:30 CEST: compressor failed",
		"Shelved by Ben until 14 Jul 2026 19:30 CEST; by its readings it is active.", "Taken out of service by Ben; by its readings it is normal.",
		"Take from the shelf", "Shelve for another time", "Return to service",
		"taken from the shelf, and raised anew, since it is active", "shelved until 14 Jul 2026 19:30 CEST", "34.0 °C Mara: compressor failed",
		"silent/loft/loft-light raised 60 min by itself", "warm/loft raised unknown by itself", "Quality is not safety")
	// The same acts and notes stand on the first page.
	wantWords(t, shown(t, h, "/", 200), "Mara, 14 Jul 2026 12:30 CEST: compressor failed", "Shelved by Ben until", "Return to service")

	one := shown(t, h, "/alarms?alarm=warm/loft", 200)
	wantWords(t, one, "History of warm/loft", "Show all")
	rest := only(t, shown(t, h, "/alarms?skip=3", 200), "tbody", nil)
	if got := words(rest); strings.Contains(got, "shelved") || !strings.Contains(got, "raised unknown") {
		t.Errorf("beyond the first three: %s", got)
	}
	wantWords(t, shown(t, h, "/alarms?skip=99", 200), "Nothing has happened yet")
	snap.Alarms = nil
	wantWords(t, shown(t, h, "/alarms", 200), "no alarm")
}

// The conditions that are normal are told when they are asked for, with their
// limits; what has no reading is unknown, not well.
func TestNormalConditions(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	if got := all(shown(t, h, "/alarms", 200), "h2", func(n *html.Node) bool { return attr(n, "id") == "normal" }); len(got) != 0 {
		t.Error("what is normal is told unasked")
	}
	doc := shown(t, h, "/alarms?normal=yes", 200)
	wantWords(t, doc, "cellar: too damp damp/cellar 58 % 65 % medium Shelve", "loft: sensor loft-1 is silent silent/loft/loft-1 unknown 30 min low")
	body := text(t, ask(t, h, http.MethodGet, "/alarms", "", "Cookie", preferencesCookie+"=en.us."))
	if !strings.Contains(body, "91.6 °F") { // 33.1 °C
		t.Error("the history is not in the units asked for")
	}
}

// The history by alarm, room and days, page by page.
func TestHistoryFilter(t *testing.T) {
	h, k := house(t, larchHouse(), nil) // in the zone of Zurich
	f := func(query, call string, want ...string) *html.Node {
		t.Helper()
		doc := shown(t, h, "/alarms?"+query, 200)
		if got := k.seen(); got[len(got)-1] != call {
			t.Errorf("%q asks for %q, want %q", query, got[len(got)-1], call)
		}
		wantWords(t, doc, want...)
		return doc
	}
	never := time.Time{}.Format(time.RFC3339)
	f("alarm=warm/loft&from=2026-07-01&to=2026-07-14", `history of "warm/loft" from 2026-07-01T00:00:00+02:00 to 2026-07-15T00:00:00+02:00, at most 101`, "raised unknown")
	doc := f("room=cellar", `history of "" from `+never+" to "+never+", at most 10001", "Nothing of this has happened")
	if got := all(doc, "option", func(n *html.Node) bool { return attr(n, "value") == "cellar" && hasAttr(n, "selected") }); len(got) != 1 {
		t.Error("the form forgets the room")
	}
	f("room=loft", `history of "" from `+never+" to "+never+", at most 10001", "raised unknown")
	wantWords(t, shown(t, h, "/alarms?from=today", 422), "is not a day", "History")
	wantWords(t, shown(t, h, "/alarms?alarm=wram/loft", 422), `did you mean "warm"`)

	g := func(skip int, more bool, newer, older string) {
		t.Helper()
		a, b := pagesOf("/alarms", url.Values{"room": {"loft"}}, skip, 100, more, "history")
		if a != newer || b != older {
			t.Errorf("after %d: %q and %q, want %q and %q", skip, a, b, newer, older)
		}
	}
	g(0, false, "", "")
	g(0, true, "", "/alarms?room=loft&skip=100#history")
	g(150, true, "/alarms?room=loft&skip=50#history", "/alarms?room=loft&skip=250#history")
	g(50, false, "/alarms?room=loft&skip=0#history", "")
}

// Every act has a form that does it, asks a name, and says what it does; a GET
// does nothing.
func TestActForms(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	for _, do := range alarm.Acts() {
		doc := shown(t, h, "/alarms/"+do+"?kind=warm&room=loft", 200)
		form := only(t, doc, "form", nil)
		values := url.Values{}
		for _, in := range all(form, "input", nil) {
			values.Set(attr(in, "name"), attr(in, "value"))
		}
		for _, o := range all(form, "option", nil) {
			if values.Get("for") == "" {
				values.Set("for", "")
			}
			for _, a := range o.Attr {
				if a.Key == "selected" {
					values.Set("for", attr(o, "value"))
				}
			}
		}
		values.Set("by", "Mara")
		values.Set("note", "seen")
		before := len(k.seen())
		if attr(form, "action") != "/alarms/"+do || attr(form, "method") != "post" || before != len(k.seen()) {
			t.Errorf("%s: form %v, %d acts by a GET", do, form.Attr, len(k.seen())-before)
		}
		res := ask(t, h, http.MethodPost, attr(form, "action"), values.Encode(), "Content-Type", "application/x-www-form-urlencoded")
		want := do + " warm/loft by Mara: seen"
		if do == alarm.ActShelve {
			want = "shelve warm/loft until 2026-07-14T20:30:00Z by Mara: seen"
		}
		if got := k.seen(); res.StatusCode != 303 || len(got) != before+1 || got[before] != want {
			t.Errorf("%s: status %d, %q", do, res.StatusCode, got)
		}
	}
	res := ask(t, h, http.MethodPost, "/alarms/shelve", "kind=warm&room=loft&by=Mara&for=9d&note=x", "Content-Type", "application/x-www-form-urlencoded")
	doc, err := html.Parse(res.Body)
	if err != nil || res.StatusCode != 422 {
		t.Fatalf("status %d, %v", res.StatusCode, err)
	}
	wantWords(t, doc, "longer than an alarm may be shelved")
	if got := attr(only(t, doc, "input", func(n *html.Node) bool { return attr(n, "name") == "note" }), "value"); got != "x" {
		t.Errorf("what was typed is gone: %q", got)
	}
}

func TestEventWords(t *testing.T) {
	f := func(from, to alarm.State, do, want string) {
		t.Helper()
		if got := EventWords(alarm.Event{From: from, To: to, Do: do, Until: noon()}, time.UTC); got != want {
			t.Errorf("%s to %s by %q: %q, want %q", from, to, do, got, want)
		}
	}
	f(alarm.Normal, alarm.ActiveUnacknowledged, "", "raised")
	f(alarm.ReturnedUnack, alarm.ActiveUnacknowledged, "", "raised")
	f(alarm.ActiveUnacknowledged, alarm.ReturnedUnack, "", "returned")
	f(alarm.ActiveAcknowledged, alarm.Normal, "", "returned")
	f(alarm.ActiveUnacknowledged, alarm.ActiveAcknowledged, "acknowledge", "acknowledged")
	f(alarm.ReturnedUnack, alarm.Normal, "acknowledge", "acknowledged")
	f(alarm.Normal, alarm.Shelved, "shelve", "shelved until 14 Jul 2026 12:30 UTC")
	f(alarm.Shelved, alarm.Normal, "", "the shelving ended")
	f(alarm.Shelved, alarm.ActiveUnacknowledged, "", "the shelving ended, and raised anew, since it is active")
	f(alarm.OutOfService, alarm.ActiveUnacknowledged, "return-to-service", "returned to service, and raised anew, since it is active")
	f(alarm.OutOfService, alarm.Normal, "return-to-service", "returned to service")
	f(alarm.ReturnedUnack, alarm.Normal, "", "ended: what it watched is no more")
	f(alarm.Normal, alarm.Normal, "annotate", "annotated")
	f(alarm.ActiveUnacknowledged, alarm.ActiveUnacknowledged, "annotate", "annotated")
}
