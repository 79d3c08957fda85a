package demo_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/google/go-cmp/cmp"
)

// shotsEnv names a directory for pictures of every page, in both widths and
// light and dark, for those who want to look at them.
const shotsEnv = "DRYHOLD_TEST_SHOTS"

// pages lists every page of the daemon, and those that look otherwise when
// something is asked of them.
func pages() []string {
	return []string{
		"/", "/room/cellar", "/room/loft?from=2024-08-01&to=2024-09-01", "/lots", "/lots/new", "/lots/import", "/lots/L-1", "/lots/L-7", "/lots/L-10",
		"/review", "/review?lot=L-7", "/use-first", "/what-if", "/what-if?lot=L-7", "/rooms/compare",
		"/alarms", "/alarms?alarm=warm/loft", "/alarms/acknowledge?kind=absorber_small&lot=L-7", "/alarms/shelve?kind=absorber_small&lot=L-7",
		"/alarms/replay", "/notices", "/packing", "/packing?food=white-rice&container=pet-2l&amount=20+kg", "/packing?food=dry-beans&container=milk-jug&moisture=16",
		"/labels", "/rounds", "/sensors", "/sensors/cellar/cellar", "/sensors/cellar/cellar/calibrate", "/sensors/topics", "/review/notes?room=loft&from=2025-07-15T00:00:00Z&to=2025-07-22T00:00:00Z", "/health", "/audit", "/preferences", "/offline",
	}
}

// Every page opens without a complaint of the browser, is for those who see
// little, use the keyboard alone, a telephone, paper, German or French.
func TestPages(t *testing.T) {
	b := newTab(t)
	h := newLarchHouse(t)
	axe, err := os.ReadFile("../../testdata/axe-core/axe.min.js")
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range pages() {
		t.Run(strings.ReplaceAll(path, "/", ":"), func(t *testing.T) { // a name with / is hard to ask for
			b := &visit{tab: b.of(t), url: h.url + path, axe: string(axe)}
			b.emulate(1280, "light", "")
			b.open(b.url)
			b.quiet("")
			b.keyboard()
			b.shoot(path)
			b.open(b.url)
			b.accessible()
			if path == "/" {
				b.chosen()
			}
			b.printed()
			for _, language := range []string{"de", "fr"} {
				b.in(language)
			}
		})
	}
}

// visit is a visit to one page.
type visit struct {
	*tab
	url, axe string
}

// quiet wants no complaint since it was asked last.
func (b *visit) quiet(when string) {
	b.t.Helper()
	for _, c := range b.complaints() {
		b.t.Errorf("the browser complains%s: %s", when, c)
	}
}

// keyboard goes through the page by the Tab key: every element that can be
// used is reached in its order and shows that it is, and the first link skips
// to the content.
func (b *visit) keyboard() {
	b.t.Helper()
	n := evaluate[int](b.tab, `(() => {
		document.querySelectorAll("details").forEach(d => d.open = true);
		const groups = new Set();
		const order = [...document.querySelectorAll("a[href], button, input, select, textarea, summary, iframe, audio, video, [tabindex], [contenteditable]")].filter(e => {
			if (e.disabled || e.tabIndex < 0 || e.type === "hidden" || !e.checkVisibility({visibilityProperty: true})) return false;
			if (e.type !== "radio") return true;
			const group = document.querySelectorAll('input[type=radio][name="' + CSS.escape(e.name) + '"]');
			return [...group].some(o => o.checked) ? e.checked : e === group[0];
		});
		window.reached = [];
		document.addEventListener("focusin", event => {
			const e = event.target, s = getComputedStyle(e), box = e.getBoundingClientRect();
			const seen = (s.outlineStyle !== "none" && parseFloat(s.outlineWidth) >= 2 || s.boxShadow !== "none") && box.width > 1 && box.height > 1 && box.bottom > 0 && box.top < innerHeight;
			window.reached.push([order.indexOf(e), seen, e.outerHTML.slice(0, 150)]);
		});
		document.activeElement?.blur();
		window.order = order;
		return order.length;
	})()`)
	for range n {
		b.do(chromedp.KeyEvent("\t"))
	}
	// A field of a date has parts, which take a step each.
	for range 8 * evaluate[int](b.tab, `window.order.filter(e => /^(date|time|month|week)/.test(e.type)).length`) {
		if evaluate[int](b.tab, `window.reached.length`) >= n {
			break
		}
		b.do(chromedp.KeyEvent("\t"))
	}
	faults := evaluate[[]string](b.tab, `(() => {
		const faults = [];
		window.order.forEach((e, i) => {
			const r = window.reached[i];
			if (!r) faults.push("the Tab key never comes to " + e.outerHTML.slice(0, 150));
			else if (r[0] !== i) faults.push("step " + i + " comes to " + r[2] + " and not to " + e.outerHTML.slice(0, 150));
			else if (!r[1]) faults.push("the focus is not to be seen on " + r[2]);
		});
		return faults.slice(0, 3);
	})()`)
	for _, fault := range faults {
		b.t.Error(fault)
	}
	b.open(b.url)
	b.do(chromedp.KeyEvent("\t"), chromedp.KeyEvent("\r"), chromedp.KeyEvent("\t"))
	if !evaluate[bool](b.tab, `location.hash === "#main" && (document.activeElement === document.body || document.querySelector("main").contains(document.activeElement)
		|| document.querySelector("main").querySelector("a[href], button, input, select, summary") === null)`) {
		b.t.Errorf("the first link does not skip to the content: at %s", evaluate[string](b.tab, `location.hash + " " + document.activeElement.outerHTML.slice(0, 150)`))
	}
	b.complaints()
}

