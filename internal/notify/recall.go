package notify

import (
	"context"
	"time"
)

// Recall is what is known of the attempts of processes before.
type Recall struct {
	// Waiting are the items of which an attempt has failed and whose time is
	// still to come, with Due, in any order.
	Waiting []Item
	// Troubles are those of channels that have any, by name.
	Troubles map[string]Trouble
}

// Trouble is what is amiss with a channel.
type Trouble struct {
	FailingSince time.Time // zero: the last attempt succeeded
	Failures     int       // since then, or some of them
	LastError    string
	LastRefused  time.Time // zero: no notice was refused for good
	RefusedBy    string
}

// recall learns once, from the outbox, what waits for a retry since the process
// before, so that no notice overtakes an earlier one of its alarm, and which
// channels are in trouble. It reports whether that is known.
func (w *Worker) recall(ctx context.Context, now time.Time) bool {
	w.mu.Lock()
	done := w.recalled
	w.mu.Unlock()
	if done {
		return true
	}
	listing, cancel := context.WithTimeout(ctx, markTimeout)
	defer cancel()
	known, err := w.outbox.Recall(listing, now)
	if w.outboxError("read", err); err != nil {
		return false
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.recalled = true
	for _, item := range known.Waiting {
		if l := w.lanes[item.Channel]; l != nil {
			l.retries[item.ID] = waiting{alarms(item.Notice), item.Due}
			l.count()
		}
	}
	for name, x := range known.Troubles {
		if l := w.lanes[name]; l != nil && l.status.LastSuccess.IsZero() && l.status.Failures == 0 {
			s := &l.status
			s.FailingSince, s.Failures, s.LastError = x.FailingSince, x.Failures, x.LastError
			s.LastRefused, s.RefusedBy = x.LastRefused, x.RefusedBy
		}
	}
	return true
}
