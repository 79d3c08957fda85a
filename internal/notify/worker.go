package notify

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"github.com/cenkalti/backoff/v5"

	"dryhold/internal/alarm"
)

// Outbox is the durable queue of notices, one item per notice and channel.
// It must be safe for concurrent use.
type Outbox interface {
	// Due lists up to limit items whose time has come, neither delivered nor
	// failed for good, in order of their ID.
	Due(ctx context.Context, now time.Time, limit int) ([]Item, error)
	// Recall gives what a process must know of those before it.
	Recall(ctx context.Context, now time.Time) (Recall, error)
	// Delivered closes an item.
	Delivered(ctx context.Context, id int64, at time.Time) error
	// Failed counts a failed attempt of an item: due again at next or, when
	// permanent, closed.
	Failed(ctx context.Context, id int64, at, next time.Time, cause string, permanent bool) error
}

// Item is one notice for one channel. IDs rise in the order the notices were
// made.
type Item struct {
	ID       int64
	Channel  string
	Attempts int // failed ones so far
	Notice   alarm.Notice
	Due      time.Time // when to try again; set by Outbox.Recall alone
}

// Times of the worker; judgement.
const (
	sendTimeout = time.Minute      // one attempt of one channel
	markTimeout = 10 * time.Second // one write to the outbox
	grace       = 2 * time.Second  // for attempts under way when stopping
	pollEvery   = time.Minute      // looks into the outbox unasked
	soonest     = time.Second      // between two looks unasked
	pollFailed  = 5 * time.Second  // and when the outbox could not be read
	batch       = 64
	firstRetry  = 5 * time.Second
	lastRetry   = time.Hour
	// giveUp is the age at which a notice that no attempt could deliver counts
	// as refused: nobody wants last month's weather, and what is behind it of
	// the same alarm should not wait for ever.
	giveUp = 30 * 24 * time.Hour
)

// Worker delivers what is in the outbox. Each channel has its own goroutine
// and its own queue, so that one that hangs delays no other; within a channel
// a notice waits while an earlier one of the same alarm is being retried, so
// that nobody reads "cool again" before "too warm".
type Worker struct {
	outbox Outbox
	now    func() time.Time
	log    *slog.Logger
	lanes  map[string]*lane

	wake chan struct{} // one pending look into the outbox
	quit chan struct{} // closed: begin nothing new
	done chan struct{} // closed: every goroutine has ended

	startOnce, stopOnce sync.Once

	mu                sync.Mutex
	cancel            context.CancelFunc // ends attempts under way; nil before Start
	stopped           bool
	recalled          bool           // retries of the process before are known
	taken             map[int64]bool // items queued or under way
	settled           map[int64]bool // items let go of since the look under way began
	orphans           int
	readErr, writeErr string    // of the outbox
	unwritten         []outcome // outcomes that the outbox did not take yet, oldest first
	given             int64     // notices taken by FromMemory
}

// lane is one channel's share of the work. Its fields are guarded by
// Worker.mu, but for channel and signal.
type lane struct {
	channel Channel
	signal  chan struct{}
	queue   []Item            // in order of ID
	retries map[int64]waiting // failed items, until they are due again
	kept    map[int64]Item    // items from memory, until they are delivered or refused
	busy    bool              // an attempt is under way
	status  ChannelStatus
}

type waiting struct {
	alarms []alarm.Key // of the notice
	next   time.Time
}

// New makes a worker; it starts nothing. now gives the wall clock. Channels
// have distinct names.
func New(outbox Outbox, channels []Channel, now func() time.Time, log *slog.Logger) (*Worker, error) {
	w := &Worker{
		outbox: outbox, now: now, log: log, lanes: make(map[string]*lane),
		wake: make(chan struct{}, 1), quit: make(chan struct{}), done: make(chan struct{}),
		taken: make(map[int64]bool), settled: make(map[int64]bool),
	}
	for _, c := range channels {
		if w.lanes[c.Name()] != nil {
			return nil, fmt.Errorf("cannot set up notices: two channels are named %q", c.Name())
		}
		w.lanes[c.Name()] = &lane{
			channel: c, signal: make(chan struct{}, 1), retries: make(map[int64]waiting), kept: make(map[int64]Item),
			status: ChannelStatus{Channel: c.Name()},
		}
	}
	return w, nil
}

// Start begins delivery; further calls do nothing. The end of ctx ends
// delivery without grace. A worker that was stopped does not start.
func (w *Worker) Start(ctx context.Context) {
	w.startOnce.Do(func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		if w.stopped {
			return
		}
		ctx, w.cancel = context.WithCancel(ctx)
		var all sync.WaitGroup
		all.Go(func() { w.look(ctx) })
		for _, l := range w.lanes {
			all.Go(func() { w.serve(ctx, l) })
		}
		go func() { all.Wait(); close(w.done) }()
	})
}

// Stop ends delivery: nothing new begins, attempts under way get a moment to
// finish and are then cut off, to be repeated after the next start. It
// returns when every goroutine has ended, or with an error when ctx ends
// first. It may be called twice, or before Start.
func (w *Worker) Stop(ctx context.Context) error {
	w.stopOnce.Do(func() { close(w.quit) })
	w.mu.Lock()
	w.stopped = true
	cancel := w.cancel
	w.mu.Unlock()
	if cancel == nil {
		return nil
	}
	defer cancel()
	patience := time.NewTimer(grace)
	defer patience.Stop()
	select {
	case <-w.done:
		return nil
	case <-patience.C:
	case <-ctx.Done():
	}
	cancel()
	select {
	case <-w.done:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("cannot stop delivery of notices in time: %w", context.Cause(ctx))
	}
}

