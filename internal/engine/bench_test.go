package engine

import (
	"fmt"
	"math"
	"testing"
	"time"

	"dryhold/internal/lot"
	"dryhold/internal/review"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// benchHouse is 500 lots of all shipped foods and containers by turns, packed
// one after the other over ten years, a fifth of them moved, in eight rooms
// whose hourly readings are for want of time those of one.
func benchHouse(b *testing.B) (e *Engine, end time.Time) {
	b.Helper()
	end = time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	start := end.AddDate(-10, 0, 0)
	c := config()
	c.Catalog, c.Started = shipped(b), start
	for i := range 8 {
		c.Rooms = append(c.Rooms, fmt.Sprint("room-", i))
	}
	foods, boxes := c.Catalog.FoodIDs(), c.Catalog.ContainerIDs()
	for i := range 500 {
		id, at := fmt.Sprint("L-", i+1), start.Add(end.Sub(start)/500*time.Duration(i)).Truncate(time.Minute)
		c.Lots = append(c.Lots, add(id, foods[i%len(foods)], boxes[i%len(boxes)], c.Rooms[i%8], at))
		if i%5 == 0 && i < 480 {
			c.Lots = append(c.Lots, lot.Change{Kind: lot.Moved, Lot: id, Room: c.Rooms[(i+3)%8], At: at.AddDate(0, 0, 40), Recorded: at.AddDate(0, 0, 40)})
		}
	}
	e = engineOf(b, c)
	var readings []room.Reading
	for at, n := start, 0; !at.After(end); at, n = at.Add(time.Hour), n+1 {
		if n%1000 < 20 {
			continue // a gap every six weeks
		}
		h := float64(n)
		celsius := 18 + float64(6*math.Sin(2*math.Pi*h/8766)) + float64(2*math.Sin(2*math.Pi*h/24)) + float64(2*math.Sin(h/37))
		readings = append(readings, temperature(c.Rooms[0], "a", at, celsius), humidity(c.Rooms[0], "a", at, 0.5+float64(0.12*math.Sin(h/300))))
	}
	refold(e, Refold{Room: c.Rooms[0]}, readings, end)
	for _, r := range e.rooms {
		r.ledger = e.find(c.Rooms[0]).ledger
	}
	e.mustWorkOut(end)
	return e, end
}

// BenchmarkReview tells what ten years in eight rooms have cost 500 lots and
// sums it up, from the accounts that the engine keeps. The bar is one second.
func BenchmarkReview(b *testing.B) {
	e, end := benchHouse(b)
	b.ReportAllocs()
	for b.Loop() {
		all := reviewed(b, e, end)
		if h := review.Together(all); h.Lots != 500 || len(h.Rooms) != 8 || len(h.Events) < 100 {
			b.Fatalf("%d lots in %d rooms, %d events", h.Lots, len(h.Rooms), len(h.Events))
		}
	}
}

// BenchmarkWhatIf500 holds every room at 18 °C for the same house.
func BenchmarkWhatIf500(b *testing.B) {
	e, end := benchHouse(b)
	most := review.Scenario{Warmest: celsius(18)}
	b.ReportAllocs()
	for b.Loop() {
		tr, err := e.Try(end, Question{Scenario: most})
		if err != nil {
			b.Fatal(err)
		}
		for more := true; more; {
			if more, err = tr.Next(end, 8); err != nil {
				b.Fatal(err)
			}
		}
		if x := tr.Answer(); x.Tried != 500 || x.Total.Likely <= 0 {
			b.Fatalf("%d tried, %+v", x.Tried, x.Total)
		}
	}
}

func celsius(t unit.Celsius) *unit.Celsius { return &t }
