package grafana

import (
	"fmt"
	"strings"

	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/common"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/grafana/grafana-foundation-sdk/go/table"
)

// tabulate makes a table of the columns: the answers of all queries in one row
// for what they are of, the columns named and in order, and nothing else. A row
// for which a query has no answer stays, and says so in its place.
func (p panel) tabulate(s source, out *dashboard.Panel) {
	var names []string
	rename, order := map[string]string{}, map[string]int{}
	for i, c := range p.columns {
		field := p.field(s, c.from)
		names = append(names, field)
		rename[field], order[field] = c.name, i
		out.FieldConfig.Overrides = append(out.FieldConfig.Overrides, dashboard.DashboardFieldConfigSourceOverrides{
			Matcher: dashboard.MatcherConfig{Id: "byName", Options: c.name}, Properties: c.properties(s),
		})
	}
	if len(p.queries) > 1 {
		out.Transformations = append(out.Transformations, dashboard.DataTransformerConfig{Id: "merge", Options: map[string]any{}})
	}
	out.Transformations = append(out.Transformations,
		dashboard.DataTransformerConfig{Id: "filterFieldsByName", Options: map[string]any{"include": map[string]any{"names": names}}},
		dashboard.DataTransformerConfig{Id: "organize", Options: map[string]any{
			"excludeByName": map[string]bool{}, "indexByName": order, "renameByName": rename,
		}})
	if o, ok := out.Options.(*table.Options); ok && p.sort != "" {
		by, falling := strings.CutPrefix(p.sort, "-")
		o.SortBy = []common.TableSortByFieldState{{DisplayName: by, Desc: cog.ToPtr(falling)}}
	}
}

// field is what Grafana calls the value of a query, or the label itself.
func (p panel) field(s source, from string) string {
	switch {
	case s == influxSource || len(from) > 1:
		return from
	case len(p.queries) == 1:
		return "Value"
	}
	return "Value #" + from
}

func (c column) properties(s source) []dashboard.DynamicConfigValue {
	out := []dashboard.DynamicConfigValue{
		{Id: "unit", Value: c.unit}, {Id: "decimals", Value: c.decimals}, {Id: "thresholds", Value: c.steps.config()},
	}
	if len(c.steps) > 1 || c.words != nil {
		out = append(out, dashboard.DynamicConfigValue{Id: "custom.cellOptions", Value: map[string]any{"type": common.TableCellDisplayModeColorText}})
	}
	if c.words != nil {
		out = append(out, dashboard.DynamicConfigValue{Id: "mappings", Value: mappings(c.words)})
	}
	if c.link != "" {
		out = append(out, dashboard.DynamicConfigValue{Id: "links", Value: []map[string]any{{
			"title": "Open", "url": c.url(s),
		}}})
	}
	return out
}

// url opens another dashboard at what the row is of.
func (c column) url(s source) string {
	url := fmt.Sprintf("/d/%s?var-datasource=${datasource}&var-site=${__data.fields.Site}", uid(s, c.link))
	switch c.link {
	case pageRoom:
		url += "&var-room=${__data.fields.Room}"
	case pageLots:
		url += "&var-lot=${__data.fields.Lot}"
	case pageNow, pageDaemon, pageSites:
	}
	return url
}
