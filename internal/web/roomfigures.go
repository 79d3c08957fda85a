package web

import (
	"encoding/json"
	"html/template"
	"math"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/engine"
)

// figureView is one chart: its words and its table are whole without a script,
// which draws it from the numbers at Src as Chart says (static/charts.js).
type figureView struct {
	ID, Title  string
	Src, Chart string
	Words      []string
	Heads      []string
	Rows       template.HTML
}

// rowWriter writes the rows of tables of numbers, hundreds of them on a page:
// by the template they took most of its time.
type rowWriter struct{ b strings.Builder }

func (w *rowWriter) begin(at moment) {
	w.b.WriteString("<tr><th scope=\"row\"><time datetime=\"")
	w.b.WriteString(template.HTMLEscapeString(at.Machine))
	w.b.WriteString("\">")
	w.b.WriteString(template.HTMLEscapeString(at.Text))
	w.b.WriteString("</time></th>")
}

func (w *rowWriter) cell(text string) {
	w.b.WriteString("<td>")
	w.b.WriteString(template.HTMLEscapeString(text))
	w.b.WriteString("</td>")
}

func (w *rowWriter) end() { w.b.WriteString("</tr>\n") }

func (w *rowWriter) rows() template.HTML {
	return template.HTML(w.b.String()) //nolint:gosec // it has escaped all that is not its own
}

// The options of a chart, as static/charts.js takes them.
type (
	roomChart struct {
		X        string       `json:"x"`
		End      string       `json:"end"`
		State    string       `json:"state"`
		Series   []roomSeries `json:"series"`
		Limits   []roomLimit  `json:"limits,omitempty"`
		Spans    []roomSpell  `json:"spans,omitempty"`
		Factor   float64      `json:"factor"`
		Offset   float64      `json:"offset"`
		Decimals int          `json:"decimals"`
		Unit     string       `json:"unit"`
		Low      *float64     `json:"low,omitempty"`
		Zone     string       `json:"zone"`
		Time     string       `json:"time"`
		Zoom     string       `json:"zoom"`
	}
	roomSeries struct {
		Column string `json:"column"`
		Low    string `json:"low,omitempty"`
		High   string `json:"high,omitempty"`
		Label  string `json:"label"`
		Tone   string `json:"tone"`
		Dash   bool   `json:"dash,omitempty"`
	}
	roomLimit struct {
		Value float64 `json:"value"`
		Label string  `json:"label"`
	}
	roomSpell struct {
		From  time.Time `json:"from"`
		To    time.Time `json:"to"`
		Label string    `json:"label"`
	}
)

// roomColumn is a column of a table with its heading.
type roomColumn struct {
	head   string
	values engine.Column
	plain  bool // it is in a unit of its own
}

// roomFigure is what differs from one chart of a room to the next.
type roomFigure struct {
	id, title string
	measure   measure
	decimals  int // of the table: those of the data
	series    []roomSeries
	columns   []roomColumn
	limit     engine.Number
	low       bool // the scale begins at 0
	words     []string
	known     int64 // seconds, of a quantity that is never estimated
}

