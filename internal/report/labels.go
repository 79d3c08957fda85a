package report

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"
	"github.com/boombuler/barcode"
	"github.com/boombuler/barcode/qr"
)

// Label is what stands on one label.
type Label struct {
	Food    string
	Lines   []string // lot and container, mass, pack date, treatment
	Strong  string   // allergens; empty for none
	Cooking string   // left out where there is no room
	Caution string
	Short   string // the caution where there is no room for the whole of it
	Code    string // what the QR code holds
}

// maxLabels bounds one document (judgement).
const maxLabels = 5000

// Least sizes: of letters, points, below which nobody reads a label on a shelf,
// and of the squares of a code, mm, below which telephones fail (both
// judgement).
const (
	leastLetters = 4.5
	mostLetters  = 10
	leastModule  = 0.25
	quiet        = 4 // squares of white around a code (ISO/IEC 18004, from memory)
)

// WriteLabels writes labels as PDF, one after the other on the places of a
// sheet. The error says which label does not fit.
func WriteLabels(w io.Writer, s Sheet, labels []Label, made time.Time) error {
	if err := s.check(); err != nil {
		return err
	}
	if len(labels) == 0 || len(labels) > maxLabels {
		return fmt.Errorf("%d labels: ask for 1 to %d", len(labels), maxLabels)
	}
	face, err := loadTypeface()
	if err != nil {
		return err
	}
	doc := newLabels(s)
	doc.SetCreationDate(made)
	doc.SetModificationDate(made)
	doc.SetTitle("Labels", true)
	p := printer{doc: doc, face: face, sheet: s}
	per := s.Columns * s.Rows
	for i, l := range labels {
		place := (i + s.Skip) % per
		if i == 0 || place == 0 {
			doc.AddPage()
		}
		x := s.Left + float64(place%s.Columns)*(s.LabelWidth+s.GapX)
		y := s.Top + float64(place/s.Columns)*(s.LabelHeight+s.GapY)
		if err := p.label(x, y, l); err != nil {
			return fmt.Errorf("label %d, of %s: %w", i+1, l.Food, err)
		}
	}
	if err := doc.Output(w); err != nil {
		return fmt.Errorf("cannot write the labels: %w", err)
	}
	return nil
}

// newLabels is a document whose pages are the sheet.
func newLabels(s Sheet) *fpdf.Fpdf {
	doc := fpdf.NewCustom(&fpdf.InitType{OrientationStr: "P", UnitStr: "mm", Size: fpdf.SizeType{Wd: s.Width, Ht: s.Height}})
	doc.SetAutoPageBreak(false, 0)
	doc.AddUTF8FontFromBytes(family, "", liberationsansregular.TTF)
	doc.AddUTF8FontFromBytes(family, "B", liberationsansbold.TTF)
	doc.SetCatalogSort(true) // the same labels give the same bytes
	return doc
}

// printer writes labels.
type printer struct {
	doc   *fpdf.Fpdf
	face  typeface
	sheet Sheet
}

// labelLine is one line of text as it is printed.
type labelLine struct {
	text  string
	style string
	size  float64 // points
}

// pointMM is a point in mm.
const pointMM = 25.4 / 72

// leading is the height of a line for its letters.
const leading = 1.15

func (r labelLine) height() float64 { return r.size * pointMM * leading }

