package grafana

import (
	"fmt"
	"reflect"
	"strings"

	"github.com/grafana/grafana-foundation-sdk/go/cog/variants"
	"github.com/grafana/grafana-foundation-sdk/go/common"
)

// flux is a query in Flux as Grafana keeps it; the SDK has none.
type flux struct {
	RefID      string                `json:"refId"`
	Datasource *common.DataSourceRef `json:"datasource,omitempty"`
	Query      string                `json:"query"`
}

func (flux) ImplementsDataqueryVariant() {}

func (flux) DataqueryType() string { return string(influxSource) }

func (flux) Validate() error { return nil }

func (f flux) Equals(other variants.Dataquery) bool { return reflect.DeepEqual(f, other) }

// points asks for points of one measurement of package influx. Every Flux of the
// dashboards is written by it, so that the tests can hold each measurement, tag
// and field against what is exported.
type points struct {
	of      string            // the measurement
	fields  []string          // one or more
	chosen  []string          // tags that have the value, or one of the values, of the variable of their name
	is      map[string]string // at most one tag with the value it has
	since   string            // how far back from now, as 48h; empty: the stretch shown
	seconds []string          // fields in seconds since 1970, given in milliseconds as Grafana wants dates
	whole   []string          // with seconds: all tags of the measurement
	then    []string          // what is done with them
}

func (p points) String() string {
	reach := "start: v.timeRangeStart, stop: v.timeRangeStop"
	if p.since != "" {
		reach = "start: -" + p.since
	}
	lines := []string{
		"from(bucket: v.defaultBucket)",
		"range(" + reach + ")",
		fmt.Sprintf("filter(fn: (r) => r._measurement == %q)", p.of),
		only("or", "==", p.fields),
	}
	for _, tag := range p.chosen {
		lines = append(lines, fmt.Sprintf("filter(fn: (r) => r.%s =~ /^${%s:regex}$/)", tag, tag))
	}
	for tag, value := range p.is {
		lines = append(lines, fmt.Sprintf("filter(fn: (r) => r.%s == %q)", tag, value))
	}
	then := strings.Join(p.then, "\n  |> ")
	if p.seconds == nil {
		return strings.Join(lines, "\n  |> ") + "\n  |> " + then
	}
	// Both parts have the same columns, so that they can be one again.
	lines = append(lines, keeps(append([]string{"_time", "_value", "_field"}, p.whole...)...))
	return "points = " + strings.Join(lines, "\n  |> ") +
		"\ndates = points\n  |> " + only("or", "==", p.seconds) + "\n  |> map(fn: (r) => ({r with _value: int(v: r._value) * 1000}))" +
		"\nothers = points\n  |> " + only("and", "!=", p.seconds) +
		"\nunion(tables: [dates, others])\n  |> " + then
}

// only keeps points by their field.
func only(join, compare string, fields []string) string {
	var out []string
	for _, f := range fields {
		out = append(out, fmt.Sprintf("r._field %s %q", compare, f))
	}
	return "filter(fn: (r) => " + strings.Join(out, " "+join+" ") + ")"
}

func list(columns []string) string { return `["` + strings.Join(columns, `", "`) + `"]` }

// The stages that follow.

// greatest is the highest value of a window. Flux has max for it, which is a
// selector: of a window without a point it gives nothing rather than null, and a
// line would be drawn over the gap.
const greatest = `(column, tables=<-) => tables |> quantile(q: 1.0, method: "exact_mean", column: column)`

// windows joins the points of each window, at its beginning, by mean, sum or
// greatest. A window without a point is null, and stays null.
func windows(every, fn string) string {
	return "aggregateWindow(every: " + every + ", fn: " + fn + ", createEmpty: true, timeSrc: \"_start\")"
}

func groups(by ...string) string {
	if by == nil {
		return "group()"
	}
	return "group(columns: " + list(by) + ")"
}

func keeps(columns ...string) string { return "keep(columns: " + list(columns) + ")" }

// newest gives of each of what the tags name the newest point, with its fields
// side by side. A field that the point lacks is null, also where an older point
// has it.
func newest(tags ...string) []string {
	return stages([]string{`pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")`}, latest(tags...))
}

// latest gives of each of what the tags name the row that is last in time.
func latest(tags ...string) []string {
	return []string{groups(tags...), `sort(columns: ["_time"])`, "tail(n: 1)"}
}

func stages(of ...[]string) (out []string) {
	for _, s := range of {
		out = append(out, s...)
	}
	return out
}

// age gives how long ago each point was, in seconds.
func age() string {
	return "map(fn: (r) => ({r with age: float(v: int(v: now()) - int(v: r._time)) / 1000000000.0}))"
}

// values asks for the values of a tag that points of a measurement of the last
// year have: what has fallen silent stays on the list.
func values(tag, of string, chosen ...string) string {
	where := fmt.Sprintf("r._measurement == %q", of)
	for _, c := range chosen {
		where += fmt.Sprintf(" and r.%s =~ /^${%s:regex}$/", c, c)
	}
	return fmt.Sprintf("import \"influxdata/influxdb/schema\"\nschema.tagValues(bucket: v.defaultBucket, tag: %q, predicate: (r) => %s, start: -1y)", tag, where)
}
