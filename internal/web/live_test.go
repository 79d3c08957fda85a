package web

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
)

// complaints collects what the open page complains of.
type complaints struct {
	mu  sync.Mutex
	all []string
}

func (c *complaints) take() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	out := c.all
	c.all = nil
	return out
}

func complaintsOf(t *testing.T, ctx context.Context) *complaints {
	t.Helper()
	c := &complaints{}
	note := func(text string) {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.all = append(c.all, text)
	}
	err := chromedp.Listen(ctx, func(ev any) {
		switch e := ev.(type) {
		case *runtime.EventExceptionThrown:
			note(fmt.Sprint(e.ExceptionDetails.Text, " ", e.ExceptionDetails.URL, " ", e.ExceptionDetails.Exception))
		case *log.EventEntryAdded:
			if e.Entry.Level.String() == "error" {
				note(e.Entry.Text + " " + e.Entry.URL)
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func do(t *testing.T, ctx context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	if err := chromedp.Do(ctx, steps...); err != nil {
		t.Fatal(err)
	}
}

// until waits for an expression to be true on the open page. While it loads
// another there is none to ask.
func until(t *testing.T, ctx context.Context, expression string) {
	t.Helper()
	var last any
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		so, err := chromedp.Run(ctx, chromedp.Evaluate[bool]("(async () => "+expression+")()", chromedp.EvalAwaitPromise))
		if err == nil && so {
			return
		}
		last = err
	}
	seen, _ := chromedp.Run(ctx, chromedp.Evaluate[string]("document.body.innerText.slice(0, 500)"))
	t.Fatalf("never so: %s (%v); the page:\n%s", expression, last, seen)
}

// again serves a handler on the address of a server that was closed.
func again(t *testing.T, address string, h http.Handler) *httptest.Server {
	t.Helper()
	var l net.Listener
	var err error
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if l, err = net.Listen("tcp", address); err == nil {
			break
		}
	}
	if err != nil {
		t.Fatal(err)
	}
	server := &httptest.Server{Listener: l, Config: &http.Server{Handler: h}}
	server.Start()
	t.Cleanup(func() { shut(server) })
	return server
}

// shut ends a server and what its clients wait for.
func shut(server *httptest.Server) {
	server.CloseClientConnections()
	server.Close()
}

// A value changes on the open page without a reload, and what the person has
// there stays: open details, focus, scrolling.
func TestPageKeepsItselfFresh(t *testing.T) {
	ctx := browser(t)
	c := complaintsOf(t, ctx)
	var pages atomic.Int64
	n, server := newsHouse(t, nil)
	inner := server.Config.Handler
	server.Config.Handler = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/" {
			pages.Add(1)
		}
		inner.ServeHTTP(w, r)
	})
	do(t, ctx, chromedp.EmulateViewport(700, 500), chromedp.Navigate(server.URL+"/"))
	until(t, ctx, `document.querySelector(".livestate").textContent === "This page keeps itself fresh."`)
	waiting(t, n, 1)
	evaluate[bool](t, ctx, `window.same = true; const room = document.querySelector('.room[data-key="cellar"]'); room.querySelector("details").open = true;
		room.querySelector("summary").focus(); scrollTo(0, 300); true`)
	at := evaluate[float64](t, ctx, `scrollY`)
	warmer := func(celsius float64) {
		n.publish(func(s *engine.Snapshot) { s.Rooms[0].Temperature = is(celsius, noon()) })
	}
	warmer(15.9)
	until(t, ctx, `document.querySelector('.room[data-key="cellar"] .value').textContent === "15.9 °C"`)
	if !evaluate[bool](t, ctx, `window.same && document.activeElement.matches('.room[data-key="cellar"] summary') && document.activeElement.parentElement.open`) {
		t.Error("the page was loaded anew, or focus or open details are lost")
	}
	if now := evaluate[float64](t, ctx, `scrollY`); now != at {
		t.Errorf("scrolled from %g to %g", at, now)
	}

	n.publish(func(s *engine.Snapshot) {
		s.Alarms = append([]engine.AlarmView{{Key: alarm.Key{Kind: alarm.Damp, Room: "cellar"}, State: alarm.ActiveUnacknowledged, Since: noon(), Text: "The cellar is damp."}}, s.Alarms...)
	})
	until(t, ctx, `document.querySelector(".livenews").textContent === "New alarm: Alarm cellar: too damp"`)
	first := evaluate[string](t, ctx, `[...document.querySelectorAll(".alarm")].map(a => a.dataset.key).join(" ")`)
	if want := "damp/cellar warm/loft silent/loft/loft-light bright/loft"; first != want {
		t.Errorf("alarms %s, want %s", first, want)
	}

	do(t, ctx, chromedp.Click(chromedp.CSS("#live button")))
	until(t, ctx, `document.querySelector(".livestate").textContent.startsWith("Paused: this is the state of 14 Jul 2026")`)
	before := pages.Load()
	warmer(17.1)
	do(t, ctx, chromedp.Sleep(3*time.Second)) // longer than a page that is not paused takes to ask
	if got := pages.Load(); got != before || evaluate[bool](t, ctx, `document.body.innerText.includes("17.1 °C")`) {
		t.Errorf("a page that is paused asked %d times", got-before)
	}
	do(t, ctx, chromedp.Click(chromedp.CSS("#live button")))
	until(t, ctx, `document.body.innerText.includes("17.1 °C")`)
	if got := c.take(); len(got) > 0 {
		t.Errorf("complaints: %q", got)
	}

	// The daemon goes, and comes back with another state.
	address := server.Listener.Addr().String()
	shut(server)
	until(t, ctx, `document.querySelector("#live").classList.contains("lost") && document.querySelector(".livestate").textContent.startsWith("Connection lost: this is the state of 14 Jul 2026")`)
	warmer(12.5)
	again(t, address, inner)
	until(t, ctx, `document.body.innerText.includes("12.5 °C") && !document.querySelector("#live").classList.contains("lost")`)
	if !evaluate[bool](t, ctx, `window.same`) {
		t.Error("the page was loaded anew")
	}
}