// contrast are the rules to which light and dark make a difference.
const contrast = `{type: "rule", values: ["color-contrast", "link-in-text-block"]}`

// accessible wants axe to find nothing in light and dark, on a desk and on a
// telephone, and a page that does not scroll sideways. All but the contrast is
// the same in light and dark.
func (b *visit) accessible() {
	b.t.Helper()
	evaluate[bool](b.tab, `document.querySelectorAll("details").forEach(d => d.open = true), true`)
	evaluate[bool](b.tab, b.axe+`; true`)
	const all = `{type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}`
	for _, width := range []int64{360, 1280} {
		b.emulate(width, "light", "")
		if needs := evaluate[int64](b.tab, `document.documentElement.scrollWidth`); needs > width {
			b.t.Errorf("needs %d px and has %d: %s", needs, width, b.wide())
		}
	}
	// Of long tables and lists the first rows will do for axe.
	evaluate[bool](b.tab, `document.querySelectorAll("tbody tr:nth-child(n+5), tbody:nth-of-type(n+6), datalist option, svg > :nth-child(n+40)").forEach(e => e.remove()), true`)
	for _, width := range []int64{1280, 360} {
		b.emulate(width, "light", "")
		b.violations(fmt.Sprintf("light, %d px", width), all)
		b.emulate(width, "dark", "")
		b.violations(fmt.Sprintf("dark, %d px", width), contrast)
	}
}

// chosen wants light and dark as the person chose them, against what the
// machine says.
func (b *visit) chosen() {
	b.t.Helper()
	for _, theme := range [][2]string{{"light", "dark"}, {"dark", "light"}} {
		b.emulate(1280, theme[1], "")
		evaluate[string](b.tab, fmt.Sprintf(`document.documentElement.dataset.theme = %q`, theme[0]))
		b.violations(theme[0]+" as chosen", contrast)
	}
	evaluate[bool](b.tab, `delete document.documentElement.dataset.theme`)
}

func (b *visit) violations(how, rules string) {
	b.t.Helper()
	for _, v := range evaluate[[]string](b.tab, `axe.run(document, {runOnly: `+rules+`, resultTypes: ["violations"]}).then(r =>
		r.violations.map(v => v.id + ": " + v.help + "\n" + v.nodes.slice(0, 3).map(n => "  " + n.target.join(" ") + ": " + n.failureSummary.replace(/\s+/g, " ")).join("\n")))`) {
		b.t.Errorf("%s: %s", how, v)
	}
}

// wide names what is wider than the window.
func (b *tab) wide() string {
	return strings.Join(evaluate[[]string](b, `[...document.body.querySelectorAll("*")].filter(e => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest(".nav")).slice(0, 3).map(e => e.outerHTML.slice(0, 120))`), "; ")
}

// printed wants paper without what only a screen can use.
func (b *visit) printed() {
	b.t.Helper()
	b.emulate(800, "light", "print")
	if left := evaluate[[]string](b.tab, `[...document.querySelectorAll("header nav, button, .skip")].filter(e => e.checkVisibility()).map(e => e.outerHTML.slice(0, 100))`); len(left) > 0 {
		b.t.Errorf("on paper: %.500q", left)
	}
	if !evaluate[bool](b.tab, `document.querySelector("h1").checkVisibility()`) {
		b.t.Error("no heading on paper")
	}
	b.emulate(1280, "light", "")
}

