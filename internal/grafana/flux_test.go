package grafana

import (
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	protocol "github.com/influxdata/line-protocol"
)

// exported is what the points of one measurement have.
type exported struct {
	tags   map[string]map[string]bool // with the values they have
	fields map[string]bool
}

// parsed reads points in line protocol, with times in milliseconds.
func parsed(t *testing.T, lines []string) []protocol.Metric {
	t.Helper()
	handler := protocol.NewMetricHandler()
	handler.SetTimePrecision(time.Millisecond)
	points, err := protocol.NewParser(handler).Parse([]byte(strings.Join(lines, "\n") + "\n"))
	if err != nil {
		t.Fatal(err)
	}
	return points
}

// tagged are the tags of a point.
func tagged(p protocol.Metric) map[string]string {
	out := map[string]string{}
	for _, x := range p.TagList() {
		out[x.Key] = x.Value
	}
	return out
}

// exported reads what the daemon has sent.
func (h *larchHouse) exported(t *testing.T) map[string]exported {
	t.Helper()
	h.mu.Lock()
	lines := slices.Clone(h.lines)
	h.mu.Unlock()
	out := map[string]exported{}
	for _, p := range parsed(t, lines) {
		e, known := out[p.Name()]
		if !known {
			e = exported{map[string]map[string]bool{}, map[string]bool{}}
			out[p.Name()] = e
		}
		for key, value := range tagged(p) {
			if e.tags[key] == nil {
				e.tags[key] = map[string]bool{}
			}
			e.tags[key][value] = true
		}
		for _, x := range p.FieldList() {
			e.fields[x.Key] = true
		}
	}
	return out
}

// fluxParts are the ways in which Flux of package grafana names something.
type fluxParts struct {
	measurement, field, fixed, of, columns, columnsOf, stage, made, window *regexp.Regexp
}

func newFluxParts() fluxParts {
	return fluxParts{
		measurement: regexp.MustCompile(`r\._measurement == "([^"]*)"`),
		field:       regexp.MustCompile(`r\._field (?:==|!=) "([^"]*)"`),
		fixed:       regexp.MustCompile(`r\.([a-z]\w*) (?:==|!=) "([^"]*)"`),
		of:          regexp.MustCompile(`\br\.(\w+)`),
		columns:     regexp.MustCompile(`(?:columns|rowKey|columnKey): \[([^\]]*)\]`),
		columnsOf:   regexp.MustCompile(`"([^"]*)"`),
		stage:       regexp.MustCompile(`(?m)^(?:(?:\w+ = )?(?:from\(bucket: v\.defaultBucket\)|points)|union\(tables: \[dates, others\]\)|  \|> (range|filter|map|pivot|group|sort|tail|last|sum|max|min|limit|difference|aggregateWindow|keep|rename)\(.*\))$`),
		window:      regexp.MustCompile(`aggregateWindow\(every: [\w.]+, fn: (.+), createEmpty: (\w+)`),
		made:        regexp.MustCompile(`\{r with (\w+):|rename\(columns: \{_value: "(\w+)"\}\)`),
	}
}

// faults are what a query names that is not exported, and lines that Flux does
// not have. shown are columns and labels that its answer is to have.
func (x fluxParts) faults(all map[string]exported, query string, shown ...string) (out []string) {
	of := x.measurement.FindAllStringSubmatch(query, -1)
	if len(of) != 1 {
		return []string{"not of one measurement"}
	}
	e, known := all[of[0][1]]
	if !known {
		return []string{"no measurement " + of[0][1]}
	}
	columns := map[string]bool{"_time": true, "_value": true, "_field": true, "_measurement": true}
	for tag := range e.tags {
		columns[tag] = true
	}
	for _, m := range x.field.FindAllStringSubmatch(query, -1) {
		if !e.fields[m[1]] {
			out = append(out, of[0][1]+" has no field "+m[1])
		}
		columns[m[1]] = columns[m[1]] || strings.Contains(query, "pivot(")
	}
	for _, m := range x.made.FindAllStringSubmatch(query, -1) {
		columns[m[1]+m[2]] = true
	}
	for _, m := range x.of.FindAllStringSubmatch(query, -1) {
		if !columns[m[1]] {
			out = append(out, "no column "+m[1])
		}
	}
	for _, m := range x.fixed.FindAllStringSubmatch(query, -1) {
		if values, tag := e.tags[m[1]]; tag && !values[m[2]] && m[2] != "normal" {
			out = append(out, "no "+m[1]+" is "+m[2])
		}
	}
	for _, m := range x.columns.FindAllStringSubmatch(query, -1) {
		for _, c := range x.columnsOf.FindAllStringSubmatch(m[1], -1) {
			if !columns[c[1]] {
				out = append(out, "no column "+c[1])
			}
		}
	}
	// A selector gives nothing of an empty window, where an aggregate gives null.
	for _, m := range x.window.FindAllStringSubmatch(query, -1) {
		if !slices.Contains([]string{"mean", "sum", greatest}, m[1]) || m[2] != "true" {
			if m[1] != "count" || m[2] != "false" {
				out = append(out, "a window without a point is not null: "+m[0])
			}
		}
	}
	for _, c := range shown {
		if !columns[c] {
			out = append(out, "it gives no column "+c)
		}
	}
	for line := range strings.Lines(query) {
		line = strings.TrimSuffix(line, "\n")
		if !x.stage.MatchString(line) || strings.Count(line, "(") != strings.Count(line, ")") || strings.Count(line, `"`)%2 != 0 {
			out = append(out, "not Flux as it is written here: "+line)
		}
	}
	return out
}

