package report

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Sheet is where labels stand on paper, mm.
type Sheet struct {
	Width, Height           float64 // of the paper
	Columns, Rows           int
	LabelWidth, LabelHeight float64
	Top, Left               float64 // margins to the first label
	GapX, GapY              float64 // between labels
	Skip                    int     // places that are used already
}

// SheetOrder is a sheet as a person asks for it; what is left out is that of a
// common sheet with as many labels, or follows from the paper.
type SheetOrder struct {
	Sheet  string // "3x8": columns and rows
	Paper  string // a4 or letter
	Label  string // "70x37mm"
	Margin string // "top,left" in mm
	Gap    string // "across,down" in mm
	Tape   string // "62mm": single labels of that width on a tape, instead of a sheet
	Skip   int
}

// commonSheet is a sheet of labels that is widely sold, by its dimensions.
type commonSheet struct {
	paper         string
	columns, rows int
	width, height float64
	top, left     float64
	gapX, gapY    float64
}

// commonSheets lists them (common practice, no source): sizes as printed on the
// boxes, inches as 25.4 mm.
func commonSheets() []commonSheet {
	return []commonSheet{
		{"a4", 3, 8, 70, 37, 0.5, 0, 0, 0},
		{"a4", 3, 7, 63.5, 38.1, 15.15, 7.25, 2.5, 0},
		{"a4", 2, 7, 99.1, 38.1, 15.15, 4.65, 2.5, 0},
		{"a4", 2, 4, 99.1, 67.7, 13.1, 4.65, 2.5, 0},
		{"a4", 2, 5, 105, 57, 6, 0, 0, 0},
		{"a4", 4, 10, 52.5, 29.7, 0, 0, 0, 0},
		{"letter", 3, 10, 66.675, 25.4, 12.7, 4.7625, 3.175, 0},
		{"letter", 2, 10, 101.6, 25.4, 12.7, 3.96875, 4.7625, 0},
		{"letter", 2, 5, 101.6, 50.8, 12.7, 3.96875, 4.7625, 0},
		{"letter", 2, 3, 101.6, 84.6, 12.7, 3.96875, 4.7625, 0},
	}
}

// CommonSheets names the sheets known by their number of labels.
func CommonSheets() (out []string) {
	for _, c := range commonSheets() {
		out = append(out, fmt.Sprintf("%dx%d %s", c.columns, c.rows, c.paper))
	}
	return out
}

// Read reads an order. The error says what is wrong and how to mend it.
func (o SheetOrder) Read() (Sheet, error) {
	if o.Tape != "" {
		return o.tape()
	}
	paper := strings.ToLower(strings.TrimSpace(o.Paper))
	if paper == "" {
		paper = "a4"
	}
	s := Sheet{Skip: o.Skip}
	switch paper {
	case "a4":
		s.Width, s.Height = 210, 297
	case "letter":
		s.Width, s.Height = 215.9, 279.4
	default:
		return s, fmt.Errorf("paper %q: it is a4 or letter", o.Paper)
	}
	grid := o.Sheet
	if grid == "" {
		grid = map[string]string{"a4": "3x8", "letter": "2x5"}[paper]
	}
	columns, rows, err := pair(grid, "x")
	if err != nil || columns != float64(int(columns)) || rows != float64(int(rows)) || columns < 1 || rows < 1 || columns > 20 || rows > 50 {
		return s, fmt.Errorf("sheet %q: write columns and rows, as 3x8", o.Sheet)
	}
	s.Columns, s.Rows = int(columns), int(rows)
	common := slices.IndexFunc(commonSheets(), func(c commonSheet) bool { return c.paper == paper && c.columns == s.Columns && c.rows == s.Rows })
	if common >= 0 {
		c := commonSheets()[common]
		s.LabelWidth, s.LabelHeight, s.Top, s.Left, s.GapX, s.GapY = c.width, c.height, c.top, c.left, c.gapX, c.gapY
	} else if o.Label == "" {
		return s, fmt.Errorf("sheet %s on %s is none of %s: give the size of its labels, as 70x37mm", grid, paper, strings.Join(CommonSheets(), ", "))
	}
	return s, o.sizes(&s)
}

