package web

import (
	"context"
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"golang.org/x/net/html"

	"dryhold/internal/packing"
	"dryhold/internal/settings"
)

// The house of the tests has no rooms to look ahead in.
func (k *keeper) PackingAdvice(_ context.Context, q packing.Question) (packing.Advice, error) {
	if err := k.note("packing %s in %s", q.Food, q.Container); err != nil {
		return packing.Advice{}, err
	}
	c, err := settings.Catalog()
	if err != nil {
		return packing.Advice{}, err
	}
	r, err := q.Request(noon())
	if err != nil {
		return packing.Advice{}, err
	}
	return packing.Advise(r, c, nil)
}

func (k *keeper) Foods() []packing.Judged {
	c, err := settings.Catalog()
	if err != nil {
		panic(err)
	}
	return packing.Foods(c)
}

func (k *keeper) Containers() []string { return []string{"pet-2l", "milk-jug"} }

func TestPackingAnswers(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	post := func(body string) *http.Response { return ask(t, h, http.MethodPost, packingPath, body) }
	decode := func(body string) (a packing.Advice) {
		t.Helper()
		res := post(body)
		if err := json.NewDecoder(res.Body).Decode(&a); err != nil || res.StatusCode != http.StatusOK {
			t.Fatalf("%s: %d, %v", body, res.StatusCode, err)
		}
		return a
	}
	a := decode(`{"food":"white-rice","container":"pet-2l","amount":"20 kg","moisture":"9.5 %","resin":"1","closure":"screw","held":"food","leak_test":"held"}`)
	if a.Refused || a.Fill == nil || a.Fill.Count != 13 || a.Oxygen == nil || len(a.Lives) != 1 {
		t.Errorf("advice %+v", a)
	}
	if a := decode(`{"food":"dry-beans","container":"milk-jug","moisture":"16%"}`); !a.Refused || len(a.Reasons) != 2 {
		t.Errorf("reasons %q", a.Reasons)
	}
	wantProblem(t, post(`{"food":"white-rise"}`), http.StatusUnprocessableEntity, "white-rice")
	wantProblem(t, post(`{"food":"white-rice","packed":"1900-01-01"}`), http.StatusUnprocessableEntity, "before 1980")
	wantProblem(t, post(`{"meal":"white-rice"}`), http.StatusBadRequest, "meal")
	var foods []packing.Judged
	res := ask(t, h, http.MethodGet, "/api/v1/packing/foods", "")
	if err := json.NewDecoder(res.Body).Decode(&foods); err != nil || len(foods) < 40 {
		t.Errorf("%d foods, %v", len(foods), err)
	}
}

