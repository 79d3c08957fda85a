package web

import (
	"html/template"
	"strconv"
	"time"

	"dryhold/internal/engine"
)

// roomStrip is the past as a strip of days, toned by how fast food aged: a row a
// month with a field a day, or a row a year with a field a week.
type roomStrip struct {
	Unit          string
	Width, Height int
	Cell          int // width of a field
	Rows          []roomStripRow
	Key           []roomStripTone
	Words         []string
	Heads         []string
	Table         template.HTML
}

type roomStripRow struct {
	Name   string
	Y      int // of the words
	Fields []roomStripField
}

type roomStripField struct {
	X, Y  int
	Class string
	Title string
}

// roomStripTone is one tone of the scale.
type roomStripTone struct{ Class, Word string }

// Sizes of a strip, in units of its drawing: a day is wider than a week, so that
// a row of either has about the same length, and fits a telephone.
const (
	roomStripHigh               = 12
	roomStripDay, roomStripWeek = 11, 7
	daysNamed, weeksNamed       = 54, 28
	daysAcross, weeksAcross     = 31, 52
)

// tones of the strip: blue slower than planned, orange faster. The factors part
// one tone from the next.
func roomStripFactors() []float64 { return []float64{0.5, 0.8, 1.25, 2, 4} }

// toneOf is that of a factor, 0 for the slowest.
func toneOf(v float64) int {
	n := 0
	for _, f := range roomStripFactors() {
		if v >= f {
			n++
		}
	}
	return n
}

func (p *pageContext) stripOf(s *engine.Strip) roomStrip {
	v := roomStrip{Unit: s.Unit, Heads: []string{p.t("From"), p.t("Times as fast as planned"), p.t("State")}}
	cell, named, across := roomStripDay, daysNamed, daysAcross
	if s.Unit == "week" {
		cell, named, across = roomStripWeek, weeksNamed, weeksAcross
	}
	v.Width, v.Cell = named+across*cell, cell-1
	counts := make([]int, len(roomStripFactors())+1)
	estimated, unknown := 0, 0
	var table rowWriter
	for i, date := range s.Start {
		day, err := time.ParseInLocation(time.DateOnly, date, p.zone)
		if err != nil {
			continue // dates of the engine are dates
		}
		name, at := p.date(day, "Jan 2006"), day.Day()-1
		if s.Unit == "week" {
			name, at = strconv.Itoa(day.Year()), (day.YearDay()-1)/7
		}
		if n := len(v.Rows); n == 0 || v.Rows[n-1].Name != name {
			v.Rows = append(v.Rows, roomStripRow{Name: name, Y: n*roomStripHigh + roomStripHigh*3/4})
		}
		row := &v.Rows[len(v.Rows)-1]
		known := s.State[i] != engine.BucketUnknown
		f := roomStripField{X: named + min(at, across-1)*cell, Y: (len(v.Rows) - 1) * roomStripHigh, Class: "none"}
		factor, state := p.cell(p.measure(1, 2, ""), float64(s.Ageing[i]), 2, true), p.bucketState(s.State[i])
		if known {
			f.Class = "tone" + strconv.Itoa(toneOf(float64(s.Ageing[i])))
			counts[toneOf(float64(s.Ageing[i]))]++
		}
		switch s.State[i] {
		case engine.BucketUnknown:
			unknown++
			f.Title = p.t("%s: unknown", p.date(day, "2 Jan 2006"))
		case engine.BucketMeasured:
			f.Title = p.t("%s: %s times as fast as planned", p.date(day, "2 Jan 2006"), factor)
		default:
			estimated++
			f.Class += " unsure"
			f.Title = p.t("%s: %s times as fast as planned, %s", p.date(day, "2 Jan 2006"), factor, state)
		}
		row.Fields = append(row.Fields, f)
		table.begin(moment{p.date(day, "2 Jan 2006"), date})
		table.cell(factor)
		table.cell(state)
		table.end()
	}
	v.Table = table.rows()
	v.Height = max(1, len(v.Rows)) * roomStripHigh
	v.Key, v.Words = p.roomStripKey(), p.roomStripWords(s, counts, estimated, unknown)
	return v
}

// roomStripKey is the scale in words.
func (p *pageContext) roomStripKey() []roomStripTone {
	f := roomStripFactors()
	n := func(i int) string { return p.short(f[i], 2) }
	out := []roomStripTone{{"tone0", p.t("less than %s times", n(0))}}
	for i := 1; i < len(f); i++ {
		out = append(out, roomStripTone{"tone" + strconv.Itoa(i), p.t("%s to %s times", n(i-1), n(i))})
	}
	return append(out, roomStripTone{"tone" + strconv.Itoa(len(f)), p.t("%s times or more", n(len(f)-1))},
		roomStripTone{"tone2 unsure", p.t("estimated or known in part")}, roomStripTone{"none", p.t("unknown")})
}

// roomStripWords are the summary of a strip.
func (p *pageContext) roomStripWords(s *engine.Strip, counts []int, estimated, unknown int) []string {
	if len(s.Start) == 0 {
		return []string{p.t("Nothing was measured yet.")}
	}
	slow, fast := counts[0]+counts[1], counts[3]+counts[4]+counts[5]
	n := func(v int) string { return p.number(float64(v), 0) }
	if s.Unit == "week" {
		return []string{p.t("Of %s weeks, food aged more slowly than planned in %s, as planned in %s, faster in %s; %s are unknown and %s estimated or known in part.",
			n(len(s.Start)), n(slow), n(counts[2]), n(fast), n(unknown), n(estimated)), p.t("Weeks are counted from 1 January.")}
	}
	return []string{p.t("Of %s days, food aged more slowly than planned on %s, as planned on %s, faster on %s; %s are unknown and %s estimated or known in part.",
		n(len(s.Start)), n(slow), n(counts[2]), n(fast), n(unknown), n(estimated))}
}
