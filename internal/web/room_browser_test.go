package web

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// heardOf gathers what the open page complains of.
func heardOf(t *testing.T, ctx context.Context) (heard func() []string) {
	t.Helper()
	var mu sync.Mutex
	var all []string
	err := chromedp.Listen(ctx, func(event any) {
		mu.Lock()
		defer mu.Unlock()
		switch e := event.(type) {
		case *runtime.EventExceptionThrown:
			all = append(all, "script: "+e.ExceptionDetails.Text)
		case *runtime.EventConsoleAPICalled:
			for _, a := range e.Args {
				all = append(all, fmt.Sprintf("console.%s: %s", e.Type, a.Value))
			}
		case *log.EventEntryAdded:
			// Over plain HTTP to a name; and no page asks for an icon of its own.
			if strings.Contains(e.Entry.Text, "Cross-Origin-Opener-Policy") || strings.HasSuffix(e.Entry.URL, "/favicon.ico") {
				return
			}
			all = append(all, fmt.Sprintf("%s: %s (%s)", e.Entry.Source, e.Entry.Text, e.Entry.URL))
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	return func() []string {
		mu.Lock()
		defer mu.Unlock()
		return append([]string(nil), all...)
	}
}

// awaited waits until something is true of the open page.
func awaited(t *testing.T, ctx context.Context, what, expression string) {
	t.Helper()
	for end := time.Now().Add(time.Minute); ; time.Sleep(50 * time.Millisecond) {
		if evaluate[bool](t, ctx, expression) {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("waited in vain for %s", what)
		}
	}
}

const chartsDrawn = `[...document.querySelectorAll("figure[data-chart]")].every(f => f.dataset.drawn === "yes")`

// chartTones counts, of each chart, the tones of its pixels: an empty one has none
// but nothing at all.
const chartTones = `[...document.querySelectorAll("figure[data-chart] canvas")].map(c => {
	const p = c.getContext("2d").getImageData(0, 0, c.width, c.height).data, tones = new Set();
	for (let i = 0; i < p.length; i += 4) if (p[i + 3] > 0) tones.add(p[i] << 16 | p[i + 1] << 8 | p[i + 2]);
	return tones.size;
})`

// chartDifferences holds each table against the numbers at the address of its chart.
const chartDifferences = `(async () => {
	const out = [];
	for (const f of document.querySelectorAll("figure[data-chart]")) {
		const o = JSON.parse(f.dataset.chart), json = await (await fetch(f.dataset.src)).json();
		const rows = [...f.querySelectorAll(".numbers tbody tr")], heads = [...f.querySelectorAll(".numbers thead th")].map(h => h.textContent);
		if (rows.length !== json.buckets.start.length || !rows.length) out.push(o.unit + ": " + rows.length + " rows");
		for (const s of o.series) {
			const column = s.column.split(".").reduce((v, k) => v[k], json), at = heads.indexOf(s.label);
			rows.forEach((r, i) => {
				const said = r.cells[at].textContent, v = column[i];
				if (v === null ? said !== "–" : Math.abs(parseFloat(said.replace("−", "-")) - (v * o.factor + o.offset)) > 0.00501) out.push(s.column + " " + i + ": " + said + ", " + v);
			});
		}
	}
	return out.join("; ");
})()`

func TestRoomChartsInTheBrowser(t *testing.T) {
	ctx := browser(t)
	base, _ := serve(t, larchHouse())
	heard := heardOf(t, ctx)
	for _, query := range []string{"?last=month", "?last=day", "?last=all"} {
		if err := chromedp.Do(ctx, chromedp.EmulateViewport(1280, 900), chromedp.Navigate(base+"/room/loft"+query)); err != nil {
			t.Fatal(err)
		}
		awaited(t, ctx, "the charts of "+query, chartsDrawn)
		tones := evaluate[[]int](t, ctx, chartTones)
		if len(tones) != 5 {
			t.Errorf("%s: %d charts are drawn, want 5", query, len(tones))
		}
		for i, n := range tones {
			if n < 5 {
				t.Errorf("%s: chart %d is drawn in %d tones: it is empty", query, i+1, n)
			}
		}
		wrong, err := chromedp.Run(ctx, chromedp.Evaluate[string](chartDifferences, chromedp.EvalAwaitPromise))
		if err != nil || wrong != "" {
			t.Errorf("%s: tables and numbers differ: %s, %v", query, wrong, err)
		}
		for _, width := range []int64{360, 390} {
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 800)); err != nil {
				t.Fatal(err)
			}
			evaluate[bool](t, ctx, `document.querySelectorAll("details").forEach(d => d.open = true), true`)
			awaited(t, ctx, "charts as narrow as the page", `[...document.querySelectorAll(".uplot")].every(u => u.clientWidth <= document.documentElement.clientWidth)`)
			if needs := evaluate[int](t, ctx, `document.documentElement.scrollWidth`); needs > int(width) {
				t.Errorf("%s needs %d px and has %d", query, needs, width)
			}
		}
	}
	if all := heard(); len(all) > 0 {
		t.Errorf("the pages complained: %s", strings.Join(all, "; "))
	}
}

// A stretch picked in a chart is looked at closer, by its address.
func TestRoomZoomByPointer(t *testing.T) {
	ctx := browser(t)
	base, _ := serve(t, larchHouse())
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(1280, 900), chromedp.Navigate(base+"/room/loft?last=month")); err != nil {
		t.Fatal(err)
	}
	awaited(t, ctx, "the charts", chartsDrawn)
	evaluate[bool](t, ctx, `(() => {
		const over = document.querySelector(".u-over"), box = over.getBoundingClientRect();
		const at = (type, x) => (type === "mouseup" ? document : over).dispatchEvent(new MouseEvent(type, { bubbles: true, clientX: box.left + x, clientY: box.top + 50, button: 0 }));
		at("mousemove", 100); at("mousedown", 100);
		const moved = new MouseEvent("mousemove", { bubbles: true, clientX: box.left + 300, clientY: box.top + 50 });
		Object.defineProperty(moved, "movementX", { value: 200 });
		over.dispatchEvent(moved); at("mouseup", 300);
		return true;
	})()`)
	awaited(t, ctx, "the stretch that was picked", `location.search.startsWith("?from=2026-06-")`)
	awaited(t, ctx, "its charts", `document.readyState === "complete" && `+chartsDrawn)
	if n := evaluate[int](t, ctx, `document.querySelector("figure[data-chart] .numbers tbody").rows.length`); n < 100 || n > pagePoints {
		t.Errorf("%d rows of about eight days", n)
	}
}
