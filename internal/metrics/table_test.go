package metrics

import (
	goflag "flag"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"

	"dryhold/internal/alarm"
)

var update = goflag.Bool("update", false, "write the table of metrics anew")

// whole has every series there is: lots, an export, backups, and what a counter shows
// once something was counted.
func whole(t *testing.T) *Metrics {
	t.Helper()
	cfg := over(house())
	cfg.PerLot = true
	m := mustNew(t, cfg)
	if err := m.WatchExport("Larch House", func() ExportView { return ExportView{} }); err != nil {
		t.Fatal(err)
	}
	if err := m.WatchBackup("Larch House", func() time.Time { return time.Unix(1_784_000_000, 0) }); err != nil {
		t.Fatal(err)
	}
	m.ObserveCommit(0.003, 120)
	m.CountAlarms([]alarm.Event{{Key: alarm.Key{Kind: alarm.Warm, Room: "loft"}, From: alarm.Normal, To: alarm.ActiveUnacknowledged}},
		[]alarm.Notice{{To: "mara", Event: alarm.Raised, Priority: alarm.High}})
	return m
}

// described are the descriptions of all series of dryhold itself, by name.
func described(t *testing.T, m *Metrics) map[string][3]string {
	t.Helper()
	ch := make(chan *prometheus.Desc, 1000)
	m.registry.Describe(ch)
	close(ch)
	form := regexp.MustCompile(`^Desc\{fqName: "(\w+)", help: "(.*)", unit: ".*", constLabels: \{(.*)\}, variableLabels: \{(.*)\}\}$`)
	out := map[string][3]string{}
	for d := range ch {
		parts := form.FindStringSubmatch(d.String())
		if parts == nil {
			t.Fatalf("a description reads otherwise: %s", d)
		}
		if !strings.HasPrefix(parts[1], "dryhold_") {
			continue
		}
		var labels []string
		for _, l := range strings.Split(parts[3], ",") {
			if name, _, ok := strings.Cut(l, "="); ok {
				labels = append(labels, name)
			}
		}
		if parts[4] != "" {
			labels = append(labels, strings.Split(parts[4], ",")...)
		}
		out[parts[1]] = [3]string{kindOf(parts[1]), strings.Join(labels, ", "), strings.ReplaceAll(parts[2], `\"`, `"`)}
	}
	return out
}

// kindOf goes by the names, which TestNamesAndUnitsFollowTheConventions holds
// to the kinds.
func kindOf(name string) string {
	switch {
	case strings.HasSuffix(name, "_total"):
		return "counter"
	case strings.HasPrefix(name, "dryhold_store_commit_"):
		return "histogram"
	}
	return "gauge"
}

// The table in dashboards/ lists every metric there is, with the words that the
// scrape gives.
func TestTable(t *testing.T) {
	all := described(t, whole(t))
	var b strings.Builder
	b.WriteString("# Metrics of dryhold\n\nGenerated from the code by `go test ./internal/metrics -run TestTable -update`; a test fails where it differs.\n\n" +
		"Base units after the Prometheus conventions: a ratio is 0 to 1, times are seconds since 1970, what is not known has no sample.\n" +
		"Series named `dryhold_lot_` are there with `metrics: {per_lot: true}`, those named `dryhold_export_` with an export, `dryhold_backup_` with backups by the timer.\n\n" +
		"| metric | kind | labels | what it is |\n|---|---|---|---|\n")
	var names []string
	for name := range all {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		d := all[name]
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s |\n", name, d[0], d[1], strings.ReplaceAll(d[2], "|", `\|`))
	}
	const path = "../../dashboards/metrics.md"
	if *update {
		if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(got), b.String()); d != "" {
		t.Errorf("the table in dashboards/ differs from the code, run with -update (-table +code):\n%s", d)
	}
	if len(all) < 50 {
		t.Errorf("%d metrics only", len(all))
	}
}

// Every kind in the table is what a scrape says.
func TestKindsOfTheTable(t *testing.T) {
	m := whole(t)
	all := described(t, m)
	families, err := m.registry.Gather()
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for _, f := range families {
		if d, ours := all[f.GetName()]; ours {
			seen++
			if got := strings.ToLower(f.GetType().String()); got != d[0] {
				t.Errorf("%s is a %s, the table says %s", f.GetName(), got, d[0])
			}
		}
	}
	if seen < 40 {
		t.Errorf("%d metrics seen in a scrape", seen)
	}
}