// label writes one label whose upper left corner is given, mm.
func (p *printer) label(x, y float64, l Label) error {
	s := p.sheet
	pad := min(2.5, 0.07*s.LabelHeight)
	code, err := encode(l.Code)
	if err != nil {
		return err
	}
	side := min(s.LabelHeight-2*pad, 0.44*s.LabelWidth)
	modules := code.Bounds().Dx()
	if most := float64(modules+2*quiet) * 0.6; side > most {
		side = most // no telephone wants it larger
	}
	module := side / float64(modules+2*quiet)
	if module < leastModule {
		return fmt.Errorf("the code does not fit: its squares would be %.2f mm, and telephones want %.2f mm; take a label of at least %.0f mm", module, leastModule, math.Ceil(float64(modules+2*quiet)*leastModule+2*pad))
	}
	width := s.LabelWidth - side - 2*pad
	lines, ok := p.fit(l, width, s.LabelHeight-2*pad)
	if !ok {
		return fmt.Errorf("the text does not fit on %g x %g mm: take a larger label", s.LabelWidth, s.LabelHeight)
	}
	at := y + pad
	p.doc.SetTextColor(ink.rgb())
	for _, r := range lines {
		p.doc.SetFont(family, r.style, r.size)
		at += r.height()
		p.doc.Text(x+pad, at-0.2*r.height(), r.text)
	}
	p.code(code, x+s.LabelWidth-pad-side+quiet*module, y+(s.LabelHeight-side)/2+quiet*module, module)
	return nil
}

// fit finds the largest letters with which the text goes into the column; with
// the smallest it leaves out the cooking, then shortens the caution.
func (p *printer) fit(l Label, width, height float64) ([]labelLine, bool) {
	for _, text := range []Label{l, {l.Food, l.Lines, l.Strong, "", l.Caution, l.Short, l.Code}, {l.Food, l.Lines, l.Strong, "", l.Short, l.Short, l.Code}} {
		least := 6.0
		if text.Caution == l.Short {
			least = leastLetters
		}
		for size := float64(mostLetters); size >= least; size -= 0.25 {
			if lines, ok := p.lay(text, width, height, size); ok {
				return lines, true
			}
		}
	}
	return nil, false
}

// lay breaks the text of a label into lines with letters of one size; false
// where they are too high, or a word too wide.
func (p *printer) lay(l Label, width, height, size float64) (out []labelLine, ok bool) {
	used := 0.0
	add := func(text, style string, size float64) {
		p.doc.SetFont(family, style, size)
		words := strings.Fields(p.face.shown(text))
		line := ""
		for _, w := range words {
			next := strings.TrimSpace(line + " " + w)
			if line != "" && p.doc.GetStringWidth(next) > width {
				out, line = append(out, labelLine{line, style, size}), w
				continue
			}
			line = next
		}
		if line != "" {
			out = append(out, labelLine{line, style, size})
		}
	}
	add(l.Food, "B", 1.3*size)
	for _, line := range l.Lines {
		add(line, "", size)
	}
	if l.Strong != "" {
		add(l.Strong, "B", size)
	}
	add(l.Cooking, "", 0.9*size)
	add(l.Caution, "", 0.85*size)
	for _, r := range out {
		p.doc.SetFont(family, r.style, r.size)
		if p.doc.GetStringWidth(r.text) > width {
			return nil, false
		}
		used += r.height()
	}
	return out, used <= height
}

// encode makes the code of a text, as dense as needed.
func encode(text string) (barcode.Barcode, error) {
	if text == "" {
		return nil, errors.New("nothing to put into its code")
	}
	code, err := qr.Encode(text, qr.M, qr.Unicode)
	if err != nil {
		return nil, fmt.Errorf("cannot make a code of %d characters: %w", len(text), err)
	}
	return code, nil
}

// code draws the dark squares, those beside each other as one.
func (p *printer) code(code barcode.Barcode, x, y, module float64) {
	b := code.Bounds()
	p.doc.SetFillColor(0, 0, 0)
	for j := range b.Dy() {
		for i := 0; i < b.Dx(); i++ {
			n := 0
			for i+n < b.Dx() && dark(code, i+n, j) {
				n++
			}
			if n > 0 {
				p.doc.Rect(x+float64(i)*module, y+float64(j)*module, float64(n)*module, module, "F")
				i += n
			}
		}
	}
}

func dark(code barcode.Barcode, i, j int) bool {
	r, _, _, _ := code.At(code.Bounds().Min.X+i, code.Bounds().Min.Y+j).RGBA()
	return r < 0x8000
}
