package grafana

import (
	"fmt"
	"time"

	"github.com/grafana/grafana-foundation-sdk/go/bargauge"
	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/cog/variants"
	"github.com/grafana/grafana-foundation-sdk/go/common"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/grafana/grafana-foundation-sdk/go/prometheus"
	"github.com/grafana/grafana-foundation-sdk/go/stat"
	"github.com/grafana/grafana-foundation-sdk/go/statetimeline"
	"github.com/grafana/grafana-foundation-sdk/go/table"
	"github.com/grafana/grafana-foundation-sdk/go/text"
	"github.com/grafana/grafana-foundation-sdk/go/timeseries"
	"github.com/grafana/grafana-foundation-sdk/go/units"
)

// shape is how a panel shows its values.
type shape int

const (
	course shape = iota // lines over time
	figure              // one number, or one for each series
	bars                // the newest value of each series as a bar
	rows                // a table
	states              // what held when, as a strip
	words               // a text of ours
)

// panel is what the dashboards of both sources say of a panel.
type panel struct {
	shape       shape
	title, text string
	wide, high  uint32
	unit        string // one of package units
	decimals    float64
	steps       steps
	lines       bool          // the thresholds are drawn in the chart
	upright     bool          // bars rather than lines
	gap         time.Duration // of states: from how long on nothing is shown between two points; 0: by the step
	least       string        // the shortest step of time that tells anything; empty: any
	queries     []query
	columns     []column // of a table
	sort        string   // the column by which a table is sorted; "-" before it: falling
	words       map[string]word
}

// query is one question to the server.
type query struct {
	text string
	name string // of its series; {{label}} is the value of a label
	line bool   // a limit: dashed
}

// column is one of a table.
type column struct {
	from     string // the label or field; A, B, ...: the value of that query
	name     string
	unit     string
	decimals float64
	steps    steps
	words    map[string]word
	link     page // what a click on it opens, with site and room or lot of the row
}

// word is what is shown in place of a value.
type word struct{ text, colour string }

// build makes the panel; number is its own among those of the dashboard.
func (p panel) build(s source, number uint32) (dashboard.Panel, error) {
	out, err := p.shaped()
	if err != nil {
		return out, err
	}
	out.Id, out.Title, out.Description = &number, &p.title, &p.text
	out.GridPos = &dashboard.GridPos{W: p.wide, H: p.high}
	if p.shape == words {
		return out, nil
	}
	ds := chosen(s)
	out.Datasource = &ds
	if p.least != "" {
		out.Interval = &p.least
	}
	if out.FieldConfig == nil {
		out.FieldConfig = dashboard.NewFieldConfigSource()
	}
	f := &out.FieldConfig.Defaults
	f.Unit, f.NoValue, f.Decimals = cog.ToPtr(p.unit), cog.ToPtr(noData), &p.decimals
	f.Thresholds, f.Mappings = p.steps.config(), mappings(p.words)
	f.Color = &dashboard.FieldColor{Mode: "thresholds"}
	if p.shape == course {
		f.Color.Mode = "palette-classic-by-name" // a room has one colour on every panel
	}
	for i, q := range p.queries {
		ref := refID(i)
		out.Targets = append(out.Targets, p.target(s, q, ref))
		out.FieldConfig.Overrides = append(out.FieldConfig.Overrides, overrides(s, q, ref)...)
	}
	if p.shape == rows {
		p.tabulate(s, &out)
	}
	return out, nil
}

// refID names the queries of a panel A, B and so on.
func refID(i int) string { return string(rune('A' + i)) }

