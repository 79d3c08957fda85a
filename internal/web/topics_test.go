package web

import (
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"golang.org/x/net/html"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
)

func TestTopicsPage(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	doc := shown(t, h, "/sensors/topics", 200)
	wantWords(t, doc, "✓ looking until 14 Jul 2026 14:34 CEST", "1 234 messages on 5 topics; 7 messages on further topics")
	rows := all(only(t, doc, "table", nil), "tr", nil)[1:]
	wantWords(t, rows[0], `gw/shelf {"temperature":21.5,"note":"<b>"} 33 B 2 about every 30 s`, "? not mapped Propose a mapping")
	wantWords(t, rows[1], "home/loft/climate <html>", "about every 0.5 s", "▲ not read not json: the payload is not one JSON text by the entry home/{room}/climate")
	wantWords(t, rows[2], "5 B, kept by the broker", "✓ understood the device says ready")
	wantWords(t, rows[3], "✓ read cellar/cellar temperature 14.2 °C by the entry rooms/{room}/{quantity}")
	wantWords(t, rows[4], "binary, in hexadecimal: ffd8ff … 88 KiB")
	if to := attr(all(rows[0], "a", nil)[0], "href"); to != "/sensors/proposal?topic=gw%2Fshelf" {
		t.Errorf("the proposal is at %s", to)
	}
	if rows := all(only(t, shown(t, h, "/sensors/topics?find=GW%2F", 200), "table", nil), "tr", nil); len(rows) != 2 {
		t.Errorf("%d rows for a word of one topic", len(rows))
	}
	// What the intake refuses for a reason the decoder does not know is told.
	snap := larchHouse()
	snap.Intake.Errors[0].Topic, snap.Intake.Errors[0].Cause = "rooms/cellar/temperature", "unknown room"
	refusing, _ := house(t, snap, nil)
	wantWords(t, shown(t, refusing, "/sensors/topics", 200), "◆ read, and not always taken", "unknown room: ")

	post := func(form url.Values) *http.Response {
		return ask(t, h, http.MethodPost, "/sensors/topics", form.Encode(), "Content-Type", formMedia)
	}
	for do, want := range map[string]string{"look": "watch by Mara", "leave": "leave"} {
		if res := post(url.Values{"do": {do}, "by": {"Mara"}}); res.StatusCode != http.StatusSeeOther || res.Header.Get("Location") != "/sensors/topics" {
			t.Errorf("%s: %d", do, res.StatusCode)
		}
		if calls := k.seen(); calls[len(calls)-1] != want {
			t.Errorf("%s: %q", do, calls)
		}
	}
	k.err = lot.NotNow("the broker is away")
	if res := post(url.Values{"by": {"Mara"}}); res.StatusCode != 503 || !strings.Contains(text(t, res), "the broker is away") {
		t.Errorf("%d", res.StatusCode)
	}
}

func TestTopicsAPI(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	var v TopicsAnswer
	if err := json.Unmarshal([]byte(text(t, ask(t, h, http.MethodGet, topicsPath, ""))), &v); err != nil || len(v.Topics) != 5 || !v.Looking {
		t.Errorf("%v %+v", err, v)
	}
	for path, want := range map[string]string{topicsPath: "watch by Mara", topicsPath + "/leave": "leave"} {
		if res := ask(t, h, http.MethodPost, path, `{"by":"Mara"}`); res.StatusCode != 204 {
			t.Errorf("%s: %d", path, res.StatusCode)
		}
		if calls := k.seen(); calls[len(calls)-1] != want {
			t.Errorf("%s: %q", path, calls)
		}
	}
	var p TopicProposal
	if err := json.Unmarshal([]byte(text(t, ask(t, h, http.MethodGet, proposalPath+"?topic=gw%2Fshelf", ""))), &p); err != nil || p.Pattern != "gw/shelf" || len(p.Values) != 2 {
		t.Errorf("%v %+v", err, p)
	}
	wantProblem(t, ask(t, h, http.MethodGet, proposalPath+"?topic=nowhere", ""), 404, "no message was seen")
	res := ask(t, h, http.MethodPost, proposalPath, `{"topic":"gw/shelf","pattern":"gw/{sensor}","room":"cellar","values":[{"path":"temperature","quantity":"temperature","unit":"F"}]}`)
	if body := text(t, res); res.StatusCode != 200 || !strings.Contains(body, `"pattern":"gw/{sensor}"`) {
		t.Errorf("%d %s", res.StatusCode, body)
	}
	wantProblem(t, ask(t, h, http.MethodPost, proposalPath, `{"topic":"gw/shelf","pattern":"`+strings.Repeat("x", mostTopic+1)+`"}`), 422, "too long")
}

