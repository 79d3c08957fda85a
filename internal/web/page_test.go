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
func shown(t testing.TB, h http.Handler, path string, status int) *html.Node {
	t.Helper()
	res := ask(t, h, http.MethodGet, path, "")
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

	wantWords(t, doc, "1 check fails", "▲ not ok Mail goes out : the mail server refuses the password",
		"home/loft/climate implausible 3", "loft, loft-2: temperature 30.2 °C", "Quality is not safety", "When in doubt, throw it out",
		"Botulism", "local food-safety authority", "away from children", "Rodents gnaw through plastic", "dryhold 0.1.0-test")
}

func classed(class string) func(*html.Node) bool {
	return func(n *html.Node) bool { return slices.Contains(strings.Fields(attr(n, "class")), class) }
}

// lotBodies are the row groups of the lots, in order.
func lotBodies(t testing.TB, doc *html.Node) []*html.Node {
	t.Helper()
	var out []*html.Node
	for c := range only(t, doc, "table", classed("lots")).ChildNodes() {
		if c.Data == "tbody" {
			out = append(out, c)
		}
	}
	return out
}

func TestLotsTable(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	doc := shown(t, h, "/", 200)
	bodies := lotBodies(t, doc)
	var ids []string
	for _, b := range bodies {
		ids = append(ids, words(only(t, b, "span", classed("id"))))
	}
	if d := cmp.Diff([]string{"brown-rice-1", "milk-powder-1", "white-rice-1"}, ids); d != "" {
		t.Fatalf("warned lots first, then least left, finished ones not at all (-want +got):\n%s", d)
	}
	wantWords(t, bodies[0], "Brown rice brown-rice-1 8 % −10 to 22 % oxidation; 61.3 days lost to heat beyond plan ? 1.5 days with no temperature known "+
		"? 4.0 days with an estimated temperature Mar 2027 , now to Mar 2028 by: oxidation at plan storage: 2055, 2043 to 2063 0.62 0.59 to 0.66 ◆ past amber 0.60, red is 0.65 "+
		"21 % 20 to 21 % ◆ air in spite of an absorber absorber spent ▲ low-oxygen hold 0 % complete; 1.7 generations possible "+
		"▲ Water activity 0.62 is past the amber line of 0.60: mould comes next. ▲ The seal leaks: repack it or eat it first. ▲ No treatment is complete",
		"Caution: Keeps a year at best", "6 × 850 g, PET bottle, 1 L, packed March 2025, in loft.")
	wantWords(t, bodies[1], "23.8 days spared by a cool room, heat alone 2037 , 2031 to beyond 2126 by: lactose crystallises", "0.24 0.20 to 0.27 ✓ below amber 0.30",
		"under 0.1 % up to 1.2 % ✓ low oxygen absorber: 58 cm³ left in each, its end not in sight ✓ low-oxygen hold complete")
	wantWords(t, bodies[2], "0.4 days lost to heat beyond plan 2052 , 2041 to 2060 by: oxidation at plan storage: 2055, 2043 to 2063 0.43 0.38 to 0.48 ✓ below amber 0.60",
		"? low oxygen, if the seal holds absorber: 58 cm³ left in each, spent in June 2027 ? low-oxygen hold complete")
	if n := len(all(bodies[2], "ul", classed("warnings"))); n != 0 {
		t.Errorf("a lot without a warning has %d lists of them", n)
	}
	for _, th := range all(doc, "th", nil) {
		if attr(th, "scope") == "" {
			t.Errorf("header %q has no scope", words(th))
		}
	}
	for _, link := range all(bodies[0], "a", nil) {
		if got := attr(link, "href"); got != "/lots/brown-rice-1" || words(link) != "Explain Brown rice brown-rice-1" {
			t.Errorf("link %q to %q", words(link), got)
		}
	}
}

