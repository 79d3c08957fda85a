package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// facts are the numbers of a report by what they are of, as they are read.
type facts map[string]string

// put notes what was read of one thing, in the order of its fields. A field
// without a name is left out.
func (f facts) put(t *testing.T, of string, fields, values []string) {
	t.Helper()
	if len(fields) != len(values) {
		t.Fatalf("%s has %d values %q, want %d", of, len(values), values, len(fields))
	}
	for i, name := range fields {
		if name == "" {
			continue
		}
		if _, twice := f[of+" "+name]; twice {
			t.Fatalf("%s %s is there twice", of, name)
		}
		f[of+" "+name] = strings.ReplaceAll(values[i], "−", "-")
	}
}

// The fields of the parts of a report, in the order of the columns of pages.
var (
	climateFields = []string{"mean", "min", "max", "humidity", "dose", "factor", "measured", "estimated", "unknown"}
	costFields    = []string{"heat", "moisture", "oxygen", "light", "sum", "kg"}
	decimals      = map[string]int{"factor": 2, "dose": 2, "kg": 2, "net": 2, "in time": 2, "late": 2, "used": 2}
)

func (c Climate) numbers() []Number {
	return []Number{c.Mean, c.Min, c.Max, c.Humidity, c.LightDose, c.Acceleration, c.Measured, c.Estimated, c.Unmeasured}
}

func (c Cost) numbers() []Number {
	return []Number{c.Heat, c.Moisture, c.Oxygen, c.Light, c.Sum, c.Mass}
}

// want are the numbers of the model, not rounded; days only where all of them
// are asked for.
func want(r Report, all bool) map[string]Number {
	out := map[string]Number{}
	put := func(of string, fields []string, values []Number) {
		for i, name := range fields {
			out[of+" "+name] = values[i]
		}
	}
	put("site", costFields, r.Cost.numbers())
	for _, room := range r.Rooms {
		put(room.Name, climateFields, room.Climate.numbers())
		put(room.Name, costFields, room.Cost.numbers())
		for _, m := range room.Months {
			put(room.Name+" "+m.First.month(), climateFields, m.Climate.numbers())
			put(room.Name+" "+m.First.month(), costFields, m.Cost.numbers())
		}
		for _, e := range room.Excursions {
			put(room.Name+" "+e.Kind, []string{"peak", "sum", "kg"}, []Number{e.Peak, e.Cost.Sum, e.Cost.Mass})
			if all {
				put(room.Name+" "+e.Kind, costFields[:4], e.Cost.numbers()[:4])
			}
		}
		for _, d := range room.Days {
			if all {
				put(room.Name+" "+d.Date.String(), climateFields, d.numbers())
			}
		}
	}
	for _, l := range r.Lots {
		put(l.ID, []string{"net", "low", "likely", "high", "spent", "share"}, []Number{l.Mass, l.Remaining.Low, l.Remaining.Likely, l.Remaining.High, l.Spent, l.LostShare})
		put(l.ID, costFields, l.Lost.numbers())
	}
	for _, s := range r.Plan.Steps {
		put("step "+s.Lot, []string{"in time", "late"}, []Number{s.InTime, s.Late})
	}
	for _, s := range r.Plan.Supplies {
		put("supply "+s.Food, []string{"net", "used", "lasts"}, []Number{s.Mass, s.PerMonth, s.Days})
	}
	return out
}

// compare holds what was read against the model: the same things, and each
// number within half of its last digit.
func compare(t *testing.T, got facts, want map[string]Number) {
	t.Helper()
	for name, n := range want {
		text, found := got[name]
		if !found {
			t.Errorf("%s is missing", name)
			continue
		}
		if !n.Known() {
			if text != "unknown" && text != "" && text != "null" {
				t.Errorf("%s reads %q, want unknown", name, text)
			}
			continue
		}
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		d, special := 1, false
		for field, n := range decimals {
			if strings.HasSuffix(name, " "+field) {
				d, special = n, true
			}
		}
		if !special && strings.HasSuffix(name, "bright peak") {
			d = 0
		}
		if math.Abs(v-float64(n)) > 0.5*math.Pow(10, -float64(d))+1e-9 {
			t.Errorf("%s reads %s, want %v with %d decimals", name, text, float64(n), d)
		}
	}
	for name := range got {
		if _, found := want[name]; !found {
			t.Errorf("%s reads %s, and is not in the model", name, got[name])
		}
	}
}

