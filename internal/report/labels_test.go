package report

import (
	"bytes"
	"compress/zlib"
	"fmt"
	"image"
	"image/color"
	"io"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"
)

var madeOn = time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)

// The longest food and texts that the shipped catalog gives, in the invented
// Larch House.
func beans(n int) Label {
	return Label{
		Food: "Dry beans (common, Phaseolus)", Strong: "Contains: none of the nine",
		Lines:   []string{fmt.Sprintf("L-128 · %d of 12 · 2 L PET bottle", n), "1.6 kg (3.5 lb) net", "packed 14 Mar 2026", "absorber 300 cm³"},
		Cooking: "Cook: Soak overnight, pour off, boil hard 30 min in fresh water, simmer until soft. Never in a slow cooker alone.",
		Caution: "Holds an oxygen absorber: not food, keep from children. Do not eat if it bulges, leaks, is damp, mouldy or smells off: when in doubt, throw it out.",
		Short:   "Absorber inside: not food. When in doubt, throw it out.",
		Code: fmt.Sprintf("Lot: L-128, container %d of 12\nFood: Dry beans (common, Phaseolus)\nPacked: 2026-03-14\nNet: 1.6 kg\nTreatment: absorber 300 cm³\nMoisture: 9.5 %%\nSite: larch-house",
			n),
	}
}

func sheetOf(t *testing.T, o SheetOrder) Sheet {
	t.Helper()
	s, err := o.Read()
	if err != nil {
		t.Fatalf("%+v: %v", o, err)
	}
	return s
}

// streams are the drawing commands of each page of a PDF.
func streams(t *testing.T, pdf []byte) (pages []string) {
	t.Helper()
	for rest := pdf; ; {
		i := bytes.Index(rest, []byte("stream\n"))
		if i < 0 {
			return pages
		}
		rest = rest[i+len("stream\n"):]
		if r, err := zlib.NewReader(bytes.NewReader(rest)); err == nil {
			if text, err := io.ReadAll(r); err == nil && bytes.Contains(text, []byte(" re f")) {
				pages = append(pages, string(text))
			}
		}
		if j := bytes.Index(rest, []byte("endstream")); j >= 0 {
			rest = rest[j+len("endstream"):]
		}
	}
}

var squares = regexp.MustCompile(`(?m)^([\d.-]+) ([\d.-]+) ([\d.-]+) ([\d.-]+) re f$`)

// decoded draws the squares squares of a page that lie in a part of the paper,
// given in mm from its upper left corner, and reads the code there.
func decoded(t *testing.T, page string, s Sheet, x, y float64) (string, error) {
	t.Helper()
	const scale = 20 // pixels in a mm
	img := image.NewGray(image.Rect(0, 0, int(s.LabelWidth*scale), int(s.LabelHeight*scale)))
	for i := range img.Pix {
		img.Pix[i] = 255
	}
	for _, m := range squares.FindAllStringSubmatch(page, -1) {
		var v [4]float64
		for i := range v {
			f, err := strconv.ParseFloat(m[i+1], 64)
			if err != nil {
				t.Fatal(err)
			}
			v[i] = f * pointMM
		}
		left, top, wide, high := v[0]-x, s.Height-v[1]-y, v[2], -v[3] // fpdf writes from the upper edge down
		if high < 0 {
			top, high = top+high, -high
		}
		for j := int(top*scale + 0.5); j < int((top+high)*scale+0.5); j++ {
			for i := int(left*scale + 0.5); i < int((left+wide)*scale+0.5); i++ {
				if (image.Point{X: i, Y: j}).In(img.Rect) {
					img.SetGray(i, j, color.Gray{})
				}
			}
		}
	}
	bits, err := gozxing.NewBinaryBitmapFromImage(img)
	if err != nil {
		return "", err
	}
	r, err := qrcode.NewQRCodeReader().Decode(bits, map[gozxing.DecodeHintType]any{gozxing.DecodeHintType_TRY_HARDER: true, gozxing.DecodeHintType_CHARACTER_SET: "UTF-8"})
	if err != nil {
		return "", err
	}
	return r.GetText(), nil
}

