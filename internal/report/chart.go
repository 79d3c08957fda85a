package report

import (
	"fmt"
	"image/color"
	"math"
	"strconv"
	"strings"
	"time"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	xfont "golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/font/sfnt"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Charts are drawn on the canvas of gonum/plot (vg, vg/draw), which renders
// them as SVG; the same drawing goes to PDF. Its package plot is left out:
// that brings ten fonts and four renderers into the binary for an axis.

// tone is a colour as 0xRRGGBB. Tones tell apart by lightness, so that they
// also do for the colour blind and on a grey printer.
type tone uint32

const (
	ink     tone = 0x23201a
	soft    tone = 0x5c564a
	rule    tone = 0xd8d1c2
	blue    tone = 0x0b5a8a
	band    tone = 0x9fc3da
	orange  tone = 0xb84a00
	gained  tone = 0x5aa0c8
	ahead   tone = 0xd5dfe3
	missing tone = 0x8a8577
)

func (t tone) color() color.Color {
	return color.NRGBA{uint8(t >> 16), uint8(t >> 8), uint8(t), 0xff}
}

// typeface is Liberation Sans, by which text is measured in every format.
type typeface struct {
	cache *font.Cache
	sans  *opentype.Font
}

const face font.Typeface = "Liberation"

func loadTypeface() (typeface, error) {
	regular, err := opentype.Parse(liberationsansregular.TTF)
	if err != nil {
		return typeface{}, fmt.Errorf("cannot read the embedded font: %w", err)
	}
	bold, err := opentype.Parse(liberationsansbold.TTF)
	if err != nil {
		return typeface{}, fmt.Errorf("cannot read the embedded bold font: %w", err)
	}
	return typeface{font.NewCache(font.Collection{
		{Font: font.Font{Typeface: face}, Face: regular},
		{Font: font.Font{Typeface: face, Weight: xfont.WeightBold}, Face: bold},
	}), regular}, nil
}

// has reports whether the font can show the character.
func (f typeface) has(r rune) bool {
	var buf sfnt.Buffer
	i, err := f.sans.GlyphIndex(&buf, r)
	return err == nil && i != 0
}

// shown is s with a question mark for what the font cannot show in a PDF: also
// for characters beyond the first plane, which the PDF library does not write.
func (f typeface) shown(s string) string {
	return strings.Map(func(r rune) rune {
		if r == ' ' || r == '\u00a0' || r == '\u202f' {
			return ' '
		}
		if r > 0xffff || !f.has(r) {
			return '?'
		}
		return r
	}, s)
}

func (f typeface) width(s string, size vg.Length) vg.Length {
	face := f.cache.Lookup(font.Font{Typeface: face}, size)
	return face.Width(s)
}

// cut shortens s with an ellipsis until it fits.
func (f typeface) cut(s string, size, width vg.Length) string {
	if f.width(s, size) <= width {
		return s
	}
	runes := []rune(s)
	for len(runes) > 0 && f.width(string(runes)+"…", size) > width {
		runes = runes[:len(runes)-1]
	}
	return string(runes) + "…"
}

// chart is a drawing of a fixed size in points.
type chart struct {
	Title, Caption string
	width, height  vg.Length
	paint          func(sheet)
}

// sheet is what a chart is painted on: origin at the bottom left, in points.
type sheet struct {
	draw.Canvas
	typeface
}

const small = vg.Length(7.5) // size of the text of charts

// The places of text beside its point.
const (
	atLeft   = draw.XLeft
	atCenter = draw.XCenter
	atRight  = draw.XRight
)

// write puts a line of text on the baseline y.
func (s sheet) write(x, y vg.Length, align text.XAlignment, t tone, words string) {
	f := font.Font{Typeface: face, Size: small}
	x += vg.Length(align) * s.width(words, small)
	s.SetColor(t.color())
	s.FillString(s.cache.Lookup(f, small), vg.Point{X: x, Y: y}, words)
}

func (s sheet) line(t tone, width vg.Length, dashes []vg.Length, pts ...vg.Point) {
	if len(pts) > 1 {
		s.StrokeLines(draw.LineStyle{Color: t.color(), Width: width, Dashes: dashes}, pts)
	}
}

func (s sheet) box(t tone, x0, y0, x1, y1 vg.Length) {
	s.FillPolygon(t.color(), []vg.Point{{X: x0, Y: y0}, {X: x1, Y: y0}, {X: x1, Y: y1}, {X: x0, Y: y1}})
}

// hatch marks an unknown stretch: an empty frame with oblique lines.
func (s sheet) hatch(x0, y0, x1, y1 vg.Length) {
	const step = 3.5
	height := y1 - y0
	for x := x0 - height + step/2; x < x1; x += step { // the line from (x, y0) to (x+height, y1), cut to the frame
		from, to := max(x, x0), min(x+height, x1)
		if to > from {
			s.line(missing, 0.4, nil, vg.Point{X: from, Y: y0 + from - x}, vg.Point{X: to, Y: y0 + to - x})
		}
	}
	s.line(missing, 0.4, nil, vg.Point{X: x0, Y: y0}, vg.Point{X: x1, Y: y0}, vg.Point{X: x1, Y: y1}, vg.Point{X: x0, Y: y1}, vg.Point{X: x0, Y: y0})
}

// key is one entry of a legend: a swatch, painted in the box from (x0, y0) to
// (x1, y1), and words.
type key struct {
	words string
	swab  func(s sheet, x0, y0, x1, y1 vg.Length)
}

func filled(t tone) func(sheet, vg.Length, vg.Length, vg.Length, vg.Length) {
	return func(s sheet, x0, y0, x1, y1 vg.Length) { s.box(t, x0, y0, x1, y1) }
}

func stroked(t tone, width vg.Length, dashes ...vg.Length) func(sheet, vg.Length, vg.Length, vg.Length, vg.Length) {
	return func(s sheet, x0, y0, x1, y1 vg.Length) {
		s.line(t, width, dashes, vg.Point{X: x0, Y: (y0 + y1) / 2}, vg.Point{X: x1, Y: (y0 + y1) / 2})
	}
}

func hatched(s sheet, x0, y0, x1, y1 vg.Length) { s.hatch(x0, y0, x1, y1) }

const (
	keyLine   = vg.Length(11)
	keySwatch = vg.Length(12)
)

// legend places the entries from the left and returns its height; without a
// sheet it only measures.
func (f typeface) legend(s *sheet, keys []key, width, top vg.Length) vg.Length {
	x, y := vg.Length(0), top-keyLine
	for _, k := range keys {
		w := keySwatch + 3 + f.width(k.words, small) + 12
		if x > 0 && x+w-12 > width {
			x, y = 0, y-keyLine
		}
		if s != nil {
			k.swab(*s, x, y+1, x+keySwatch, y+7)
			s.write(x+keySwatch+3, y+1.5, atLeft, soft, k.words)
		}
		x += w
	}
	return top - y + 4
}

// tick is a mark of an axis at v, in days or in the unit of the chart.
type tick struct {
	v     float64
	label string
	year  string // below the label, where a year begins
}

// steps are at most about n even ticks that cover lo to hi.
func steps(lo, hi float64, n int) []tick {
	raw := (hi - lo) / float64(n)
	step := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, f := range []float64{1, 2, 5, 10} {
		if step*f >= raw {
			step *= f
			break
		}
	}
	decimals := max(0, -int(math.Floor(math.Log10(step)+1e-9)))
	var out []tick
	for i := math.Ceil(lo/step - 1e-9); i*step <= hi+step*1e-9; i++ {
		out = append(out, tick{v: i * step, label: Number(i * step).round(decimals).text(decimals)})
	}
	return out
}

// calendar are ticks between two days with labels at least apart points from
// each other on an axis so many points long.
func calendar(from, to int, length, apart vg.Length) []tick {
	days := float64(to - from)
	room := int(max(1, length/apart))
	first := time.Unix(int64(from)*86400, 0).UTC()
	var out []tick
	if days <= 45 {
		every := int(math.Ceil(days / float64(room)))
		for d := from; d <= to; d += max(1, every) {
			out = append(out, tick{v: float64(d), label: time.Unix(int64(d)*86400, 0).UTC().Format("2 Jan")})
		}
		return out
	}
	months := 1200
	for _, m := range []int{1, 2, 3, 6, 12, 24, 60, 120, 240, 600} {
		if days/30.44/float64(m) <= float64(room) {
			months = m
			break
		}
	}
	month := 12*first.Year() + int(first.Month()) - 1
	for month = (month + months - 1) / months * months; ; month += months {
		at := time.Date(month/12, time.Month(month%12+1), 1, 0, 0, 0, 0, time.UTC)
		d := int(at.Unix() / 86400)
		switch {
		case d > to:
			return out
		case d < from:
			continue
		case months >= 12:
			out = append(out, tick{v: float64(d), label: strconv.Itoa(at.Year())})
		case len(out) == 0 || at.Month() == 1:
			out = append(out, tick{float64(d), at.Format("Jan"), strconv.Itoa(at.Year())})
		default:
			out = append(out, tick{v: float64(d), label: at.Format("Jan")})
		}
	}
}
