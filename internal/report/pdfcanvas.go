package report

import (
	"errors"
	"image"
	"image/color"
	"math"

	"codeberg.org/go-pdf/fpdf"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
)

// pdfCanvas is a rectangle of a page of a PDF document as a canvas for charts,
// with its origin at the bottom left. (The canvas of the chart library makes a
// document of its own for each drawing, and has Western characters only.)
type pdfCanvas struct {
	doc        *fpdf.Fpdf
	face       typeface
	left, base float64 // of the origin, in points from the top left of the page
	width      vg.Length
	widths     []vg.Length
}

var _ vg.Canvas = (*pdfCanvas)(nil)

var errNoImages = errors.New("charts hold no images")

func (c *pdfCanvas) at(p vg.Point) (x, y float64) {
	return c.left + float64(p.X), c.base - float64(p.Y)
}

func (c *pdfCanvas) SetLineWidth(w vg.Length) {
	c.width = w
	c.doc.SetLineWidth(float64(w))
}

func (c *pdfCanvas) SetLineDash(pattern []vg.Length, offset vg.Length) {
	dashes := make([]float64, len(pattern))
	for i, d := range pattern {
		dashes[i] = float64(d)
	}
	c.doc.SetDashPattern(dashes, float64(offset))
}

func (c *pdfCanvas) SetColor(t color.Color) {
	if t == nil {
		t = color.Black
	}
	n := color.NRGBAModel.Convert(t).(color.NRGBA)
	r, g, b := int(n.R), int(n.G), int(n.B)
	c.doc.SetFillColor(r, g, b)
	c.doc.SetDrawColor(r, g, b)
	c.doc.SetTextColor(r, g, b)
}

func (c *pdfCanvas) Rotate(rad float64) {
	c.doc.TransformRotate(rad*180/math.Pi, c.left, c.base)
}

func (c *pdfCanvas) Translate(p vg.Point) {
	c.doc.TransformTranslate(float64(p.X), -float64(p.Y))
}

func (c *pdfCanvas) Scale(x, y float64) {
	c.doc.TransformScale(x*100, y*100, c.left, c.base)
}

func (c *pdfCanvas) Push() {
	c.widths = append(c.widths, c.width)
	c.doc.TransformBegin()
}

func (c *pdfCanvas) Pop() {
	c.doc.TransformEnd()
	c.width = c.widths[len(c.widths)-1]
	c.widths = c.widths[:len(c.widths)-1]
}

func (c *pdfCanvas) Stroke(p vg.Path) {
	if c.width > 0 && c.path(p) {
		c.doc.DrawPath("D")
	}
}

func (c *pdfCanvas) Fill(p vg.Path) {
	if c.path(p) {
		c.doc.DrawPath("F")
	}
}

// path lays a path; charts have straight lines only.
func (c *pdfCanvas) path(p vg.Path) bool {
	for _, comp := range p {
		x, y := c.at(comp.Pos)
		switch comp.Type {
		case vg.MoveComp:
			c.doc.MoveTo(x, y)
		case vg.LineComp:
			c.doc.LineTo(x, y)
		case vg.CloseComp:
			c.doc.ClosePath()
		default:
			c.doc.SetError(errors.New("charts have straight lines only"))
			return false
		}
	}
	return len(p) > 0
}

func (c *pdfCanvas) FillString(f font.Face, p vg.Point, s string) {
	if f.Font.Size <= 0 || s == "" {
		return
	}
	x, y := c.at(p)
	c.doc.SetFont(family, "", float64(f.Font.Size))
	c.doc.Text(x, y, c.face.shown(s))
}

func (c *pdfCanvas) DrawImage(vg.Rectangle, image.Image) { c.doc.SetError(errNoImages) }