// What is chosen on the page comes to the actions, and the page shows what
// comes of it with the lines to paste.
func TestProposalPage(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	doc := shown(t, h, "/sensors/proposal?topic=gw%2Fshelf", 200)
	wantWords(t, doc, `{"temperature":21.5,"note":"<b>"}`, "look at <it>", "▲ the topic names neither", "- topic: gw/shelf", "dryhold check --config FILE, then restart")
	form := only(t, doc, "form", func(n *html.Node) bool { return attr(n, "action") == "/sensors/proposal" })
	labels := map[string]bool{}
	for _, l := range all(form, "label", nil) {
		labels[attr(l, "for")] = true
	}
	q := url.Values{}
	for _, in := range all(form, "input", nil) {
		if attr(in, "type") != "hidden" && !labels[attr(in, "id")] {
			t.Errorf("field %s has no label", attr(in, "name"))
		}
		q.Add(attr(in, "name"), attr(in, "value"))
	}
	for _, s := range all(form, "select", nil) {
		for _, o := range all(s, "option", nil) {
			for _, a := range o.Attr {
				if a.Key == "selected" {
					q.Add(attr(s, "name"), attr(o, "value"))
				}
			}
		}
	}
	if got := strings.Join(q["is"], ","); got != "temperature C," {
		t.Errorf("chosen as proposed: %q", got)
	}
	q.Set("room", "cellar")
	q["is"][1], q["scale"][1] = "battery %", "0,1"
	doc = shown(t, h, "/sensors/proposal?"+q.Encode(), 200)
	wantWords(t, doc, "room cellar, sensor shelf: temperature 21.5 °C, of 14 Jul 2026 14:30 CEST")
	calls := k.seen()
	if want := `{"path":"linkquality","quantity":"battery","unit":"%","scale":0.1}`; !strings.Contains(calls[len(calls)-1], want) || !strings.Contains(calls[len(calls)-1], `"room":"cellar"`) {
		t.Errorf("%s lacks %s", calls[len(calls)-1], want)
	}
	wantWords(t, shown(t, h, "/sensors/proposal?topic=nowhere", 404), "no message was seen")
	wantWords(t, shown(t, h, "/sensors/proposal?topic=gw%2Fshelf&pattern=x&is=charm+C", 422), "unknown quantity")
	wantWords(t, shown(t, h, "/sensors/proposal?topic=gw%2Fshelf&pattern=x&is=battery+%25&scale=lots", 422), "is no factor")
}

// FuzzTopicChoice: whatever the page is asked, it is a choice within its bounds
// or refused.
func FuzzTopicChoice(f *testing.F) {
	for _, seed := range []string{"pattern=a/b&path=t&is=temperature+C&scale=0.1", "pattern=&is=&is=&scale=x", "pattern=a&timepath=ts&timeformat=ms", "pattern=a&is=humidity"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, query string) {
		q, err := url.ParseQuery(query)
		if err != nil {
			return
		}
		c, no := topicChoice(q)
		if no != nil {
			if no.status != 422 || no.detail == "" {
				t.Fatalf("%q: %+v", query, no)
			}
			return
		}
		if c != nil && (len(c.Values) > mostValues || len(c.Pattern) > mostTopic) {
			t.Fatalf("%q: beyond its bounds", query)
		}
	})
}

// The page of what arrives is asked for again by its script, without a change
// of the page around it; held still, it is not.
func TestTopicsLive(t *testing.T) {
	ctx := browser(t)
	base, k := serve(t, larchHouse())
	if err := chromedp.Do(ctx, chromedp.Navigate(base+"/sensors/topics")); err != nil {
		t.Fatal(err)
	}
	looks := func() (n int) {
		for _, c := range k.seen() {
			if c == "topics" {
				n++
			}
		}
		return n
	}
	for deadline := time.Now().Add(30 * time.Second); looks() < 3; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("looked %d times in 30 s", looks())
		}
	}
	if n := evaluate[int](t, ctx, `document.querySelectorAll("#live").length + 10 * document.querySelectorAll("#live tbody tr").length`); n != 51 {
		t.Errorf("after some looks the page has %d", n)
	}
	if label := evaluate[string](t, ctx, `(b => { b.click(); return b.textContent + " " + b.getAttribute("aria-pressed"); })(document.querySelector("p > button[aria-pressed]"))`); label != "Go on true" {
		t.Errorf("held still, the button says %q", label)
	}
}

// None of these pages needs more than the width of a telephone.
func TestThingsFitATelephone(t *testing.T) {
	ctx := browser(t)
	long := strings.Repeat("W", 120)
	snap := wide()
	snap.Intake.Devices = []engine.DeviceView{{Device: long, State: "ready", Heard: ago(time.Hour)}}
	base, _ := serve(t, snap)
	at := "/sensors/cellar/" + long
	for _, width := range []int64{360, 961, 1280} {
		for _, path := range []string{"/sensors", at, at + "/calibrate", at + "/void", at + "/place", "/sensors/topics", "/sensors/proposal?topic=gw%2Fshelf", "/health", "/audit?by=" + long} {
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 800), chromedp.Navigate(base+path)); err != nil {
				t.Fatal(err)
			}
			if has, needs := evaluate[int](t, ctx, `document.documentElement.clientWidth`), evaluate[int](t, ctx, `document.documentElement.scrollWidth`); needs > has {
				t.Errorf("%s needs %d px and has %d: %s", path, needs, has, evaluate[string](t, ctx, `[...document.querySelectorAll("main *")].filter(e => e.getBoundingClientRect().right > innerWidth).map(e => e.tagName + "." + e.className).slice(0, 5).join(" ")`))
			}
		}
	}
}