// in opens the page in a language, in which words are longer.
func (b *visit) in(language string) {
	b.t.Helper()
	b.prefer(b.url, language+".metric.")
	b.emulate(360, "light", "")
	b.open(b.url)
	if got := evaluate[string](b.tab, `document.documentElement.lang`); got != language {
		b.t.Errorf("asked in %s, it comes in %s", language, got)
	}
	if needs := evaluate[int64](b.tab, `document.documentElement.scrollWidth`); needs > 360 {
		b.t.Errorf("in %s: needs %d px and has 360: %s", language, needs, b.wide())
	}
	b.quiet(" in " + language)
	b.prefer(b.url, "en.metric.")
}

// prefer sets the cookie of the preferences.
func (b *tab) prefer(at, value string) {
	b.t.Helper()
	command(b, network.SetCookie, network.SetCookieParams{Name: "dryhold_preferences", Value: value, URL: at})
}

// shoot makes pictures of the page, where they are wanted.
func (b *visit) shoot(path string) {
	b.t.Helper()
	dir := os.Getenv(shotsEnv)
	if dir == "" {
		return
	}
	name := strings.Trim(strings.Map(func(r rune) rune {
		if strings.ContainsRune("/?&=+", r) {
			return '_'
		}
		return r
	}, path), "_")
	for _, width := range []int64{1280, 390} {
		for _, scheme := range []string{"light", "dark"} {
			b.emulate(width, scheme, "")
			b.do(chromedp.EmulateViewport(width, 1600))
			b.open(b.url)
			picture, err := chromedp.Run(b.ctx, chromedp.CaptureScreenshot())
			if err != nil {
				b.t.Fatal(err)
			}
			file := filepath.Join(dir, fmt.Sprintf("%s-%d-%s.png", name, width, scheme))
			if err := os.WriteFile(file, picture, 0o600); err != nil {
				b.t.Fatal(err)
			}
		}
	}
	b.emulate(1280, "light", "")
}

// What a page costs the first time, over the wire: at most 150 kB.
func TestFirstLoad(t *testing.T) {
	h := newLarchHouse(t)
	for _, path := range []string{"/", "/room/loft", "/lots/L-7"} {
		t.Run(strings.ReplaceAll(path, "/", ":"), func(t *testing.T) { // a name with / is hard to ask for
			b := newTab(t)
			b.open(h.url + path)
			evaluate[bool](b, `new Promise(done => { const wait = () => document.readyState === "complete" ? setTimeout(done, 0, true) : setTimeout(wait, 10); wait() })`)
			b.mu.Lock()
			defer b.mu.Unlock()
			t.Logf("%s: %.1f kB", path, b.bytes/1000)
			if b.bytes > 150_000 || b.bytes < 1000 {
				t.Errorf("%s takes %.1f kB, at most 150", path, b.bytes/1000)
			}
		})
	}
}

// What TestPages looks for it does see, on a page that was spoiled.
func TestPagesSeesFaults(t *testing.T) {
	b := newTab(t)
	h := newLarchHouse(t)
	axe, err := os.ReadFile("../../testdata/axe-core/axe.min.js")
	if err != nil {
		t.Fatal(err)
	}
	b.open(h.url + "/packing")
	evaluate[bool](b, `console.error("a fault"), document.querySelector("label").remove(), document.querySelector("main input").removeAttribute("placeholder"), true`)
	evaluate[bool](b, `(() => { const s = document.createElement("script"); s.textContent = "1"; document.body.append(s); return true })()`)
	evaluate[bool](b, `document.querySelector("h1").setAttribute("style", "color: #bbb"), document.querySelector("h1").style.color = "#ccc", true`)
	if got := b.complaints(); len(got) < 2 {
		t.Errorf("an error on the console and a script against the policy, and it hears %q", got)
	}
	evaluate[bool](b, string(axe)+`; true`)
	got := evaluate[[]string](b, `axe.run(document, {runOnly: {type: "rule", values: ["label", "color-contrast"]}}).then(r => r.violations.map(v => v.id))`)
	if d := cmp.Diff([]string{"color-contrast", "label"}, got); d != "" {
		t.Errorf("axe on a spoiled page (-want +got):\n%s", d)
	}
	b.emulate(360, "light", "")
	evaluate[bool](b, `document.querySelector("h1").style.width = "500px", true`)
	if b.wide() == "" {
		t.Error("a heading of 500 px is not told at 360")
	}
}