func TestLotDetails(t *testing.T) {
	snap := larchHouse()
	snap.Lots[0].ID = "a/b c"
	h, _ := house(t, snap, nil)
	bodies := lotBodies(t, shown(t, h, "/", 200))
	details := only(t, bodies[0], "details", nil)
	if attr(details, "open") != "" || words(only(t, details, "summary", nil)) != "Inside, modes, nutrients of Brown rice brown-rice-1" {
		t.Errorf("details %v", details.Attr)
	}
	wantWords(t, details, "moisture 11.5 % of wet mass, 10.8 to 12.2 %; at packing not measured, the usual is taken",
		"passes amber, 0.60 passed", "passes red, 0.65 Mar 2028", "what too much water does mould", "absorber is spent passed", "oxygen rises past 1 % passed",
		"110 cm³ in each; absorber too small: 50 of 110 cm³",
		"seal failed; of such containers 100 % leak insects untreated (Sitophilus granarius) 1.7 generations possible since packing, 1.4 to 2.2; 1.5 days not known were left out",
		"seed that sprouts 74 %, 61 to 82 %", "light received 73 779 lux hours",
		"oxidation 4.0 % 2 to 7 % 271 days at 21 °C 1.04 × 0.21 × 0.0 %", "Nutrients kept; their loss ends no lot thiamin 96 %, 93 to 98 %",
		"from the spring fair", "14 Jun 2026, seal failed: hisses when pressed (Mara)")
	if got := words(only(t, details, "table", classed("modes"))); strings.Contains(got, "thiamin") {
		t.Errorf("a nutrient among the modes that end a lot: %s", got)
	}
	rice := bodies[2]
	wantWords(t, rice, "measured at packing 11.5 %", "oxygen rises past 5 % not in sight", "seal assumed; of such containers 25 % leak, 10 to 60 %",
		"0.3 generations possible since packing, 0.3 to 0.4, until the treatment was complete", "light received 0 lux hours")
	if got := attr(only(t, rice, "a", nil), "href"); got != "/lots/a%2Fb%20c" {
		t.Errorf("explained at %q", got)
	}
}

// Nothing of a lot that was never worked out may look good.
func TestUnknownLot(t *testing.T) {
	snap := larchHouse()
	nan := math.NaN()
	bad := dryRice()
	bad.ID, bad.Remaining, bad.LostBeyondPlan, bad.Moisture.Activity = "L-2", between(nan, nan, nan), nan, between(nan, nan, nan)
	bad.Oxygen.Fraction, bad.LightDose = between(nan, nan, nan), nan
	snap.Lots = []engine.LotView{{Lot: lot.Lot{ID: "L-1"}}, bad}
	h, _ := house(t, snap, nil)
	for _, body := range lotBodies(t, shown(t, h, "/", 200)) {
		if got := words(body); strings.Contains(got, "✓ below") || strings.Contains(got, "✓ low oxygen") || strings.Contains(got, "NaN") || strings.Contains(got, "922") {
			t.Errorf("unknown looks good: %s", got)
		}
	}
	wantWords(t, lotBodies(t, shown(t, h, "/", 200))[1], "not known")
}

func TestWarningsAreNotLostInLongLists(t *testing.T) {
	snap := larchHouse()
	for i := range 250 {
		snap.Lots = append(snap.Lots, engine.LotView{Lot: lot.Lot{ID: fmt.Sprintf("lot-%d", i)}, Remaining: engine.Estimate{Likely: 0.5}})
	}
	snap.Lots = append(snap.Lots, engine.LotView{Lot: lot.Lot{ID: "wet"}, Remaining: engine.Estimate{Likely: 0.99}, Warnings: []string{"It is wet."}})
	many, _ := house(t, snap, nil)
	doc := shown(t, many, "/", 200)
	wantWords(t, doc, "1 finished lot is not shown", "54 lots further down the order not shown")
	wantWords(t, lotBodies(t, doc)[1], "wet", "▲ It is wet.")
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
	f(func(s *engine.Snapshot) { s.At = ago(time.Hour) }, "This state is old. Nothing below is sure to be so now")
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

func TestPageHasNoScriptAndNoStyleOfItsOwn(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	for _, path := range []string{"/", "/alarms/acknowledge?kind=warm&room=loft"} {
		doc := shown(t, h, path, 200)
		for n := range doc.Descendants() {
			if n.Type == html.ElementNode && (n.Data == "script" || n.Data == "style" || n.Data == "img") {
				t.Errorf("GET %s has a <%s>", path, n.Data)
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
	snap.Lots[0].Packing.Note, snap.Lots[0].ID = evil, evil
	snap.Alarms[0].Text, snap.Alarms[0].Key.Room = evil, evil
	snap.Intake.Errors[0].Topic, snap.Intake.Errors[0].Last = evil, evil
	h, _ := house(t, snap, func(c *Config) {
		c.Health = func() []health.Check { return []health.Check{{Title: evil, Text: evil}} }
	})
	for _, path := range []string{"/", "/alarms/acknowledge?room=" + url.QueryEscape(evil)} {
		if n := len(all(shown(t, h, path, 200), "script", nil)); n != 0 {
			t.Errorf("GET %s: %d scripts came in from outside", path, n)
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
