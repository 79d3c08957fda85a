package report

import (
	"bytes"
	_ "embed" // the page and its style sheet are files
	"html/template"
	"io"
	"time"
	"unicode/utf8"

	"gonum.org/v1/plot/vg"
)

//go:embed report.html
var pageHTML string

//go:embed report.css
var styleCSS string

// Widths of charts in points: that of a page between its margins, and that of
// a small screen.
const (
	wideChart   = vg.Length(510)
	narrowChart = vg.Length(280)
)

// page is what the template shows.
type page struct {
	Title, Subtitle, Made   string
	Style                   template.CSS
	Notes, Cautions, Advice []string
	Caution, Cost, Rounding string
	Rooms                   table
	Room                    []roomPage
	Bars                    []figure
	Tables                  []table
	Supplies                *table
}

type roomPage struct {
	ID, Name, Limits, Cost string
	Figures                []figure
	Months, Excursions     table
	Seasons                *table
}

// figure is a chart in two widths: its words stay legible on a small screen.
type figure struct {
	Title        string
	Wide, Narrow template.HTML
}

func writeHTML(w io.Writer, r Report) error {
	p, err := r.page()
	if err != nil {
		return err
	}
	t, err := template.New("report").Parse(pageHTML)
	if err != nil {
		return err
	}
	var b bytes.Buffer // so that a fault is never half a page
	if err := t.Execute(&b, p); err != nil {
		return err
	}
	_, err = w.Write(b.Bytes())
	return err
}

func (r Report) page() (page, error) {
	f, err := loadTypeface()
	if err != nil {
		return page{}, err
	}
	p := page{
		Title: r.title(), Subtitle: r.subtitle(), Made: r.Made.Format(time.RFC3339), Style: template.CSS(styleCSS),
		Notes: r.Notes, Cautions: r.Cautions, Advice: r.Plan.Advice, Caution: Caution, Rounding: roundingNote,
		Cost: r.Cost.sentence(), Rooms: r.roomsTable(), Tables: []table{r.useTable(), r.lostTable(), r.Plan.stepsTable()},
	}
	if len(r.Plan.Supplies) > 0 {
		t := r.Plan.suppliesTable()
		p.Supplies = &t
	}
	for i, room := range r.Rooms {
		one := roomPage{ID: roomID("room", i), Name: orNone(room.Name), Limits: room.limits(), Cost: room.Cost.sentence(),
			Months: room.monthsTable(roomID("months", i)), Excursions: r.excursionsTable(room, roomID("excursions", i))}
		if one.Figures, err = figures(f, func(width vg.Length) []chart { return r.roomCharts(f, room, width) }); err != nil {
			return page{}, err
		}
		if len(room.Seasons) > 0 {
			t := room.seasonsTable(roomID("seasons", i))
			one.Seasons = &t
		}
		p.Room = append(p.Room, one)
	}
	p.Bars, err = figures(f, func(width vg.Length) []chart { return barCharts(f, r, width) })
	return p, err
}

// roomCharts are the charts of one room.
func (r Report) roomCharts(f typeface, room Room, width vg.Length) []chart {
	if !room.hasDays() {
		return nil
	}
	strip := stripChart(f, r, room, width)
	warm := climateChart(f, r, room, temperatureSeries(room), width, 150)
	damp := climateChart(f, r, room, humiditySeries(room), width, 118)
	strip.Title, warm.Title, damp.Title = "How fast each day aged what was stored", "Temperature", "Relative humidity"
	return []chart{strip, warm, damp}
}

func figures(f typeface, charts func(width vg.Length) []chart) ([]figure, error) {
	narrow := charts(narrowChart)
	var out []figure
	for i, c := range charts(wideChart) {
		wide, err := c.svg(f)
		if err != nil {
			return nil, err
		}
		small, err := narrow[i].svg(f)
		if err != nil {
			return nil, err
		}
		// The charts escape what is in them.
		out = append(out, figure{c.Title, template.HTML(wide), template.HTML(small)})
	}
	return out, nil
}

// Class is the class of a table on a page.
func (t table) Class() string {
	if t.Wide {
		return "scroll"
	}
	return "stack"
}

// Cells are the cells of a row with their columns.
func (t table) Cells(row []string) []cell {
	out := make([]cell, len(row))
	for i, s := range row {
		out[i] = cell{t.Columns[i], s}
	}
	return out
}

type cell struct {
	column
	Text string
}

// Class is the class of a cell: numbers stand to the right, and what is short
// is never broken.
func (c cell) Class() string {
	switch {
	case c.Number:
		return "n"
	case utf8.RuneCountInString(c.Text) <= 14:
		return "s"
	}
	return "t"
}
