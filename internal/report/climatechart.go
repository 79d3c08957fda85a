package report

import (
	"math"

	"gonum.org/v1/plot/vg"
)

// frame is a chart's plane with its axes.
type frame struct {
	sheet
	left, bottom, right, top vg.Length
	from, to                 float64 // days
	low, high                float64 // of the ordinate
}

func (f frame) x(day float64) vg.Length {
	return f.left + vg.Length((day-f.from)/(f.to-f.from))*(f.right-f.left)
}

func (f frame) y(v float64) vg.Length {
	return f.bottom + vg.Length((v-f.low)/(f.high-f.low))*(f.top-f.bottom)
}

func (f frame) at(day float64, v Number) vg.Point {
	return vg.Point{X: f.x(day), Y: f.y(float64(v))}
}

// days draws the calendar below the plane, with lines up through it.
func (f frame) days() {
	for _, t := range calendar(int(f.from), int(f.to), f.right-f.left, 24) {
		x := f.x(t.v)
		f.line(rule, 0.5, nil, vg.Point{X: x, Y: f.bottom - 3}, vg.Point{X: x, Y: f.top})
		if x+f.width(t.label, small)/2 <= f.right+6 {
			f.write(x, f.bottom-11, atCenter, soft, t.label)
			f.write(x, f.bottom-20, atCenter, soft, t.year)
		}
	}
	f.line(soft, 0.6, nil, vg.Point{X: f.left, Y: f.bottom}, vg.Point{X: f.right, Y: f.bottom})
}

func (f frame) values(unit string) {
	for _, t := range steps(f.low, f.high, 5) {
		y := f.y(t.v)
		f.line(rule, 0.5, nil, vg.Point{X: f.left, Y: y}, vg.Point{X: f.right, Y: y})
		f.write(f.left-4, y-2.6, atRight, soft, t.label)
	}
	f.write(f.left-4, f.top+5, atRight, soft, unit)
}

// series is what a climate chart shows of one day; Low and High may be
// unknown.
type series struct {
	name, unit   string
	value        func(Day) (mean, low, high Number)
	limit        Number
	limitWords   string
	banded       bool
	floor, roof  float64 // of the quantity, when nothing is known
	least, above float64 // what the axis spans at least, and beyond the values
}

func temperatureSeries(r Room) series {
	return series{"Temperature", "°C", func(d Day) (Number, Number, Number) { return drawable(d.Mean), drawable(d.Min), drawable(d.Max) },
		drawable(r.WarmLimit), "limit " + r.WarmLimit.text(celsiusDecimals) + " °C", true, 0, 30, 6, 1}
}

func humiditySeries(r Room) series {
	return series{"Relative humidity", "%", func(d Day) (Number, Number, Number) { return drawable(d.Humidity), Unknown(), Unknown() },
		drawable(r.DampLimit), "limit " + r.DampLimit.text(percentDecimals) + " %", false, 0, 100, 20, 3}
}

// drawable is n, or unknown where no thermometer or hygrometer reads that: an
// axis has its limits.
func drawable(n Number) Number {
	if math.Abs(float64(n)) > 1e4 {
		return Unknown()
	}
	return n
}

func (r Room) hasDays() bool { return len(r.Days) > 0 }

