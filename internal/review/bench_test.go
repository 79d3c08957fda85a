package review

import (
	"fmt"
	"iter"
	"math"
	"testing"
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/course"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// ledgers is eight rooms with ten years of hourly readings behind them, which
// for want of memory are one ledger under eight names.
type ledgers struct{ *room.Ledger }

func (l ledgers) Exposure(_ string, lag unit.Hours, ea unit.KJPerMol, from, to time.Time) room.Exposure {
	return l.Between(lag, ea, from, to)
}
func (l ledgers) Mean(_ string, from, to time.Time) room.Climate { return l.Climate(from, to) }
func (l ledgers) Plan(string) unit.Celsius                       { return 22 }
func (l ledgers) Damp(string) unit.RH                            { return 0.6 }
func (l ledgers) Hours(_ string, from, to time.Time) iter.Seq2[time.Time, room.Slot] {
	return l.Ledger.Hours(from, to)
}

const tenYears = 3652 * day

// benchHouse is 500 lots of all shipped foods and containers by turns, packed
// one after the other over ten years, a fifth of them moved once.
func benchHouse(b *testing.B, n int) (*catalog.Catalog, ledgers, []lot.Lot, *Reviewer) {
	b.Helper()
	c := shipped(b)
	keys := course.AirKeys()
	var lots []lot.Lot
	foods, boxes := c.FoodIDs(), c.ContainerIDs()
	for i := range n {
		l := lotOf(foods[i%len(foods)], boxes[i%len(boxes)], fmt.Sprint("room-", i%8))
		l.ID = fmt.Sprint("L-", i+1)
		p := &l.Packing
		p.PackedAt = packed().Add(tenYears / time.Duration(n) * time.Duration(i)).Truncate(time.Minute)
		l.Stays[0].From = p.PackedAt
		if i%5 == 0 {
			l.Stays = append(l.Stays, lot.Stay{Room: fmt.Sprint("room-", (i+3)%8), From: p.PackedAt.Add(100 * day)})
		}
		f, err := c.Food(p.Food)
		if err != nil {
			b.Fatal(err)
		}
		k, err := c.Container(p.Container)
		if err != nil {
			b.Fatal(err)
		}
		if f.NoAbsorber == "" && i%3 > 0 {
			p.Treatment = lot.Treatment{Kind: lot.Absorber, CapacityCM3: 500}
		}
		for _, m := range f.Modes {
			keys = append(keys, room.Key{Lag: p.Lag(k), Ea: unit.KJPerMol(m.Ea.Likely)})
		}
		lots = append(lots, l)
	}
	fold, err := room.NewFold(room.NewKeys(keys...))
	if err != nil {
		b.Fatal(err)
	}
	out := room.NewLedger(fold, func(string) time.Duration { return 2 * time.Hour })
	end := packed().Add(tenYears)
	temp, wet := room.Series{Room: "r", Sensor: "a", Quantity: unit.Temperature}, room.Series{Room: "r", Sensor: "a", Quantity: unit.Humidity}
	for at, n := packed(), 0; !at.After(end); at, n = at.Add(time.Hour), n+1 {
		if n%1000 < 20 {
			continue // a gap every six weeks
		}
		hours := float64(n)
		t := 18 + 6*math.Sin(2*math.Pi*hours/8766) + 2*math.Sin(2*math.Pi*hours/24) + 2*math.Sin(hours/37)
		out.Feed(room.Reading{Series: temp, At: at, Value: unit.Temperature.Round(t)})
		out.Feed(room.Reading{Series: wet, At: at, Value: unit.Humidity.Round(0.5 + 0.12*math.Sin(hours/300))})
		if n%24 == 0 {
			out.Advance(at)
		}
	}
	out.Advance(end)
	rooms := ledgers{out}
	spells := map[string][]Spell{}
	for i := range 8 {
		name := fmt.Sprint("room-", i)
		spells[name] = Find(name, rooms.Hours(name, packed(), end), Limits{Warm: 22, Damp: 0.6, Join: day})
	}
	return c, rooms, lots, New(c, rooms, course.New(c, rooms), func(name string) []Spell { return spells[name] }, time.UTC)
}

// BenchmarkPage500 tells the accounts of 500 lots over ten years in eight rooms
// and sums them up: what a page costs that shows them. The bar is 300 ms.
func BenchmarkPage500(b *testing.B) {
	_, _, lots, r := benchHouse(b, 500)
	accounts := make([]Account, len(lots))
	pieces := 0
	for i, l := range lots {
		accounts[i] = advance(b, r, l, packed().Add(tenYears))
		pieces += len(accounts[i].costs)
	}
	b.ReportAllocs()
	for b.Loop() {
		reviews := make([]Review, len(lots))
		for i, l := range lots {
			reviews[i] = accounts[i].Review(l)
		}
		if h := Together(reviews); h.Lots != len(lots) || len(h.Rooms) != 8 {
			b.Fatalf("%d lots in %d rooms", h.Lots, len(h.Rooms))
		}
	}
	b.ReportMetric(float64(pieces), "costs-kept")
}

// BenchmarkHour500 carries 500 accounts on from the start of the day: what an
// hour close costs in place of course.Follower.Advance.
func BenchmarkHour500(b *testing.B) {
	_, _, lots, r := benchHouse(b, 500)
	end := packed().Add(tenYears)
	accounts := make([]Account, len(lots))
	for i, l := range lots {
		accounts[i] = advance(b, r, l, end.Add(-day))
	}
	b.ReportAllocs()
	for b.Loop() {
		for i, l := range lots {
			if _, err := r.Advance(accounts[i], l, end); err != nil {
				b.Fatal(err)
			}
		}
	}
}

// BenchmarkAccount10y takes one account from packing through ten years, and
// BenchmarkCourse10y the course in it without an account.
func BenchmarkAccount10y(b *testing.B) {
	_, _, lots, r := benchHouse(b, 1)
	for b.Loop() {
		if a := advance(b, r, lots[0], packed().Add(tenYears)); a.course.At.IsZero() {
			b.Fatal("not carried on")
		}
	}
}

func BenchmarkCourse10y(b *testing.B) {
	_, _, lots, r := benchHouse(b, 1)
	for b.Loop() {
		c, err := r.follower.Start(lots[0])
		if err != nil {
			b.Fatal(err)
		}
		if _, err = r.follower.Advance(c, lots[0], packed().Add(tenYears)); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkTry500 tries a bound on every room, from now on, on 500 lots.
func BenchmarkTry500(b *testing.B) {
	_, rooms, lots, r := benchHouse(b, 500)
	end := packed().Add(tenYears)
	courses := make([]course.Course, len(lots))
	for i, l := range lots {
		courses[i] = advance(b, r, l, end).Course()
	}
	most := unit.Celsius(18)
	for b.Loop() {
		trial := r.Try(Scenario{Warmest: &most}, rooms, asLately(r, rooms), end, end)
		var gains []Gain
		for i, l := range lots {
			g, err := trial.Lot(courses[i], l)
			if err != nil {
				b.Fatal(err)
			}
			gains = append(gains, g)
		}
		if Total(gains).Likely <= 0 {
			b.Fatal("cooler gains nothing")
		}
	}
}

// BenchmarkFind10y finds the spells of ten years in one room.
func BenchmarkFind10y(b *testing.B) {
	_, rooms, _, _ := benchHouse(b, 1)
	for b.Loop() {
		if s := Find("r", rooms.Hours("r", packed(), packed().Add(tenYears)), Limits{Warm: 22, Damp: 0.6, Join: day}); len(s) < 50 {
			b.Fatalf("%d spells", len(s))
		}
	}
}
