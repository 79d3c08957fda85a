package report

import (
	"strconv"
	"time"

	"gonum.org/v1/plot/vg"
)

// pace is a class of the speed of ageing against plan storage: up to its
// limit, beyond that of the class before.
type pace struct {
	limit float64
	tone  tone
	words string
}

// paces go from pale blue, slower than planned, to dark brown, and are darker
// the faster a day aged what was stored.
func paces() []pace {
	return []pace{
		{0.5, 0xe6f1f8, "to 0.5"}, {0.75, 0xc6deee, "to 0.75"}, {1, 0x9cc5e0, "to 1 × plan"},
		{1.25, 0xeaa45c, "to 1.25"}, {1.6, 0xcf7322, "to 1.6"}, {2.5, 0x97410a, "to 2.5"}, {0, 0x4f1d00, "above 2.5"},
	}
}

// paceOf is the class of a day, or false where it is mostly unknown.
func paceOf(d Day) (pace, bool) {
	if !d.Acceleration.Known() || mostly(d.Unmeasured) {
		return pace{}, false
	}
	all := paces()
	for _, p := range all[:len(all)-1] {
		if float64(d.Acceleration) <= p.limit {
			return p, true
		}
	}
	return all[len(all)-1], true
}

const (
	stripHeight = vg.Length(16) // of a year
	stripGap    = vg.Length(7)
)

// stripChart is the past of a room as strips of days, one for each year from
// the first day of the review on, toned by how fast a day aged what was
// stored.
func stripChart(f typeface, r Report, room Room, width vg.Length) chart {
	keys := make([]key, 0, 9)
	for _, p := range paces() {
		keys = append(keys, key{p.words, filled(p.tone)})
	}
	keys = append(keys, key{"mostly estimated", stroked(ink, 2)}, key{"unknown", hatched})
	head := f.legend(nil, keys, width, 0)
	years := stripYears(r)
	height := head + vg.Length(len(years))*(stripHeight+stripGap) + 20
	return chart{Caption: "The days of " + orNone(room.Name) + ", darker the faster they aged what was stored, against plan storage",
		width: width, height: height, paint: func(s sheet) {
			f.legend(&s, keys, width, height)
			longest := 0
			for _, y := range years {
				longest = max(longest, y.To.number()+1-y.From.number())
			}
			top := height - head
			for i, y := range years {
				fr := frame{sheet: s, left: 26, right: width - 6, top: top, bottom: top - stripHeight,
					from: float64(y.From.number()), to: float64(y.From.number() + longest), high: 1}
				if len(years) > 1 {
					s.write(22, fr.bottom+5, atRight, soft, strconv.Itoa(y.From.Year))
				}
				fr.strip(y, room.Days)
				top -= stripHeight + stripGap
				if i == len(years)-1 {
					fr.bottom -= 4
					fr.top = fr.bottom
					fr.months(len(years) == 1)
				}
			}
		}}
}

// stripYears splits the review into years from its first day on.
func stripYears(r Report) []Report {
	var out []Report
	for year := 0; ; year++ {
		part := r
		part.From = DateOf(time.Date(r.From.Year+year, r.From.Month, r.From.Day, 0, 0, 0, 0, time.UTC))
		part.To = DateOf(time.Date(r.From.Year+year+1, r.From.Month, r.From.Day-1, 0, 0, 0, 0, time.UTC))
		if part.From.number() > r.To.number() {
			return out
		}
		if part.To.number() >= r.To.number() {
			part.To = r.To
		}
		out = append(out, part)
	}
}

// strip draws one year: neighbours of one tone as one box.
func (f frame) strip(r Report, days []Day) {
	for _, run := range runs(r, days, func(d Day) bool { _, ok := paceOf(d); return ok }) {
		if !run.ok {
			f.hatch(f.x(run.from), f.bottom, f.x(run.to), f.top)
			continue
		}
		for i := 0; i < len(run.days); {
			j, p := i, pace{}
			for p, _ = paceOf(run.days[i]); j < len(run.days); j++ {
				if q, _ := paceOf(run.days[j]); q != p {
					break
				}
			}
			f.box(p.tone, f.x(float64(run.days[i].Date.number())), f.bottom, f.x(float64(run.days[j-1].Date.number()+1)), f.top)
			i = j
		}
	}
	f.estimates(r, days, f.bottom-2)
}

// months names the months below the last strip, and their years unless strips
// of several stand above each other.
func (f frame) months(years bool) {
	for _, t := range calendar(int(f.from), int(f.to), f.right-f.left, 24) {
		x := f.x(t.v)
		f.line(soft, 0.5, nil, vg.Point{X: x, Y: f.bottom}, vg.Point{X: x, Y: f.bottom - 3})
		if x+f.width(t.label, small)/2 <= f.right+6 {
			f.write(x, f.bottom-11, atCenter, soft, t.label)
			if years {
				f.write(x, f.bottom-20, atCenter, soft, t.year)
			}
		}
	}
}