func TestPackingPage(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	wantWords(t, shown(t, h, "/packing", http.StatusOK), "Ask before you pack", "Foods and their verdicts", "Quality is not safety", "botulism")
	if len(k.seen()) != 0 {
		t.Errorf("an empty form asked %q", k.seen())
	}
	doc := shown(t, h, "/packing?food=white-rice&container=pet-2l&amount=20+kg&moisture=9.5+%25&resin=1&closure=screw&held=food", http.StatusOK)
	wantWords(t, doc, "13 containers of about 1.63 kg", "good Resin code 1 is PET", "find out Test it empty", "580 cm³ to hold it", "15 to 30 minutes", "dryhold lots add white-rice pet-2l --count 13 --mass 1.63 --room ROOM --treatment absorber --capacity 600 --moisture 9.5")
	doc = shown(t, h, "/packing?food=white-rice&container=pet-4l&moisture=9.5&absorber=50&closure=flip-top", http.StatusOK)
	wantWords(t, doc, "do not pack it so", "refused A flip-top closure is not fit", "refused An absorber of 50 cm³ is too small")
	wantWords(t, shown(t, h, "/packing?food=white-rice&packed=1900-01-01", http.StatusUnprocessableEntity), "before 1980")
	wantWords(t, shown(t, h, "/packing?solution=4+L&bleach=6+%25", http.StatusOK), "13 mL of bleach of 6 %", "200 mg/L", "Never mix bleach")
	wantWords(t, shownTo(t, h, "/packing?solution=1+gal&bleach=6+%25", "en.us."), "Bleach 0.41 fl oz", "With water to make 1 gal")
	wantWords(t, shownTo(t, h, "/packing?solution=4+L&bleach=6,0+%25", "de.metric."), "12,7 mL", "Mit Wasser auf 4 L")
	doc = shownTo(t, h, "/packing?food=white-rice&container=pet-2l&amount=20+kg&room=cellar", "en.metric.")
	to := attr(only(t, doc, "a", func(n *html.Node) bool { return strings.HasPrefix(attr(n, "href"), "/lots/new?") }), "href")
	if want := "/lots/new?absorber=600&container=pet-2l&count=13&food=white-rice&mass=1.63&room=cellar&treatment=absorber"; to != want {
		t.Errorf("the lot is entered at %q, want %q", to, want)
	}
	doc = shown(t, h, "/packing?food=dry-beans&container=milk-jug&moisture=16", http.StatusOK)
	if len(all(doc, "a", func(n *html.Node) bool { return strings.HasPrefix(attr(n, "href"), "/lots/new") })) != 0 {
		t.Error("what is refused can be entered from here")
	}
	// The guided test brings the same question back with its answer.
	doc = shown(t, h, "/packing?food=white-rice&container=pet-2l&amount=20+kg", http.StatusOK)
	held := all(doc, "a", func(n *html.Node) bool { return strings.Contains(attr(n, "href"), "leak_test=held") })
	if len(held) != 1 || len(all(doc, "input", func(n *html.Node) bool { return attr(n, "type") == "checkbox" })) != 6 {
		t.Fatalf("%d links of a test that held", len(held))
	}
	doc = shown(t, h, attr(held[0], "href"), http.StatusOK)
	wantWords(t, doc, "good Squeezed under water it gave no bubbles")
	only(t, doc, "a", func(n *html.Node) bool {
		return strings.HasPrefix(attr(n, "href"), "/lots/new?") && strings.Contains(attr(n, "href"), "leak_test=held")
	})
	wantWords(t, shown(t, h, "/packing?bleach=40", http.StatusUnprocessableEntity), "bleach of 40 %")
}

// Asking is reading: a token that may only read may ask.
func TestPackingIsReading(t *testing.T) {
	r, err := http.NewRequest(http.MethodPost, packingPath, strings.NewReader("{}"))
	if err != nil {
		t.Fatal(err)
	}
	if got := needed(r); got != "read" {
		t.Errorf("advice needs %q", got)
	}
}

func TestPackingOnANarrowScreen(t *testing.T) {
	ctx := browser(t)
	base, _ := serve(t, larchHouse())
	for _, width := range []int64{360, 390, 961, 1280} {
		for _, path := range []string{"/packing", "/packing?food=white-rice&container=pet-4l&amount=20+kg&moisture=9.5%25", "/packing?food=dry-beans&container=milk-jug&moisture=16", "/packing?solution=1+gal"} {
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 800), chromedp.Navigate(base+path)); err != nil {
				t.Fatalf("cannot open %s at %d px: %v", path, width, err)
			}
			has := evaluate[int](t, ctx, `document.documentElement.clientWidth`)
			needs := evaluate[int](t, ctx, `document.documentElement.scrollWidth`)
			if has != int(width) || needs > has {
				t.Errorf("%s needs %d px and has %d at a width of %d", path, needs, has, width)
			}
		}
	}
}

// The form works by keyboard and mouse as it stands, without a script.
func TestPackingFormInTheBrowser(t *testing.T) {
	ctx := browser(t)
	base, k := serve(t, larchHouse())
	err := chromedp.Do(ctx, chromedp.Navigate(base+"/packing"), chromedp.SendKeys("#food", "white-rice"), chromedp.SendKeys("#container", "pet-2l"),
		chromedp.SendKeys("#amount", "44 lb"), chromedp.SendKeys("#moisture", "9.5%"), chromedp.Submit("form.asking"), chromedp.WaitVisible(".lines"))
	if err != nil {
		t.Fatal(err)
	}
	if got := evaluate[string](t, ctx, `document.querySelector('main .card').textContent`); !strings.Contains(got, "13 containers") {
		t.Errorf("the answer is %q", got)
	}
	if got := evaluate[string](t, ctx, `document.querySelector('#amount').value`); got != "44 lb" {
		t.Errorf("the form forgot the amount: %q", got)
	}
	if got := k.seen(); len(got) != 1 || got[0] != "packing white-rice in pet-2l" {
		t.Errorf("asked %q", got)
	}
}