// Out of reach of the daemon, the last state and the pick list are there and
// say that they are old; any other page says that it is not kept. With the
// daemon back, nothing old is shown. Who logs out leaves nothing.
func TestOutOfReach(t *testing.T) {
	ctx := browser(t)
	c := complaintsOf(t, ctx)
	access, _, _ := guarded(t, false)
	n, server := newsHouse(t, func(c *Config) { c.Access = access.Access })
	inner, address := server.Config.Handler, server.Listener.Addr().String()
	enter := func() {
		t.Helper()
		do(t, ctx, chromedp.Navigate(server.URL+"/login"), chromedp.SendKeys(chromedp.CSS("#name"), "mara"),
			chromedp.SendKeys(chromedp.CSS("#password"), marasPassword), chromedp.Click(chromedp.CSS(`main button`)))
		until(t, ctx, `document.title === "Larch House: dryhold"`)
	}
	enter()
	until(t, ctx, `(await navigator.serviceWorker.ready, true) && !!navigator.serviceWorker.controller`)
	do(t, ctx, chromedp.Navigate(server.URL+"/"))
	kept := func(path string) string {
		return fmt.Sprintf(`!!(await (await caches.open("pages")).match(%q))`, path)
	}
	until(t, ctx, kept("/")+" && "+kept("/use-first")+" && "+kept(offlinePath))
	if evaluate[bool](t, ctx, `!document.querySelector("#kept").hidden`) {
		t.Error("a page from the daemon says that it is old")
	}
	if got := c.take(); len(got) > 0 {
		t.Errorf("complaints: %q", got)
	}

	shut(server)
	open := func(path, want string) {
		t.Helper()
		do(t, ctx, chromedp.Navigate("http://"+address+path))
		until(t, ctx, fmt.Sprintf(`document.body.innerText.includes(%q)`, want))
	}
	const mark = "Out of reach: this page is as it was on "
	open("/", "14.2 °C")
	until(t, ctx, `/Out of reach: this page is as it was on \w{3} \d+, \d{4}, [\d:]+/.test(document.querySelector("#kept").innerText)`)
	open("/use-first", mark)
	open("/?refresh=off", mark)
	open("/audit", "this page is not kept on this device")

	n.publish(func(s *engine.Snapshot) { s.Rooms[0].Temperature = is(9.5, noon()) })
	server = again(t, address, inner)
	open("/", "9.5 °C")
	if evaluate[bool](t, ctx, `!document.querySelector("#kept").hidden`) {
		t.Error("with the daemon back the page says that it is old")
	}
	until(t, ctx, kept("/"))
	do(t, ctx, chromedp.Click(chromedp.CSS(".session button")))
	until(t, ctx, `location.pathname === "/login" && !(await caches.has("pages"))`)
	shut(server)
	do(t, ctx, chromedp.Sleep(100*time.Millisecond))
	if err := chromedp.Do(ctx, chromedp.Navigate("http://"+address+"/")); err == nil && evaluate[bool](t, ctx, `document.body.innerText.includes("9.5")`) {
		t.Error("what was kept is shown after logging out")
	}
}

