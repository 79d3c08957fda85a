package notify

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/crash"
)

// insert queues an item in order of ID. Holds Worker.mu.
func (l *lane) insert(item Item) {
	at, _ := slices.BinarySearchFunc(l.queue, item.ID, func(i Item, id int64) int { return cmp.Compare(i.ID, id) })
	l.queue = slices.Insert(l.queue, at, item)
	l.count()
	nudge(l.signal)
}

// count keeps the number of waiting notices. Holds Worker.mu.
func (l *lane) count() {
	l.status.Waiting = len(l.queue) + len(l.retries)
	if l.busy {
		l.status.Waiting++
	}
}

// alarms lists what a notice tells of: none for a digest or a test.
func alarms(n alarm.Notice) []alarm.Key {
	var keys []alarm.Key
	for _, i := range n.Items {
		keys = append(keys, i.Key)
	}
	if len(keys) == 0 && n.Alarm != (alarm.Key{}) {
		keys = append(keys, n.Alarm)
	}
	return keys
}

// blocked reports whether an earlier notice of one of its alarms waits for its
// retry. Holds Worker.mu.
func (l *lane) blocked(item Item) bool {
	if len(l.retries) == 0 {
		return false
	}
	keys := alarms(item.Notice)
	for id, r := range l.retries {
		if id < item.ID && slices.ContainsFunc(r.alarms, func(k alarm.Key) bool { return slices.Contains(keys, k) }) {
			return true
		}
	}
	return false
}

// serve delivers the items of one lane, one after the other.
func (w *Worker) serve(ctx context.Context, l *lane) {
	for !w.quitting(ctx) {
		if item, ok := w.take(l); ok {
			w.deliver(ctx, l, item)
			continue
		}
		select {
		case <-l.signal:
		case <-w.quit:
		case <-ctx.Done():
		}
	}
}

// take gives the first item of the queue that need not wait.
func (w *Worker) take(l *lane) (Item, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	i := slices.IndexFunc(l.queue, func(item Item) bool { return !l.blocked(item) })
	if i < 0 {
		return Item{}, false
	}
	item := l.queue[i]
	l.queue = slices.Delete(l.queue, i, i+1)
	l.busy = true
	return item, true
}

// deliver makes one attempt and records what came of it.
func (w *Worker) deliver(ctx context.Context, l *lane, item Item) {
	crash.At(ctx, crash.Sending)
	sending, cancel := context.WithTimeout(ctx, sendTimeout)
	err := l.channel.Send(sending, item.Notice)
	cancel()
	at := w.now()
	switch {
	case err == nil:
		crash.At(ctx, crash.Sent)
		w.record(ctx, item, func(ctx context.Context) error { return w.outbox.Delivered(ctx, item.ID, at) })
		crash.At(ctx, crash.Noted)
		w.succeeded(l, item, at)
	case ctx.Err() != nil && !IsPermanent(err):
		// Cut off by the stop, which is no fault of the channel: the item
		// stays due.
		w.release(l, item)
	default:
		if age := at.Sub(item.Notice.At); age > giveUp && !IsPermanent(err) {
			err = Permanent(fmt.Errorf("given up after %d days: %w", int(age.Hours()/24), err))
		}
		permanent := IsPermanent(err)
		next := at.Add(retryAfter(item.Attempts + 1))
		if asked, ok := later(err); ok {
			next = asked
		}
		w.record(ctx, item, func(ctx context.Context) error {
			return w.outbox.Failed(ctx, item.ID, at, next, err.Error(), permanent)
		})
		w.failed(l, item, at, next, err)
	}
}

// record writes the outcome of an attempt to the outbox. What the outbox does
// not take is kept and written later: an outcome forgotten is a notice sent
// twice, and a lane that waited for a full disk would deliver nothing.
func (w *Worker) record(ctx context.Context, item Item, write func(context.Context) error) {
	if item.fromMemory() || w.mark(ctx, write) {
		return
	}
	w.mu.Lock()
	w.unwritten = append(w.unwritten, outcome{item.ID, write})
	w.mu.Unlock()
	w.Wake() // to try again in time
}

func (w *Worker) succeeded(l *lane, item Item, at time.Time) {
	w.mu.Lock()
	recovered := l.status.Failures
	l.status.LastSuccess, l.status.Failures, l.status.FailingSince = at, 0, time.Time{}
	delete(l.kept, item.ID)
	w.mu.Unlock()
	w.release(l, item)
	if recovered > 0 {
		w.log.Info("notices are delivered again", "channel", l.status.Channel, "failed_attempts", recovered)
	}
}

func (w *Worker) failed(l *lane, item Item, at, next time.Time, err error) {
	permanent := IsPermanent(err)
	w.mu.Lock()
	l.status.LastFailure, l.status.LastError = at, err.Error()
	if l.status.Failures++; l.status.FailingSince.IsZero() {
		l.status.FailingSince = at
	}
	if permanent {
		l.status.Refused++
		l.status.LastRefused, l.status.RefusedBy = at, err.Error()
		delete(l.kept, item.ID)
	} else {
		l.retries[item.ID] = waiting{alarms(item.Notice), next}
		l.failedFromMemory(item)
	}
	w.mu.Unlock()
	w.release(l, item)
	if permanent {
		w.log.Error("notice refused for good", "notice", item.Notice.Key, "channel", l.status.Channel, "cause", err)
		return
	}
	w.log.Warn("notice not delivered yet", "notice", item.Notice.Key, "channel", l.status.Channel,
		"attempt", item.Attempts+1, "next", next, "cause", err)
	w.Wake() // to look again in time for the retry
}

// release lets go of an item and of those that waited for it.
func (w *Worker) release(l *lane, item Item) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.owed(item.ID) { // else the outbox still lists it as due
		delete(w.taken, item.ID)
		w.settled[item.ID] = true
	}
	l.busy = false
	l.count()
	nudge(l.signal)
}
