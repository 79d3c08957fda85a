package room

import (
	"math"
	"testing"
	"time"

	"dryhold/internal/unit"
)

// benchKeys are those of a well-filled house: six core lags with six
// activation energies each, to which NewKeys adds the air with the
// conventional energy.
func benchKeys() Keys {
	return NewKeys(Grid([]unit.Hours{1.11, 1.65, 2.33, 3.41, 6.92, 10.2}, []unit.KJPerMol{50, 60, 75, 80, 100, 120})...)
}

// minutes calls visit with n minutes of readings, temperature and humidity by
// turns, in order of time.
func minutes(n int, visit func(Reading)) {
	temperature, humidity := Series{"loft", "a", unit.Temperature}, Series{"loft", "a", unit.Humidity}
	for m := range n {
		at, hours := epoch(0).Add(time.Duration(m)*time.Minute), float64(m)/60
		t := 18 + 9*math.Sin(2*math.Pi*hours/8766) + 3*math.Sin(2*math.Pi*hours/24)
		visit(Reading{temperature, at, unit.Temperature.Round(t)})
		visit(Reading{humidity, at, unit.Humidity.Round(0.5 + 0.1*math.Sin(hours))})
	}
}

func benchLedger(b *testing.B) *Ledger {
	f, err := NewFold(benchKeys())
	if err != nil {
		b.Fatal(err)
	}
	return NewLedger(f, func(string) time.Duration { return time.Hour })
}

// BenchmarkFoldYear folds a year of minute readings of one room, fed a day at
// a time as on a rebuild from the store.
func BenchmarkFoldYear(b *testing.B) {
	const n = 365 * 24 * 60
	var readings []Reading
	minutes(n, func(r Reading) { readings = append(readings, r) })
	b.ReportAllocs()
	for b.Loop() {
		l, day := benchLedger(b), epoch(24)
		for _, r := range readings {
			if !r.At.Before(day) {
				l.Advance(r.At)
				day = day.Add(24 * time.Hour)
			}
			l.Feed(r)
		}
		l.Advance(readings[len(readings)-1].At)
		if _, slots := l.Slots(); len(slots) != 365*24 {
			b.Fatalf("%d slots of a year", len(slots))
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(readings)), "ns/reading")
}

// BenchmarkLiveMessage takes one message of two quantities as it comes, two
// Adds and an Advance, at every minute of the hour by turns.
func BenchmarkLiveMessage(b *testing.B) {
	l := benchLedger(b)
	minutes(3*24*60, func(r Reading) { l.Feed(r) })
	at := epoch(3 * 24)
	l.Advance(at)
	b.ReportAllocs()
	for n := 0; b.Loop(); n++ {
		at = at.Add(time.Minute)
		l.Add(Reading{Series{"loft", "a", unit.Temperature}, at, 20 + float64(n%60)/60})
		l.Add(Reading{Series{"loft", "a", unit.Humidity}, at, 0.5})
		l.Advance(at)
	}
}