// pageFacts reads the lines of a page, each of one or more cells, under the
// headings they stand under.
func pageFacts(t *testing.T, r Report, lines [][]string) facts {
	t.Helper()
	got, section, room := facts{}, "", ""
	sections := []string{"The rooms", "By month", "Outside the limits", "Use first", "Lives of the lots", "What storage has cost each lot", "Plan of use", "How long it lasts"}
	total := regexp.MustCompile(`^(?:Limits: .*)?Lost beyond plan storage: ([−\d.]+) days: heat ([−\d.]+), moisture ([−\d.]+), oxygen ([−\d.]+), light ([−\d.]+); ([−\d.]+) kg`)
	band := regexp.MustCompile(`^([\d.]+) to ([\d.]+)$`)
	sum := map[string][]string{}
	for _, line := range lines {
		if m := total.FindStringSubmatch(strings.Join(line, " ")); m != nil {
			of := room
			if room == "" {
				of = "site"
				got.put(t, of, []string{"sum", "heat", "moisture", "oxygen", "light", "kg"}, m[1:])
			}
			sum[of] = m[1:]
			continue
		}
		if len(line) == 1 {
			name, _, _ := strings.Cut(strings.TrimPrefix(line[0], "Room "), ". Limits")
			if slices.ContainsFunc(r.Rooms, func(x Room) bool { return x.Name == name }) {
				room, section = name, ""
			}
			if slices.Contains(sections, line[0]) {
				section = line[0]
			}
			continue
		}
		c := slices.Clone(line)
		switch {
		case section == "The rooms" && c[0] != "Room" && len(c) == 16:
			got.put(t, c[0], slices.Concat([]string{""}, climateFields, costFields), c)
		case section == "By month" && c[0] != "Month" && len(c) == 16:
			got.put(t, room+" "+c[0], slices.Concat([]string{""}, climateFields, costFields), c)
		case section == "Outside the limits" && slices.Contains([]string{"warm", "damp", "bright"}, c[0]):
			peak, _, _ := strings.Cut(strings.ReplaceAll(c[3], "\u00a0", " "), " ")
			got.put(t, room+" "+c[0], []string{"peak", "sum", "kg"}, []string{peak, c[4], c[5]})
		case section == "Use first" && strings.HasPrefix(c[1], "L-") && len(c) == 10:
			m := band.FindStringSubmatch(c[5])
			if m == nil {
				t.Fatalf("no band in %q", c)
			}
			got.put(t, c[1], []string{"likely", "low", "high"}, []string{c[4], m[1], m[2]})
		case section == "What storage has cost each lot" && strings.HasPrefix(c[0], "L-") && len(c) == 13:
			got.put(t, c[0], slices.Concat([]string{"", "", "", "", "net", "spent"}, costFields, []string{"share"}), c)
		case section == "Plan of use" && strings.HasPrefix(c[0], "L-"):
			got.put(t, "step "+c[0], []string{"", "", "", "", "in time", "late"}, c)
		case section == "How long it lasts" && c[0] != "Food" && len(c) == 4:
			got.put(t, "supply "+c[0], []string{"", "net", "used", "lasts"}, c)
		}
	}
	for _, x := range r.Rooms { // the line below the name of a room says its cost again
		s := sum[x.Name]
		if len(s) == 0 {
			t.Fatalf("room %s says no cost", x.Name)
		}
		again := facts{}
		again.put(t, x.Name, []string{"sum", "heat", "moisture", "oxygen", "light", "kg"}, s)
		for name, v := range again {
			if got[name] != v {
				t.Errorf("%s reads %s above and %s in the table", name, v, got[name])
			}
		}
	}
	return got
}

func written(t testing.TB, r Report, f Format) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, r, f); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestTextSaysTheModel(t *testing.T) {
	r := larchHouse(t, 365)
	compare(t, pageFacts(t, r, textLines(string(written(t, r, Text)))), want(r, false))
}

func TestHTMLSaysTheModel(t *testing.T) {
	r := larchHouse(t, 365)
	compare(t, pageFacts(t, r, htmlLines(t, written(t, r, HTML))), want(r, false))
}

func TestPDFSaysTheModel(t *testing.T) {
	r := larchHouse(t, 365)
	compare(t, pageFacts(t, r, pdfLines(t, written(t, r, PDF))), want(r, false))
}

