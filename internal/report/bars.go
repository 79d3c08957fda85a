package report

import (
	"time"

	"gonum.org/v1/plot/vg"
)

const (
	barRow       = vg.Length(14)
	lotsPerChart = 45
	// beyondYears is how far an axis goes on for lots without a projected end
	// when no lot has one.
	beyondYears = 10
)

// barCharts are the lots as bars of life in the order of use, some on each
// chart, all on one axis of time.
func barCharts(f typeface, r Report, width vg.Length) []chart {
	lots := r.inOrder()
	from, to := r.lifeSpan()
	var out []chart
	for len(lots) > 0 {
		n := min(len(lots), lotsPerChart)
		out = append(out, barChart(f, r, lots[:n], from, to, width))
		lots = lots[n:]
	}
	return out
}

// lifeSpan is from the first packing to the last end.
func (r Report) lifeSpan() (from, to int) {
	now := r.today()
	from, to = now, now
	beyond := false
	for _, l := range r.Lots {
		if !l.Packed.IsZero() {
			from = min(from, l.Packed.number())
		}
		for _, d := range []Date{l.End.Low, l.End.Likely, l.End.High} {
			if !d.IsZero() {
				to = max(to, d.number())
			}
		}
		beyond = beyond || l.End.Likely.IsZero()
	}
	if beyond {
		to = max(to, now+beyondYears*365)
	}
	return from, max(to, from+60)
}

// today is the day on which the report was made; of a report made at no known
// time, its last day.
func (r Report) today() int {
	if r.Made.IsZero() || r.Made.Equal(time.Time{}) {
		return r.To.number()
	}
	return DateOf(r.Made.In(r.Zone)).number()
}

func barChart(f typeface, r Report, lots []Lot, from, to int, width vg.Length) chart {
	keys := []key{
		{"since packing", filled(blue)}, {"still ahead", filled(ahead)}, {"10–90 % of the end", stroked(ink, 1)},
		{"lost beyond plan storage", filled(orange)}, {"gained", filled(gained)}, {"now", stroked(ink, 0.8, 2, 2)},
	}
	head := f.legend(nil, keys, width, 0)
	names := min(width*0.36, 170)
	height := head + vg.Length(len(lots))*barRow + 26
	return chart{Caption: "Lots as bars of life in the order of use: packed, now, projected end with its band, and days lost beyond plan storage",
		width: width, height: height, paint: func(s sheet) {
			f.legend(&s, keys, width, height)
			fr := frame{sheet: s, left: names + 6, right: width - 46, bottom: 24, top: height - head, high: 1, from: float64(from), to: float64(to)}
			fr.days()
			for i, l := range lots {
				y := fr.top - vg.Length(i+1)*barRow
				s.write(0, y+4, atLeft, ink, f.cut(l.ID+" "+l.Food, small, names))
				fr.bar(r, l, y+2, y+barRow-3)
				s.write(width, y+4, atRight, soft, l.Lost.Sum.change())
			}
			x := fr.x(float64(r.today()))
			s.line(ink, 0.8, []vg.Length{2, 2}, vg.Point{X: x, Y: fr.bottom}, vg.Point{X: x, Y: fr.top + 2})
		}}
}

// change is days lost as a change of life: a loss below zero.
func (n Number) change() string {
	switch {
	case !n.Known():
		return "unknown"
	case n > 0:
		return "−" + n.text(daysDecimals) + " d"
	case n < 0:
		return "+" + (-n).text(daysDecimals) + " d"
	}
	return "±0 d"
}

// bar draws one lot between y0 and y1. What it lost lies beyond its projected
// end, where the end would be without the loss; what it gained before it.
func (f frame) bar(r Report, l Lot, y0, y1 vg.Length) {
	now := float64(r.today())
	middle := (y0 + y1) / 2
	packed := now
	if !l.Packed.IsZero() {
		packed = min(now, float64(l.Packed.number()))
	}
	beyond, end := l.End.Likely.IsZero(), f.to
	if !beyond {
		end = float64(l.End.Likely.number())
	}
	past := min(now, end)
	f.box(blue, f.x(packed), y0, max(f.x(past), f.x(packed)+0.5), y1)
	if end > now {
		f.box(ahead, f.x(now), y0, f.x(end), y1)
	}
	if beyond {
		f.FillPolygon(ahead.color(), []vg.Point{{X: f.right, Y: y0}, {X: f.right + 5, Y: middle}, {X: f.right, Y: y1}})
		return
	}
	if l.Lost.Sum.Known() && l.Lost.Sum != 0 {
		x, without := f.x(end), min(f.right, f.x(end+float64(l.Lost.Sum)))
		if l.Lost.Sum > 0 {
			f.box(orange, x, y0, max(without, x+0.8), y1)
		} else {
			f.box(gained, max(f.left, min(without, x-0.8)), y0, x, y1)
		}
	}
	low, high := f.x(end), f.right
	if !l.End.Low.IsZero() {
		low = f.x(float64(l.End.Low.number()))
	}
	if !l.End.High.IsZero() {
		high = f.x(float64(l.End.High.number()))
	}
	f.line(ink, 1, nil, vg.Point{X: low, Y: middle}, vg.Point{X: high, Y: middle})
	for _, x := range []vg.Length{low, high} {
		f.line(ink, 1, nil, vg.Point{X: x, Y: y0 + 1.5}, vg.Point{X: x, Y: y1 - 1.5})
	}
}
