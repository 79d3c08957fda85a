package web

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/review"
)

// A scale has 0 on it, takes in all it is made for, and marks a few places that
// read apart.
func TestLossScales(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size := math.Pow(10, rapid.Float64Range(-6, 9).Draw(t, "size"))
		low, high := size*rapid.Float64Range(-1, 1).Draw(t, "low"), size*rapid.Float64Range(-1, 1).Draw(t, "high")
		s := lossScaleTo(low, high)
		if s.low > min(low, 0)+1e-9*size || s.high < max(high, 0)-1e-9*size || s.at(0) < 0 || s.at(0) > 1 {
			t.Fatalf("%g to %g on a scale of %g to %g", low, high, s.low, s.high)
		}
		ticks := s.ticks()
		if len(ticks) < 2 || len(ticks) > mostTicks+2 {
			t.Fatalf("%d ticks from %g to %g by %g", len(ticks), s.low, s.high, s.step)
		}
		seen := map[string]bool{}
		for _, v := range ticks {
			seen[english().number(v, s.decimals())] = true
		}
		if len(seen) != len(ticks) {
			t.Fatalf("of %d ticks %d read apart: by %g with %d decimals", len(ticks), len(seen), s.step, s.decimals())
		}
	})
	for _, none := range [][2]float64{{0, 0}, {math.NaN(), 0}, {0, math.Inf(1)}} {
		if s := lossScaleTo(none[0], none[1]); s != (lossScale{0, 1, 1}) {
			t.Errorf("%v gives %v", none, s)
		}
	}
}

// Parts lie on one another without a gap, what was lost above 0 and what was
// gained below, and make up the loss.
func TestStackedParts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := func(name string) float64 { return rapid.Float64Range(-100, 100).Draw(t, name) }
		p := review.Parts{Heat: v("heat"), Moisture: v("moisture"), Oxygen: v("oxygen"), Light: v("light")}
		above, below, sum := 0.0, 0.0, 0.0
		for _, x := range stacked(p) {
			switch {
			case x.To >= x.From && x.From == above:
				above = x.To
			case x.To <= x.From && x.From == below:
				below = x.To
			default:
				t.Fatalf("%s lies from %g to %g, beside %g and %g", x.Cause, x.From, x.To, above, below)
			}
			sum += x.To - x.From
		}
		if math.Abs(sum-p.Sum()) > 1e-9 {
			t.Fatalf("%g in all, want %g", sum, p.Sum())
		}
	})
}

// By hand: 10 days lost by heat and 5 gained by oxygen fill a scale of -5 to 10,
// so 200 px are 15 days and 0 lies 66.67 px above the bottom; of the six places
// that there are at least, each column takes 0.7 of one.
func TestColumnsByHand(t *testing.T) {
	c := english().columns("x", []review.Parts{{Heat: 10, Oxygen: -5}, {Light: 5}}, []string{"June", "July"})
	want := columnChart{
		Title: "x", Height: "214.00", Zero: "143.33",
		Ticks: []chartTick{{"210.00", "−5", false}, {"143.33", "0", false}, {"76.67", "5", false}, {"10.00", "10", false}},
		Columns: []lossColumn{
			{"June", []chartBox{{"2.500%", "10.00", "11.667%", "133.33", "heat"}, {"2.500%", "143.33", "11.667%", "66.67", "oxygen"}}},
			{"July", []chartBox{{"19.167%", "76.67", "11.667%", "66.67", "light"}}},
		},
	}
	if d := cmp.Diff(want, c); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	bars := lossBars([]review.Parts{{Heat: 10, Oxygen: -5}, {}})
	if d := cmp.Diff([]barRow{{Zero: "33.333%", Boxes: []chartBox{{X: "33.333%", Width: "66.667%", Cause: "heat"}, {X: "0.000%", Width: "33.333%", Cause: "oxygen"}}}, {Zero: "33.333%"}}, bars); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	bands := bandBars([]*[3]float64{{-10, 20, 40}, nil})
	if d := cmp.Diff([]bandBar{{"0.000%", "100.000%", "60.000%", "20.000%"}, {}}, bands); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

// Whatever was lost, all that is drawn lies within the drawing.
func TestChartsStayWithin(t *testing.T) {
	number := func(t *rapid.T, text string) float64 {
		v, err := strconv.ParseFloat(strings.TrimSuffix(text, "%"), 64)
		if err != nil {
			t.Fatalf("%q is no length", text)
		}
		return v
	}
	rapid.Check(t, func(t *rapid.T) {
		var losses []review.Parts
		var titles []string
		for range rapid.IntRange(1, 24).Draw(t, "months") {
			v := func() float64 { return rapid.Float64Range(-1e4, 1e4).Draw(t, "loss") }
			losses, titles = append(losses, review.Parts{Heat: v(), Moisture: v(), Oxygen: v(), Light: v()}), append(titles, "a month")
		}
		for i, c := range english().columns("x", losses, titles).Columns {
			for _, b := range c.Boxes {
				x, y := number(t, b.X), number(t, b.Y)
				if from, to := 100*float64(i)*columnPlace(len(losses)), 100*float64(i+1)*columnPlace(len(losses)); x < from || x+number(t, b.Width) > to {
					t.Fatalf("column %d of %d: %s wide at %s", i, len(losses), b.Width, b.X)
				}
				if h := number(t, b.Height); h < 0 || y < plotTop-0.01 || y+h > plotTop+plotHeight+0.02 {
					t.Fatalf("%s high at %s", b.Height, b.Y)
				}
			}
		}
		for _, r := range lossBars(losses) {
			for _, b := range r.Boxes {
				if x, w := number(t, b.X), number(t, b.Width); x < -0.001 || w < 0 || x+w > 100.002 {
					t.Fatalf("%s wide at %s", b.Width, b.X)
				}
			}
		}
	})
}
