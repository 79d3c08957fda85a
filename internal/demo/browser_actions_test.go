package demo_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"dryhold/internal/engine"
	"dryhold/internal/web"
)

// deed is something done on a page, and the words that are then found on
// another, which were not there before.
type deed struct {
	name, at string   // the page with the form
	form     string   // selector; empty: the only one of the content
	fields   []string // name, value, name, value
	found    string   // the page to look at
	words    string
}

// alarmDeed is an act on an alarm, seen in its history.
func alarmDeed(do, alarm, note, words string) deed {
	kind, of, _ := strings.Cut(alarm, "/")
	q := url.Values{"kind": {kind}, "room": {of}}
	if strings.HasPrefix(of, "L-") {
		q = url.Values{"kind": {kind}, "lot": {of}}
	}
	return deed{name: do, at: "/alarms/" + do + "?" + q.Encode(), fields: []string{"by", "Mara", "note", note}, found: "/alarms?alarm=" + url.QueryEscape(alarm), words: words}
}

// lotDeed is something done with a lot on its page, seen there.
func lotDeed(act, lot, words string, fields ...string) deed {
	return deed{name: act + " " + lot, at: "/lots/" + lot, form: lotForm(act), fields: append([]string{"by", "Mara"}, fields...), found: "/lots/" + lot, words: words}
}

func lotForm(act string) string { return fmt.Sprintf(`form:has(> [name="act"][value=%q])`, act) }

// deeds are what the pages let people do.
func deeds() []deed {
	return []deed{
		alarmDeed("acknowledge", "hours_over/loft", "windows open at night", "Mara: windows open at night"),
		alarmDeed("shelve", "absorber_small/L-7", "fresh ones are ordered", "Mara: fresh ones are ordered"),
		alarmDeed("unshelve", "absorber_small/L-7", "they have come", "Mara: they have come"),
		alarmDeed("out-of-service", "hold_incomplete/L-7", "frozen at a friend's", "Mara: frozen at a friend's"),
		alarmDeed("return-to-service", "hold_incomplete/L-7", "watched again", "Mara: watched again"),
		alarmDeed("annotate", "warm/north-pantry", "sun on the wall", "Mara: sun on the wall"),
		{name: "note of a room", at: "/review/notes?room=loft&from=2025-07-15T00:00:00Z&to=2025-07-22T00:00:00Z",
			fields: []string{"text", "roof hatch was shut", "by", "Mara"}, found: "/review", words: "roof hatch was shut"},
		lotDeed("eat", "L-1", "Mara: ate 2", "count", "2"),
		lotDeed("move", "L-9", "to loft", "room", "loft"),
		lotDeed("note", "L-2", "seal verified", "seal", "verified", "note", "cap is drawn in"),
		lotDeed("price", "L-6", "12.50", "price", "12.50"),
		{name: "register", at: "/lots/new", fields: []string{"food", "sugar", "container", "glass-jar-1l", "count", "3", "mass", "0.8 kg", "room", "north-pantry", "note", "for the jam", "by", "Mara"},
			found: "/audit", words: "for the jam"},
		lotDeed("open", "L-8", "Mara: opened", "count", "6"),
		lotDeed("discard", "L-4", "gnawed by mice", "count", "1", "note", "gnawed by mice"),
		lotDeed("split", "L-3", "2 × 15 kg of Hard wheat", "count", "1", "room", "loft"),
		lotDeed("recount", "L-6", "one was lent", "count", "4", "note", "one was lent"),
		lotDeed("eat", "L-5", "Mara: ate 1", "count", "1"),
		lotDeed("undo", "L-5", "took back"),
		{name: "round", at: "/rounds", form: `form[action$="/rounds/cellar"]`, fields: []string{"rodents", "fine", "leaks", "fine", "note", "swept the floor", "by", "Mara"},
			found: "/audit", words: "swept the floor"},
		{name: "calibration", at: "/sensors/cellar/cellar/calibrate", fields: []string{"what", "temperature C", "read1", "0.4", "true1", "0", "note", "in ice water", "by", "Mara"},
			found: "/sensors/cellar/cellar", words: "in ice water"},
		{name: "test taken back", at: "/lots/L-2", form: `form[action$="/tests/1/revoke"]`, fields: []string{"note", "it was another jar", "by", "Mara"},
			found: "/lots/L-2", words: "Taken back."},
	}
}