// Wake says that the outbox has a new item. It never blocks.
func (w *Worker) Wake() { nudge(w.wake) }

func nudge(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// quitting reports whether nothing new may begin.
func (w *Worker) quitting(ctx context.Context) bool {
	select {
	case <-w.quit:
		return true
	default:
		return ctx.Err() != nil
	}
}

// look moves due items from the outbox to the lanes: when woken, when a retry
// is due, and now and then, for retries of a process before this one.
func (w *Worker) look(ctx context.Context) {
	for !w.quitting(ctx) {
		timer := time.NewTimer(w.distribute(ctx))
		select {
		case <-timer.C:
		case <-w.wake:
		case <-w.quit:
		case <-ctx.Done():
		}
		timer.Stop()
	}
	w.catchUp(ctx)
}

// distribute looks into the outbox once and says when to look again.
func (w *Worker) distribute(ctx context.Context) time.Duration {
	longest := pollEvery
	if !w.catchUp(ctx) {
		longest = pollFailed
	}
	now := w.now()
	w.mu.Lock()
	clear(w.settled)
	limit := batch + len(w.taken) // those taken are still listed as due
	for _, l := range w.lanes {
		l.again(now)
	}
	w.mu.Unlock()
	if !w.recall(ctx, now) {
		return pollFailed
	}

	listing, cancel := context.WithTimeout(ctx, markTimeout)
	items, err := w.outbox.Due(listing, now, limit)
	cancel()
	if w.outboxError("read", err); err != nil {
		return pollFailed
	}
	slices.SortFunc(items, func(a, b Item) int { return cmp.Compare(a.ID, b.ID) })
	var orphans []Item
	added := 0
	w.mu.Lock()
	for _, item := range items {
		l := w.lanes[item.Channel]
		switch {
		case w.taken[item.ID] || w.settled[item.ID]:
		case l == nil:
			orphans = append(orphans, item)
		default:
			w.taken[item.ID] = true
			delete(l.retries, item.ID)
			l.insert(item)
			added++
		}
	}
	again := w.nextLook(now, len(items) < limit)
	w.mu.Unlock()
	for _, item := range orphans {
		w.orphan(ctx, item)
	}
	if added > 0 && len(items) >= limit {
		return 0
	}
	return min(again, longest)
}

// nextLook is the time until the first retry, from soonest to pollEvery. When
// the list was complete, a retry long due and not on it is an item somebody
// else has closed: nothing waits for it any more. Holds mu.
func (w *Worker) nextLook(now time.Time, complete bool) time.Duration {
	again := pollEvery
	for _, l := range w.lanes {
		for id, r := range l.retries {
			if complete && now.Sub(r.next) > pollEvery {
				delete(l.retries, id)
				l.count()
				nudge(l.signal)
				continue
			}
			again = min(again, max(soonest, r.next.Sub(now)))
		}
	}
	return again
}

// orphan closes an item whose channel is configured no more.
func (w *Worker) orphan(ctx context.Context, item Item) {
	at := w.now()
	cause := fmt.Sprintf("no channel %q is configured any more", item.Channel)
	ok := w.mark(ctx, func(ctx context.Context) error { return w.outbox.Failed(ctx, item.ID, at, at, cause, true) })
	if !ok {
		return
	}
	w.log.Error("notice given up", "notice", item.Notice.Key, "channel", item.Channel, "cause", cause)
	w.mu.Lock()
	defer w.mu.Unlock()
	w.orphans++
}

// mark writes to the outbox once; whether that succeeded.
func (w *Worker) mark(ctx context.Context, write func(context.Context) error) bool {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), markTimeout)
	defer cancel()
	err := write(ctx)
	w.outboxError("write", err)
	return err == nil
}

// outboxError keeps what fails at the outbox, and logs it when that changes.
func (w *Worker) outboxError(what string, err error) {
	text := ""
	if err != nil && !errors.Is(err, context.Canceled) {
		text = fmt.Sprintf("cannot %s the outbox of notices: %v", what, err)
	}
	w.mu.Lock()
	of := &w.readErr
	if what == "write" {
		of = &w.writeErr
	}
	before := *of
	*of = text
	w.mu.Unlock()
	switch {
	case text != "" && text != before:
		w.log.Error("the outbox of notices fails", "cause", text)
	case text == "" && before != "":
		w.log.Info("outbox of notices works again", "to", what)
	}
}

// retryAfter is the pause after the given number of failed attempts: doubled
// each time from 5 s to an hour, a fifth more or less by chance.
func retryAfter(failed int) time.Duration {
	b := &backoff.ExponentialBackOff{
		InitialInterval: firstRetry, MaxInterval: lastRetry, Multiplier: 2, RandomizationFactor: 0.2,
	}
	b.Reset()
	pause := b.NextBackOff()
	for range min(failed-1, 20) { // the hour is reached long before
		pause = b.NextBackOff()
	}
	return min(max(pause, firstRetry), lastRetry)
}
