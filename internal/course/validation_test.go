package course_test

import (
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/catalog"
	"dryhold/internal/course"
	"dryhold/internal/kinetics"
	"dryhold/internal/lot"
	"dryhold/internal/reference"
	"dryhold/internal/unit"
)

var update = flag.Bool("update", false, "write the generated documents anew")

// independentInside is how many results that no number of the catalog was set
// from lie inside the predicted band. It may rise, and must then be raised
// here; it may not fall.
const independentInside = 4

// The document is what the model says today, and CI compares it byte by byte:
// whoever changes the model or the catalog sees what it does to every
// published result.
func TestValidation(t *testing.T) {
	c := shipped(t)
	c.Containers = append(c.Containers, filmOf(t, c))
	rows := map[string]reference.Row{}
	for _, r := range reference.Published(t, "storage-results.csv") {
		rows[r["id"]] = r
	}
	var found []finding
	for _, s := range studies() {
		r, ok := rows[s.id]
		if !ok {
			t.Fatalf("study %s has no row in storage-results.csv, or stands twice", s.id)
		}
		delete(rows, s.id)
		found = append(found, compare(t, c, s, r))
	}
	for id := range rows {
		t.Errorf("row %s of storage-results.csv is not followed", id)
	}
	if n := count(found, func(f finding) bool { return f.independent && f.inside }); n != independentInside {
		t.Errorf("%d independent results lie inside, the test states %d: a fall is a fault of the model, a rise wants the number raised", n, independentInside)
	}
	for _, f := range found {
		if f.inside == strings.HasPrefix(f.note, "Outside: ") {
			t.Errorf("%s: inside is %v, its note must say why it is outside, or no longer say so", f.id, f.inside)
		}
		if f.independent != (len(f.set) == 0) {
			t.Errorf("%s: its study says independent %v, the sources of the catalog quote it for %q", f.id, f.independent, f.set)
		}
	}
	got := document(t, c, found)
	path := filepath.Join("..", "..", "testdata", "validation.md")
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatalf("cannot read the document, make it by %s: %v", remake, err)
	}
	if diff := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(got, "\n")); diff != "" {
		t.Errorf("testdata/validation.md is not up to date, make it anew by %s\n%s", remake, diff)
	}
}

const remake = "go test ./internal/course -run TestValidation -update"

// finding is one published result beside its prediction. Predictions are kept
// as they are printed, so that the verdict is one a reader can check.
type finding struct {
	study
	row       reference.Row
	cold, hot float64 // °C, of a ratio
	predicted lot.Range
	allowed   [2]float64 // bounds, infinite where open
	inside    bool       // the band holds a value that is allowed
	hit       bool       // the likely value is allowed
	changed   *finding   // under the other assumption; nil without one
	limiting  string     // what brings the end first, or the mode compared
	within    string     // oxygen and water activity at the age followed to
	set       []string   // numbers of the catalog that were set from the result
	states    []string   // numbers that state its conditions only
}

func compare(t *testing.T, c *catalog.Catalog, s study, r reference.Row) finding {
	t.Helper()
	f := finding{study: s, row: r, allowed: [2]float64{math.Inf(-1), math.Inf(1)}}
	for i, column := range []string{"low", "high"} {
		if r[column] != "" {
			f.allowed[i] = r.Num(t, column)
		}
	}
	switch r["compared"] {
	case "ratio":
		f.ratio(t, c)
	case "life", "remaining", "retention":
		f.stored(t, c)
	default:
		t.Fatalf("%s compares %q, which is nothing known", s.id, r["compared"])
	}
	f.predicted = f.coarse(f.predicted)
	p := f.predicted
	f.inside = p.Low <= f.allowed[1] && p.High >= f.allowed[0]
	if s.other != nil {
		other := s
		other.other = nil
		s.other(&other)
		changed := compare(t, c, other, r)
		f.changed = &changed
	}
	f.hit = p.Likely <= f.allowed[1] && p.Likely >= f.allowed[0]
	return f
}

// coarse rounds to what is printed: shares to a hundredth, all else to two
// figures.
func (f *finding) coarse(r lot.Range) lot.Range {
	round := func(v float64) float64 {
		if f.share() {
			return math.Round(v*100) / 100
		}
		v, _ = strconv.ParseFloat(strconv.FormatFloat(v, 'g', 2, 64), 64)
		return v
	}
	return lot.Range{Low: round(r.Low), Likely: round(r.Likely), High: round(r.High)}
}

func (f *finding) share() bool {
	return f.row["compared"] == "remaining" || f.row["compared"] == "retention"
}