// roomFigures are the charts of a room.
func (p *pageContext) roomFigures(o CourseOrder, c *engine.RoomCourse) []figureView {
	b, s := &c.Buckets, &c.Summary
	least, mean, greatest, core := p.t("Least"), p.t("Mean"), p.t("Greatest"), p.t("Core of the food")
	lineOf := func(name, low, high, label, tone string, dash bool) roomSeries {
		path := func(n string) string {
			if n == "" {
				return ""
			}
			return "buckets." + n
		}
		return roomSeries{path(name), path(low), path(high), label, tone, dash}
	}
	cores := lineOf("core_mean_celsius", "", "", core, "c", true)
	all := []roomFigure{{
		id: "temperature", title: p.t("Temperature"), measure: p.celsius(), decimals: 2, limit: c.Limits.Warm,
		series:  []roomSeries{lineOf("temperature_mean_celsius", "temperature_min_celsius", "temperature_max_celsius", mean, "a", false), cores},
		columns: []roomColumn{{least, b.TempMin, false}, {mean, b.TempMean, false}, {greatest, b.TempMax, false}, {core, b.CoreMean, false}},
		words:   append([]string{p.extremes(p.celsius(), s.Temp), p.above(s.OverWarm, p.celsius(), c.Limits.Warm, s.Temp)}, p.coreWords(c)),
	}, {
		id: "humidity", title: p.t("Relative humidity"), measure: p.percent(), decimals: 2, limit: c.Limits.Damp,
		series:  []roomSeries{lineOf("humidity_mean_fraction", "humidity_min_fraction", "humidity_max_fraction", mean, "a", false)},
		columns: []roomColumn{{least, b.RHMin, false}, {mean, b.RHMean, false}, {greatest, b.RHMax, false}},
		words:   []string{p.extremes(p.percent(), s.RH), p.above(s.OverDamp, p.percent(), c.Limits.Damp, s.RH)}, known: s.Humid,
	}, {
		id: "dew-point", title: p.t("Dew point against the core of the food"), measure: p.celsius(), decimals: 2, limit: engine.Number(math.NaN()),
		series:  []roomSeries{lineOf("dew_point_mean_celsius", "", "", p.t("Dew point"), "a", false), cores},
		columns: []roomColumn{{p.t("Dew point"), b.DewPoint, false}, {core, b.CoreMean, false}},
		words:   []string{p.extremes(p.celsius(), s.DewPoint), p.t("Where the dew point rises above the core, water condenses on the containers.")}, known: s.Humid,
	}, {
		id: "light", title: p.t("Light"), measure: p.lux(), decimals: 1, limit: c.Limits.Bright, low: true,
		series:  []roomSeries{lineOf("illuminance_mean_lux", "", "illuminance_max_lux", mean, "a", false), lineOf("illuminance_max_lux", "", "", greatest, "b", true)},
		columns: []roomColumn{{mean, b.LuxMean, false}, {greatest, b.LuxMax, false}, {p.t("Dose, lux hours"), b.Dose, true}},
		words:   []string{p.extremes(p.lux(), s.Lux), p.above(s.OverBright, p.lux(), c.Limits.Bright, s.Lux), p.dose(s.Dose)}, known: s.Lit,
	}, {
		id: "ageing", title: p.t("Speed of ageing against plan storage"), measure: p.measure(1, 2, ""), decimals: 3, limit: engine.Number(1), low: true,
		series:  []roomSeries{lineOf("acceleration_against_plan", "", "", p.t("Times as fast as planned"), "b", false)},
		columns: []roomColumn{{p.t("Times as fast as planned"), b.Ageing, false}},
		words:   []string{p.ageingWords(s.Ageing)},
	}}
	var out []figureView
	rows := p.courseRows(c)
	for i := range all {
		out = append(out, p.figure(o, c, &all[i], &rows))
	}
	return out
}

// figure puts a chart together.
func (p *pageContext) figure(o CourseOrder, c *engine.RoomCourse, f *roomFigure, rows *courseRows) figureView {
	x := roomChart{
		X: "buckets.start", End: "to", State: "buckets.state", Series: f.series, Factor: f.measure.factor, Offset: f.measure.offset,
		Decimals: f.measure.decimals, Unit: f.measure.symbol, Zone: p.zone.String(), Time: p.t("Time"), Zoom: roomURL(o.Room) + "?from={from}&to={to}",
	}
	if f.low {
		x.Low = new(float64)
	}
	if f.limit.Known() {
		label := p.t("limit %s", f.measure.text(float64(f.limit)))
		if f.id == "ageing" {
			label = p.t("as planned")
		}
		x.Limits = []roomLimit{{float64(f.limit), label}}
	}
	for i, e := range c.Events {
		if e.Kind == "excursion" || e.Kind == "annotated" {
			x.Spans = append(x.Spans, roomSpell{e.From, e.To, strconv.Itoa(i + 1)})
		}
	}
	options, err := json.Marshal(x)
	if err != nil {
		panic("BUG: options of a chart have no JSON: " + err.Error()) // words and numbers that are known
	}
	v := figureView{ID: f.id, Title: f.title, Src: courseURL(o), Chart: string(options), Words: append(f.words, p.shares(f, &c.Summary))}
	v.Heads = []string{p.t("From")}
	for _, col := range f.columns {
		v.Heads = append(v.Heads, col.head)
	}
	v.Heads = append(v.Heads, p.t("State"))
	var w rowWriter
	for i := range c.Buckets.Start {
		w.begin(rows.at[i])
		for _, col := range f.columns {
			w.cell(p.cell(f.measure, float64(col.values[i]), f.decimals, col.plain))
		}
		w.cell(rows.state[i])
		w.end()
	}
	v.Rows = w.rows()
	return v
}

