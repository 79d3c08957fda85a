package demo_test

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"dryhold/internal/web/chromiumtest"
)

// patience is how long one step in the browser may take on a loaded machine.
const patience = 2 * time.Minute

// chromium is one browser for all tests; each opens tabs of its own.
var chromium = sync.OnceValues(func() (context.Context, error) {
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), chromiumtest.Options(chromedp.Flag("lang", "en"))...)
	endings = append(endings, cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	endings = append(endings, cancel)
	return ctx, chromedp.Do(ctx) // starts it
})

var endings []context.CancelFunc

func closeChromium() {
	for i := len(endings) - 1; i >= 0; i-- {
		endings[i]()
	}
}

// tab is one page of the browser, and what it complained of.
type tab struct {
	t   *testing.T
	ctx context.Context

	mu       sync.Mutex
	complain []string
	bytes    float64 // that came over the wire
}

// newTab opens one with cookies and a cache of its own, or skips where there is
// no browser; with DRYHOLD_TEST_SERVERS=1 that is a failure.
func newTab(t *testing.T) *tab {
	t.Helper()
	chromiumtest.Need(t)
	browser, err := chromium()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := chromedp.NewContext(browser, chromedp.WithNewBrowserContext())
	t.Cleanup(cancel)
	b := &tab{t: t, ctx: ctx}
	if err := chromedp.Listen(ctx, b.hear); err != nil {
		t.Fatal(err)
	}
	b.do(chromedp.EmulateViewport(1280, 900))
	return b
}

// hear notes errors of scripts, of the console and of the content security
// policy, and what was transferred.
func (b *tab) hear(event any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch e := event.(type) {
	case *runtime.EventExceptionThrown:
		b.complain = append(b.complain, "script: "+e.ExceptionDetails.Text)
		if x := e.ExceptionDetails.Exception; x != nil {
			b.complain = append(b.complain, x.Description)
		}
	case *runtime.EventConsoleAPICalled:
		if e.Type == runtime.ConsoleAPICalledTypeError || e.Type == runtime.ConsoleAPICalledTypeWarning {
			for _, a := range e.Args {
				b.complain = append(b.complain, fmt.Sprintf("console.%s: %s", e.Type, a.Value))
			}
		}
	case *log.EventEntryAdded:
		if e.Entry.Level == log.EntryLevelError || e.Entry.Level == log.EntryLevelWarning {
			b.complain = append(b.complain, fmt.Sprintf("%s: %s (%s)", e.Entry.Source, e.Entry.Text, e.Entry.URL))
		}
	case *network.EventLoadingFinished:
		b.bytes += e.EncodedDataLength
	}
}

// complaints are those since it was asked last.
func (b *tab) complaints() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	all := b.complain
	b.complain = nil
	return all
}

func (b *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		b.t.Fatal(err)
	}
}

// open goes to an address and wants it to answer 200.
func (b *tab) open(url string) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	answer, err := chromedp.Run(ctx, chromedp.NavigateResponse(url))
	if err != nil {
		b.t.Fatalf("cannot open %s: %v", url, err)
	}
	if status(answer) != http.StatusOK {
		b.t.Fatalf("%s answers %d", url, status(answer))
	}
}

// emulate has the page shown in a width, light or dark, on a screen or paper.
func (b *tab) emulate(width int64, scheme, media string) {
	b.t.Helper()
	b.do(chromedp.EmulateViewport(width, 900))
	command(b, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: media, Features: []*emulation.MediaFeature{
		{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"},
	}})
}

// follow clicks what the selector names and waits for the page that comes.
func (b *tab) follow(selector string) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	if _, err := chromedp.RunResponse(ctx, chromedp.Click(chromedp.CSS(selector))); err != nil {
		b.t.Fatalf("%s: cannot follow %s: %v", b.at(), selector, err)
	}
}

func (b *tab) at() string { return evaluate[string](b, `location.pathname + location.search`) }

// text is all that is written on the page.
func (b *tab) text() string {
	return strings.Join(strings.Fields(evaluate[string](b, `document.body.textContent`)), " ")
}

func command[P, R any](b *tab, cmd cdp.Command[P, R], params P) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	if _, err := chromedp.Call(ctx, cmd, params); err != nil {
		b.t.Fatal(err)
	}
}

// evaluate asks the open page.
func evaluate[T any](b *tab, expression string) T {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatalf("cannot evaluate %.200s: %v", expression, err)
	}
	return v
}

// of is the same tab in a test of its own.
func (b *tab) of(t *testing.T) *tab {
	b.t = t
	b.complaints()
	return b
}

func status(answer *network.Response) int64 {
	if answer == nil {
		return 0
	}
	return answer.Status
}
