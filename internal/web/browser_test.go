package web

import (
	"context"
	"math"
	"net/http/httptest"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
	"dryhold/internal/web/chromiumtest"
)

// browser starts a real chromium, which takes http://hearth for this machine,
// or skips; with DRYHOLD_TEST_SERVERS=1 a missing chromium is a failure.
func browser(t *testing.T) context.Context {
	t.Helper()
	chromiumtest.Need(t)
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewExecAllocator(ctx, chromiumtest.Options(chromedp.Flag("host-resolver-rules", "MAP hearth 127.0.0.1"))...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	return ctx
}

// evaluate asks the open page.
func evaluate[T any](t *testing.T, ctx context.Context, expression string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		t.Fatalf("cannot evaluate %s: %v", expression, err)
	}
	return v
}

// serve is a real server over the snapshot, reached by the name hearth.
func serve(t *testing.T, snap *engine.Snapshot) (base string, k *keeper) {
	t.Helper()
	h, k := house(t, snap, func(c *Config) { c.Hosts = []string{"hearth"} })
	server := httptest.NewServer(h)
	t.Cleanup(func() {
		server.CloseClientConnections() // a page that is open listens to events
		server.Close()
	})
	return "http://hearth:" + server.URL[strings.LastIndex(server.URL, ":")+1:], k
}

// wide is a house whose words are as long and as unbreakable as they come.
func wide() *engine.Snapshot {
	long := strings.Repeat("W", 120)
	snap := larchHouse()
	snap.Site, snap.Rooms[1].Name, snap.Sensors[1].Name = long, long, long
	snap.Sensors[1].Room, snap.Sensors[2].Room = long, long
	snap.Lots[1].FoodName, snap.Lots[1].ID, snap.Lots[1].Packing.Note, snap.Lots[1].Limiting = long, long, long, long
	snap.Lots[1].EndBy, snap.Lots[1].Warnings, snap.Lots[1].Caution, snap.Lots[1].Insects.Words = long, []string{long}, long, long
	snap.Lots[1].Modes[0].Name, snap.Lots[1].Moisture.Limit, snap.Lots[1].Notes[0].Text, snap.Lots[1].Oxygen.Note = long, long, long, long
	snap.Rooms[0].Mould[0].Surface, snap.Rooms[0].Mould[0].Words, snap.Rooms[1].GrowthNow = long, long, long
	snap.Alarms[0].Key.Room, snap.Alarms[0].Text, snap.Alarms[0].Costs[0].Lot, snap.Alarms[1].By = long, long, long, long
	snap.Intake.Errors[0].Topic, snap.Intake.Errors[0].Cause, snap.Intake.Errors[0].Last = long, long, long
	snap.Intake.LastKnown[0].Sensor = long
	snap.Alarms[0].Note, snap.Alarms[0].NoteBy, snap.Alarms[1].State, snap.Alarms[1].AsideBy = long, long, alarm.Shelved, long
	snap.Sensors[0].Name, snap.Sensors[0].Calibrations[0].Note, snap.Sensors[2].Faults[0].Text = long, long, long
	return snap
}

func TestNoSidewaysScrolling(t *testing.T) {
	ctx := browser(t)
	for _, c := range []struct {
		name string
		snap *engine.Snapshot
	}{{"hot week", larchHouse()}, {"long words", wide()}, {"empty", &engine.Snapshot{Site: "Larch House", At: noon()}}, {"starting", nil}} {
		t.Run(c.name, func(t *testing.T) {
			base, _ := serve(t, c.snap)
			for _, width := range []int64{360, 390, 700, 961, 1280} {
				for _, path := range []string{"/?refresh=off", "/alarms/acknowledge?kind=silent&room=loft&sensor=" + strings.Repeat("W", 120), "/alarms", "/alarms/shelve?kind=warm&room=loft", "/a/good"} {
					err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 800), chromedp.Navigate(base+path))
					if err != nil {
						t.Fatalf("cannot open %s at %d px: %v", path, width, err)
					}
					evaluate[bool](t, ctx, `document.querySelectorAll("details").forEach(d => d.open = true), true`)
					has := evaluate[int](t, ctx, `document.documentElement.clientWidth`)
					needs := evaluate[int](t, ctx, `document.documentElement.scrollWidth`)
					family := evaluate[string](t, ctx, `getComputedStyle(document.querySelector("h1")).fontFamily`)
					if has != int(width) || needs > has {
						t.Errorf("%s needs %d px and has %d at a width of %d", path, needs, has, width)
					}
					if !strings.Contains(family, "Georgia") {
						t.Errorf("%s: the style sheet was not applied: %q", path, family)
					}
				}
			}
		})
	}
}

// A browser sends neither Sec-Fetch-Site over plain HTTP to a name, nor an
// Origin other than "null" under some referrer policies: only a real one shows
// that the form gets through the protection against foreign pages.
func TestAcknowledgeInTheBrowser(t *testing.T) {
	ctx := browser(t)
	base, k := serve(t, larchHouse())
	err := chromedp.Do(ctx,
		chromedp.Navigate(base+"/?refresh=off"),
		chromedp.Click(chromedp.CSS(`article[aria-label="Alarm loft: too warm"] a.button`)),
		chromedp.SendKeys(chromedp.CSS(`#by`), "Mara"),
		chromedp.SendKeys(chromedp.CSS(`#note`), "window open"),
		chromedp.Click(chromedp.CSS(`button`)),
		chromedp.WaitVisible(chromedp.CSS(`#alarms`)),
	)
	if err != nil {
		t.Fatal(err)
	}
	title := evaluate[string](t, ctx, `document.title`)
	if d := cmp.Diff([]string{"acknowledge warm/loft by Mara: window open"}, k.seen()); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if title != "Larch House: dryhold" {
		t.Errorf("back at %q", title)
	}
}

// Contrast of text on its grounds, light and dark, by WCAG 2.2 success
// criterion 1.4.3: at least 4.5 to 1.
func TestContrast(t *testing.T) {
	css := string(readAssets().files["style.css"].body)
	colours := regexp.MustCompile(`--([a-z-]+): light-dark\((#[0-9a-f]{6}), (#[0-9a-f]{6})\);`).FindAllStringSubmatch(css, -1)
	if len(colours) < 10 {
		t.Fatalf("%d colours, want all those of the page", len(colours))
	}
	for i, scheme := range []string{"light", "dark"} {
		colour := map[string]float64{}
		for _, m := range colours {
			colour[m[1]] = luminance(t, strings.TrimPrefix(m[2+i], "#"))
		}
		for _, ink := range []string{"ink", "soft", "ok", "over", "held", "unknown", "link"} {
			for _, ground := range []string{"paper", "card", "over-tint"} {
				a, b := colour[ink], colour[ground]
				if ratio := (max(a, b) + 0.05) / (min(a, b) + 0.05); ratio < 4.5 {
					t.Errorf("%s: %s on %s has a contrast of %.2f to 1, needs 4.5", scheme, ink, ground, ratio)
				}
			}
		}
	}
}

// luminance is the relative luminance of WCAG 2.2.
func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	n, err := strconv.ParseUint(hex, 16, 32)
	if err != nil {
		t.Fatal(err)
	}
	linear := func(shift int) float64 {
		c := float64(n>>shift&0xff) / 255
		if c <= 0.04045 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*linear(16) + 0.7152*linear(8) + 0.0722*linear(0)
}