// sizes takes what the order says of the sizes. Without margins the labels stand
// in the middle of the paper.
func (o SheetOrder) sizes(s *Sheet) (err error) {
	if o.Gap != "" {
		if s.GapX, s.GapY, err = pair(o.Gap, ","); err != nil {
			return fmt.Errorf("gap %q: write that across and that down in mm, as 2.5,0", o.Gap)
		}
	} else if o.Label != "" {
		s.GapX, s.GapY = 0, 0
	}
	if o.Label != "" {
		if s.LabelWidth, s.LabelHeight, err = pair(o.Label, "x"); err != nil {
			return fmt.Errorf("label %q: write width and height, as 70x37mm", o.Label)
		}
	}
	switch {
	case o.Margin != "":
		if s.Top, s.Left, err = pair(o.Margin, ","); err != nil {
			return fmt.Errorf("margin %q: write that above and that on the left in mm, as 15.15,7.25", o.Margin)
		}
	case o.Label != "" || o.Gap != "":
		s.Left = (s.Width - float64(s.Columns)*s.LabelWidth - float64(s.Columns-1)*s.GapX) / 2
		s.Top = (s.Height - float64(s.Rows)*s.LabelHeight - float64(s.Rows-1)*s.GapY) / 2
	}
	return s.check()
}

// tape is single labels, each a page of its own.
func (o SheetOrder) tape() (Sheet, error) {
	wide, err := millimetres(o.Tape)
	if err != nil || !(wide >= 12 && wide <= 200) {
		return Sheet{}, fmt.Errorf("tape %q: write its width, 12 to 200 mm, as 62mm", o.Tape)
	}
	s := Sheet{Width: wide, Height: max(30, 0.6*wide), Columns: 1, Rows: 1}
	if o.Label != "" {
		if s.Width, s.Height, err = pair(o.Label, "x"); err != nil || s.Width != wide {
			return Sheet{}, fmt.Errorf("label %q on a tape of %g mm: write its width and length, as %gx40mm", o.Label, wide, wide)
		}
	}
	if o.Sheet != "" || o.Skip != 0 {
		return Sheet{}, fmt.Errorf("a tape has no sheet and no used places: give either the tape or the sheet")
	}
	s.LabelWidth, s.LabelHeight = s.Width, s.Height
	return s, s.check()
}

func pair(text, between string) (a, b float64, err error) {
	first, second, found := strings.Cut(strings.ToLower(text), between)
	if !found {
		return 0, 0, fmt.Errorf("%q has no %q", text, between)
	}
	if a, err = millimetres(first); err != nil {
		return 0, 0, err
	}
	b, err = millimetres(second)
	return a, b, err
}

func millimetres(text string) (float64, error) {
	v, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(text), "mm")), 64)
	if err != nil || !(v >= 0 && v <= 2000) {
		return 0, fmt.Errorf("%q is no length in mm", text)
	}
	return v, nil
}

// slack is how far labels may reach over the edge of the paper, mm: sizes on
// boxes are rounded.
const slack = 1

func (s Sheet) check() error {
	wide := s.Left + float64(s.Columns)*s.LabelWidth + float64(s.Columns-1)*s.GapX
	high := s.Top + float64(s.Rows)*s.LabelHeight + float64(s.Rows-1)*s.GapY
	switch {
	case !(s.LabelWidth >= 20 && s.LabelHeight >= 15):
		return fmt.Errorf("a label of %g x %g mm is too small: take at least 20 x 15 mm", s.LabelWidth, s.LabelHeight)
	case s.Left < -slack || s.Top < -slack || wide > s.Width+slack || high > s.Height+slack:
		return fmt.Errorf("%d x %d labels of %g x %g mm reach to %.1f x %.1f mm, beyond the paper of %g x %g mm", s.Columns, s.Rows, s.LabelWidth, s.LabelHeight, wide, high, s.Width, s.Height)
	case s.Skip < 0 || s.Skip >= s.Columns*s.Rows:
		return fmt.Errorf("skip %d: the sheet has %d places", s.Skip, s.Columns*s.Rows)
	}
	return nil
}
