package room

import (
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"dryhold/internal/unit"
)

// TestRows: rows are those of one long list, whatever is added and forgotten.
func TestRows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var r rows
		var want [][]float64
		for range rapid.IntRange(1, 6).Draw(t, "acts") {
			for range rapid.IntRange(0, 2*rowsAtOnce).Draw(t, "added") {
				row := []float64{float64(len(want)), float64(len(want)) / 3}
				r.add(row)
				want = append(want, row)
			}
			n := rapid.IntRange(0, len(want)+1).Draw(t, "left")
			if rapid.Bool().Draw(t, "at a piece") {
				n -= n % rowsAtOnce
			}
			r.truncate(n)
			want = want[:min(n, len(want))]
			if r.n != len(want) {
				t.Fatalf("%d rows, want %d", r.n, len(want))
			}
			for i, row := range want {
				if !slices.Equal(r.at(i), row) {
					t.Fatalf("row %d is %v, want %v", i, r.at(i), row)
				}
			}
		}
	})
}

// patternsHold compares the patterns told again with those that the fold had at
// the start of the days whose states are still there.
func patternsHold(t interface {
	Helper()
	Fatalf(format string, args ...any)
}, l *Ledger) (compared int) {
	t.Helper()
	for day, d := range l.days {
		if k := d.slot - l.openAt; k >= 0 && k < len(l.open) {
			if compared++; l.patternAt(day) != l.open[k].recent {
				t.Fatalf("day %d: the pattern told again is not the one that was", day)
			}
		}
	}
	return compared
}

// TestPatternsOfYears: the pattern of any day is the one that the fold had at its
// start, over gaps and half hours.
func TestPatternsOfYears(t *testing.T) {
	l := newTestLedger(t)
	compared := 0
	for h := 0; h < 120*24; h++ {
		at := epoch(float64(h))
		if h%170 < 3 || h > 50*24 && h < 61*24 {
			continue
		}
		minutes := 60
		if h%11 == 0 {
			minutes = 40 + h%7*5
		}
		for m := 0; m < minutes; m += 10 {
			l.Feed(reading("a", unit.Temperature, at.Add(time.Duration(m)*time.Minute), 15+5*math.Sin(float64(h*60+m)/400)))
		}
		if h%24 == 5 {
			l.Advance(at.Add(time.Hour))
			compared += patternsHold(t, l)
		}
	}
	if compared < 200 {
		t.Fatalf("%d days compared", compared)
	}
}