// checkFlux holds every query, and every variable, against what was exported. No
// InfluxDB is at hand to run them.
func checkFlux(t *testing.T, all map[string]exported) {
	x, asked := newFluxParts(), 0
	variable := regexp.MustCompile(`^import "influxdata/influxdb/schema"\nschema\.tagValues\(bucket: v\.defaultBucket, tag: "(\w+)", predicate: \(r\) => r\._measurement == "(\w+)"((?: and r\.\w+ =~ /\^\$\{\w+:regex\}\$/)*), start: -1y\)$`)
	label := regexp.MustCompile(`__field\.labels\.(\w+)`)
	for _, b := range files(t, influxSource) {
		for _, v := range b.Templating.List[1:] {
			m := variable.FindStringSubmatch(v.Query)
			if m == nil || all[m[2]].tags[m[1]] == nil {
				t.Errorf("%s: variable %s asks %s", b.path, v.Name, v.Query)
				continue
			}
			for _, of := range x.of.FindAllStringSubmatch(m[3], -1) {
				if all[m[2]].tags[of[1]] == nil {
					t.Errorf("%s: variable %s: %s has no tag %s", b.path, v.Name, m[2], of[1])
				}
			}
		}
		chosen := regexp.MustCompile(`r\.(\w+) =~ /\^\$\{(\w+):regex\}\$/`)
		b.all(func(p filePanel, q fileTarget) {
			asked++
			var shown []string
			for _, o := range p.FieldConfig.Overrides {
				if o.Matcher.ID == "byFrameRefID" && o.Matcher.Options == q.RefID {
					for _, m := range label.FindAllStringSubmatch(string(o.Properties[0].Value), -1) {
						shown = append(shown, m[1])
						// A label is what the answer is grouped by.
						groups := regexp.MustCompile(`group\((.*)\)`).FindAllStringSubmatch(q.Query, -1)
						if len(groups) == 0 || !strings.Contains(groups[len(groups)-1][1], `"`+m[1]+`"`) {
							t.Errorf("%s, panel %q is not grouped by %s:\n%s", b.path, p.Title, m[1], q.Query)
						}
					}
				}
			}
			if len(p.Targets) == 1 {
				for _, x := range p.Transformations {
					for from := range x.Options.RenameByName {
						shown = append(shown, from)
					}
				}
			}
			for _, fault := range x.faults(all, q.Query, shown...) {
				t.Errorf("%s, panel %q: %s:\n%s", b.path, p.Title, fault, q.Query)
			}
			for _, m := range chosen.FindAllStringSubmatch(q.Query, -1) {
				if m[1] != m[2] || !slices.ContainsFunc(b.Templating.List, func(v fileVariable) bool { return v.Name == m[2] }) {
					t.Errorf("%s, panel %q: %s", b.path, p.Title, m[0])
				}
			}
		})
	}
	if asked < 35 {
		t.Errorf("%d queries", asked)
	}
}

// The check of Flux finds what it is for.
func TestFluxIsChecked(t *testing.T) {
	all := map[string]exported{"dryhold_reading": {map[string]map[string]bool{"site": {"larch-house": true}, "quantity": {"temperature": true}}, map[string]bool{"value": true}}}
	x, p := newFluxParts(), points{of: "dryhold_reading", fields: []string{"value"}, chosen: []string{"site"}, then: []string{"last()"}}
	f := func(p points, want ...string) {
		t.Helper()
		if got := x.faults(all, p.String()); !slices.Equal(got, want) {
			t.Errorf("%s\n%q, want %q", p, got, want)
		}
	}
	f(p)
	odd := p
	odd.of = "dryhold_minute"
	f(odd, "no measurement dryhold_minute")
	odd = p
	odd.fields = []string{"value", "median"}
	f(odd, "dryhold_reading has no field median")
	odd = p
	odd.chosen = []string{"site", "shelf"}
	f(odd, "no column shelf")
	odd = p
	odd.is = map[string]string{"quantity": "wind"}
	f(odd, "no quantity is wind")
	odd = p
	odd.then = []string{groups("site", "lot")}
	f(odd, "no column lot")
	odd.then = []string{windows("1h", "last")}
	f(odd, `a window without a point is not null: aggregateWindow(every: 1h, fn: last, createEmpty: true`)
	odd.then = []string{"median()"}
	f(odd, "not Flux as it is written here:   |> median()")
	odd.then = []string{"sort(columns: [\"_time\"]"}
	f(odd, `not Flux as it is written here:   |> sort(columns: ["_time"]`)
}
