package report

import (
	"io"
	"strings"
	"unicode/utf8"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// The page in points: A4, upright.
const (
	pageWidth  = 595.28
	pageHeight = 841.89
	margin     = (pageWidth - float64(wideChart)) / 2
	topEdge    = 40.0
	bottomEdge = pageHeight - 62
	footEdge   = pageHeight - 44
)

// paper is a document that is written from top to bottom.
type paper struct {
	doc  *fpdf.Fpdf
	face typeface
	y    float64 // where the next thing begins
}

func writePDF(w io.Writer, r Report) error {
	face, err := loadTypeface()
	if err != nil {
		return err
	}
	doc := fpdf.New("P", "pt", "A4", "")
	doc.SetAutoPageBreak(false, 0)
	doc.AddUTF8FontFromBytes(family, "", liberationsansregular.TTF)
	doc.AddUTF8FontFromBytes(family, "B", liberationsansbold.TTF)
	doc.SetCatalogSort(true) // the same report gives the same bytes
	doc.SetCreationDate(r.Made)
	doc.SetModificationDate(r.Made)
	p := &paper{doc: doc, face: face}
	doc.SetTitle(p.face.shown(r.title()), true)
	doc.SetCreator(p.face.shown("dryhold "+r.Version), true)
	doc.SetLang("en")
	doc.AliasNbPages("{pages}")
	doc.SetFooterFunc(p.foot)

	p.front(r)
	for i, room := range r.Rooms {
		p.room(r, i, room)
	}
	p.lots(r)
	return doc.Output(w)
}

const family = "liberation"

// front is the page with the sums of the whole site.
func (p *paper) front(r Report) {
	p.turn()
	p.paragraph("dryhold", 8.5, "", soft)
	p.paragraph(r.title(), 18, "B", ink)
	p.paragraph(r.subtitle(), 9, "", soft)
	p.y += 4
	for _, note := range r.Notes {
		p.paragraph(note, 9.5, "B", orange)
	}
	p.paragraph("Lost beyond plan storage: "+r.Cost.sentence()+".", 10.5, "B", ink)
	p.table(r.roomsTable())
	p.paragraph(roundingNote, 7.5, "", soft)
	p.heading("Quality is not safety")
	p.paragraph(Caution, 9, "B", ink)
	for _, caution := range r.Cautions {
		p.paragraph("• "+caution, 9, "", ink)
	}
}

func (p *paper) room(r Report, i int, room Room) {
	p.turn()
	p.paragraph(orNone(room.Name), 14, "B", ink)
	p.paragraph(room.limits(), 8.5, "", ink)
	p.paragraph("Lost beyond plan storage: "+room.Cost.sentence()+".", 8.5, "", ink)
	if !room.hasDays() {
		p.paragraph("No day of this room has been recorded.", 9, "", soft)
	}
	for _, c := range r.roomCharts(p.face, room, wideChart) {
		p.chart(c)
	}
	p.table(r.excursionsTable(room, roomID("excursions", i)))
	p.table(room.monthsTable(roomID("months", i)))
	if len(room.Seasons) > 0 {
		p.table(room.seasonsTable(roomID("seasons", i)))
	}
}

func (p *paper) lots(r Report) {
	p.turn()
	p.paragraph("The lots", 14, "B", ink)
	p.table(r.useTable())
	bars := barCharts(p.face, r, wideChart)
	if len(bars) > 0 {
		p.need(float64(bars[0].height) + 30)
		p.heading("Lives of the lots")
	}
	for _, c := range bars {
		p.chart(c)
	}
	p.table(r.lostTable())
	p.table(r.Plan.stepsTable())
	if len(r.Plan.Supplies) > 0 {
		p.table(r.Plan.suppliesTable())
	}
	for _, advice := range r.Plan.Advice {
		p.paragraph("• "+advice, 9, "", ink)
	}
}

// turn begins a page.
func (p *paper) turn() {
	p.doc.AddPage()
	p.y = topEdge
}

// need begins a page when there is less room than that on this one.
func (p *paper) need(height float64) {
	if p.y+height > bottomEdge && p.y > topEdge {
		p.turn()
	}
}

// foot is the caution at the foot of each page, and its number.
func (p *paper) foot() {
	p.doc.SetDrawColor(rule.rgb())
	p.doc.SetLineWidth(0.5)
	p.doc.Line(margin, footEdge-9, pageWidth-margin, footEdge-9)
	p.font(7, "", soft)
	for i, line := range p.wrap(Caution, 430) {
		p.doc.Text(margin, footEdge+float64(i)*8.5, line)
	}
	// The number of all pages is put in at the end.
	p.doc.Text(pageWidth-margin-50, footEdge, "page "+Number(p.doc.PageNo()).text(0)+" of {pages}")
}

func (t tone) rgb() (r, g, b int) { return int(t >> 16), int(t >> 8 & 0xff), int(t & 0xff) }

func (p *paper) font(size float64, style string, t tone) {
	p.doc.SetFont(family, style, size)
	p.doc.SetTextColor(t.rgb())
}

// wrap breaks s into lines of at most that width, in the font that is set:
// between words, and within a word that is longer than a line.
func (p *paper) wrap(s string, width float64) []string {
	s = p.face.shown(s)
	width += 0.1 // what was measured to fit does
	if p.doc.GetStringWidth(s) <= width {
		return []string{s}
	}
	var lines []string
	line := ""
	for _, word := range strings.Fields(s) {
		if line != "" && p.doc.GetStringWidth(line+" "+word) <= width {
			line += " " + word
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		for line = word; p.doc.GetStringWidth(line) > width; {
			n := p.fits(line, width)
			lines, line = append(lines, line[:n]), line[n:]
		}
	}
	return append(lines, line)
}

// fits is how many bytes of s fit in the width, at least its first character.
func (p *paper) fits(s string, width float64) int {
	n := 0
	for i, r := range s {
		end := i + utf8.RuneLen(r)
		if n > 0 && p.doc.GetStringWidth(s[:end]) > width {
			return n
		}
		n = end
	}
	return n
}

func (p *paper) paragraph(s string, size float64, style string, t tone) {
	p.font(size, style, t)
	for _, line := range p.wrap(s, float64(wideChart)) {
		p.need(size * 1.3)
		p.font(size, style, t)
		p.doc.Text(margin, p.y+size, line)
		p.y += size * 1.3
	}
	p.y += 2
}

func (p *paper) heading(s string) {
	p.need(60)
	p.y += 6
	p.paragraph(s, 10.5, "B", ink)
}

func (p *paper) chart(c chart) {
	title := 0.0
	if c.Title != "" {
		title = 14
	}
	p.need(float64(c.height) + title + 4)
	if c.Title != "" {
		p.paragraph(c.Title, 9, "B", ink)
	}
	on := &pdfCanvas{doc: p.doc, face: p.face, left: margin, base: p.y + float64(c.height)}
	vg.Initialize(on)
	c.paint(sheet{draw.NewCanvas(on, c.width, c.height), p.face})
	p.doc.SetDashPattern(nil, 0)
	p.y += float64(c.height) + 4
}
