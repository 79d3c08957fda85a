package store

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/room"
)

// TestReadBesidePacking reads all rooms together, again and again, while the
// days they are read from are packed: no reading is missed, none comes twice,
// and they come in order.
func TestReadBesidePacking(t *testing.T) {
	const days = 60
	s := open(t, t.TempDir())
	rng := rand.New(rand.NewPCG(5, 6))
	var want []room.Reading
	for day := range days {
		for m := 0; m < 24*60; m += 60 {
			for _, name := range []string{"cellar", "loft"} {
				r := reading("a", epoch.Add(time.Duration(day)*24*time.Hour+time.Duration(m)*time.Minute), 15+rng.Float64())
				r.Room = name
				want = append(want, r)
			}
		}
	}
	commit(t, s, Outcome{}, want...)
	ended := make(chan error, 1)
	go func() {
		for {
			more, err := s.Pack(t.Context(), epoch.Add((days-1)*24*time.Hour))
			if err != nil || !more {
				ended <- err
				return
			}
		}
	}()
	from, to := epoch.Add(90*time.Minute), epoch.Add((days-1)*24*time.Hour+3*time.Hour)
	var within []room.Reading
	for _, r := range want {
		if !r.At.Before(from) && r.At.Before(to) {
			within = append(within, r)
		}
	}
	for reads, done := 0, false; !done || reads < 2; reads++ {
		select {
		case err := <-ended:
			if err != nil {
				t.Fatal(err)
			}
			done = true
		default:
		}
		var got []room.Reading
		err := s.EachDayOf(t.Context(), []string{"cellar", "loft"}, from, to, func(day []room.Reading) error {
			got = append(got, day...)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(within, got); d != "" {
			t.Fatalf("read %d (-want +got):\n%.1000s", reads, d)
		}
	}
}
