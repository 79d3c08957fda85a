package course_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/course"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// ledger is one room with ten years of hourly readings behind it.
type ledger struct{ *room.Ledger }

func (l ledger) Exposure(_ string, lag unit.Hours, ea unit.KJPerMol, from, to time.Time) room.Exposure {
	return l.Between(lag, ea, from, to)
}
func (l ledger) Mean(_ string, from, to time.Time) room.Climate { return l.Climate(from, to) }
func (l ledger) Plan(string) unit.Celsius                       { return 18 }
func (l ledger) Damp(string) unit.RH                            { return 0.65 }

// tenYears is the length of the ledger.
const tenYears = 3652 * day

// benchLots are lots of all shipped foods and containers by turns, packed one
// after the other over ten years.
func benchLots(b *testing.B, c *catalog.Catalog, n int) []lot.Lot {
	var lots []lot.Lot
	foods, boxes := c.FoodIDs(), c.ContainerIDs()
	for i := range n {
		food := foods[i%len(foods)]
		f, err := c.Food(food)
		if err != nil {
			b.Fatal(err)
		}
		capacity := 0.0
		if f.NoAbsorber == "" && i%3 > 0 {
			capacity = 500
		}
		l := lotOf(b, c, food, boxes[i%len(boxes)], capacity)
		l.ID = fmt.Sprintf("L-%d", i+1)
		l.Packing.PackedAt = packed().Add(tenYears / time.Duration(n) * time.Duration(i)).Truncate(time.Minute)
		l.Stays[0].From = l.Packing.PackedAt
		lots = append(lots, l)
	}
	return lots
}

// benchLedger keeps the exposures that lots need, and folds ten years.
func benchLedger(b *testing.B, c *catalog.Catalog, lots []lot.Lot) ledger {
	keys := course.AirKeys()
	for _, l := range lots {
		f, err := c.Food(l.Packing.Food)
		if err != nil {
			b.Fatal(err)
		}
		k, err := c.Container(l.Packing.Container)
		if err != nil {
			b.Fatal(err)
		}
		for _, m := range f.Modes {
			keys = append(keys, room.Key{Lag: l.Packing.Lag(k), Ea: unit.KJPerMol(m.Ea.Likely)})
		}
	}
	fold, err := room.NewFold(room.NewKeys(keys...))
	if err != nil {
		b.Fatal(err)
	}
	out := room.NewLedger(fold, func(string) time.Duration { return 2 * time.Hour })
	end := packed().Add(tenYears)
	temp, humidity := room.Series{Room: "store", Sensor: "a", Quantity: unit.Temperature}, room.Series{Room: "store", Sensor: "a", Quantity: unit.Humidity}
	for at, n := packed().Truncate(time.Hour), 0; !at.After(end); at, n = at.Add(time.Hour), n+1 {
		hours := float64(n)
		t := 18 + 9*math.Sin(2*math.Pi*hours/8766) + 3*math.Sin(2*math.Pi*hours/24)
		out.Feed(room.Reading{Series: temp, At: at, Value: unit.Temperature.Round(t)})
		out.Feed(room.Reading{Series: humidity, At: at, Value: unit.Humidity.Round(0.5 + 0.1*math.Sin(hours/300))})
		if n%24 == 0 {
			out.Advance(at)
		}
	}
	out.Advance(end)
	return ledger{out}
}

// BenchmarkEvaluate500 brings 500 lots from the start of the day to the hour
// and works out State and Outlook of each: what every hour close costs. The
// bar is one second.
func BenchmarkEvaluate500(b *testing.B) {
	c := shipped(b)
	lots := benchLots(b, c, 500)
	f := course.New(c, benchLedger(b, c, lots))
	end := packed().Add(tenYears)
	base := make([]course.Course, len(lots))
	for i, l := range lots {
		base[i] = advance(b, f, l, end.Truncate(day).Add(-day))
	}
	b.ReportAllocs()
	for b.Loop() {
		for i, l := range lots {
			k, err := f.Advance(base[i], l, end)
			if err != nil {
				b.Fatal(err)
			}
			if s := stateOf(b, f, k, l); len(s.Modes) == 0 || s.Cover.Unknown > time.Hour {
				b.Fatalf("lot %s: %+v", l.ID, s.Cover)
			}
			if o := outlookOf(b, f, k, l); !o.TemperatureKnown {
				b.Fatalf("lot %s: %+v", l.ID, o)
			}
		}
	}
}

// BenchmarkFollow10y follows one lot from packing through ten years.
func BenchmarkFollow10y(b *testing.B) {
	c := shipped(b)
	l := lotOf(b, c, "nonfat-dry-milk", "foil-pouch-4l", 500)
	f := course.New(c, benchLedger(b, c, []lot.Lot{l}))
	b.ReportAllocs()
	for b.Loop() {
		if k := advance(b, f, l, packed().Add(tenYears)); k.At.IsZero() {
			b.Fatal("not followed")
		}
	}
}
