package notify

import (
	"cmp"
	"slices"
	"time"
)

// Status is how delivery fares, for health.
type Status struct {
	Channels []ChannelStatus // by name
	// Orphans counts items closed since the start because their channel is
	// configured no more.
	Orphans int
	// OutboxError says why the outbox cannot be read or written now; empty
	// when it can.
	OutboxError string
}

// ChannelStatus is how one channel fares.
type ChannelStatus struct {
	Channel     string
	LastSuccess time.Time // zero: none since the start
	LastFailure time.Time // zero: none since the start
	LastError   string    // of LastFailure
	Failures    int       // attempts failed since the last success
	// FailingSince is when the first of Failures was; zero without any.
	FailingSince time.Time
	Refused      int       // notices refused for good since the start
	LastRefused  time.Time // zero: none is known
	RefusedBy    string    // the cause at LastRefused
	Waiting      int       // notices queued, under way or to be retried, as far as known
}

// Troubled is for how long notices have not been delivered as they should: the
// longest time for which a channel has failed or, for a day after it, since one
// refused a notice for good, though it took others. Zero where all is well.
func (s Status) Troubled(now time.Time) time.Duration {
	longest := time.Duration(0)
	for _, c := range s.Channels {
		if !c.FailingSince.IsZero() {
			longest = max(longest, now.Sub(c.FailingSince))
		}
		if since := now.Sub(c.LastRefused); since < refusalTold {
			longest = max(longest, since)
		}
	}
	return longest
}

// refusalTold is how long a refused notice is trouble (judgement).
const refusalTold = 24 * time.Hour

// Status is a copy of how delivery fares.
func (w *Worker) Status() Status {
	w.mu.Lock()
	defer w.mu.Unlock()
	s := Status{Orphans: w.orphans, OutboxError: cmp.Or(w.writeErr, w.readErr)}
	for _, l := range w.lanes {
		s.Channels = append(s.Channels, l.status)
	}
	slices.SortFunc(s.Channels, func(a, b ChannelStatus) int { return cmp.Compare(a.Channel, b.Channel) })
	return s
}
