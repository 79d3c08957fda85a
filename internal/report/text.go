package report

import (
	"encoding/json"
	"io"
	"strconv"
	"strings"
	"unicode/utf8"
)

// writeText writes tables for a terminal or a line printer.
func writeText(w io.Writer, r Report) error {
	var b strings.Builder
	line := func(s string) { b.WriteString(s + "\n") }
	line(r.title())
	line(r.subtitle())
	for _, note := range r.Notes {
		line(note)
	}
	line("Lost beyond plan storage: " + r.Cost.sentence() + ".")
	line(roundingNote)
	r.roomsTable().text(&b)
	for i, room := range r.Rooms {
		line("\nRoom " + orNone(room.Name) + ". " + room.limits())
		line("Lost beyond plan storage: " + room.Cost.sentence() + ".")
		room.monthsTable(roomID("months", i)).text(&b)
		r.excursionsTable(room, roomID("excursions", i)).text(&b)
		if len(room.Seasons) > 0 {
			room.seasonsTable(roomID("seasons", i)).text(&b)
		}
	}
	r.useTable().text(&b)
	r.lostTable().text(&b)
	r.Plan.stepsTable().text(&b)
	r.Plan.suppliesTable().text(&b)
	for _, advice := range r.Plan.Advice {
		line(advice)
	}
	line("\n" + Caution)
	for _, caution := range r.Cautions {
		line("- " + caution)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// roomID names a part of the room that stands at place i.
func roomID(part string, i int) string { return part + "-" + strconv.Itoa(i+1) }

// text writes the table with columns two spaces apart, the last not padded.
func (t table) text(b *strings.Builder) {
	b.WriteString("\n" + t.Title + "\n")
	if t.Note != "" {
		b.WriteString(t.Note + "\n")
	}
	if len(t.Rows) == 0 {
		b.WriteString(t.Empty + "\n")
		return
	}
	head := make([]string, len(t.Columns))
	for i, c := range t.Columns {
		head[i] = c.Name()
	}
	rows := append([][]string{head}, t.Rows...)
	widths := make([]int, len(t.Columns))
	for _, row := range rows {
		for i, s := range row {
			widths[i] = max(widths[i], utf8.RuneCountInString(s))
		}
	}
	for _, row := range rows {
		var line strings.Builder
		for i, s := range row {
			pad := strings.Repeat(" ", widths[i]-utf8.RuneCountInString(s))
			if t.Columns[i].Number {
				s = pad + s
			} else {
				s += pad
			}
			if i > 0 {
				s = "  " + s
			}
			line.WriteString(s)
		}
		b.WriteString(strings.TrimRight(line.String(), " ") + "\n")
	}
}

// document is the report as JSON, with what stands on every page.
type document struct {
	// Version of this layout: it rises when a name changes its meaning.
	Layout  int    `json:"layout"`
	Caution string `json:"caution"`
	Zone    string `json:"zone"`
	Report
}

func writeJSON(w io.Writer, r Report) error {
	e := json.NewEncoder(w)
	e.SetIndent("", " ")
	e.SetEscapeHTML(false)
	return e.Encode(document{1, Caution, r.Zone.String(), r})
}
