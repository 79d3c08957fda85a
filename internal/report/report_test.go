package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // zones do not depend on the machine

	"github.com/google/go-cmp/cmp"
	"golang.org/x/net/html"
	"pgregory.net/rapid"
)

var update = flag.Bool("update", false, "write the golden files anew")

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("%s differs; write it anew with -update and look at it (-golden +now):\n%s", path, d)
	}
}

func TestGoldenText(t *testing.T) {
	golden(t, "review.txt", string(written(t, larchHouse(t, 365), Text)))
}

func TestGoldenCharts(t *testing.T) {
	f, err := loadTypeface()
	if err != nil {
		t.Fatal(err)
	}
	r := rounded(larchHouse(t, 365))
	for i, name := range []string{"strip.svg", "temperature.svg", "humidity.svg"} {
		svg, err := r.roomCharts(f, r.Rooms[2], wideChart)[i].svg(f)
		if err != nil {
			t.Fatal(err)
		}
		golden(t, name, svg)
	}
	svg, err := barCharts(f, r, wideChart)[0].svg(f)
	if err != nil {
		t.Fatal(err)
	}
	golden(t, "lots.svg", svg)
}

func TestSameBytesAgain(t *testing.T) {
	for _, f := range Formats() {
		if !bytes.Equal(written(t, larchHouse(t, 20), f), written(t, larchHouse(t, 20), f)) {
			t.Errorf("%s: the same report gave different bytes", f)
		}
	}
}

func TestWriteLeavesTheReportAlone(t *testing.T) {
	r, same := larchHouse(t, 90), larchHouse(t, 90)
	for _, f := range Formats() {
		written(t, r, f)
	}
	a, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(same)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(b), string(a)); d != "" {
		t.Errorf("writing changed the report (-before +after):\n%s", d)
	}
}

func TestEveryPageHasTheCaution(t *testing.T) {
	r := larchHouse(t, 365)
	texts := pdfTexts(t, written(t, r, PDF))
	pages := texts[len(texts)-1].page + 1
	foot := 0
	for _, p := range texts {
		if strings.HasPrefix(p.text, "Quality is not safety: this is an estimate") && p.y < 50 {
			foot++
		}
		if strings.Contains(p.text, "{pages}") {
			t.Errorf("page %d does not say how many there are: %q", p.page, p.text)
		}
	}
	if want := 1 + len(r.Rooms) + 2; pages < want-1 || foot != pages {
		t.Errorf("%d pages with %d cautions at their feet, want about %d and one each", pages, foot, want)
	}
	if n := strings.Count(string(written(t, r, HTML)), Caution); n != 1+len(r.Rooms)+1 {
		t.Errorf("HTML has the caution %d times", n)
	}
	for _, f := range []Format{Text, JSON, CSV} {
		if !strings.Contains(string(written(t, r, f)), Caution) {
			t.Errorf("%s has no caution", f)
		}
	}
}

func TestFormatsAndPeriods(t *testing.T) {
	var b bytes.Buffer
	if err := Write(&b, larchHouse(t, 3), "docx"); !errors.Is(err, ErrFormat) || b.Len() != 0 {
		t.Errorf("docx: %v, %d bytes", err, b.Len())
	}
	refused := func(from, to Date) {
		t.Helper()
		if err := Write(&b, Report{From: from, To: to}, Text); err == nil {
			t.Errorf("%v to %v was taken", from, to)
		}
	}
	refused(Date{}, on(2026, 1, 1))
	refused(on(2026, 1, 1), Date{})
	refused(on(2026, 1, 2), on(2026, 1, 1))
	refused(on(1850, 1, 1), on(2026, 1, 1))
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errors.New("disk full") }

func TestWriterFails(t *testing.T) {
	for _, f := range Formats() {
		if err := Write(full{}, larchHouse(t, 30), f); err == nil || !strings.Contains(err.Error(), "disk full") {
			t.Errorf("%s: %v", f, err)
		}
	}
}

