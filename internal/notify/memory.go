package notify

import (
	"context"
	"math"
	"slices"
	"time"

	"dryhold/internal/alarm"
)

// outcome is what came of an attempt and waits to be written to the outbox.
type outcome struct {
	id    int64
	write func(context.Context) error
}

// FromMemory gives a notice to its channels, or to every one where it names
// none, past the outbox, for when the store cannot take it; it goes before those
// of the outbox. Each channel tries until it takes or refuses the notice, or the
// worker stops: then it is lost.
func (w *Worker) FromMemory(n alarm.Notice) {
	w.mu.Lock()
	for _, l := range w.lanes {
		if n.Channels != nil && !slices.Contains(n.Channels, l.status.Channel) {
			continue
		}
		item := Item{ID: math.MinInt64 + w.given, Channel: l.status.Channel, Notice: n}
		l.kept[item.ID] = item
		l.insert(item)
	}
	w.given++
	w.mu.Unlock()
}

// fromMemory reports whether an item is not of the outbox, whose identifiers
// are positive.
func (i Item) fromMemory() bool { return i.ID < 0 }

// failedFromMemory counts an attempt where no outbox does. Holds Worker.mu.
func (l *lane) failedFromMemory(item Item) {
	if item.fromMemory() {
		item.Attempts++
		l.kept[item.ID] = item
	}
}

// again queues the items from memory whose retry is due. Holds Worker.mu.
func (l *lane) again(now time.Time) {
	for id, r := range l.retries {
		if item, ok := l.kept[id]; ok && !r.next.After(now) {
			delete(l.retries, id)
			l.insert(item)
		}
	}
}

// owed reports whether the outcome of an item is yet to be written. Holds mu.
func (w *Worker) owed(id int64) bool {
	return slices.ContainsFunc(w.unwritten, func(o outcome) bool { return o.id == id })
}

// catchUp writes the outcomes that the outbox did not take, in their order,
// and reports whether none is left.
func (w *Worker) catchUp(ctx context.Context) bool {
	for {
		w.mu.Lock()
		if len(w.unwritten) == 0 {
			w.mu.Unlock()
			return true
		}
		next := w.unwritten[0]
		w.mu.Unlock()
		if !w.mark(ctx, next.write) {
			return false
		}
		w.mu.Lock()
		w.unwritten = w.unwritten[1:] // this goroutine alone takes from it
		delete(w.taken, next.id)
		w.mu.Unlock()
	}
}