func TestKeptPagesSayWhose(t *testing.T) {
	h, _, _, _ := locked(t)
	_, session := login(t, h, "mara", marasPassword, "/")
	f := func(path, want string, named bool) {
		t.Helper()
		res := ask(t, h, http.MethodGet, path, "", "Cookie", session.Name+"="+session.Value)
		whose, any := res.Header["Dryhold-Keep"]
		if any != named || named && whose[0] != want {
			t.Errorf("%s is kept for %q", path, whose)
		}
	}
	f("/", "mara", true)
	f("/use-first", "mara", true)
	f(offlinePath, "mara", true)
	f("/audit", "", false)
	f("/api/v1/status", "", false)
	f("/login", "", false)
	open, _ := house(t, larchHouse(), nil)
	if whose := ask(t, open, http.MethodGet, "/", "").Header.Values("Dryhold-Keep"); len(whose) != 1 || whose[0] != "" {
		t.Errorf("where nobody is asked, a page is nobody's: %q", whose)
	}
}

// What the worker has devices keep is there, and is what pages load.
func TestWorkerAndManifest(t *testing.T) {
	h, _, _, _ := locked(t)
	script := ask(t, h, http.MethodGet, workerPath, "")
	body := text(t, script)
	if script.StatusCode != 200 || script.Header.Get("Cache-Control") != "no-cache" || !strings.HasPrefix(script.Header.Get("Content-Type"), "text/javascript") {
		t.Errorf("worker: %d %v", script.StatusCode, script.Header)
	}
	for _, name := range []string{"style.css", "live.js", "offline.js", "app.webmanifest"} {
		if !strings.Contains(body, readAssets().url(name)) {
			t.Errorf("the worker does not keep %s", name)
		}
	}
	manifest, err := url.Parse(readAssets().url("app.webmanifest"))
	if err != nil {
		t.Fatal(err)
	}
	for _, icon := range []string{"icons/jar.svg", "icons/jar-192.png", "icons/jar-512.png", "icons/jar-maskable-512.png"} {
		at := manifest.ResolveReference(&url.URL{Path: icon}).Path
		if !strings.Contains(text(t, ask(t, h, http.MethodGet, manifest.Path, "")), `"`+icon+`"`) {
			t.Errorf("the manifest does not name %s", icon)
		}
		if res := ask(t, h, http.MethodGet, at, ""); res.StatusCode != 200 || !strings.HasPrefix(res.Header.Get("Content-Type"), "image/") {
			t.Errorf("%s: %d %s", at, res.StatusCode, res.Header.Get("Content-Type"))
		}
	}
}
