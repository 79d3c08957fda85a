package web

import (
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"golang.org/x/net/html"
)

// pagesOfTheHouse are all pages, as the keeper comes upon them.
func pagesOfTheHouse() []string {
	return []string{
		"/", "/room/loft", "/lots", "/lots/L-1", "/lots/new", "/lots/import", "/review", "/use-first", "/what-if", "/rooms/compare",
		"/alarms", "/alarms/replay", "/notices", "/packing", "/packing?food=white-rice&container=pet-2l&amount=20+kg&moisture=9.5+%25&resin=1&closure=screw&held=food",
		"/labels", "/rounds", "/sensors", "/sensors/cellar/cellar-1", "/health", "/audit", "/preferences", "/offline",
	}
}

// name is one that programs know: of a food, a room, a lot.
var name = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)+$`)

// said lists what a page says to a person in its own words: its texts and the
// attributes that are read out, but for what is marked as English, what the
// keeper wrote, and code.
func said(doc *html.Node) (out []string) {
	var walk func(n *html.Node)
	walk = func(n *html.Node) {
		switch n.Type {
		case html.TextNode:
			if text := strings.TrimSpace(n.Data); text != "" && !name.MatchString(text) {
				out = append(out, text)
			}
			return
		case html.ElementNode:
			if n.Data != "html" && attr(n, "lang") == "en" || slices.Contains([]string{"script", "style", "code", "pre"}, n.Data) {
				return
			}
			for _, a := range n.Attr {
				if slices.Contains([]string{"aria-label", "placeholder", "title", "alt", "data-name", "aria-description"}, a.Key) || strings.HasPrefix(a.Key, "data-text") {
					out = append(out, a.Val)
				}
			}
		}
		for c := range n.ChildNodes() {
			walk(c)
		}
	}
	walk(doc)
	return out
}

// englishWord finds a word that neither German nor French has. "Not" and "in"
// and "was" are theirs too.
var englishWord = regexp.MustCompile(`(?i)\b(the|of|and|is|are|has|have|with|from|to|by|this|that|its?|been|known|unknown|until|since|than|left|days?|years?|not (known|yet)|lots? (in|is|are)|rooms?)\b`)

// inventedWords are what the house of the tests has written itself.
func inventedWords() *strings.Replacer {
	return strings.NewReplacer("from the spring fair", "", "hisses when pressed", "", "top shelf by the window", "", "behind the door", "", "stood in the sun", "", "it did not", "", "limits, rooms, sensors", "")
}

// Whoever reads German or French is shown no English but what is marked as it.
func TestPagesSpeakTheLanguage(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	for _, tag := range languageTags()[1:] {
		for _, path := range pagesOfTheHouse() {
			t.Run(tag+" "+path, func(t *testing.T) {
				doc := shownTo(t, h, path, tag+".metric.")
				if got := attr(only(t, doc, "html", nil), "lang"); got != tag {
					t.Errorf("the page says it is in %q", got)
				}
				for _, text := range said(doc) {
					if m := englishWord.FindString(inventedWords().Replace(text)); m != "" {
						t.Errorf("%q is English: %q", m, text)
					}
				}
			})
		}
	}
}

// A point between figures is no decimal mark of German: what is left are
// versions and addresses.
func TestPagesHaveTheDecimalMark(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	point := regexp.MustCompile(`\b\d+\.\d+ ?(°C|°F|K|%|kg|lb|L|h|Tage|days|×)`)
	for _, path := range pagesOfTheHouse() {
		for _, text := range said(shownTo(t, h, path, "de.metric.")) {
			if m := point.FindString(text); m != "" {
				t.Errorf("%s: %q in %q", path, m, text)
			}
		}
	}
}

// Whoever has US units is shown no °C and no kg but in what stays English as
// it was recorded, and the same place shows °F and lb.
func TestPagesInUSUnits(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	metric := regexp.MustCompile(`\d[\x{202f} ]?(°C|K|kg|g)\b`)
	for _, path := range pagesOfTheHouse() {
		for _, text := range said(shownTo(t, h, path, "en.us.")) {
			if m := metric.FindString(text); m != "" && !strings.Contains(path, "packing") {
				t.Errorf("%s: %q in %q", path, m, text)
			}
		}
	}
	wantWords(t, shownTo(t, h, "/", "en.us."), "92.1 °F")
	wantWords(t, shownTo(t, h, "/", "de.metric."), "33,4 °C")
	wantWords(t, shownTo(t, h, "/packing?food=white-rice&container=pet-2l&amount=44+lb", "en.us."), "3.59 lb")
}

// Words of other languages are longer: no page needs sideways scrolling for
// them on a telephone.
func TestPagesOfOtherLanguagesFitANarrowScreen(t *testing.T) {
	ctx := browser(t)
	h, _ := house(t, larchHouse(), nil)
	for _, tag := range languageTags()[1:] {
		srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			r.AddCookie(&http.Cookie{Name: preferencesCookie, Value: tag + ".metric."})
			h.ServeHTTP(w, r)
		}))
		t.Cleanup(srv.Close)
		for _, path := range pagesOfTheHouse() {
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(360, 800), chromedp.Navigate(srv.URL+path)); err != nil {
				t.Fatalf("cannot open %s in %s: %v", path, tag, err)
			}
			if needs := evaluate[int](t, ctx, `document.documentElement.scrollWidth`); needs > 360 {
				t.Errorf("%s in %s needs %d px", path, tag, needs)
			}
		}
	}
}
