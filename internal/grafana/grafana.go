// Package grafana writes the Grafana dashboards that stand in dashboards/:
// five for Prometheus, and the same five for InfluxDB v2, in Flux. It is used
// by its tests only, which hold the files against it:
//
//	go test ./internal/grafana -run TestDashboards -update
//
// Thresholds are the limits of the default rules, from package settings. What is
// not known has no value: no query puts a number where there is none, and no
// panel joins what lies on both sides of a gap.
package grafana

import (
	"encoding/json"
	"fmt"
	"slices"

	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/common"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
)

// File is one dashboard.
type File struct {
	// Path is where it stands below dashboards/.
	Path string
	JSON []byte
}

// source is a kind of server that dashboards read.
type source string

const (
	prometheusSource source = "prometheus"
	influxSource     source = "influxdb"
)

// page names one of the five dashboards, as its file and uid do.
type page string

const (
	pageNow    page = "now"
	pageRoom   page = "room"
	pageLots   page = "lots-and-cost"
	pageDaemon page = "daemon-health"
	pageSites  page = "many-sites"
)

// Of the panels. The grid of Grafana is 24 wide; on a telephone each panel is
// as wide as the screen.
const (
	gridWidth = 24
	noData    = "no data"
)

// board is what a dashboard is made of.
type board struct {
	page        page
	title, text string
	from        string // the stretch shown at first, up to now
	refresh     string
	variables   []variable
	panels      []panel
}

// variable is one that the keeper chooses, from the values that a query finds.
type variable struct {
	name, label string
	query       string
	several     bool // more than one at a time, and all at first
}

// Dashboards gives all ten, in the order of their paths.
func Dashboards() ([]File, error) {
	l := defaults()
	var out []File
	for _, s := range []struct {
		source source
		boards []board
	}{
		{influxSource, []board{influxNow(l), influxRoom(l), influxLots(l), influxDaemon(l), influxSites(l)}},
		{prometheusSource, []board{prometheusNow(l), prometheusRoom(l), prometheusLots(l), prometheusDaemon(l), prometheusSites(l)}},
	} {
		for _, b := range s.boards {
			text, err := b.write(s.source)
			if err != nil {
				return nil, fmt.Errorf("cannot make dashboard %s for %s: %w", b.page, s.source, err)
			}
			out = append(out, File{Path: string(s.source) + "/" + string(b.page) + ".json", JSON: text})
		}
	}
	slices.SortFunc(out, func(a, b File) int {
		if a.Path < b.Path {
			return -1
		}
		return 1
	})
	return out, nil
}

// uid never changes: links and bookmarks hold it.
func uid(s source, p page) string { return "dryhold-" + string(s) + "-" + string(p) }

// tag is what the dashboards of one source have in common; each shows links to
// all that have it.
func tag(s source) string { return "dryhold-" + string(s) }

// chosen is the data source that the keeper chose.
func chosen(s source) common.DataSourceRef {
	return common.DataSourceRef{Type: cog.ToPtr(string(s)), Uid: cog.ToPtr("${datasource}")}
}

func (b board) write(s source) ([]byte, error) {
	// The model with a list of panels is the one that every Grafana in use reads
	// from files; the newer one wants a Grafana of this year.
	//lint:ignore SA1019 as said
	d := dashboard.NewDashboardBuilder(b.title).
		Uid(uid(s, b.page)).Description(b.text).Tags([]string{"dryhold", tag(s)}).
		Time("now-"+b.from, "now").Refresh(b.refresh).Readonly().Tooltip(dashboard.DashboardCursorSyncCrosshair).
		WithVariable(dashboard.NewDatasourceVariableBuilder("datasource").Type(string(s)).Label("Data source"))
	for _, v := range b.variables {
		q := dashboard.NewQueryVariableBuilder(v.name).Label(v.label).Datasource(chosen(s)).
			Refresh(dashboard.VariableRefreshOnTimeRangeChanged).Sort(dashboard.VariableSortAlphabeticalAsc).
			Multi(v.several).IncludeAll(v.several).Query(dashboard.StringOrMap{String: cog.ToPtr(v.query)}).Definition(v.query)
		if v.several {
			all := func(text string) dashboard.StringOrArrayOfString {
				return dashboard.StringOrArrayOfString{ArrayOfString: []string{text}}
			}
			q = q.AllValue(".*").Current(dashboard.VariableOption{Selected: cog.ToPtr(true), Text: all("All"), Value: all("$__all")})
		}
		d = d.WithVariable(q)
	}
	for i, p := range b.panels {
		made, err := p.build(s, uint32(i+1))
		if err != nil {
			return nil, fmt.Errorf("panel %q: %w", p.title, err)
		}
		d = d.WithPanel(ready(made))
	}
	built, err := d.Build()
	if err != nil {
		return nil, err
	}
	// In sight above the panels; the builder can only put them into a menu.
	built.Links = []dashboard.DashboardLink{{
		Title: "dryhold", Type: dashboard.DashboardLinkTypeDashboards, Icon: "external link", Tooltip: "The other dashboards of dryhold",
		Tags: []string{tag(s)}, IncludeVars: true,
	}}
	text, err := json.MarshalIndent(built, "", "  ")
	return append(text, '\n'), err
}

// ready is a panel that was built.
type ready dashboard.Panel

func (r ready) Build() (dashboard.Panel, error) { return dashboard.Panel(r), nil }
