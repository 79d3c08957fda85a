package grafana

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"dryhold/internal/influx"
	"dryhold/internal/influx/influxdtest"
)

// asGrafana puts in what Grafana puts in place of variables and macros.
func asGrafana(query, room, lot string) string {
	now := time.Now().UTC()
	return strings.NewReplacer(
		"v.defaultBucket", strconv.Quote(influxdtest.Bucket), "v.timeRangeStart", now.AddDate(0, 0, -7).Format(time.RFC3339Nano),
		"v.timeRangeStop", now.Format(time.RFC3339Nano), "v.windowPeriod", "1h",
		"${site:regex}", "larch-house", "${room:regex}", room, "${lot:regex}", lot,
		// The package had another name then.
		"influxdata/influxdb/schema", "influxdata/influxdb/v1", "schema.tagValues", "v1.tagValues",
	).Replace(query)
}

// answerFlux asks every query in Flux of a real InfluxDB that has what the daemon
// has exported.
func answerFlux(t *testing.T, s *influxdtest.Server, h *larchHouse) {
	h.mu.Lock()
	lines := slices.Clone(h.lines)
	h.mu.Unlock()
	if err := s.Write(lines); err != nil {
		t.Fatal(err)
	}
	label := regexp.MustCompile(`__field\.labels\.(\w+)`)
	answers := map[string][]influxdtest.Row{}
	for _, b := range files(t, influxSource) {
		for _, v := range b.Templating.List[1:] {
			got, err := s.Query(asGrafana(v.Query, "loft", "L-1"))
			if err != nil || len(got) == 0 {
				t.Errorf("%s: variable %s: %v, %v\n%s", b.path, v.Name, got, err, v.Query)
			}
		}
		b.all(func(p filePanel, q fileTarget) {
			if _, err := s.Query(asGrafana(q.Query, "north-pantry", "L-9")); err != nil {
				t.Errorf("%s, panel %q of what is not there: %v\n%s", b.path, p.Title, err, q.Query)
			}
			got, err := s.Query(asGrafana(q.Query, "loft", ".*"))
			if err != nil || len(got) == 0 {
				t.Errorf("%s, panel %q: %v, %v\n%s", b.path, p.Title, got, err, asGrafana(q.Query, "loft", ".*"))
				return
			}
			answers[string(b.UID)+" "+p.Title+" "+q.RefID] = got
			var shown []string
			for _, o := range p.FieldConfig.Overrides {
				if o.Matcher.ID == "byFrameRefID" && o.Matcher.Options == q.RefID {
					for _, m := range label.FindAllStringSubmatch(string(o.Properties[0].Value), -1) {
						shown = append(shown, m[1])
					}
				}
			}
			if len(p.Targets) == 1 && p.Title != "Alarms" { // not every room has an alarm of a lot
				for _, x := range p.Transformations {
					for from := range x.Options.RenameByName {
						shown = append(shown, from)
					}
				}
			}
			for _, c := range shown {
				if !slices.ContainsFunc(got, func(r influxdtest.Row) bool { return r[c] != "" }) {
					t.Errorf("%s, panel %q: no row has %s: %v", b.path, p.Title, c, got[0])
				}
			}
		})
	}
	f := func(panel, column string, want ...string) {
		t.Helper()
		var got []string
		for _, r := range answers["dryhold-influxdb-"+panel] {
			got = append(got, r[column])
		}
		slices.Sort(got)
		if !slices.Equal(got, want) {
			t.Errorf("%s: %s is %q, want %q", panel, column, got, want)
		}
	}
	active := 0
	for _, a := range h.app.Snapshot().Alarms {
		if strings.HasPrefix(string(a.State), "active") {
			active++
		}
	}
	f("now Alarms active A", "_value", fmt.Sprint(active))
	f("many-sites Sites C", "alarms", fmt.Sprint(active))
	f("now Temperature now A", "room", "loft") // the cellar has been silent for hours
	f("now What ends first A", "lot", "L-1", "L-2", "L-3")
	f("lots-and-cost Lots A", "room", "cellar", "loft", "loft")
	f("daemon-health Sensors A", "sensor", "cellar", "loft")
	f("daemon-health Sensors B", "_value", "0.12", "0.87")
	// What is not known is null, and no number: the hours of the pantry, and those
	// of the cellar since its sensor fell silent.
	unknown := map[string]int{}
	for _, r := range answers["dryhold-influxdb-now Temperature A"] {
		if r["_value"] == "" {
			unknown[r["room"]]++
		}
	}
	if unknown["cellar"] < 3 || unknown["loft"] > 1 { // the hour that has just begun
		t.Errorf("hours without a temperature: %v", unknown)
	}
	// Dates are in milliseconds, to the second that was exported.
	newest, ends := map[string]int64{}, map[string]string{}
	for _, p := range parsed(t, lines) {
		if lot := tagged(p)["lot"]; p.Name() == influx.MeasurementLot && p.Time().Unix() > newest[lot] {
			newest[lot] = p.Time().Unix()
			for _, x := range p.FieldList() {
				if x.Key == "end" {
					ends[lot] = fmt.Sprint(x.Value.(int64) * 1000)
				}
			}
		}
	}
	f("lots-and-cost Lots A", "end", slices.Sorted(maps.Values(ends))...)
}
