package web

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/net/html"

	"dryhold/internal/engine"
	"dryhold/internal/health"
	"dryhold/internal/lot"
)

// shown fetches and parses a page.
func shown(t testing.TB, h http.Handler, path string, status int, headers ...string) *html.Node {
	t.Helper()
	res := ask(t, h, http.MethodGet, path, "", headers...)
	if res.StatusCode != status || res.Header.Get("Content-Type") != "text/html; charset=utf-8" {
		t.Fatalf("GET %s: %d %s", path, res.StatusCode, res.Header.Get("Content-Type"))
	}
	doc, err := html.ParseWithOptions(res.Body, html.ParseOptionEnableScripting(false))
	if err != nil {
		t.Fatal(err)
	}
	return doc
}

// words is the text of a node with its spaces tidied.
func words(n *html.Node) string {
	var b strings.Builder
	for c := range n.Descendants() {
		if c.Type == html.TextNode {
			b.WriteString(" " + c.Data)
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

func attr(n *html.Node, key string) string {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val
		}
	}
	return ""
}

// all lists the elements with the tag for which keep holds.
func all(n *html.Node, tag string, keep func(*html.Node) bool) []*html.Node {
	var out []*html.Node
	for c := range n.Descendants() {
		if c.Type == html.ElementNode && c.Data == tag && (keep == nil || keep(c)) {
			out = append(out, c)
		}
	}
	return out
}

func labelled(label string) func(*html.Node) bool {
	return func(n *html.Node) bool { return attr(n, "aria-label") == label }
}

// only is the one element there must be.
func only(t testing.TB, n *html.Node, tag string, keep func(*html.Node) bool) *html.Node {
	t.Helper()
	found := all(n, tag, keep)
	if len(found) != 1 {
		t.Fatalf("%d elements %s, want 1", len(found), tag)
	}
	return found[0]
}

func wantWords(t testing.TB, n *html.Node, want ...string) {
	t.Helper()
	got := words(n)
	for _, w := range want {
		if !strings.Contains(got, w) {
			t.Errorf("lacks %q:\n%s", w, got)
		}
	}
}

func TestPageShowsTheHouse(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	doc := shown(t, h, "/", 200)

	cellar := only(t, doc, "article", labelled("Room cellar"))
	wantWords(t, cellar, "3 lots", "Cool 14.2 °C limit 18.0 °C ✓ ok", "Dark 0 lx limit 50 lx ✓ ok", "Dry 58 % limit 65 % ✓ ok",
		"Dew point 6.1 °C", "0.6 times as fast as planned", "Last day measured 99 %", "14 Jul 2026 14:29 CEST , 42 s ago")
	loft := only(t, doc, "article", labelled("Room loft"))
	wantWords(t, loft, "Cool 33.4 °C limit 24.0 °C ▲ too warm", "Dark unknown last 120 lx, 5 h ago; limit 50 lx ? unknown",
		"loft-light ? silent for more than 30 min , 5 h ago")
	pantry := only(t, doc, "article", labelled("Room north-pantry"))
	wantWords(t, pantry, "21.04 °C limit 21.0 °C ▲ too warm", "Dry unknown no reading yet; limit 60 % ? unknown", "Dew point unknown", "1 lot")

	warm := only(t, doc, "article", labelled("Alarm loft: too warm"))
	wantWords(t, warm, "warm/loft", "active unacknowledged", "Since 13 Jul 2026 07:30 CEST , 31 h ago", "Now 33.4 °C", "Peak 36.2 °C",
		"Limit 24.0 °C", "Priority high", "brown-rice-1 (Brown rice): 3.1 days so far, 16.0 days more in the week ahead")
	acts := func(article *html.Node) (out []string) {
		for _, a := range all(article, "a", nil) {
			out = append(out, attr(a, "href"))
		}
		return out
	}
	if d := cmp.Diff([]string{"/alarms/acknowledge?kind=warm&room=loft", "/alarms/shelve?kind=warm&room=loft", "/alarms/annotate?kind=warm&room=loft",
		"/alarms/out-of-service?kind=warm&room=loft"}, acts(warm)); d != "" {
		t.Errorf("acts (-want +got):\n%s", d)
	}
	silent := only(t, doc, "article", labelled("Alarm loft: sensor loft-light is silent"))
	wantWords(t, silent, "active acknowledged", "Acknowledged by Mara", "Now 5 h Peak 5 h Limit 30 min")
	if got := strings.Join(acts(silent), " "); strings.Contains(got, "acknowledge") || !strings.Contains(got, "/alarms/shelve?kind=silent&room=loft&sensor=loft-light") {
		t.Errorf("an acknowledged alarm is open to %s", got)
	}
	wantWords(t, only(t, doc, "article", labelled("Alarm loft: too bright")), "returned unacknowledged", "There is no reading now")

	for name, room := range map[string]*html.Node{"cellar": cellar, "loft": loft, "north-pantry": pantry} {
		if got := attr(only(t, room, "a", nil), "href"); got != "/room/"+name {
			t.Errorf("%s leads to %s", name, got)
		}
	}
	wantWords(t, doc, "Sensors ▲ 1 sensor is silent", "Health ▲ 1 check fails", "▲ not ok Mail goes out : the mail server refuses the password", "Quality is not safety", "When in doubt, throw it out",
		"Botulism", "local food-safety authority", "away from children", "Rodents gnaw through plastic", "dryhold 0.1.0-test")
}

func classed(class string) func(*html.Node) bool {
	return func(n *html.Node) bool { return slices.Contains(strings.Fields(attr(n, "class")), class) }
}

// risks are the lots at risk, in order.
func risks(t testing.TB, doc *html.Node) []*html.Node {
	t.Helper()
	section := only(t, doc, "section", func(n *html.Node) bool { return attr(n, "aria-labelledby") == "risks" })
	return all(section, "li", func(n *html.Node) bool { return attr(n, "data-key") != "" })
}

func TestLotsAtRisk(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	doc := shown(t, h, "/", 200)
	shown := risks(t, doc)
	var ids []string
	for _, b := range shown {
		ids = append(ids, attr(b, "data-key"))
	}
	if d := cmp.Diff([]string{"brown-rice-1", "milk-powder-1"}, ids); d != "" {
		t.Fatalf("warned lots first, then least left, calm and finished ones not at all (-want +got):\n%s", d)
	}
	wantWords(t, shown[0], "Brown rice brown-rice-1 6 × 850 g in loft ▲ 3 warnings", "▲ Water activity 0.62 is past the amber line of 0.60: mould comes next. ▲ The seal leaks",
		"▲ ends before its plan")
	wantWords(t, shown[1], "▲ ends before its plan")
	if got := attr(all(shown[0], "a", nil)[0], "href"); got != "/lots/brown-rice-1" {
		t.Errorf("leads to %s", got)
	}
	wantWords(t, doc, "3 lots are stored. All lots")
}

// What is not known of a lot, and what will spoil it, wants a hand though
// nothing warns of it.
func TestRiskWithoutWarning(t *testing.T) {
	f := func(want string, change func(*engine.LotView)) {
		t.Helper()
		snap := larchHouse()
		snap.Lots = snap.Lots[:1]
		change(&snap.Lots[0])
		h, _ := house(t, snap, nil)
		doc := shown(t, h, "/", 200)
		if want == "" {
			wantWords(t, doc, "✓ no lot wants a hand", "1 lot is stored.")
			return
		}
		wantWords(t, risks(t, doc)[0], "White rice white-rice-1", want)
	}
	f("", func(*engine.LotView) {})
	f("", func(l *engine.LotView) { l.End = time.Time{} }) // beyond what is looked at
	f("", func(l *engine.LotView) { l.End = l.End.AddDate(1, 0, 0) })
	f("▲ ends before its plan", func(l *engine.LotView) { l.End = l.End.AddDate(-10, 0, 0) })
	f("? what is left of it is not known", func(l *engine.LotView) { *l = engine.LotView{Lot: l.Lot, FoodName: l.FoodName} })
	f("▲ past red 0.65", func(l *engine.LotView) { l.Moisture.Activity, l.Moisture.Red.Past = between(0.66, 0.7, 0.72), true })
	f("▲ low-oxygen hold 10 % complete", func(l *engine.LotView) {
		l.Insects = &engine.InsectView{Words: "low-oxygen hold 10 % complete", Species: "Sitophilus granarius", Generations: between(1.4, 1.7, 2.2)}
	})
	f("? what is left of it is not known", func(l *engine.LotView) {
		nan := math.NaN()
		l.Remaining, l.LostBeyondPlan, l.AsOf = between(nan, nan, nan), nan, time.Time{}
	})
}

func TestWarningsAreNotLostInLongLists(t *testing.T) {
	snap := larchHouse()
	for i := range 250 {
		l := dryRice()
		l.Lot = lot.Lot{ID: fmt.Sprintf("lot-%d", i)}
		l.Remaining, l.End = engine.Estimate{Likely: 0.5}, noon().AddDate(1, 0, 0)
		l.Packing.PackedAt = ago(1000 * time.Hour)
		snap.Lots = append(snap.Lots, l)
	}
	snap.Lots = append(snap.Lots, engine.LotView{Lot: lot.Lot{ID: "wet"}, Remaining: engine.Estimate{Likely: 0.99}, Warnings: []string{"It is wet."}})
	many, _ := house(t, snap, nil)
	doc := shown(t, many, "/", 200)
	wantWords(t, doc, "245 more lots want a hand. 254 lots are stored.")
	if got := risks(t, doc); len(got) != maxRisks {
		t.Errorf("%d lots, want %d", len(got), maxRisks)
	} else {
		wantWords(t, got[1], "wet", "▲ It is wet.")
	}
}

func TestSensorsInALine(t *testing.T) {
	f := func(want string, sensors ...engine.SensorView) {
		t.Helper()
		if got := english().listening(sensors); got.Mark+" "+got.Word != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	well, retired := engine.SensorView{State: engine.Speaking}, engine.SensorView{State: engine.Retired, Silent: true}
	awaited := engine.SensorView{State: engine.Awaited}
	ill := engine.SensorView{State: engine.Speaking, Faults: []engine.FaultView{{}}}
	mute := engine.SensorView{State: engine.Quiet, Silent: true, Faults: []engine.FaultView{{}}}
	f("? no sensor has reported yet", retired, awaited)
	f("✓ 1 sensor is heard", well, retired, awaited)
	f("✓ all 2 sensors are heard", well, well)
	f("◆ 1 sensor has a fault", well, ill)
	f("▲ 2 sensors are silent", well, ill, mute, mute)
}

func TestRoomsShowMould(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	doc := shown(t, h, "/", 200)
	wantWords(t, only(t, doc, "article", labelled("Room cellar")), "wood shelves 1.3 ▲ first growth, seen under a microscope",
		"plaster and concrete walls 0.0 ✓ no growth", "Second opinion, now no growth at the present temperature and humidity")
	wantWords(t, only(t, doc, "article", labelled("Room loft")), "no growth; 80 h not known were left out", "under 0.1 mm a day on a dirty surface")
	wantWords(t, only(t, doc, "article", labelled("Room north-pantry")), "all surfaces not known ? no humidity", "Second opinion, now not known")
	if n := strings.Count(words(doc), engine.MouldCaveat); n != 1 {
		t.Errorf("the caveat stands %d times, want once", n)
	}
}

func TestEmptyStatesSayTheNextStep(t *testing.T) {
	line := `mosquitto_pub -t home/cellar/climate -m '{"temperature":14.2}'`
	f := func(snap *engine.Snapshot, first string, status int, want ...string) {
		t.Helper()
		h, _ := house(t, snap, func(c *Config) { c.FirstReading = first })
		wantWords(t, shown(t, h, "/", status), want...)
	}
	empty := &engine.Snapshot{Site: "Larch House", At: noon()}
	f(empty, line, 200, line, "dryhold lots add white-rice pet-2l --count 6 --mass 1.6 --room cellar", "no alarm, for nothing is measured yet")
	f(empty, "", 200, "the text dryhold prints when it starts")
	f(nil, line, 503, "There is no state yet", "A state is published", "Quality is not safety")
}

// Silence is good news only where everything is measured, now.
func TestNoAlarm(t *testing.T) {
	f := func(change func(*engine.Snapshot), want string) {
		t.Helper()
		snap := larchHouse()
		snap.Alarms, snap.Rooms, snap.Lots = nil, snap.Rooms[:1], snap.Lots[:1]
		snap.Rooms[0].Mould = surfaces(0, 0, 0, "no growth")
		change(snap)
		h, _ := house(t, snap, nil)
		wantWords(t, shown(t, h, "/", 200), want)
	}
	f(func(*engine.Snapshot) {}, "✓ no alarm: nothing needs doing")
	f(func(s *engine.Snapshot) { s.Rooms[0].Humidity.Known = false }, "? no alarm, but not everything is measured")
	f(func(s *engine.Snapshot) { s.Lots[0].Warnings = []string{"The seal leaks."} }, "▲ no alarm, but 1 lot has a warning")
	f(func(s *engine.Snapshot) { s.Rooms[0].Mould[0].Index = 1 }, "▲ no alarm, but mould grows on a surface by its index")
	f(func(s *engine.Snapshot) { s.At = ago(time.Hour) }, "? no alarm when this state was fresh")
	f(func(s *engine.Snapshot) { s.At = ago(time.Hour) }, "This state is old: nothing below is sure to be so now.")
}

func TestPageRefreshes(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	refresh := func(path string, status int) int {
		return len(all(shown(t, h, path, status), "meta", func(n *html.Node) bool { return attr(n, "http-equiv") == "refresh" }))
	}
	if refresh("/", 200) != 1 || refresh("/?refresh=off", 200) != 0 {
		t.Error("without a script the page reloads itself unless asked not to")
	}
	if refresh("/alarms/acknowledge?kind=warm&room=loft", 200) != 0 {
		t.Error("a page with a form must not reload itself: it would wipe what was typed")
	}
}

func TestPageHasNoScriptAndNoStyleInIt(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	for _, path := range []string{"/", "/alarms/acknowledge?kind=warm&room=loft"} {
		doc := shown(t, h, path, 200)
		for n := range doc.Descendants() {
			if n.Type == html.ElementNode && (n.Data == "style" || n.Data == "img" || n.Data == "script" && (n.FirstChild != nil || !strings.HasPrefix(attr(n, "src"), "/static/"))) {
				t.Errorf("GET %s has a <%s> of its own", path, n.Data)
			}
			for _, a := range n.Attr {
				if a.Key == "style" || strings.HasPrefix(a.Key, "on") {
					t.Errorf("GET %s: <%s %s> would be blocked by the policy", path, n.Data, a.Key)
				}
			}
		}
		if len(all(doc, "h1", nil)) != 1 || attr(only(t, doc, "html", nil), "lang") != "en" {
			t.Errorf("GET %s: one h1 and a language", path)
		}
	}
}

func TestTextFromOutsideIsOnlyText(t *testing.T) {
	const evil = `"><script>alert(1)</script>` + "\xff\x00"
	snap := larchHouse()
	snap.Rooms[0].Name, snap.Site = evil, evil
	snap.Lots[1].Warnings, snap.Lots[1].ID = []string{evil}, evil
	snap.Alarms[0].Text, snap.Alarms[0].Key.Room = evil, evil
	h, _ := house(t, snap, func(c *Config) {
		c.Health = func() []health.Check { return []health.Check{{Title: evil, Text: evil}} }
	})
	for _, path := range []string{"/", "/alarms/acknowledge?room=" + url.QueryEscape(evil)} {
		doc := shown(t, h, path, 200)
		if strings.Count(words(doc), "alert(1)") == 0 {
			t.Errorf("GET %s does not show the text", path)
		}
		for _, script := range all(doc, "script", nil) {
			if script.FirstChild != nil || !strings.HasPrefix(attr(script, "src"), "/static/") {
				t.Errorf("GET %s: a script came in from outside", path)
			}
		}
	}
}

func TestAcknowledgeForm(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	doc := shown(t, h, "/alarms/acknowledge?kind=silent&room=loft&sensor=loft-1", 200)
	form := only(t, doc, "form", nil)
	values := url.Values{}
	for _, in := range all(form, "input", nil) {
		values.Set(attr(in, "name"), attr(in, "value"))
	}
	if attr(form, "method") != "post" || attr(form, "action") != "/alarms/acknowledge" {
		t.Errorf("form %v", form.Attr)
	}
	const media = "application/x-www-form-urlencoded"
	values.Set("by", "Mara")
	values.Set("note", "battery")
	res := ask(t, h, http.MethodPost, "/alarms/acknowledge", values.Encode(), "Content-Type", media)
	if res.StatusCode != 303 || res.Header.Get("Location") != "/#alarms" {
		t.Errorf("status %d to %q", res.StatusCode, res.Header.Get("Location"))
	}
	if d := cmp.Diff([]string{"acknowledge silent/loft/loft-1 by Mara: battery"}, k.seen()); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}

	refused := func(body, contentType string, status int, want string) {
		t.Helper()
		res := ask(t, h, http.MethodPost, "/alarms/acknowledge", body, "Content-Type", contentType)
		doc, err := html.ParseWithOptions(res.Body, html.ParseOptionEnableScripting(false))
		if err != nil || res.StatusCode != status {
			t.Fatalf("status %d, want %d, %v", res.StatusCode, status, err)
		}
		wantWords(t, only(t, doc, "p", func(n *html.Node) bool { return attr(n, "role") == "alert" }), want)
	}
	refused("kind=warm&room=loft", media, 422, "give the name")
	refused("by=Mara", media, 422, "say which alarm")
	refused("by=%zz", media, 400, "could not be read")
	refused("by="+strings.Repeat("x", maxBody), media, 413, "larger than 65536 bytes")
	refused("by=Mara", "text/plain", 415, "send the form as")
	k.err = fmt.Errorf("no alarm silent/attic: %w", lot.ErrNotFound)
	refused("kind=silent&room=attic&by=Mara", media, 404, "no alarm silent/attic: not found")
	if n := len(k.seen()); n != 2 {
		t.Errorf("%d calls reached Actions, want 2", n)
	}
}