// climateChart is one quantity of a room by days, with its limit, and with the
// band from the lowest to the highest where it has one.
func climateChart(f typeface, r Report, room Room, q series, width, height vg.Length) chart {
	keys := []key{{"daily mean", stroked(blue, 1.2)}}
	if q.banded {
		keys = append(keys, key{"lowest to highest", filled(band)})
	}
	if q.limit.Known() {
		keys = append(keys, key{q.limitWords, stroked(orange, 1, 4, 2)})
	}
	keys = append(keys, key{"mostly estimated", stroked(ink, 2)}, key{"unknown", hatched})
	head := f.legend(nil, keys, width, 0)
	return chart{Caption: q.name + " of " + orNone(room.Name) + " by day, in " + q.unit + ", with its limit", width: width, height: height,
		paint: func(s sheet) {
			f.legend(&s, keys, width, height)
			fr := frame{sheet: s, left: 26, bottom: 24, right: width - 6, top: height - head - 10,
				from: float64(r.From.number()), to: float64(r.To.number() + 1)}
			fr.low, fr.high = q.span(room.Days)
			fr.days()
			fr.values(q.unit)
			for _, run := range runs(r, room.Days, func(d Day) bool { m, _, _ := q.value(d); return m.Known() }) {
				if run.ok {
					fr.spell(q, run.days)
				} else {
					s.hatch(fr.x(run.from), fr.bottom, fr.x(run.to), fr.top)
				}
			}
			if q.limit.Known() {
				y := fr.y(float64(q.limit))
				s.line(orange, 1, []vg.Length{4, 2}, vg.Point{X: fr.left, Y: y}, vg.Point{X: fr.right, Y: y})
			}
			fr.estimates(r, room.Days, fr.bottom+1)
		}}
}

// span is what the ordinate shows: all values and the limit.
func (q series) span(days []Day) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	take := func(n Number) {
		if n.Known() {
			low, high = min(low, float64(n)), max(high, float64(n))
		}
	}
	take(q.limit)
	for _, d := range days {
		mean, l, h := q.value(d)
		take(mean)
		take(l)
		take(h)
	}
	if low > high {
		return q.floor, q.roof
	}
	low, high = low-q.above, high+q.above
	if missing := q.least - (high - low); missing > 0 {
		low, high = low-missing/2, high+missing/2
	}
	return low, high
}

// spell draws an unbroken spell of days.
func (f frame) spell(q series, days []Day) {
	var line, under, over []vg.Point
	for i, d := range days {
		mean, low, high := q.value(d)
		for _, at := range edges(i, len(days)) {
			x := float64(d.Date.number()) + at
			line = append(line, f.at(x, mean))
			if low.Known() && high.Known() {
				under, over = append(under, f.at(x, low)), append(over, f.at(x, high))
			}
		}
	}
	for i := len(over) - 1; i >= 0; i-- {
		under = append(under, over[i])
	}
	if len(under) > 2 {
		f.FillPolygon(band.color(), under)
	}
	f.line(blue, 1.2, nil, line...)
}

// edges are where the value of a day stands in the day: in its middle, and at
// the ends of a spell at its edge too, so that a lone day is seen.
func edges(i, n int) []float64 {
	at := []float64{0.5}
	if i == 0 {
		at = []float64{0, 0.5}
	}
	if i == n-1 {
		at = append(at, 1)
	}
	return at
}

// run is a stretch of days that are alike; a day of the review that is not
// among the days is unlike any.
type run struct {
	from, to float64
	ok       bool
	days     []Day
}

// runs splits the review into runs. Days outside it and days out of order are
// left out.
func runs(r Report, days []Day, ok func(Day) bool) []run {
	var out []run
	at, end := r.From.number(), r.To.number()+1
	add := func(to int, good bool, d ...Day) {
		if n := len(out); n > 0 && out[n-1].ok == good {
			out[n-1].to, out[n-1].days = float64(to), append(out[n-1].days, d...)
		} else {
			out = append(out, run{float64(at), float64(to), good, d})
		}
		at = to
	}
	for _, d := range days {
		n := d.Date.number()
		if n < at || n >= end {
			continue
		}
		if n > at {
			add(n, false)
		}
		add(n+1, ok(d), d)
	}
	if at < end {
		add(end, false)
	}
	return out
}

// mostly reports whether at least half of a day is so.
func mostly(share Number) bool { return share.Known() && share >= 50 }

// estimates underlines the days that are mostly estimated.
func (f frame) estimates(r Report, days []Day, y vg.Length) {
	for _, run := range runs(r, days, func(d Day) bool { return mostly(d.Estimated) }) {
		if run.ok {
			f.line(ink, 2, nil, vg.Point{X: f.x(run.from), Y: y}, vg.Point{X: f.x(run.to), Y: y})
		}
	}
}
