package demo_test

import (
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"dryhold/internal/demo"
	"dryhold/internal/demo/storytest"
)

// A bag of rice from the shop to the plate, on the pages alone: advice, washing,
// twelve bottles, labels, the insect hold by simulated time, the cellar, a hot
// week, use first, eaten. cmd/dryhold tells it by commands.
func TestStoryInTheBrowser(t *testing.T) {
	b := newTab(t)
	h := storytest.New(t, time.Date(2025, time.May, 31, 0, 0, 0, 0, time.UTC))
	house := h.App.URL()
	says := func(want ...string) {
		t.Helper()
		text := b.text()
		for _, w := range want {
			if !strings.Contains(text, w) {
				t.Errorf("%s does not say %q: %.3000s", b.at(), w, text)
			}
		}
	}
	h.Until(time.Date(2025, time.June, 1, 12, 0, 0, 0, time.UTC))

	b.refused(house)
	ask := `main form:has([name="food"])`
	b.open(house + "/packing")
	b.submit(ask, "food", "white-rice", "container", "pet-2l", "amount", "19 kg", "moisture", "9.5 %", "resin", "1", "closure", "screw", "held", "food", "leak_test", "held",
		"absorber", "300", "room", "north-pantry")
	says("12 containers", "Squeezed under water", "In north-pantry")
	register := evaluate[string](b, `document.querySelector('a[href^="/lots/new?"]')?.getAttribute("href") ?? ""`)
	b.open(house + "/packing")
	b.submit(`main form:has([name="bleach"])`, "solution", "4 L", "bleach", "6 %")
	says("13 mL of bleach of 6 %", "Never mix bleach")

	if register == "" {
		t.Fatal("the advice leads to no lot")
	}
	b.open(house + register)
	b.submit("", "mass", "1.6 kg", "packed", "2025-06-01", "by", "mara")
	b.open(house + "/lots/L-1")
	says("12 containers, 19.2 kg", "leave it closed until the low-oxygen hold is complete")
	b.open(house + "/labels?lots=L-1")
	labels := evaluate[string](b, `(() => { const f = document.querySelector('form[action="/api/v1/labels"]'); return f.getAttribute("action") + "?" + new URLSearchParams(new FormData(f)) })()`)
	if pdf := download(t, house+labels); !strings.HasPrefix(pdf, "%PDF-") || len(pdf) < 5000 {
		t.Errorf("labels: %d bytes that begin with %.20q", len(pdf), pdf)
	}

	h.Until(time.Date(2025, time.July, 8, 12, 0, 0, 0, time.UTC))
	b.open(house + "/alarms/acknowledge?kind=hold_complete&lot=L-1")
	says("insect hold complete")
	b.submit("", "by", "mara")
	b.open(house + "/lots/L-1")
	b.submit(lotForm("move"), "room", "cellar", "by", "mara")

	h.Until(demo.End())
	if l := h.App.Snapshot().Lots[0]; l.Room() != demo.Cellar || !(l.Remaining.Likely > 0.9) || !(l.Remaining.Likely < 1) {
		t.Errorf("in %s, %+v left", l.Room(), l.Remaining)
	}
	b.open(house + "/")
	says("loft", "Alarm")
	b.open(house + "/use-first")
	says("L-1", "White rice", "cellar", "not safety")
	b.open(house + "/lots/L-1")
	b.submit(lotForm("open"), "count", "1", "by", "mara")
	says("Opened on")
	for _, rest := range [][2]string{{"L-2", "1"}, {"L-1", "11"}} {
		b.open(house + "/lots/" + rest[0])
		b.submit(lotForm("eat"), "count", rest[1], "by", "mara")
		b.open(house + "/lots/" + rest[0])
		says("nothing left", "mara: ate "+rest[1])
	}
	b.open(house + "/use-first")
	says("There is no lot in store")
	for _, c := range b.complaints() {
		if !strings.Contains(c, "422") { // what was refused above
			t.Errorf("the browser complains: %s", c)
		}
	}
}

// refused are the inputs of which one alone spoils food, or harms people: each
// is told why, and nothing is registered.
func (b *tab) refused(house string) {
	b.t.Helper()
	f := func(want string, fields ...string) {
		b.t.Helper()
		b.open(house + "/packing")
		b.submit(`main form:has([name="food"])`, append([]string{"room", "north-pantry"}, fields...)...)
		if said := evaluate[string](b, `[...document.querySelectorAll('main [role="alert"]')].map(e => e.textContent.replace(/\s+/g, " ")).join(" ")`); !strings.Contains(said, want) {
			b.t.Errorf("%v: %q does not say %q: %.2000s", fields, said, want, b.text())
		}
		if b.shows(`a[href^="/lots/new?"]`) {
			b.t.Errorf("%v: what is refused leads to a lot", fields)
		}
	}
	f("water activity of 0.77", "food", "dry-beans", "container", "pet-2l", "moisture", "16 %")
	f("milk jug is not fit", "food", "white-rice", "container", "milk-jug")
	f("50 cm³ is too small", "food", "white-rice", "container", "pet-4l", "absorber", "50")
	f("flip-top closure is not fit", "food", "white-rice", "container", "pet-2l", "closure", "flip-top")
	f("1900-05-01 is before 1980", "food", "white-rice", "container", "pet-2l", "packed", "1900-05-01")

	b.open(house + "/lots/new")
	for _, x := range [][]string{
		{"red line", "food", "dry-beans", "container", "pet-2l", "moisture", "16", "packed", "2025-06-01"},
		{"unknown container class", "food", "white-rice", "container", "milk-jug", "moisture", "9.5", "packed", "2025-06-01"},
		{"1900", "food", "white-rice", "container", "pet-2l", "moisture", "9.5", "packed", "1900-05-01"},
	} {
		b.submit("", append([]string{"count", "2", "mass", "1.5 kg", "room", "north-pantry", "treatment", "absorber", "absorber", "300", "by", "mara"}, x[1:]...)...)
		if said := evaluate[string](b, `document.querySelector('main [role="alert"]')?.textContent ?? ""`); !strings.Contains(said, x[0]) {
			b.t.Errorf("%v: %q does not say %q", x[1:], said, x[0])
		}
	}
	if all := lots(b.t, house); len(all) != 0 {
		b.t.Errorf("registered: %v", fmt.Sprint(all))
	}
}

func download(t *testing.T, url string) string {
	t.Helper()
	r, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	body, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s, %v", url, r.Status, err)
	}
	return string(body)
}