// shaped is the panel with what only its kind has.
func (p panel) shaped() (dashboard.Panel, error) {
	newest := common.NewReduceDataOptionsBuilder().Calcs([]string{"lastNotNull"})
	switch p.shape {
	case course:
		style := common.GraphThresholdsStyleModeOff
		if p.lines {
			style = common.GraphThresholdsStyleModeDashed
		}
		drawn := common.GraphDrawStyleLine
		if p.upright {
			drawn = common.GraphDrawStyleBars
		}
		return timeseries.NewPanelBuilder().DrawStyle(drawn).LineWidth(2).FillOpacity(0).ShowPoints(common.VisibilityModeAuto).
			SpanNulls(common.BoolOrFloat64{Bool: cog.ToPtr(false)}).
			ThresholdsStyle(common.NewGraphThresholdsStyleConfigBuilder().Mode(style)).
			Legend(common.NewVizLegendOptionsBuilder().DisplayMode(common.LegendDisplayModeList).Placement(common.LegendPlacementBottom).ShowLegend(true)).
			Tooltip(common.NewVizTooltipOptionsBuilder().Mode(common.TooltipDisplayModeMulti).Sort(common.SortOrderDescending)).Build()
	case figure:
		// The newest value, not the newest that is known: a figure of yesterday
		// is none of now.
		return stat.NewPanelBuilder().GraphMode(common.BigValueGraphModeNone).ColorMode(common.BigValueColorModeValue).
			ReduceOptions(common.NewReduceDataOptionsBuilder().Calcs([]string{"last"})).Build()
	case bars:
		return bargauge.NewPanelBuilder().DisplayMode(common.BarGaugeDisplayModeBasic).Orientation(common.VizOrientationHorizontal).
			NamePlacement(common.BarGaugeNamePlacementTop).ReduceOptions(newest).Build()
	case rows:
		return table.NewPanelBuilder().CellHeight(common.TableCellHeightSm).Build()
	case states:
		strip := statetimeline.NewPanelBuilder()
		if p.gap > 0 {
			strip = strip.InsertNullsThreshold(uint32(p.gap.Milliseconds()))
		}
		return strip.MergeValues(true).ShowValue(common.VisibilityModeNever).FillOpacity(80).
			NeverSpanNulls().Legend(common.NewVizLegendOptionsBuilder().DisplayMode(common.LegendDisplayModeList).
			Placement(common.LegendPlacementBottom).ShowLegend(true)).Build()
	case words:
		return text.NewPanelBuilder().Mode(text.TextModeMarkdown).Content(p.text).Transparent(true).Build()
	}
	return dashboard.Panel{}, fmt.Errorf("BUG: no shape %d", p.shape)
}

// target is the query as its source wants it.
func (p panel) target(s source, q query, ref string) variants.Dataquery {
	ds := chosen(s)
	if s == influxSource {
		return flux{RefID: ref, Datasource: &ds, Query: q.text}
	}
	out := prometheus.NewDataquery()
	out.RefId, out.Datasource, out.Expr, out.LegendFormat = &ref, &ds, q.text, &q.name
	now := p.shape != course && p.shape != states
	out.Instant, out.Range = &now, cog.ToPtr(!now)
	if p.shape == rows {
		out.Format = cog.ToPtr(prometheus.PromQueryFormatTable)
	}
	return *out
}

// overrides are what distinguishes the series of one query.
func overrides(s source, q query, ref string) []dashboard.DashboardFieldConfigSourceOverrides {
	var set []dashboard.DynamicConfigValue
	if s == influxSource && q.name != "" {
		set = append(set, dashboard.DynamicConfigValue{Id: "displayName", Value: fieldLabels(q.name)})
	}
	if q.line {
		set = append(set,
			dashboard.DynamicConfigValue{Id: "custom.lineStyle", Value: map[string]any{"fill": "dash", "dash": []int{8, 8}}},
			dashboard.DynamicConfigValue{Id: "custom.lineWidth", Value: 1},
			dashboard.DynamicConfigValue{Id: "color", Value: map[string]any{"mode": "fixed", "fixedColor": orange}})
	}
	if set == nil {
		return nil
	}
	return []dashboard.DashboardFieldConfigSourceOverrides{{
		Matcher: dashboard.MatcherConfig{Id: "byFrameRefID", Options: ref}, Properties: set,
	}}
}

func (s steps) config() *dashboard.ThresholdsConfig {
	out := &dashboard.ThresholdsConfig{Mode: dashboard.ThresholdsModeAbsolute}
	for i, x := range s {
		t := dashboard.Threshold{Color: x.colour}
		if i > 0 {
			t.Value = cog.ToPtr(x.from)
		}
		out.Steps = append(out.Steps, t)
	}
	return out
}

// mappings show words in place of values.
func mappings(by map[string]word) []dashboard.ValueMapping {
	if by == nil {
		return nil
	}
	m := &dashboard.ValueMap{Type: dashboard.MappingTypeValueToText, Options: map[string]dashboard.ValueMappingResult{}}
	for value, w := range by {
		m.Options[value] = dashboard.ValueMappingResult{Text: cog.ToPtr(w.text), Color: cog.ToPtr(w.colour)}
	}
	return []dashboard.ValueMapping{{ValueMap: m}}
}

// notSafety is the caution that stands on what tells of lots.
const notSafety = "Quality is not safety: when in doubt about any food, throw it out. Your local food-safety authority goes before these figures."

// caution is it as a panel.
func caution() panel {
	return panel{shape: words, title: "Caution", text: notSafety, wide: gridWidth, high: 2}
}

// of makes a column of text.
func of(from, name string) column {
	return column{from: from, name: name, unit: units.NoUnit, steps: plain()}
}
