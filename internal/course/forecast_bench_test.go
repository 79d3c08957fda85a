package course_test

import (
	"math"
	"testing"

	"dryhold/internal/course"
	"dryhold/internal/forecast"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// prospect keeps the exposures of one room's climate ahead, as an engine does.
type prospect struct {
	*forecast.Ahead
	kept map[room.Key]*forecast.Exposure
}

func (p prospect) Light() float64 { return 0 }

func (p prospect) Ageing(ea unit.KJPerMol, lag unit.Hours) course.Ageing {
	k := room.Key{Ea: ea, Lag: lag}
	if p.kept[k] == nil {
		x := p.Exposure(ea, lag)
		p.kept[k] = &x
	}
	return p.kept[k]
}

// BenchmarkForecast500 looks ahead for 500 lots under the forecast of their
// room, whose exposures are made anew. The bar is one second.
func BenchmarkForecast500(b *testing.B) {
	c := shipped(b)
	lots := benchLots(b, c, 500)
	store := benchLedger(b, c, lots)
	f := course.New(c, store)
	end := packed().Add(tenYears).Truncate(day)
	base := make([]course.Course, len(lots))
	for i, l := range lots {
		base[i] = advance(b, f, l, end)
	}
	ahead := forecast.Fit(forecast.FromSlots(store.Slots()).Before(end), forecast.Options{}).Ahead(end)
	b.ReportAllocs()
	for b.Loop() {
		p := prospect{ahead, map[room.Key]*forecast.Exposure{}}
		for i, l := range lots {
			e, err := f.Forecast(base[i], l, p, false)
			if err != nil || math.IsNaN(e.Days) || e.Days < 0 {
				b.Fatal(e.Days, err)
			}
		}
	}
}
