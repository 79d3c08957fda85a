package grafana

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
	"github.com/prometheus/prometheus/promql/parser"
)

// labels are those of each series of a scrape, by its name in queries.
type labels map[string]map[string]bool

// scraped are the series of a scrape, with what Prometheus adds to each.
func scraped(t *testing.T, text string) labels {
	t.Helper()
	p := expfmt.NewTextParser(model.UTF8Validation)
	families, err := p.TextToMetricFamilies(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	out := labels{"up": {"job": true, "instance": true}}
	for name, f := range families {
		has := map[string]bool{"job": true, "instance": true}
		for _, m := range f.Metric {
			for _, l := range m.Label {
				has[l.GetName()] = true
			}
		}
		names := []string{name}
		if f.GetType() == dto.MetricType_HISTOGRAM {
			names = []string{name + "_bucket", name + "_sum", name + "_count"}
		}
		for _, n := range names {
			out[n] = has
		}
	}
	for n, has := range out {
		if strings.HasSuffix(n, "_bucket") {
			has["le"] = true
		}
	}
	return out
}

// faults are what a query asks for that the scrape does not have: a series, a
// label it is chosen by, or a label it is grouped or joined by.
func (l labels) faults(expr string) (out []string) {
	e, err := parser.NewParser(parser.Options{}).ParseExpr(expr)
	if err != nil {
		return []string{err.Error()}
	}
	below := func(n parser.Node, names []string) {
		parser.Inspect(n, func(n parser.Node, _ []parser.Node) error {
			if v, ok := n.(*parser.VectorSelector); ok {
				for _, name := range names {
					if has, known := l[v.Name]; known && !has[name] {
						out = append(out, v.Name+" has no label "+name)
					}
				}
			}
			return nil
		})
	}
	parser.Inspect(e, func(n parser.Node, _ []parser.Node) error {
		switch n := n.(type) {
		case *parser.VectorSelector:
			if _, known := l[n.Name]; !known {
				out = append(out, "no series "+n.Name)
			}
			for _, m := range n.LabelMatchers {
				if m.Name != "__name__" {
					below(n, []string{m.Name})
				}
			}
		case *parser.AggregateExpr:
			below(n.Expr, n.Grouping)
		case *parser.BinaryExpr:
			if n.VectorMatching != nil {
				below(n, n.VectorMatching.MatchingLabels)
			}
		}
		return nil
	})
	return out
}

// chosenAs puts values in the place of variables, as Grafana does.
func chosenAs(query, room, lot, stretch string) string {
	return strings.NewReplacer("$__rate_interval", "1m", "$__range", stretch, "$site", "larch-house", "$room", room, "$lot", lot).Replace(query)
}

// everything chosen, and the last ten minutes.
func everything(query string) string { return chosenAs(query, ".*", ".*", "10m") }

// checkPromQL holds every query of dashboards, variables and alert rules against
// a scrape.
func checkPromQL(t *testing.T, has labels) {
	asked := 0
	f := func(where, query string) {
		t.Helper()
		asked++
		for _, fault := range has.faults(everything(query)) {
			t.Errorf("%s: %s: %s", where, query, fault)
		}
	}
	values := regexp.MustCompile(`^label_values\((.+), (\w+)\)$`)
	for _, b := range files(t, prometheusSource) {
		for _, v := range b.Templating.List {
			if m := values.FindStringSubmatch(v.Query); m != nil {
				f(b.path+" variable "+v.Name, "count by ("+m[2]+") ("+m[1]+")")
			} else if v.Type != "datasource" {
				t.Errorf("%s: variable %s asks %s", b.path, v.Name, v.Query)
			}
		}
		b.all(func(p filePanel, q fileTarget) { f(b.path+" panel "+p.Title, q.Expr) })
	}
	text, err := os.ReadFile(filepath.Join(where, "prometheus-rules.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	var rules struct {
		Groups []struct {
			Rules []struct {
				Alert, Record, Expr string
				Annotations         map[string]string
			}
		}
	}
	if err := yaml.Unmarshal(text, &rules); err != nil {
		t.Fatal(err)
	}
	still := false
	labelled := regexp.MustCompile(`\$labels\.(\w+)`)
	for _, g := range rules.Groups {
		for _, r := range g.Rules {
			f("rule "+r.Alert+r.Record, r.Expr)
			for _, a := range r.Annotations {
				for _, m := range labelled.FindAllStringSubmatch(a, -1) {
					f("text of rule "+r.Alert, "count by ("+m[1]+") ("+r.Expr+")")
				}
			}
			still = still || r.Alert == "DryholdStandsStill" && slices.Contains(strings.Fields(r.Expr), fmt.Sprint(standsStill))
		}
	}
	if !still {
		t.Errorf("dashboards say that dryhold stands still after %d s, the alert rule does not", standsStill)
	}
	if asked < 80 {
		t.Errorf("%d queries", asked)
	}
}

// The check of queries finds what it is for.
func TestQueriesAreChecked(t *testing.T) {
	has := labels{"dryhold_a": {"site": true, "room": true}, "dryhold_b": {"site": true}}
	f := func(expr string, want ...string) {
		t.Helper()
		if got := has.faults(expr); !slices.Equal(got, want) {
			t.Errorf("%s: %q, want %q", expr, got, want)
		}
	}
	f(`sum by (site) (rate(dryhold_a{room=~".*"}[1m])) > 0`)
	f(`dryhold_c`, "no series dryhold_c")
	f(`sum(dryhold_b{room="loft"})`, "dryhold_b has no label room")
	f(`max by (room) (dryhold_a - on (site) dryhold_b)`, "dryhold_b has no label room")
	f(`dryhold_a - on (site, room) dryhold_b`, "dryhold_b has no label room")
	if got := has.faults(`sum by (site (dryhold_a)`); len(got) != 1 || !strings.Contains(got[0], "parse error") {
		t.Errorf("%q", got)
	}
}