func TestEveryFormatReadsTheSame(t *testing.T) {
	r := larchHouse(t, 365)
	text := pageFacts(t, r, textLines(string(written(t, r, Text))))
	if d := cmp.Diff(text, pageFacts(t, r, htmlLines(t, written(t, r, HTML)))); d != "" {
		t.Errorf("text and HTML (-text +HTML):\n%s", d)
	}
	if d := cmp.Diff(text, pageFacts(t, r, pdfLines(t, written(t, r, PDF)))); d != "" {
		t.Errorf("text and PDF (-text +PDF):\n%s", d)
	}
	table := csvFacts(t, written(t, r, CSV))
	for name, v := range text {
		if table[name] != strings.Replace(v, "unknown", "", 1) {
			t.Errorf("%s reads %s in text and %s in CSV", name, v, table[name])
		}
	}
}

func csvFacts(t *testing.T, b []byte) facts {
	t.Helper()
	rows, err := csv.NewReader(bytes.NewReader(b)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(Columns(), rows[0]); d != "" {
		t.Fatalf("the columns (-documented +written):\n%s", d)
	}
	got := facts{}
	for _, row := range rows[1:] {
		of := func(names ...string) []string {
			out := make([]string, len(names))
			for i, name := range names {
				out[i] = row[slices.Index(rows[0], name)]
			}
			return out
		}
		climate := of(rows[0][14:23]...)
		cost := of(rows[0][33:39]...)
		name := of("table", "room", "name", "lot", "food", "first_day")
		month := func() string {
			var d Date
			if err := d.UnmarshalText([]byte(name[5])); err != nil {
				t.Fatal(err)
			}
			return d.month()
		}
		switch name[0] {
		case "report":
			got.put(t, "site", costFields, cost)
		case "room":
			got.put(t, name[1], slices.Concat(climateFields, costFields), append(climate, cost...))
		case "day":
			got.put(t, name[1]+" "+name[5], climateFields, climate)
		case "month":
			got.put(t, name[1]+" "+month(), slices.Concat(climateFields, costFields), append(climate, cost...))
		case "excursion":
			got.put(t, name[1]+" "+name[2], slices.Concat(costFields, []string{"peak"}), append(cost, of("peak")...))
		case "lot":
			got.put(t, name[3], slices.Concat(costFields, []string{"net", "low", "likely", "high", "spent", "share"}), append(cost,
				of("net_mass_kg", "remaining_low_percent", "remaining_likely_percent", "remaining_high_percent", "spent_at_plan_days", "lost_percent")...))
		case "step":
			got.put(t, "step "+name[3], []string{"in time", "late"}, of("in_time_kg", "late_kg"))
		case "supply":
			got.put(t, "supply "+name[4], []string{"net", "used", "lasts"}, of("net_mass_kg", "used_kg_per_month", "lasts_days"))
		case "worst", "text":
		default:
			t.Fatalf("table %q is not documented", name[0])
		}
	}
	return got
}

func TestCSVSaysTheModel(t *testing.T) {
	r := larchHouse(t, 365)
	compare(t, csvFacts(t, written(t, r, CSV)), want(r, true))
}

func TestJSONSaysTheModel(t *testing.T) {
	r := larchHouse(t, 365)
	b := written(t, r, JSON)
	var got document
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	if got.Zone != "Europe/Berlin" || got.Caution != Caution || got.Layout != 1 {
		t.Errorf("zone %q, caution %q, layout %d", got.Zone, got.Caution, got.Layout)
	}
	read := facts{}
	for name, n := range want(got.Report, true) {
		read[name] = "null"
		if n.Known() {
			read[name] = fmt.Sprint(float64(n))
		}
	}
	compare(t, read, want(r, true))
	same := facts{}
	for name, v := range csvFacts(t, written(t, r, CSV)) {
		if v == "" {
			v = "null"
		} else if n, err := strconv.ParseFloat(v, 64); err == nil {
			v = fmt.Sprint(n)
		}
		same[name] = v
	}
	if d := cmp.Diff(same, read); d != "" {
		t.Errorf("CSV and JSON (-CSV +JSON):\n%s", d)
	}
	if d := cmp.Diff(rounded(r).Lots, got.Lots); d != "" {
		t.Errorf("lots (-model +JSON):\n%s", d)
	}
}