// Everything that can be done on the pages is done in a browser, the daemon is
// killed right behind the last answer, and all of it is there when it is back.
func TestActionsOutliveAKill(t *testing.T) {
	b := newTab(t)
	h := newLarchHouse(t)
	post(t, h.url+"/api/v1/lots/L-2/test", map[string]any{"taste": 8, "by": "Mara"})
	done := map[string]bool{}
	for _, d := range deeds() {
		t.Run(d.name, func(t *testing.T) { done[d.name] = b.of(t).doing(h.url, d) })
	}
	b.of(t)
	b.open(h.url + "/preferences?back=/rounds")
	b.submit("", "language", "de", "units", "us", "theme", "dark")
	before := lots(t, h.url)
	h.kill()
	h.start()
	b.open(h.url + "/rounds")
	if got := evaluate[string](b, `document.documentElement.lang + " " + document.documentElement.dataset.theme`); got != "de dark" {
		t.Errorf("preferred German and dark, and the page is %q", got)
	}
	b.prefer(h.url, "en.metric.")
	for _, d := range deeds() {
		if !done[d.name] {
			continue
		}
		b.open(h.url + d.found)
		if said := b.text(); !strings.Contains(said, d.words) {
			t.Errorf("%s: %q is not on %s after the kill: %.3000s", d.name, d.words, d.found, said)
		}
	}
	after := lots(t, h.url)
	for id, l := range before {
		if a := after[id]; a.Containers != l.Containers || a.MassKG != l.MassKG || a.Room() != l.Room() {
			t.Errorf("%s: %d of %.3f kg in %s before the kill, %d of %.3f kg in %s after", id, l.Containers, l.MassKG, l.Room(), a.Containers, a.MassKG, a.Room())
		}
	}
	if len(after) != len(before) || before["L-1"].Containers != 10 || before["L-5"].Containers != 6 {
		t.Errorf("%d lots before, %d after; L-1 %d, L-5 %d", len(before), len(after), before["L-1"].Containers, before["L-5"].Containers)
	}
}

// doing does it, and reports whether it was taken.
func (b *tab) doing(house string, d deed) bool {
	b.open(house + d.found)
	if strings.Contains(b.text(), d.words) {
		b.t.Fatalf("%q is on %s before it was done", d.words, d.found)
	}
	b.open(house + d.at)
	b.submit(d.form, d.fields...)
	if b.shows(`main form > input[type="hidden"]:is([name="sure"], [name="confirm"])`) { // it asks once more
		b.submit("")
	}
	if said := b.text(); b.shows(`main .banner[role="alert"]`) {
		b.t.Fatalf("refused: %.500s", said)
	}
	for _, c := range b.complaints() {
		b.t.Errorf("the browser complains: %s", c)
	}
	return true
}

// submit fills a form, sends it by its button, and waits for the page that
// answers.
func (b *tab) submit(form string, fields ...string) {
	b.t.Helper()
	if form == "" {
		form = "main form"
	}
	at := b.at()
	evaluate[bool](b, fmt.Sprintf(`(() => { const d = document.querySelector(%q)?.closest("details"); if (d) d.open = true; return true })()`, form))
	for i := 0; i+1 < len(fields); i += 2 {
		name, value := fields[i], fields[i+1]
		if !evaluate[bool](b, fmt.Sprintf(`(() => { const e = document.querySelector(%q)?.querySelector('[name="%s"]'); if (!e) return false; e.value = %q;
			e.dispatchEvent(new Event("input", {bubbles: true})); e.dispatchEvent(new Event("change", {bubbles: true})); return e.value === %[3]q })()`, form, name, value)) {
			b.t.Fatalf("%s: no field %q of %s takes %q: %.500s", at, name, form, value, b.text())
		}
	}
	b.follow(form + ` button[type="submit"]`)
}

func (b *tab) shows(selector string) bool {
	return evaluate[bool](b, fmt.Sprintf(`!!document.querySelector(%q)`, selector))
}

// post sends JSON to the daemon and wants it to be taken.
func post(t *testing.T, url string, body any) {
	t.Helper()
	data, err := json.Marshal(body)
	if err != nil {
		t.Fatal(err)
	}
	r, err := http.Post(url, "application/json", bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	if r.StatusCode >= 300 {
		var said bytes.Buffer
		_, _ = said.ReadFrom(r.Body)
		t.Fatalf("%s: %s: %s", url, r.Status, said.String())
	}
}

// lots are those of the daemon by their names.
func lots(t *testing.T, url string) map[string]engine.LotView {
	t.Helper()
	var status web.StatusAnswer
	if err := json.Unmarshal([]byte(download(t, url+"/api/v1/status")), &status); err != nil {
		t.Fatal(err)
	}
	all := map[string]engine.LotView{}
	for _, l := range status.Snapshot.Lots {
		all[l.ID] = l
	}
	return all
}