func TestEmptyAndSmall(t *testing.T) {
	period := Report{From: on(2026, 3, 1), To: on(2026, 3, 1)}
	lot := Lot{ID: "L-1", Remaining: Band{Unknown(), Unknown(), Unknown()}, Mass: Number(math.Inf(1)), LostShare: Unknown(), Lost: Cost{Sum: Unknown()}}
	f := func(name string, r Report, says ...string) {
		t.Helper()
		for _, format := range Formats() {
			b := written(t, r, format)
			for _, s := range says {
				if (format == Text || format == HTML) && !strings.Contains(string(b), s) {
					t.Errorf("%s, %s: does not say %q", name, format, s)
				}
			}
			if format == PDF {
				b = []byte(fmt.Sprint(pdfLines(t, b)))
			}
			if bytes.Contains(b, []byte("NaN")) || bytes.Contains(b, []byte("Inf")) {
				t.Errorf("%s, %s: holds a number that is none", name, format)
			}
		}
	}
	f("nothing", period, "No room is set up.", "No lot is stored.", "No plan of use")
	period.Rooms = []Room{{Name: "cellar"}}
	f("a room without days", period, "Never outside its limits", "No month has been recorded.")
	period.Lots = []Lot{lot}
	f("one lot of which nothing is known", period, "unknown", "beyond")
	u := Unknown()
	nothing := Climate{u, u, u, u, u, u, u, u, u}
	period.Rooms[0] = Room{Name: "cellar", WarmLimit: u, DampLimit: u, BrightLimit: u, Days: []Day{{on(2026, 3, 1), nothing}, {on(2026, 2, 1), nothing}}, Months: []Month{{on(2026, 3, 1), nothing, Cost{}}}}
	f("a day of which nothing is known", period, "unknown")
	period.Rooms[0].Days = []Day{{on(2026, 3, 1), Climate{Mean: 12, Min: 12, Max: 12, Humidity: 50, Acceleration: 1, Measured: 100}}}
	f("one day", period)
}

func TestLongAndMany(t *testing.T) {
	years, lots := 2, 120
	if os.Getenv("DRYHOLD_TEST_LONG") == "1" {
		years, lots = 10, 500
	}
	r := many(t, 365*years+years/4, 1, lots)
	texts := pdfTexts(t, written(t, r, PDF))
	ids := map[string]bool{}
	for _, p := range texts {
		if p.x < 42 || p.x > 556 || p.y < 20 || p.y > 810 {
			t.Fatalf("%q stands at %.0f, %.0f of page %d, off the paper", p.text, p.x, p.y, p.page)
		}
		ids[p.text] = true
	}
	for _, l := range r.Lots {
		if !ids[l.ID] {
			t.Errorf("lot %s is missing in the PDF", l.ID)
		}
	}
	page := string(written(t, r, HTML))
	if n := strings.Count(page, "<figure>"); n != 3+(lots+lotsPerChart-1)/lotsPerChart {
		t.Errorf("%d charts, want 3 a room and one for each 45 lots", n)
	}
	if n := strings.Count(string(written(t, r, CSV)), "\nlot,"); n != lots {
		t.Errorf("%d lots in CSV", n)
	}
}

