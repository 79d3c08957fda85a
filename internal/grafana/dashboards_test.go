package grafana

import (
	"encoding/json"
	"flag"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/grafana/grafana-foundation-sdk/go/cog/plugins"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"

	"dryhold/internal/alarm"
	"dryhold/internal/settings"
)

var update = flag.Bool("update", false, "write the dashboards anew")

// where the dashboards stand.
const where = "../../dashboards"

// The files are what the code makes, and there are no others.
func TestDashboards(t *testing.T) {
	made, err := Dashboards()
	if err != nil {
		t.Fatal(err)
	}
	known := map[string]bool{}
	for _, f := range made {
		path := filepath.Join(where, f.Path)
		known[path] = true
		if *update {
			if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, f.JSON, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		got, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(string(got), string(f.JSON)); d != "" {
			t.Errorf("%s differs from the code, run with -update (-file +code):\n%s", f.Path, d)
		}
	}
	for _, dir := range []source{prometheusSource, influxSource} {
		there, err := filepath.Glob(filepath.Join(where, string(dir), "*"))
		if err != nil {
			t.Fatal(err)
		}
		for _, path := range there {
			if !known[path] {
				t.Errorf("%s is not made by the code: delete it", path)
			}
		}
	}
	if len(made) != 10 {
		t.Errorf("%d dashboards", len(made))
	}
}

// The parts of a dashboard that the tests look at, as they stand in the file.
type (
	fileBoard struct {
		UID, Title, Description string
		Tags                    []string
		Links                   []struct {
			Type        string
			Tags        []string
			IncludeVars bool
		}
		Templating struct{ List []fileVariable }
		Panels     []filePanel
		path       string
		source     source
	}
	fileVariable struct {
		Type, Name, Query string
		Datasource        *fileSource
	}
	fileSource struct{ Type, UID string }
	filePanel  struct {
		ID                       int
		Type, Title, Description string
		Datasource               *fileSource
		GridPos                  struct{ X, W, H int }
		Targets                  []fileTarget
		Options                  struct{ Content string }
		FieldConfig              struct {
			Defaults struct {
				Unit, NoValue string
				Thresholds    *fileSteps
				Custom        struct{ SpanNulls any }
			}
			Overrides []struct {
				Matcher    struct{ ID, Options string }
				Properties []struct {
					ID    string
					Value json.RawMessage
				}
			}
		}
		Transformations []struct {
			ID      string
			Options struct{ RenameByName map[string]string }
		}
	}
	fileTarget struct {
		RefID, Expr, Query, LegendFormat string
		Instant                          bool
		Datasource                       *fileSource
	}
	fileSteps struct {
		Steps []struct {
			Value *float64
			Color string
		}
	}
)

// files reads the dashboards as they stand in the repository.
func files(t *testing.T, of ...source) (out []fileBoard) {
	t.Helper()
	for _, s := range of {
		paths, err := filepath.Glob(filepath.Join(where, string(s), "*.json"))
		if err != nil || len(paths) != 5 {
			t.Fatalf("%s: %v, %v", s, paths, err)
		}
		for _, path := range paths {
			text, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			b := fileBoard{path: path, source: s}
			if err := json.Unmarshal(text, &b); err != nil {
				t.Fatal(err)
			}
			out = append(out, b)
		}
	}
	return out
}

// all calls f for every query of every panel.
func (b fileBoard) all(f func(p filePanel, q fileTarget)) {
	for _, p := range b.Panels {
		for _, q := range p.Targets {
			f(p, q)
		}
	}
}

// Every panel says what it shows and in which unit, has thresholds, and takes
// its data from the source that the keeper chose.
func TestPanels(t *testing.T) {
	uids := map[string]bool{}
	for _, b := range files(t, prometheusSource, influxSource) {
		fault := func(p filePanel, format string, args ...any) {
			t.Helper()
			t.Errorf("%s, panel %q: %s", b.path, p.Title, fmt.Sprintf(format, args...))
		}
		if uids[b.UID] || len(b.UID) < 8 || len(b.UID) > 40 || b.UID != uid(b.source, page(strings.TrimSuffix(filepath.Base(b.path), ".json"))) {
			t.Errorf("%s: uid %q", b.path, b.UID)
		}
		uids[b.UID] = true
		if !slices.Contains(b.Tags, tag(b.source)) || len(b.Links) != 1 || b.Links[0].Type != "dashboards" || !slices.Equal(b.Links[0].Tags, []string{tag(b.source)}) || !b.Links[0].IncludeVars {
			t.Errorf("%s: it does not lead to the others: %v, %v", b.path, b.Tags, b.Links)
		}
		v := b.Templating.List
		if len(v) < 2 || v[0].Type != "datasource" || v[0].Name != "datasource" || v[0].Query != string(b.source) || v[1].Name != "site" {
			t.Errorf("%s: variables %+v", b.path, v)
		}
		for _, x := range v[1:] {
			if x.Datasource == nil || x.Datasource.UID != "${datasource}" {
				t.Errorf("%s: variable %s asks %v", b.path, x.Name, x.Datasource)
			}
		}
		ids, titles := map[int]bool{}, map[string]bool{}
		for _, p := range b.Panels {
			if ids[p.ID] || p.ID == 0 || titles[p.Title] || p.Title == "" || len(p.Description) < 20 {
				fault(p, "identifier %d, description %q", p.ID, p.Description)
			}
			ids[p.ID], titles[p.Title] = true, true
			if p.GridPos.X+p.GridPos.W > gridWidth || p.GridPos.H == 0 {
				fault(p, "stands at %+v", p.GridPos)
			}
			if p.Type == "text" {
				continue
			}
			d := p.FieldConfig.Defaults
			if d.Unit == "" || d.NoValue != "no data" || d.Thresholds == nil || len(d.Thresholds.Steps) == 0 || d.Thresholds.Steps[0].Value != nil {
				fault(p, "unit %q, no value %q, thresholds %+v", d.Unit, d.NoValue, d.Thresholds)
			}
			if d.Custom.SpanNulls != nil && d.Custom.SpanNulls != false {
				fault(p, "joins what lies on both sides of a gap: %v", d.Custom.SpanNulls)
			}
			if len(p.Targets) == 0 {
				fault(p, "asks nothing")
			}
			sources := []*fileSource{p.Datasource}
			for _, q := range p.Targets {
				sources = append(sources, q.Datasource)
			}
			for _, s := range sources {
				if s == nil || s.UID != "${datasource}" || s.Type != string(b.source) {
					fault(p, "asks %v", s)
				}
			}
		}
	}
}

// The files are what the SDK knows as a dashboard, and bring no question at
// import.
func TestSchema(t *testing.T) {
	plugins.RegisterDefaultPlugins()
	for _, b := range files(t, prometheusSource, influxSource) {
		text, err := os.ReadFile(b.path)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(string(text), "__inputs") || strings.Contains(string(text), "__requires") {
			t.Errorf("%s has inputs", b.path)
		}
		//lint:ignore SA1019 the model that is written
		var d dashboard.Dashboard
		if err := json.Unmarshal(text, &d); err != nil {
			t.Errorf("%s: %v", b.path, err)
		}
		if err := d.Validate(); err != nil {
			t.Errorf("%s: %v", b.path, err)
		}
	}
}

// No query makes a number of what is not known.
func TestUnknownIsNoNumber(t *testing.T) {
	invented := regexp.MustCompile(`vector\(|absent|fill\(|getColumn|interpolate`)
	for _, b := range files(t, prometheusSource, influxSource) {
		b.all(func(p filePanel, q fileTarget) {
			if m := invented.FindString(q.Expr + q.Query); m != "" {
				t.Errorf("%s, panel %q: %s", b.path, p.Title, m)
			}
		})
	}
}

// What tells of lots bears the caution.
func TestCaution(t *testing.T) {
	seen := 0
	for _, b := range files(t, prometheusSource, influxSource) {
		shown := slices.ContainsFunc(b.Panels, func(p filePanel) bool { return p.Type == "text" && p.Options.Content == notSafety })
		if strings.Contains(b.path, string(pageLots)) != shown {
			t.Errorf("%s: the caution stands there: %t", b.path, shown)
		}
		if shown && (b.Panels[0].Type != "text" || !strings.Contains(b.Description, notSafety)) {
			t.Errorf("%s: the caution does not stand first", b.path)
		}
		for _, p := range b.Panels {
			tells := false
			for _, q := range p.Targets {
				tells = tells || strings.Contains(q.Expr, "dryhold_lot_") || strings.Contains(q.Expr, "quality_ratio") || strings.Contains(q.Query, "dryhold_lot")
			}
			if tells {
				seen++
				if !shown && !strings.Contains(p.Description+b.Description, notSafety) {
					t.Errorf("%s, panel %q tells of lots without the caution", b.path, p.Title)
				}
			}
		}
	}
	if seen < 20 {
		t.Errorf("%d panels tell of lots", seen)
	}
}

// Thresholds are the limits that a daemon without configuration has, in the
// panels and columns that show what they are of.
func TestThresholds(t *testing.T) {
	rules := settings.Default().Rules("cellar")
	limit := func(kinds ...alarm.Kind) (out []float64) {
		for _, k := range kinds {
			r, ok := rules[k]
			if !ok {
				t.Fatalf("no default rule of %s", k)
			}
			out = append(out, r.Limit)
		}
		return out
	}
	var export float64
	for _, r := range settings.SiteRules() {
		if r.Kind == alarm.Export {
			export = r.Limit
		}
	}
	heat := limit(alarm.Warm, alarm.Hot)
	ageing := []float64{1, 1 + rules[alarm.Ageing].Limit}
	want := map[string][]float64{
		"Temperature": heat, "Temperature now": heat, "Highest": heat, "Warmest": heat, "Warmest room": heat,
		"Above limit": {0, heat[1] - heat[0]}, "Warmest room above its limit": {0, heat[1] - heat[0]},
		"Relative humidity": limit(alarm.Damp), "Humidity": limit(alarm.Damp), "Humidity now": limit(alarm.Damp),
		"Light": limit(alarm.Bright), "Light now": limit(alarm.Bright),
		"Ageing": ageing, "Ageing now": ageing, "Fastest ageing": ageing, "Life lost a day": limit(alarm.Ageing),
		"Newest reading": limit(alarm.Silent), "Battery": limit(alarm.LowBattery), "Export behind": {export},
		"Quality left": limit(alarm.Quality), "Low bound": limit(alarm.Quality), "Least quality left": limit(alarm.Quality),
		"Last judged": {standsStill},
		// By definition: plan storage costs nothing, a line is a line, and one that
		// should not be there is one too many.
		"What storage has cost in the time shown": {0}, "Life lost beyond plan": {0}, "Lost beyond plan": {0},
		"Water above the amber line": {0}, "Water below the red line": {0}, "Mould index": {1}, "Broker": {1},
		"Alarms active": {1}, "Rooms of unknown temperature": {1}, "Silent sensors": {1}, "Checks that fail": {1},
		"Refused": {1}, "Lots with a warning": {1}, "Alarms": {1}, "Count": {1},
	}
	seen := map[string]bool{}
	for _, b := range files(t, prometheusSource, influxSource) {
		f := func(name string, got *fileSteps) {
			t.Helper()
			var values []float64
			for _, s := range got.Steps[1:] {
				values = append(values, *s.Value)
			}
			if values == nil {
				return
			}
			seen[name] = true
			if d := cmp.Diff(want[name], values); d != "" {
				t.Errorf("%s, %q (-want +got):\n%s", b.path, name, d)
			}
		}
		for _, p := range b.Panels {
			if p.Type == "text" {
				continue
			}
			f(p.Title, p.FieldConfig.Defaults.Thresholds)
			for _, o := range p.FieldConfig.Overrides {
				for _, x := range o.Properties {
					if x.ID == "thresholds" {
						s := &fileSteps{}
						if err := json.Unmarshal(x.Value, s); err != nil {
							t.Fatal(err)
						}
						f(o.Matcher.Options, s)
					}
				}
			}
		}
	}
	for _, name := range slices.Sorted(maps.Keys(want)) {
		if !seen[name] {
			t.Errorf("nothing called %q has thresholds", name)
		}
	}
}

// Whatever a click opens is there, and knows what it is given.
func TestLinks(t *testing.T) {
	boards := files(t, prometheusSource, influxSource)
	link := regexp.MustCompile(`/d/([a-z-]+)\?([^"]+)`)
	given := regexp.MustCompile(`var-([a-z]+)=\$\{(?:__data\.fields\.)?(\w+)\}`)
	seen := 0
	for _, b := range boards {
		for _, p := range b.Panels {
			var columns []string
			for _, x := range p.Transformations {
				columns = slices.AppendSeq(columns, maps.Values(x.Options.RenameByName))
			}
			for _, o := range p.FieldConfig.Overrides {
				for _, x := range o.Properties {
					m := link.FindStringSubmatch(string(x.Value))
					if x.ID != "links" {
						continue
					}
					i := slices.IndexFunc(boards, func(to fileBoard) bool { return m != nil && to.UID == m[1] })
					if i < 0 || boards[i].source != b.source {
						t.Errorf("%s, panel %q leads to %s", b.path, p.Title, x.Value)
						continue
					}
					for _, v := range given.FindAllStringSubmatch(m[2], -1) {
						seen++
						if !slices.ContainsFunc(boards[i].Templating.List, func(x fileVariable) bool { return x.Name == v[1] }) || v[1] != "datasource" && !slices.Contains(columns, v[2]) {
							t.Errorf("%s, panel %q gives %s", b.path, p.Title, v[0])
						}
					}
				}
			}
		}
	}
	if seen < 12 {
		t.Errorf("%d variables given", seen)
	}
}
