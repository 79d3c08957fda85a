package web

import (
	"math"
	"strconv"

	"dryhold/internal/review"
)

// Charts are drawn here, as numbers for the templates: lengths along a chart
// are shares of its width in percent, so that it fits any screen without a
// script and its text keeps its size.

// A lossScale maps values to shares of a chart, from a lower to an upper tick; 0 is
// always on it.
type lossScale struct {
	low, high, step float64
}

// mostTicks bounds the steps of a scale.
const mostTicks = 6

// lossScaleTo is the scale for values from low to high, in steps of 1, 2 or 5 times
// a power of ten. It is never empty.
func lossScaleTo(low, high float64) lossScale {
	low, high = min(low, 0), max(high, 0)
	if !(high-low > 0) || math.IsInf(high-low, 0) {
		return lossScale{0, 1, 1}
	}
	step := math.Pow(10, math.Floor(math.Log10((high-low)/mostTicks)))
	for _, times := range []float64{1, 2, 5, 10, 20} {
		by := step * times
		s := lossScale{math.Floor(low/by+1e-9) * by, math.Ceil(high/by-1e-9) * by, by}
		if s.high-s.low <= (mostTicks+0.5)*by {
			return s
		}
	}
	return lossScale{low, high, high - low}
}

// at is the share of the way from the lower to the upper end.
func (s lossScale) at(v float64) float64 { return (v - s.low) / (s.high - s.low) }

// ticks are the values marked, from the lowest.
func (s lossScale) ticks() (out []float64) {
	for i := math.Round(s.low / s.step); i*s.step <= s.high+s.step/2; i++ {
		out = append(out, i*s.step)
	}
	return out
}

// decimals are those that tell its ticks apart.
func (s lossScale) decimals() int {
	return max(0, -int(math.Floor(math.Log10(s.step)+1e-9)))
}

// causePart is a stretch of a bar, by one cause: From is nearer to 0.
type causePart struct {
	Cause    string
	From, To float64
}

// stacked puts the parts of a loss on one another, what was lost above 0 and
// what was gained below it.
func stacked(p review.Parts) (out []causePart) {
	above, below := 0.0, 0.0
	for _, c := range []causePart{{"heat", 0, p.Heat}, {"moisture", 0, p.Moisture}, {"oxygen", 0, p.Oxygen}, {"light", 0, p.Light}} {
		switch v := c.To; {
		case v > 0:
			out = append(out, causePart{c.Cause, above, above + v})
			above += v
		case v < 0:
			out = append(out, causePart{c.Cause, below, below + v})
			below += v
		}
	}
	return out
}

// lossScaleOf is the scale on which all of the losses fit.
func lossScaleOf(all []review.Parts) lossScale {
	low, high := 0.0, 0.0
	for _, p := range all {
		for _, x := range stacked(p) {
			low, high = min(low, x.To), max(high, x.To)
		}
	}
	return lossScaleTo(low, high)
}

// chartBox is a rectangle of a drawing; Y and Height are px, and X and Width percent.
type chartBox struct {
	X, Y, Width, Height string
	Cause               string // by which it is toned
}

// columnChart is a drawing of columns side by side.
type columnChart struct {
	Title    string // what it is, for who does not see it
	Height   string
	Zero     string // y of the line of 0
	Ticks    []chartTick
	Columns  []lossColumn
	Captions []chartTick
}

// chartTick is a mark beside an axis, at a place along it.
type chartTick struct {
	Place, Text string
	Long        bool // the text of it stands in the second row
}

type lossColumn struct {
	Title string // what a pointer over it shows
	Boxes []chartBox
}

// The height of the plot, px, the room above it for the topmost mark, and the
// share of its place that a column takes.
const (
	plotHeight, plotTop = 200.0, 10.0
	columnShare         = 0.7
)

func chartPX(v float64) string { return strconv.FormatFloat(v, 'f', 2, 64) }

// chartWidth is a share as SVG has it.
func chartWidth(share float64) string { return strconv.FormatFloat(100*share, 'f', 3, 64) + "%" }

// leastColumns is for how many there is room at least, so that a few stay slim.
const leastColumns = 6

// columnPlace is the share of the width that each of so many columns has.
func columnPlace(n int) float64 { return 1 / float64(max(leastColumns, n)) }

// columns draws the losses as columns on their common scale; titles are what
// they are.
func (p *pageContext) columns(title string, losses []review.Parts, titles []string) columnChart {
	s := lossScaleOf(losses)
	y := func(v float64) float64 { return plotTop + plotHeight*(1-s.at(v)) }
	c := columnChart{Title: title, Height: chartPX(plotTop + plotHeight + 4), Zero: chartPX(y(0))}
	for _, v := range s.ticks() {
		c.Ticks = append(c.Ticks, chartTick{chartPX(y(v)), p.number(v, s.decimals()), false})
	}
	place := columnPlace(len(losses))
	for i, l := range losses {
		x := lossColumn{Title: titles[i]}
		for _, q := range stacked(l) {
			top, bottom := y(max(q.From, q.To)), y(min(q.From, q.To))
			x.Boxes = append(x.Boxes, chartBox{chartWidth((float64(i) + (1-columnShare)/2) * place), chartPX(top), chartWidth(columnShare * place), chartPX(bottom - top), q.Cause})
		}
		c.Columns = append(c.Columns, x)
	}
	return c
}

// barRow is a row with a bar along it.
type barRow struct {
	Name, Link, Text string
	Boxes            []chartBox
	Zero             string // x of the line of 0
}

// lossBars draws the losses as bars along rows on their common scale.
func lossBars(losses []review.Parts) (out []barRow) {
	s := lossScaleOf(losses)
	for _, l := range losses {
		r := barRow{Zero: chartWidth(s.at(0))}
		for _, q := range stacked(l) {
			left, right := s.at(min(q.From, q.To)), s.at(max(q.From, q.To))
			r.Boxes = append(r.Boxes, chartBox{X: chartWidth(left), Width: chartWidth(right - left), Cause: q.Cause})
		}
		out = append(out, r)
	}
	return out
}

// bandBar is a band with what is likely in it, along a row; empty where there is none.
type bandBar struct {
	X, Width, Likely, Zero string
}

// bandBars draws bands on their common scale; nil stands for none.
func bandBars(bands []*[3]float64) []bandBar {
	low, high := 0.0, 0.0
	for _, b := range bands {
		if b != nil {
			low, high = min(low, b[0], b[1]), max(high, b[2], b[1])
		}
	}
	s, out := lossScaleTo(low, high), make([]bandBar, len(bands))
	for i, b := range bands {
		if b != nil {
			out[i] = bandBar{chartWidth(s.at(b[0])), chartWidth(s.at(b[2]) - s.at(b[0])), chartWidth(s.at(b[1])), chartWidth(s.at(0))}
		}
	}
	return out
}
