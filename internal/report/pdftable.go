package report

import "strings"

// cellPad is the space at either side of a cell, in points.
const cellPad = 2.0

// grid is a table laid out on paper.
type grid struct {
	*paper
	columns []column
	left    []float64 // of each column, and the right edge
	size    float64   // of its text
}

// table writes a table and goes on with its head on each page it needs.
func (p *paper) table(t table) {
	p.heading(t.Title)
	if t.Note != "" {
		p.paragraph(t.Note, 7.5, "", soft)
	}
	if len(t.Rows) == 0 {
		p.paragraph(t.Empty, 9, "", soft)
		return
	}
	g := grid{paper: p, columns: t.Columns, size: 7}
	if t.Wide {
		g.size = 6.5
	}
	g.left = p.columnEdges(t, g.size)
	head := make([]string, len(t.Columns))
	for i, c := range t.Columns {
		head[i] = c.Head + "\n" + c.Unit
	}
	g.row(head, nil, true)
	for _, row := range t.Rows {
		g.row(row, head, false)
	}
	p.y += 4
}

// row writes one row, on the next page under the head if this one is full.
func (g grid) row(cells, head []string, bold bool) {
	style, t := "", ink
	if bold {
		style, t = "B", soft
	}
	g.font(g.size, style, t)
	lines := make([][]string, len(cells))
	most := 0
	for i, s := range cells {
		for _, part := range strings.Split(s, "\n") { // only heads have two
			if part != "" || len(cells) == 1 {
				lines[i] = append(lines[i], g.wrap(part, g.left[i+1]-g.left[i]-2*cellPad)...)
			}
		}
		most = max(most, len(lines[i]))
	}
	lead := g.size * 1.2
	height := float64(most)*lead + 3
	if g.y+height > bottomEdge && head != nil {
		g.turn()
		g.row(head, nil, true)
		g.font(g.size, style, t)
	}
	for i, cell := range lines {
		for j, line := range cell {
			x := g.left[i] + cellPad
			if g.columns[i].Number {
				x = g.left[i+1] - cellPad - g.doc.GetStringWidth(line)
			}
			y := g.y + 1 + g.size + float64(j)*lead
			if bold { // heads stand on the line below them
				y += float64(most-len(cell)) * lead
			}
			g.doc.Text(x, y, line)
		}
	}
	g.y += height
	g.doc.SetDrawColor(rule.rgb())
	g.doc.SetLineWidth(0.4)
	g.doc.Line(g.left[0], g.y, g.left[len(cells)], g.y)
}

// columnEdges are the left edges of the columns, and the right edge of the
// last: each column gets what its longest word needs, and of what is left
// over in the measure of what its longest text would like.
func (p *paper) columnEdges(t table, size float64) []float64 {
	least, most := make([]float64, len(t.Columns)), make([]float64, len(t.Columns))
	measure := func(i int, s string, whole bool) {
		most[i] = max(most[i], p.doc.GetStringWidth(s))
		for _, word := range strings.Fields(s) {
			least[i] = max(least[i], min(p.doc.GetStringWidth(word), 90)) // a longer word is broken
		}
		if whole {
			least[i] = max(least[i], min(most[i], 90))
		}
	}
	p.font(size, "B", soft)
	for i, c := range t.Columns {
		measure(i, c.Head, false)
		measure(i, c.Unit, true)
	}
	p.font(size, "", ink)
	for _, row := range t.Rows {
		for i, s := range row {
			measure(i, p.face.shown(s), t.Columns[i].Number)
		}
	}
	needed, liked := 0.0, 0.0
	for i := range least {
		least[i] += 2 * cellPad
		most[i] = max(least[i], min(most[i]+2*cellPad, 260))
		needed += least[i]
		liked += most[i] - least[i]
	}
	spare := float64(wideChart) - needed
	x := margin
	edges := []float64{x}
	for i := range least {
		width := least[i]
		switch {
		case spare < 0: // names that are too long for the page
			width *= float64(wideChart) / needed
		case spare > liked:
			width = most[i] + (spare-liked)/float64(len(least))
		case liked > 0:
			width += spare * (most[i] - least[i]) / liked
		}
		x += width
		edges = append(edges, x)
	}
	return edges
}
