package app

import (
	"sync"
	"testing"
	"time"

	"dryhold/internal/engine"
)

// Readers that wait are woken by the next state, all of them; one that looks
// the other way for long finds the newest and no queue.
func TestNewsWakesEveryReader(t *testing.T) {
	var a App
	const readers, states = 50, 200
	last := time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC).Add(states * time.Second)
	var all sync.WaitGroup
	for range readers {
		all.Go(func() {
			seen := time.Time{}
			for seen.Before(last) {
				changed := a.news.Changed()
				if s := a.Snapshot(); s != nil && s.At.After(seen) {
					seen = s.At
					continue
				}
				<-changed
			}
		})
	}
	asleep := a.news.Changed()
	for i := range states {
		a.show(&engine.Snapshot{At: last.Add(time.Duration(i+1-states) * time.Second)})
	}
	all.Wait()
	select {
	case <-asleep:
	default:
		t.Error("who slept through all states was not told of one")
	}
	select {
	case <-a.news.Changed():
		t.Error("told of a state that is not there yet")
	default:
	}
}
