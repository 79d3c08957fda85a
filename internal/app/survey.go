package app

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"dryhold/internal/notify"
	"dryhold/internal/web"
	"dryhold/internal/wire"
)

// Heard is a topic on which something came, with its newest message.
type Heard struct {
	Message   wire.Message
	Announced []wire.Announced // what a gateway announced of it to hubs
}

// Survey listens for a while to all that a broker gives, and tells what came, by
// topic. It is for an app that was not started, with a broker that is there
// already. What dryhold itself says, announcements, and what is too long to be a
// reading are left out.
func (a *App) Survey(ctx context.Context, patience time.Duration) ([]Heard, error) {
	if err := a.WatchTopics(ctx, "setup"); err != nil {
		return nil, err
	}
	l := &a.looking
	l.mu.Lock()
	done := l.done
	l.mu.Unlock()
	timer := time.NewTimer(patience)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-done:
	case <-ctx.Done():
	}
	if err := errors.Join(a.LeaveTopics(context.WithoutCancel(ctx)), ctx.Err()); err != nil {
		return nil, err
	}
	l.mu.Lock()
	why, topics := l.why, slices.Sorted(maps.Keys(l.topics))
	l.mu.Unlock()
	if len(topics) == 0 && why != "" {
		return nil, errors.New(why)
	}
	var out []Heard
	for _, name := range topics {
		t, announced, found := l.about(name)
		if !found || t.topic != name || t.discovery != "" || t.count == 0 || t.size > len(t.payload) || strings.HasPrefix(name, a.opts.Settings.Broker.Topic("")) {
			continue
		}
		out = append(out, Heard{wire.Message{Topic: t.topic, Payload: t.payload, ReceivedAt: t.last, Retained: t.retained}, announced})
	}
	return out, nil
}

// SendTest sends a notice that says it is a test on every way to people, now and
// without the outbox: for an app that was not started.
func (a *App) SendTest(ctx context.Context, by string) error {
	var failed []error
	for _, c := range a.people() {
		way, err := a.way(c)
		if err == nil {
			err = sendOnce(ctx, way, a, by)
		}
		if err != nil {
			failed = append(failed, fmt.Errorf("the test did not go out by %s: %w", c.Name, err))
		}
	}
	return errors.Join(failed...)
}

func sendOnce(ctx context.Context, way notify.Channel, a *App, by string) error {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	s := a.opts.Settings
	return way.Send(ctx, testNotice(s.Site, web.TestNotice{By: by}, []string{way.Name()}, a.now().UTC().Truncate(time.Millisecond), s.Zone))
}