func TestOddNames(t *testing.T) {
	odd := []string{
		`<script>alert("x")</script>`, `"><img src=x onerror=alert(1)>`, "=HYPERLINK(\"http://x\")", "+1+1", "-2+3", "@SUM(A1)", "\t=1", "  =1", "'=1", "＝1",
		"a\nb\r\nc", "nul\x00bell\x07", "bad\xff\xfeutf", "\u202eright to left", "米 とろ 🍚🍚", "Ćwikła – žito, ŝi €5 °C ²", strings.Repeat("W", 300), "(back\\slash)", "{pages}", "", "]]>", "&amp;", "Ċ\u0a0a\u0d0d",
	}
	r := larchHouse(t, 3)
	r.Notes, r.Plan.Advice, r.Rooms, r.Lots = odd, odd, nil, nil
	for i, name := range odd {
		r.Site = name
		room := inventedRoom("cellar", r.From.utc(), 3, 14, 4, 62, 17, 60)
		room.Name = name
		room.Excursions = []Excursion{{Kind: name, From: r.Made, Unit: name, Note: name, Worst: []LotDays{{name, name, 1}}}}
		r.Rooms = append(r.Rooms, room)
		l := inventedLot(i, name)
		l.ID, l.Container, l.Room, l.EndedBy, l.Reason = name, name, name, name, name
		r.Lots = append(r.Lots, l)
		r.Plan.Steps, r.Plan.Supplies = append(r.Plan.Steps, Step{Lot: name, Food: name}), append(r.Plan.Supplies, Supply{Food: name})
	}
	doc, err := html.Parse(bytes.NewReader(written(t, r, HTML)))
	if err != nil {
		t.Fatal(err)
	}
	for n := range doc.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		if slices.Contains([]string{"script", "img", "link", "iframe", "image", "use"}, n.Data) {
			t.Errorf("a name made a <%s>", n.Data)
		}
		for _, a := range n.Attr {
			if strings.HasPrefix(a.Key, "on") || slices.Contains([]string{"src", "href", "xlink:href"}, a.Key) {
				t.Errorf("a name made the attribute %s", a.Key)
			}
		}
	}
	rows, err := csv.NewReader(bytes.NewReader(written(t, r, CSV))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	number := regexp.MustCompile(`^-\d+(\.\d+)?$`)
	for _, row := range rows {
		for _, cell := range row {
			if first := strings.TrimLeft(cell, " \t"); first != "" && strings.ContainsRune("=+-@＝", []rune(first)[0]) && !number.MatchString(cell) {
				t.Errorf("a spreadsheet runs %q", cell)
			}
		}
	}
	var back document
	if err := json.Unmarshal(written(t, r, JSON), &back); err != nil {
		t.Fatal(err)
	}
	for i, name := range odd {
		if back.Lots[i].Food != clean(name) {
			t.Errorf("%q: JSON reads %q", name, back.Lots[i].Food)
		}
	}
	written(t, r, Text)
	shown := fmt.Sprint(pdfLines(t, written(t, r, PDF)))
	for _, want := range []string{"Ćwikła – žito, ŝi €5 °C ²", `(back\slash)`, "? ?? ??", "Ċ??", "bad", "=HYPERLINK"} {
		if !strings.Contains(shown, want) {
			t.Errorf("the PDF does not show %q", want)
		}
	}
}

func TestNoRequestAndNoScript(t *testing.T) {
	page := string(written(t, larchHouse(t, 40), HTML))
	page = strings.ReplaceAll(page, `xmlns="http://www.w3.org/2000/svg"`, "") // a name, not an address
	for _, no := range []string{"http:", "https:", "url(", "@import", "<script", "src="} {
		if strings.Contains(page, no) {
			t.Errorf("the page holds %q", no)
		}
	}
}

// Clocks go back on 25 October 2026 and forward on 29 March: both are days
// like others, and instants say which of two equal hours they are.
func TestDaylightSaving(t *testing.T) {
	r := larchHouse(t, 365)
	r.Rooms[0].Excursions = []Excursion{
		{Kind: "damp", From: time.Date(2026, 10, 25, 0, 30, 0, 0, time.UTC), To: time.Date(2026, 10, 25, 1, 30, 0, 0, time.UTC)},
		{Kind: "warm", From: time.Date(2026, 3, 29, 0, 59, 0, 0, time.UTC), To: time.Date(2026, 3, 29, 1, 1, 0, 0, time.UTC)},
	}
	text := string(written(t, r, Text))
	for _, want := range []string{"25 Oct 2026 02:30 CEST  25 Oct 2026 02:30 CET", "29 Mar 2026 01:59 CET   29 Mar 2026 03:01 CEST"} {
		if !strings.Contains(text, want) {
			t.Errorf("the text does not say %q", want)
		}
	}
	if got := on(2026, 10, 26).number() - on(2026, 10, 24).number(); got != 2 {
		t.Errorf("two days count %d", got)
	}
	if got := DateOf(time.Date(2026, 10, 24, 22, 30, 0, 0, time.UTC).In(r.Zone)); got != on(2026, 10, 25) {
		t.Errorf("half past midnight falls on %v", got)
	}
}

