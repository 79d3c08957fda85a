package forecast

import (
	"testing"

	"dryhold/internal/unit"
)

func benchHistory() History {
	first, days := invented(7, 3652)
	return hoursOf(first, days)
}

// BenchmarkFit10Years fits ten years of hours.
func BenchmarkFit10Years(b *testing.B) {
	h := benchHistory()
	b.ReportAllocs()
	for b.Loop() {
		Fit(h, Options{})
	}
}

// BenchmarkAhead30Years makes the climate of a room 30 years ahead from ten
// years of history.
func BenchmarkAhead30Years(b *testing.B) {
	h := benchHistory()
	m := Fit(h, Options{})
	at := instant(m.end)
	b.ReportAllocs()
	for b.Loop() {
		m.Ahead(at)
	}
}

// BenchmarkExposure makes what a lot needs of it for one energy and lag, and
// asks it as an outlook of 70 steps does.
func BenchmarkExposure(b *testing.B) {
	first, days := invented(7, 3652)
	m := FitDays(first, days, Options{})
	a := m.Ahead(instant(m.end))
	b.ReportAllocs()
	for b.Loop() {
		x := a.Exposure(80, 2.3)
		for d := 7.0; d < 36525; d *= 1.13 {
			x.Factor(d, d*1.13)
			x.LnSpread(d)
		}
	}
}

// BenchmarkOutlook500 does the same for 500 lots of four modes with three
// energies each in eight rooms, nothing kept between lots.
func BenchmarkOutlook500(b *testing.B) {
	first, days := invented(7, 3652)
	m := FitDays(first, days, Options{})
	var rooms []*Ahead
	for range 8 {
		rooms = append(rooms, m.Ahead(instant(m.end)))
	}
	for b.Loop() {
		for lot := range 500 {
			for mode := range 4 {
				for edge := range 3 {
					x := rooms[lot%8].Exposure(unit.KJPerMol(50+20*mode+10*edge), unit.Hours(1+lot%10))
					for d := 7.0; d < 36525; d *= 1.13 {
						x.Factor(d, d*1.13)
					}
				}
			}
		}
	}
}

func BenchmarkWeek(b *testing.B) {
	h := benchHistory()
	m := Fit(h, Options{})
	at := instant(m.end)
	for b.Loop() {
		m.Week(at, WeekHours)
	}
}

func BenchmarkFitResponse(b *testing.B) {
	air := outdoorHours(b, "seattle")
	inside := pantry().follow(b, air)
	for b.Loop() {
		if _, err := FitResponse(inside, air); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkPredict(b *testing.B) {
	air := outdoorHours(b, "seattle")
	inside := pantry().follow(b, air)
	r, err := FitResponse(inside, air)
	if err != nil {
		b.Fatal(err)
	}
	at := instant(int(air.From.Unix()/86400) + len(air.Hours)/24)
	paths := OutdoorPaths(make([]float64, WeekHours), 1)
	for b.Loop() {
		r.Predict(at, paths)
	}
}
