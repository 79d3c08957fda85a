package report

import (
	"bytes"
	"fmt"
	"html"
	"strings"

	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"
)

// fontFamily names faces of the same widths as the one text is measured by.
const fontFamily = "Liberation Sans, Arimo, Arial, Helvetica, sans-serif"

// svg renders the chart for a page: it takes the width it is given, and says
// in words what it shows.
func (c chart) svg(f typeface) (string, error) {
	canvas := vgsvg.NewWith(vgsvg.UseWH(c.width, c.height))
	c.paint(sheet{draw.New(canvas), f})
	var b bytes.Buffer
	if _, err := canvas.WriteTo(&b); err != nil {
		return "", fmt.Errorf("cannot render the chart %q: %w", c.Caption, err)
	}
	// The renderer's head has a fixed size and an XML declaration, which have
	// no place in a page; and it repeats the face at every text.
	_, body, found := strings.Cut(b.String(), "xmlns:xlink=\"http://www.w3.org/1999/xlink\">\n")
	if !found {
		return "", fmt.Errorf("cannot render the chart %q: the head of its SVG is not as expected", c.Caption)
	}
	body = strings.ReplaceAll(body, "font-family:Liberation Sans;font-variant:none;font-weight:normal;font-style:normal;", "")
	body = strings.ReplaceAll(body, "\n\tstyle", " style")
	return fmt.Sprintf("<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 %.5g %.5g\" font-family=\"%s\" role=\"img\" aria-label=\"%s\">\n%s",
		float64(c.width), float64(c.height), fontFamily, html.EscapeString(c.Caption), body), nil
}