// courseRows are what the rows of all tables of a course begin and end with.
type courseRows struct {
	at    []moment
	state []string
}

func (p *pageContext) courseRows(c *engine.RoomCourse) (rows courseRows) {
	layout := "2 Jan 2006 15:04"
	if !strings.Contains(c.Step, "T") { // days
		layout = "2 Jan 2006"
	}
	for i, at := range c.Buckets.Start {
		rows.at = append(rows.at, moment{p.date(at, layout), at.UTC().Format(time.RFC3339)})
		rows.state = append(rows.state, p.bucketState(c.Buckets.State[i]))
	}
	return rows
}

// cell is a number of a table with all the decimals that programs get.
func (p *pageContext) cell(m measure, v float64, decimals int, plain bool) string {
	switch {
	case math.IsNaN(v):
		return "–"
	case plain:
		return p.number(v, decimals)
	}
	return m.number(v, decimals)
}

func (p *pageContext) bucketState(s engine.BucketState) string {
	switch s {
	case engine.BucketMeasured:
		return p.t("measured")
	case engine.BucketEstimated:
		return p.t("estimated")
	case engine.BucketPartial:
		return p.t("known in part")
	}
	return p.t("unknown")
}

// Words of the charts.

func (p *pageContext) extremes(m measure, e engine.Extremes) string {
	if !e.Mean.Known() {
		return p.t("Nothing is known of it in this time.")
	}
	return p.t("Lowest %s, mean %s, highest %s.", m.text(float64(e.Lowest)), m.text(float64(e.Mean)), m.text(float64(e.Highest)))
}

// above is for how long it was above a limit; nothing where nothing is known,
// which is no good news.
func (p *pageContext) above(seconds int64, m measure, limit engine.Number, e engine.Extremes) string {
	switch {
	case !limit.Known():
		return p.t("The room has no limit for it.")
	case !e.Mean.Known():
		return ""
	}
	return p.t("%s h measured above the limit of %s.", p.number(float64(seconds)/3600, 1), m.text(float64(limit)))
}

func (p *pageContext) dose(d engine.Number) string {
	if !d.Known() {
		return ""
	}
	return p.t("%s lux hours in all.", p.number(float64(d), 0))
}

func (p *pageContext) ageingWords(e engine.Extremes) string {
	if !e.Mean.Known() {
		return p.t("Nothing is known of it in this time.")
	}
	return p.t("On the whole food here aged %s; at least %s, at most %s.", p.ageing(float64(e.Mean)), p.number(float64(e.Lowest), 2), p.number(float64(e.Highest), 2))
}

// shares says how much of the time is measured.
func (p *pageContext) shares(f *roomFigure, s *engine.Summary) string {
	all := float64(s.Measured + s.Estimated + s.Unknown)
	if all == 0 {
		return p.t("Nothing of this time is judged yet.")
	}
	share := func(n int64) string { return p.measure(100, 1, " %").text(float64(n) / all) }
	if f.id != "temperature" && f.id != "ageing" {
		return p.t("%s of the time measured, the rest unknown.", share(min(f.known, s.Measured+s.Estimated+s.Unknown)))
	}
	return p.t("Temperature: %s of the time measured, %s estimated, %s unknown.", share(s.Measured), share(s.Estimated), share(s.Unknown))
}

// coreWords says of which containers the core is told.
func (p *pageContext) coreWords(c *engine.RoomCourse) string {
	name, lag := c.Core.Name, p.number(float64(c.Core.Lag), 1)
	switch {
	case name == "":
		return p.t("The catalog has no container whose core could be told.")
	case c.Core.Chosen == engine.CoreOfRoom:
		return p.t("The core is that of %s, in which most food stands here: it follows the air with a lag of %s h.", name, lag)
	case c.Core.Chosen == engine.CoreOfHouse:
		return p.t("No food stands here. The core is that of %s, in which most food of the house is: it would follow the air with a lag of %s h.", name, lag)
	}
	return p.t("There is no lot yet. The core is that of %s, the middle of the catalog: it would follow the air with a lag of %s h.", name, lag)
}
