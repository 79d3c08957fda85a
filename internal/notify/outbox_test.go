package notify

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"dryhold/internal/alarm"
)

// box is an outbox in memory.
type box struct {
	mu     sync.Mutex
	items  []*entry
	looks  int
	broken error

	troubles map[string]Trouble // of processes before
}

type entry struct {
	Item
	due    time.Time
	closed bool
	causes []string
	failed []time.Time
	taken  time.Time
}

func (b *box) put(channel string, n alarm.Notice) *entry {
	b.mu.Lock()
	defer b.mu.Unlock()
	e := &entry{Item: Item{ID: int64(len(b.items) + 1), Channel: channel, Notice: n}}
	b.items = append(b.items, e)
	return e
}

func (b *box) Due(_ context.Context, now time.Time, limit int) ([]Item, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.looks++
	var due []Item
	for _, e := range b.items {
		if !e.closed && !e.due.After(now) && len(due) < limit {
			due = append(due, e.Item)
		}
	}
	return due, b.broken
}

func (b *box) Recall(_ context.Context, now time.Time) (Recall, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	known := Recall{Troubles: b.troubles}
	for _, e := range b.items {
		if !e.closed && e.Attempts > 0 && e.due.After(now) {
			i := e.Item
			i.Due = e.due
			known.Waiting = append(known.Waiting, i)
		}
	}
	return known, b.broken
}

func (b *box) Delivered(_ context.Context, id int64, at time.Time) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.broken == nil {
		e := b.items[id-1]
		e.closed, e.taken = true, at
	}
	return b.broken
}

func (b *box) Failed(_ context.Context, id int64, at, next time.Time, cause string, permanent bool) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.broken == nil {
		e := b.items[id-1]
		e.Attempts++
		e.closed, e.due = permanent, next
		e.causes, e.failed = append(e.causes, cause), append(e.failed, at)
	}
	return b.broken
}

func (b *box) fail(err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.broken = err
}

// as is an entry as it now is.
func (b *box) as(e *entry) entry {
	b.mu.Lock()
	defer b.mu.Unlock()
	c := *e
	c.causes, c.failed = slices.Clone(e.causes), slices.Clone(e.failed)
	return c
}

// looked counts the looks into the outbox.
func (b *box) looked() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.looks
}

// closed counts the items that are closed.
func (b *box) closed() (n int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, e := range b.items {
		if e.closed {
			n++
		}
	}
	return n
}

// post is a channel whose answers the test gives.
type post struct {
	name   string
	mu     sync.Mutex
	sent   []string // notice keys, every attempt
	answer func(ctx context.Context, n alarm.Notice) error
}

func (p *post) Name() string { return p.name }

func (p *post) Send(ctx context.Context, n alarm.Notice) error {
	p.mu.Lock()
	p.sent = append(p.sent, n.Key)
	answer := p.answer
	p.mu.Unlock()
	if answer == nil {
		return nil
	}
	return answer(ctx, n)
}

func (p *post) say(answer func(context.Context, alarm.Notice) error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.answer = answer
}

func (p *post) attempts() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.sent)
}

func hang(ctx context.Context, _ alarm.Notice) error {
	<-ctx.Done()
	return ctx.Err()
}

func away(context.Context, alarm.Notice) error { return errors.New("server is away") }
