package web

import (
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/google/go-cmp/cmp"
	"golang.org/x/net/html"

	"dryhold/internal/engine"
)

// withL1 is the house with a lot that is explained, reviewed and published.
func withL1() *engine.Snapshot {
	snap := larchHouse()
	snap.Lots[0].ID = "L-1"
	return snap
}

func TestLotCourseAsJSON(t *testing.T) {
	h, k := house(t, withL1(), nil)
	res := ask(t, h, http.MethodGet, "/api/v1/lots/L-1/course?points=50", "")
	var got engine.LotCourse
	if err := json.NewDecoder(res.Body).Decode(&got); err != nil || res.StatusCode != http.StatusOK {
		t.Fatalf("%d: %v", res.StatusCode, err)
	}
	if d := cmp.Diff(larchCourse("L-1"), got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if d := cmp.Diff([]string{"course of L-1 in 50 points"}, k.seen()); d != "" {
		t.Error(d)
	}
	wantProblem(t, ask(t, h, http.MethodGet, "/api/v1/lots/L-1/course?points=many", ""), http.StatusUnprocessableEntity, `points: "many" is no whole number`)
	wantProblem(t, ask(t, h, http.MethodGet, "/api/v1/lots/L-1/course?points=3", ""), http.StatusUnprocessableEntity, "3 points: ask for")
	wantProblem(t, ask(t, h, http.MethodGet, "/api/v1/lots/L-9/course", ""), http.StatusNotFound, `no lot "L-9"`)
}

func TestLotPage(t *testing.T) {
	snap := withL1()
	snap.Lots[0].Warnings, snap.Lots[0].Caution = []string{"The seal leaks: repack it or eat it first."}, "Keeps a year at best."
	h, _ := house(t, snap, nil)
	doc := shown(t, h, "/lots/L-1", http.StatusOK)
	wantWords(t, doc, "The seal leaks: repack it", "Keeps a year at best.", "Packed March 2025, ends 2052", "oxygen enclosed at packing", "absorber: 58 cm³ left in each",
		"low-oxygen hold complete", "Modes: ways of going bad", "thiamin", "The review of this lot", "Nothing of what was tried", "96.0 % (93.0 to 98.0 %) today",
		"How fast it aged since packing", "Quality is not safety")
	if figures := all(doc, "figure", nil); len(figures) != 3 {
		t.Fatalf("%d figures", len(figures))
	}
	for _, n := range all(doc, "figure", func(n *html.Node) bool { return attr(n, "data-chart") != "" }) {
		var o chartOptions
		if err := json.Unmarshal([]byte(attr(n, "data-chart")), &o); err != nil || len(o.Series) != 1 || attr(n, "data-src") != "/api/v1/lots/L-1/course" && attr(n, "data-src") != "#course" {
			t.Errorf("a chart of %q: %+v, %v", attr(n, "data-src"), o, err)
		}
		only(t, n, "figcaption", nil)
		if rows := all(only(t, n, "table", nil), "tr", nil); len(rows) != 1+len(larchCourse("L-1").At) {
			t.Errorf("%d rows in the table", len(rows))
		}
	}
	// A strip without colour: by its height, and hatched where it is not known.
	if n := all(doc, "rect", classed("unseen")); len(n) != 1 || attr(n[0], "fill") != "url(#unseen-lines)" {
		t.Errorf("%d stretches not known", len(n))
	}
}

// The table of a chart has the numbers that programs get.
func TestTableOfTheCourse(t *testing.T) {
	h, _ := house(t, withL1(), nil)
	doc := shown(t, h, "/lots/L-1", http.StatusOK)
	p := &pageContext{}
	one := p.measure(100, 1, " %")
	c := larchCourse("L-1")
	tables := all(doc, "table", classed("course"))
	if len(tables) != 2 {
		t.Fatalf("%d tables", len(tables))
	}
	for i, row := range all(tables[0], "tr", nil)[1:] {
		q := c.Quality.Row(i)
		var cells []string
		for _, n := range all(row, "td", nil) {
			cells = append(cells, words(n))
		}
		if want := []string{one.text(q.Likely), one.text(q.Low), one.text(q.High)}; !cmp.Equal(cells[:3], want) {
			t.Errorf("row %d: %q, want %q", i, cells, want)
		}
	}
}

func TestNewLot(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	doc := shown(t, h, "/lots/new?food=white-rice&container=pet-2l&room=cellar&absorber=300&mass=1.6", http.StatusOK)
	field := func(name string) string {
		n := only(t, doc, "input", func(n *html.Node) bool { return attr(n, "name") == name })
		return attr(n, "value")
	}
	if got := []string{field("food"), field("container"), field("room"), field("absorber"), field("packed"), field("mass")}; !cmp.Equal(got, []string{"white-rice", "pet-2l", "cellar", "300", "2026-07-14", "1.6 kg"}) {
		t.Errorf("filled in with %q", got)
	}
	only(t, doc, "option", func(n *html.Node) bool { return attr(n, "value") == "absorber" && has(n, "selected") })

	f := func(form url.Values, status int, where string, want ...string) {
		t.Helper()
		res := ask(t, h, http.MethodPost, "/lots/new", form.Encode(), "Content-Type", formMedia)
		if res.StatusCode != status || res.Header.Get("Location") != where {
			t.Errorf("%v: %d to %q, want %d to %q", form, res.StatusCode, res.Header.Get("Location"), status, where)
		}
		page := text(t, res)
		for _, part := range want {
			if !strings.Contains(page, part) {
				t.Errorf("%v: the page lacks %q", form, part)
			}
		}
	}
	lot := func(change ...string) url.Values {
		v := url.Values{"food": {"white-rice"}, "container": {"pet-2l"}, "count": {"12"}, "mass": {"1.6"}, "packed": {"2026-03-14"}, "room": {"cellar"}, "by": {"Mara"}}
		for i := 0; i < len(change); i += 2 {
			v.Set(change[i], change[i+1])
		}
		return v
	}
	f(lot(), 303, "/lots/white-rice-1?did=new")
	f(lot("mass", "many"), 422, "", "Net mass in each", `value="many"`, `value="white-rice"`)
	f(lot("count", "1.5"), 422, "", "no whole number")
	f(lot("packed", "yesterday"), 422, "", "no date")
	f(lot("absorber", "300", "treatment", "none"), 422, "", "the treatment is not the absorber")
	f(lot("note", "dangerous"), 200, "", "Nothing is entered yet", "Botulism poisoning", `name="sure"`, `value="dangerous"`)
	f(lot("note", "dangerous", "sure", "yes"), 303, "/lots/white-rice-1?did=new")
	f(lot("food", "moist-beans"), 422, "", "is not for dry packing", `value="moist-beans"`)
	if d := cmp.Diff([]string{"add white-rice pet-2l 12 x 1.6 kg in cellar by Mara", "add white-rice pet-2l 12 x 1.6 kg in cellar by Mara"}, onlyCalls(k, "add ")); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

func onlyCalls(k *keeper, prefix string) (out []string) {
	for _, c := range k.seen() {
		if strings.HasPrefix(c, prefix) {
			out = append(out, c)
		}
	}
	return out
}

func has(n *html.Node, name string) bool {
	for _, a := range n.Attr {
		if a.Key == name {
			return true
		}
	}
	return false
}

func TestImportLotsByThePage(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	table := "food,container,count,mass_kg,packed,room,moisture,treatment,absorber\nwhite-rice,pet-2l,12,1.6,2026-03-14,cellar,9.5,absorber,300\nsugar,pet-2l,6,1.7,2026-03-14,loft,,none,\n"
	f := func(form url.Values, status int, where string, want ...string) {
		t.Helper()
		res := ask(t, h, http.MethodPost, "/lots/import", form.Encode(), "Content-Type", formMedia)
		if res.StatusCode != status || res.Header.Get("Location") != where {
			t.Errorf("%d to %q, want %d to %q", res.StatusCode, res.Header.Get("Location"), status, where)
		}
		page := text(t, res)
		for _, part := range want {
			if !strings.Contains(page, part) {
				t.Errorf("the page lacks %q", part)
			}
		}
	}
	wantWords(t, shown(t, h, "/lots/import", http.StatusOK), "food,container,count", "Nothing is entered before you have seen")
	f(url.Values{"table": {table}, "by": {"Mara"}}, 200, "", "2 lots, 18 containers, 29.4 kg in all.", "absorber, 300 cm³", "not measured", "Enter 2 lots", `name="sure"`)
	f(url.Values{"table": {table}, "by": {"Mara"}, "sure": {"yes"}}, 303, "/lots?did=imported&import=3")
	f(url.Values{"table": {strings.Replace(table, "1.6", "much", 1)}, "by": {"Mara"}, "sure": {"yes"}}, 422, "", "2:22: mass_kg", "Mend these first", "much")
	f(url.Values{"table": {""}, "by": {"Mara"}}, 422, "", "the table is empty")
	f(url.Values{"table": {"food,colour\n"}, "by": {"Mara"}}, 422, "", "none of a lot")
	f(url.Values{"table": {strings.Replace(table, "sugar", "moist-beans", 1)}, "by": {"Mara"}, "sure": {"yes"}}, 422, "", "3: moist-beans is not for dry packing")
	f(url.Values{"table": {strings.SplitAfter(table, "\n")[0]}, "by": {"Mara"}}, 422, "", "0 lots")
	var changing []string
	for _, c := range onlyCalls(k, "import of") {
		if strings.Contains(c, "dry run false") {
			changing = append(changing, c)
		}
	}
	if d := cmp.Diff([]string{"import of 2 lots by Mara, dry run false"}, changing); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}

	body := "--x\r\nContent-Disposition: form-data; name=\"by\"\r\n\r\nMara\r\n--x\r\nContent-Disposition: form-data; name=\"file\"; filename=\"lots.csv\"\r\nContent-Type: text/csv\r\n\r\n" + table + "\r\n--x--\r\n"
	if page := text(t, ask(t, h, http.MethodPost, "/lots/import", body, "Content-Type", "multipart/form-data; boundary=x")); !strings.Contains(page, "Enter 2 lots") {
		t.Errorf("a file: %s", page)
	}
	if res := ask(t, h, http.MethodPost, "/lots/import", strings.Repeat("a", maxImport+1), "Content-Type", formMedia); res.StatusCode != http.StatusRequestEntityTooLarge {
		t.Errorf("a table too large: %d", res.StatusCode)
	}

	res := ask(t, h, http.MethodPost, "/lots/import/3/undo", url.Values{"by": {"Mara"}, "note": {"the wrong file"}}.Encode(), "Content-Type", formMedia)
	if res.StatusCode != http.StatusSeeOther || res.Header.Get("Location") != "/lots?did=unimported" || len(onlyCalls(k, "undo import 3 by Mara: the wrong file")) != 1 {
		t.Errorf("undo: %d to %q, %q", res.StatusCode, res.Header.Get("Location"), k.seen())
	}
	if res := ask(t, h, http.MethodPost, "/lots/import/x/undo", "by=Mara", "Content-Type", formMedia); res.StatusCode != http.StatusNotFound {
		t.Errorf("undo of x: %d", res.StatusCode)
	}
}

// In a real browser the charts are drawn, their tables are what the API says,
// and no page scrolls sideways on a telephone, in a language with long words
// too.
func TestLotsInTheBrowser(t *testing.T) {
	ctx := browser(t)
	base, _ := serve(t, withL1())
	open := func(path string, width int64) {
		t.Helper()
		if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 800), chromedp.Navigate(base+path)); err != nil {
			t.Fatalf("cannot open %s: %v", path, err)
		}
	}
	open("/lots/L-1", 1280)
	if err := chromedp.Do(ctx, chromedp.WaitReady(chromedp.CSS(`figure[data-drawn="yes"] canvas`))); err != nil {
		t.Fatal(err)
	}
	if n := evaluate[int](t, ctx, `document.querySelectorAll('figure[data-drawn="no"]').length`); n > 0 {
		t.Errorf("%d charts are not drawn", n)
	}
	inked := evaluate[int](t, ctx, `(() => { const c = document.querySelector("figure canvas"), d = c.getContext("2d").getImageData(0, 0, c.width, c.height).data; let n = 0; for (let i = 3; i < d.length; i += 4) if (d[i] > 0) n++; return n; })()`)
	if inked < 1000 {
		t.Errorf("the chart has %d inked pixels", inked)
	}
	same := evaluate[string](t, ctx, `(() => {
		const x = new XMLHttpRequest();
		x.open("GET", "/api/v1/lots/L-1/course", false);
		x.send();
		const c = JSON.parse(x.responseText);
		const rows = [...document.querySelectorAll("table.course")[0].querySelectorAll("tbody tr")];
		if (rows.length !== c.at.length) return rows.length + " rows, " + c.at.length + " points";
		for (const [i, row] of rows.entries()) {
			const cells = [...row.querySelectorAll("td")].map((n) => parseFloat(n.textContent.replace("−", "-")));
			const want = [c.quality.likely[i], c.quality.low[i], c.quality.high[i]].map((v) => 100 * v);
			if (want.some((v, k) => Math.abs(v - cells[k]) > 0.0501)) return "row " + i + ": " + cells + " instead of " + want;
			if (Date.parse(row.querySelector("time").dateTime) !== Date.parse(c.at[i])) return "time of row " + i;
		}
		return "same";
	})()`)
	if same != "same" {
		t.Errorf("table against API: %s", same)
	}
	// The bars stand under their axis: today is one line over all.
	for _, width := range []int64{360, 700, 1280, 1900} {
		open("/lots", width)
		apart := evaluate[float64](t, ctx, `(() => { const x = [...document.querySelectorAll("line.today")].map((n) => n.getBoundingClientRect().left); return x.length < 5 ? 1000 : Math.max(...x) - Math.min(...x); })()`)
		if apart > 0.6 {
			t.Errorf("at a width of %d the lines of today lie %g px apart", width, apart)
		}
	}
	for _, width := range []int64{360, 1280} {
		for _, path := range []string{"/lots?finished=yes", "/lots/L-1?did=eat", "/lots/new", "/lots/import"} {
			open(path, width)
			evaluate[bool](t, ctx, `document.querySelectorAll("details").forEach(d => d.open = true), true`)
			if needs := evaluate[int](t, ctx, `document.documentElement.scrollWidth`); needs > int(width) {
				t.Errorf("%s needs %d px at a width of %d", path, needs, width)
			}
		}
	}
}