func TestNumbers(t *testing.T) {
	f := func(n Number, decimals int, text, plain string) {
		t.Helper()
		if n = n.round(decimals); n.text(decimals) != text || n.plain(decimals) != plain {
			t.Errorf("%v reads %q and %q, want %q and %q", float64(n), n.text(decimals), n.plain(decimals), text, plain)
		}
	}
	f(-0.04, 1, "0.0", "0.0")
	f(-0.06, 1, "−0.1", "-0.1")
	f(12.349, 2, "12.35", "12.35")
	f(-7, 0, "−7", "-7")
	f(Unknown(), 1, "unknown", "")
	f(Number(math.Inf(-1)), 1, "unknown", "")
}

// Any numbers and names give whole output in every format.
func TestAnyReport(t *testing.T) {
	number := rapid.Custom(func(t *rapid.T) Number {
		return Number(rapid.OneOf(rapid.Float64Range(-1e5, 1e5), rapid.SampledFrom([]float64{0, 1e-300, math.MaxFloat64, math.NaN(), math.Inf(-1)})).Draw(t, "n"))
	})
	rapid.Check(t, func(rt *rapid.T) {
		n := func() Number { return number.Draw(rt, "number") }
		date := func() Date {
			return DateOf(time.Unix(rapid.Int64Range(-2e9, 1e10).Draw(rt, "date"), 0).UTC())
		}
		name := rapid.String()
		c := func() Climate { return Climate{n(), n(), n(), n(), n(), n(), n(), n(), n()} }
		from := date()
		r := Report{Site: name.Draw(rt, "site"), From: from, To: DateOf(from.utc().AddDate(0, 0, rapid.IntRange(0, 800).Draw(rt, "days"))), Made: date().utc()}
		r.Rooms = []Room{{Name: name.Draw(rt, "room"), WarmLimit: n(), DampLimit: n(), Climate: c(), Days: []Day{{from, c()}, {r.To, c()}, {date(), c()}}, Months: []Month{{from, c(), Cost{Heat: n()}}}}}
		r.Lots = []Lot{{ID: name.Draw(rt, "lot"), Packed: date(), Mass: n(), Remaining: Band{n(), n(), n()}, End: DateBand{date(), date(), date()}, Lost: Cost{Sum: n()}, Reason: name.Draw(rt, "why")}}
		for _, f := range Formats() {
			if f == PDF && rapid.IntRange(0, 9).Draw(rt, "skip") > 0 {
				continue // slow under the race detector: one in ten
			}
			var b bytes.Buffer
			if err := Write(&b, r, f); err != nil {
				rt.Fatalf("%s: %v", f, err)
			}
		}
	})
}

func many(t testing.TB, days, rooms, lots int) Report {
	t.Helper()
	r := larchHouse(t, days)
	start := r.From.utc()
	r.Rooms = nil
	for i := range rooms {
		r.Rooms = append(r.Rooms, inventedRoom("room-"+string(rune('a'+i)), start, days, 14+float64(i), 5, 50, 20, 60))
	}
	r.Lots = nil
	for i := range lots {
		r.Lots = append(r.Lots, inventedLot(i, "White rice, milled"))
		r.Lots[i].Rank = i + 1
	}
	return r
}

func BenchmarkYear(b *testing.B) {
	r := many(b, 365, 8, 500)
	for _, f := range Formats() {
		b.Run(string(f), func(b *testing.B) {
			n := 0
			for b.Loop() {
				n = len(written(b, r, f))
			}
			b.ReportMetric(float64(n)/1e6, "MB")
		})
	}
}
