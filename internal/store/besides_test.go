package store

import (
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"dryhold/internal/room"
)

// TestReadBesidePacking reads two rooms together, again and again, while late
// readings come for days that are packed, and they are packed anew: none that
// was on disk before is missed, none comes twice, and they come in order.
func TestReadBesidePacking(t *testing.T) {
	const days, rounds = 16, 40
	s := open(t, t.TempDir())
	rooms := []string{"cellar", "loft"}
	round := func(n int) (out []room.Reading) {
		for day := range days {
			for _, name := range rooms {
				r := reading("a", epoch.Add(time.Duration(day)*24*time.Hour+time.Duration(n)*time.Minute), 15)
				r.Room = name
				out = append(out, r)
			}
		}
		return out
	}
	commit(t, s, Outcome{}, round(0)...)
	var stored atomic.Int64
	ended := make(chan error, 1)
	var writing sync.WaitGroup
	defer writing.Wait()
	writing.Go(func() {
		for n := 1; n <= rounds; n++ {
			commit(t, s, Outcome{}, round(n)...)
			stored.Store(int64(n))
			if _, err := s.Pack(t.Context(), epoch.Add(days*24*time.Hour)); err != nil {
				ended <- err
				return
			}
		}
		ended <- nil
	})
	to := epoch.Add((days-1)*24*time.Hour + time.Minute)
	for done := false; !done; {
		select {
		case err := <-ended:
			if err != nil {
				t.Fatal(err)
			}
			done = true
		default:
		}
		least := int(stored.Load()) + 1 // readings of each room and day
		seen, last := map[string]int{}, time.Time{}
		err := s.EachDayOf(t.Context(), rooms, epoch, to, func(day []room.Reading) error {
			for _, r := range day {
				if r.At.Before(last) || !r.At.Before(to) {
					t.Errorf("%v comes after %v, up to %v", r, last, to)
				}
				last = r.At
				seen[r.Room+r.At.Format(time.DateOnly)]++
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if len(seen) != days*len(rooms) {
			t.Fatalf("%d rooms and days, want %d", len(seen), days*len(rooms))
		}
		end := to.Add(-time.Minute).Format(time.DateOnly)
		for day, n := range seen {
			whole := day != rooms[0]+end && day != rooms[1]+end
			if whole && n < least || n > rounds+1 || !whole && n != 1 {
				t.Fatalf("%s: %d readings while %d to %d were stored", day, n, least, rounds+1)
			}
		}
	}
}