// On every sheet that is known, and on tape, the text fits and a reader of
// another make reads from the page what was put into the code.
func TestLabelsFitAndAreRead(t *testing.T) {
	f := func(name string, o SheetOrder) {
		t.Helper()
		s := sheetOf(t, o)
		per := s.Columns * s.Rows
		var labels []Label
		for n := range per + 1 - s.Skip {
			labels = append(labels, beans(n+1))
		}
		var pdf bytes.Buffer
		if err := WriteLabels(&pdf, s, labels, madeOn); err != nil {
			t.Errorf("%s: %v", name, err)
			return
		}
		pages := streams(t, pdf.Bytes())
		if len(pages) != 2 {
			t.Fatalf("%s: %d pages, want 2", name, len(pages))
		}
		for _, n := range []int{s.Skip, per - 1} {
			x := s.Left + float64(n%s.Columns)*(s.LabelWidth+s.GapX)
			y := s.Top + float64(n/s.Columns)*(s.LabelHeight+s.GapY)
			got, err := decoded(t, pages[0], s, x, y)
			if want := beans(n + 1 - s.Skip).Code; err != nil || got != want {
				t.Errorf("%s, place %d: %q, %v; want %q", name, n, got, err, want)
			}
		}
	}
	for _, c := range CommonSheets() {
		grid, paper, _ := strings.Cut(c, " ")
		f(c, SheetOrder{Sheet: grid, Paper: paper})
	}
	f("a used sheet", SheetOrder{Sheet: "3x8", Skip: 5})
	f("a sheet by its sizes", SheetOrder{Sheet: "2x6", Label: "95x45mm", Margin: "10,8", Gap: "2,1"})
	f("a tape", SheetOrder{Tape: "62mm"})
	f("a longer tape", SheetOrder{Tape: "62", Label: "62x50mm"})
}

// Letters grow with the label; nothing is wider than its column or higher than
// the label.
func TestLabelText(t *testing.T) {
	size := func(o SheetOrder, l Label) (float64, []labelLine) {
		t.Helper()
		s := sheetOf(t, o)
		face, err := loadTypeface()
		if err != nil {
			t.Fatal(err)
		}
		p := printer{doc: newLabels(s), face: face, sheet: s}
		lines, ok := p.fit(l, s.LabelWidth*0.55, s.LabelHeight-4)
		if !ok {
			t.Fatalf("%+v: does not fit", o)
		}
		high := 0.0
		for _, r := range lines {
			p.doc.SetFont(family, r.style, r.size)
			if w := p.doc.GetStringWidth(r.text); w > s.LabelWidth*0.55 {
				t.Errorf("%+v: %q is %.1f mm wide", o, r.text, w)
			}
			high += r.height()
		}
		if high > s.LabelHeight-4 {
			t.Errorf("%+v: %.1f mm high", o, high)
		}
		return lines[0].size, lines
	}
	small, few := size(SheetOrder{Sheet: "3x10", Paper: "letter"}, beans(1))
	large, all := size(SheetOrder{Sheet: "2x4"}, beans(1))
	if !(large > small) {
		t.Errorf("letters of %g points on the large label, %g on the small one", large, small)
	}
	text := func(lines []labelLine) string {
		var b strings.Builder
		for _, l := range lines {
			b.WriteString(l.text + " ")
		}
		return b.String()
	}
	for _, want := range []string{"Soak overnight", "keep from children", "throw it out", "Contains"} {
		if !strings.Contains(text(all), want) {
			t.Errorf("the large label lacks %q: %s", want, text(all))
		}
	}
	for _, want := range []string{"packed 14 Mar 2026", "not food", "throw it out", "Contains"} { // never left out
		if !strings.Contains(text(few), want) {
			t.Errorf("the small label lacks %q: %s", want, text(few))
		}
	}
}

func TestLabelsRefuse(t *testing.T) {
	f := func(o SheetOrder, want string) {
		t.Helper()
		if _, err := o.Read(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", o, err, want)
		}
	}
	f(SheetOrder{Sheet: "eight"}, "write columns and rows, as 3x8")
	f(SheetOrder{Sheet: "3x8.5"}, "write columns and rows, as 3x8")
	f(SheetOrder{Sheet: "5x13"}, "give the size of its labels, as 70x37mm")
	f(SheetOrder{Paper: "a9"}, "it is a4 or letter")
	f(SheetOrder{Sheet: "3x8", Label: "90x37mm"}, "beyond the paper of 210 x 297 mm")
	f(SheetOrder{Sheet: "3x8", Label: "70"}, "write width and height")
	f(SheetOrder{Sheet: "3x8", Label: "NaNx37"}, "write width and height")
	f(SheetOrder{Sheet: "3x8", Margin: "5"}, "write that above")
	f(SheetOrder{Sheet: "3x8", Skip: 24}, "the sheet has 24 places")
	f(SheetOrder{Tape: "6mm"}, "write its width, 12 to 200 mm")
	f(SheetOrder{Tape: "62mm", Sheet: "3x8"}, "a tape has no sheet")
	f(SheetOrder{Tape: "62mm", Label: "50x40mm"}, "as 62x40mm")
	w := func(s Sheet, labels []Label, want string) {
		t.Helper()
		if err := WriteLabels(io.Discard, s, labels, madeOn); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
	a4 := sheetOf(t, SheetOrder{})
	w(a4, nil, "0 labels: ask for 1 to 5000")
	long := beans(1)
	long.Food = strings.Repeat("W", 200)
	w(a4, []Label{long}, "the text does not fit on 70 x 37 mm")
	long = beans(1)
	long.Code = strings.Repeat("x", 3000)
	w(a4, []Label{long}, "cannot make a code of 3000 characters")
	w(sheetOf(t, SheetOrder{Sheet: "8x15", Label: "24x18mm"}), []Label{beans(1)}, "the code does not fit")
}