// ratio compares two storage times through the activation energy of a mode.
func (f *finding) ratio(t *testing.T, c *catalog.Catalog) {
	t.Helper()
	m := modeOf(t, c, f.row["food"], f.mode)
	f.cold, f.hot = f.row.Num(t, "cold_celsius"), f.row.Num(t, "hot_celsius")
	at := func(ea float64) float64 {
		return kinetics.AccelerationFactor(unit.KJPerMol(ea), unit.Celsius(f.hot), unit.Celsius(f.cold))
	}
	f.predicted = lot.Range{Low: at(m.Ea.Low), Likely: at(m.Ea.Likely), High: at(m.Ea.High)}
	f.limiting = f.mode
	f.cite([]catalog.Mode{m}, nil, func(_ catalog.Mode, what string) bool { return what == "ea" })
}

func modeOf(t *testing.T, c *catalog.Catalog, food, name string) catalog.Mode {
	t.Helper()
	k, err := c.Food(food)
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(k.Modes, func(m catalog.Mode) bool { return m.Name == name })
	if i < 0 {
		t.Fatalf("%s has no mode %q", food, name)
	}
	return k.Modes[i]
}

// settled is when an absorber has done its work and an outlook is taken.
const settled = 7 * day

// stored follows a lot through a study.
func (f *finding) stored(t *testing.T, c *catalog.Catalog) {
	t.Helper()
	l := lotOf(t, c, f.row["food"], f.box, f.capacity)
	l.Packing.MoistureWB, l.Seal = f.moisture, f.seal
	run := course.New(c, f.room())
	co, _ := follow(t, run, l, settled)
	o, err := run.Outlook(co, l)
	if err != nil {
		t.Fatal(err)
	}
	_, st := follow(t, run, l, time.Duration(f.row.Num(t, "years")*365.25*24)*time.Hour)
	f.within = fmt.Sprintf("after %s y: oxygen %s %%, water activity %s", f.row["years"], percents(st.Oxygen), hundredths(st.Activity))
	end := st.Modes[st.Limiting]
	switch f.row["compared"] {
	case "life":
		since := func(at time.Time) float64 {
			if at.IsZero() {
				return math.Inf(1)
			}
			return at.Sub(l.Packing.PackedAt).Hours() / 24 / 365.25
		}
		f.predicted = lot.Range{Low: since(o.EndEarly), Likely: since(o.End), High: since(o.EndLate)}
		f.limiting = o.EndBy
	case "remaining":
		f.predicted, f.limiting = st.Remaining, end.Mode.Name
	case "retention":
		end = st.Modes[slices.IndexFunc(st.Modes, func(m course.ModeState) bool { return m.Mode.Name == f.mode })]
		f.predicted, f.limiting = *end.Retention, f.mode
	}
	// Numbers count where they can act: those of the modes that may bring the
	// end, and what oxygen changes only where there is less than in air.
	var modes []catalog.Mode
	thin := map[string]bool{}
	for _, m := range st.Modes {
		thin[m.Mode.Name] = m.Allowed < 0.99
		if m.Mode.Name == end.Mode.Name || f.row["compared"] != "retention" && !m.Mode.Nutrient && m.Consumed.High >= end.Consumed.Low {
			modes = append(modes, m.Mode)
		}
	}
	food, err := c.Food(l.Packing.Food)
	if err != nil {
		t.Fatal(err)
	}
	f.cite(modes, &food, func(m catalog.Mode, what string) bool {
		return thin[m.Name] || what != "low_oxygen_gain" && what != "oxygen_half"
	})
}

// cite finds the numbers whose source quotes the result.
func (f *finding) cite(modes []catalog.Mode, food *catalog.Food, acts func(m catalog.Mode, what string) bool) {
	quoted := func(b catalog.Band) bool {
		return slices.ContainsFunc(strings.Split(f.row["cite"], "|"), func(words string) bool { return strings.Contains(b.Source, words) })
	}
	for _, m := range modes {
		for _, x := range []struct {
			what string
			band catalog.Band
		}{{"life", m.Life}, {"ea", m.Ea}, {"low_oxygen_gain", m.LowOxygenGain}, {"oxygen_half", m.OxygenHalf}, {"per_tenth", m.PerTenth}} {
			if quoted(x.band) && acts(m, x.what) {
				f.set = append(f.set, m.Name+" "+x.what)
			}
		}
		if quoted(m.ActivityAt) {
			f.states = append(f.states, m.Name+" activity_at")
		}
	}
	if food != nil && f.moisture == 0 && quoted(food.Moisture) {
		f.states = append(f.states, "moisture")
	}
}

func percents(r lot.Range) string {
	return fmt.Sprintf("%.1f (%.1f to %.1f)", 100*r.Likely, 100*r.Low, 100*r.High)
}

func hundredths(r lot.Range) string {
	return fmt.Sprintf("%.2f (%.2f to %.2f)", r.Likely, r.Low, r.High)
}

func count(found []finding, is func(finding) bool) int {
	n := 0
	for _, f := range found {
		if is(f) {
			n++
		}
	}
	return n
}
