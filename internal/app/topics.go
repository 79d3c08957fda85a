package app

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"dryhold/internal/intake"
	"dryhold/internal/lot"
	"dryhold/internal/web"
	"dryhold/internal/wire"
)

// Bounds of a look at what arrives (judgement): enough for a house with every
// gadget, and nothing that a broker full of strangers could hurt with.
const (
	lookFor     = 5 * time.Minute
	lookKept    = 30 * time.Minute // what was seen, after the end
	lookTopics  = 1000
	lookTopic   = 512       // bytes of a topic that is kept
	lookPayload = 4 << 10   // bytes of a payload that are kept
	lookShown   = 1 << 10   // of it, shown
	lookDevices = 500       // announcements of devices and values
	lookMost    = 300_000   // messages
	lookVolume  = 128 << 20 // bytes
)

// looking is the look at what arrives: at most one at a time.
type looking struct {
	mu     sync.Mutex
	closed bool
	cancel context.CancelFunc // nil: nobody looks
	timer  *time.Timer        // ends it
	done   chan struct{}      // closed when the one under way has ended
	number int                // of the newest

	began, until, ended time.Time
	why                 string
	narrow              bool
	topics              map[string]*topicSeen
	prefix              string                       // of announcements
	announced           map[string]wire.Announcement // by the topic of the announcement
	messages, elsewhere uint64
	volume              int64
}

// topicSeen is one topic with its newest message.
type topicSeen struct {
	topic       string
	payload     []byte // its beginning
	size        int
	count       uint64
	retained    bool
	first, last time.Time
	// discovery says of a topic of announcements why nothing can be proposed.
	discovery string
}

// startTopics lets a look end with the daemon.
func (a *App) startTopics(context.Context) (func(context.Context) error, error) {
	return func(ctx context.Context) error {
		l := &a.looking
		l.mu.Lock()
		l.closed = true
		l.mu.Unlock()
		return a.LeaveTopics(ctx)
	}, nil
}

// WatchTopics implements web.TopicWatcher.
func (a *App) WatchTopics(_ context.Context, by string) error {
	l := &a.looking
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return lot.NotNow("cannot look now: dryhold is stopping")
	}
	now := a.now()
	if l.cancel != nil {
		l.until = now.Add(lookFor)
		l.timer.Reset(lookFor)
		return nil
	}
	cfg, err := a.clientConfig()
	if err != nil {
		return lot.NotNow("cannot look at what arrives: %v", err)
	}
	cfg.ClientID, cfg.Filters, cfg.StatusTopic, cfg.KeepTrying = intake.LookID(cfg.ClientID), []string{"#"}, "", false
	ctx, cancel := context.WithCancel(context.Background())
	l.cancel, l.done, l.timer = cancel, make(chan struct{}), time.AfterFunc(lookFor, cancel)
	l.began, l.until, l.ended, l.why, l.narrow = now, now.Add(lookFor), time.Time{}, "", false
	l.number++
	l.topics, l.messages, l.elsewhere, l.volume = map[string]*topicSeen{}, 0, 0, 0
	l.prefix, l.announced = a.discoveryPrefix(), map[string]wire.Announcement{}
	a.logOf("intake").Info("somebody looks at all that arrives at the broker", "by", by, "for", lookFor)
	go a.look(ctx, cfg)
	return nil
}

// look looks until ctx ends, or longer is not possible.
func (a *App) look(ctx context.Context, cfg intake.Config) {
	l := &a.looking
	err := intake.Look(ctx, cfg, a.now, l.see)
	for _, filters := range [][]string{append(a.filters(), wire.DiscoveryFilters(a.discoveryPrefix())...), a.filters()} {
		if !errors.Is(err, intake.ErrRefused) {
			break
		}
		l.mu.Lock()
		l.narrow = true
		l.mu.Unlock()
		cfg.Filters = filters
		err = intake.Look(ctx, cfg, a.now, l.see)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.timer.Stop()
	l.cancel()
	l.cancel, l.ended = nil, a.now()
	switch {
	case errors.Is(err, intake.ErrEnough):
		l.why = fmt.Sprintf("more than %d messages or %d MiB came: that is enough to look at", lookMost, lookVolume>>20)
	case err != nil:
		l.why = err.Error()
	}
	close(l.done)
	number := l.number
	time.AfterFunc(lookKept, func() { l.forget(number) })
}

// forget drops what the look of that number saw, unless there was a newer one.
func (l *looking) forget(number int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.number == number {
		l.topics, l.announced = nil, nil
	}
}

// see notes a message; false when it was one too many.
func (l *looking) see(d intake.Delivery) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.messages++
	l.volume += int64(len(d.Topic) + len(d.Payload))
	device := l.announce(d)
	t := l.topics[d.Topic]
	switch {
	case t != nil:
	case device && len(l.topics) >= lookTopics/2: // they come first, and are not to crowd out what they are about
		l.elsewhere++
	case len(l.topics) >= lookTopics || len(d.Topic) > lookTopic:
		l.elsewhere++
	default:
		t = &topicSeen{topic: d.Topic, first: d.ReceivedAt}
		l.topics[d.Topic] = t
	}
	if t != nil {
		t.count++
		t.last, t.size, t.retained = d.ReceivedAt, len(d.Payload), d.Retained
		t.payload = append(t.payload[:0], d.Payload[:min(len(d.Payload), lookPayload)]...)
	}
	return l.messages < lookMost && l.volume < lookVolume
}

// LeaveTopics implements web.TopicWatcher. It returns when the look has ended.
func (a *App) LeaveTopics(ctx context.Context) error {
	l := &a.looking
	l.mu.Lock()
	cancel, done := l.cancel, l.done
	l.mu.Unlock()
	if cancel == nil {
		return nil
	}
	cancel()
	return await(ctx, done)
}

// Topics implements web.TopicWatcher.
func (a *App) Topics(context.Context) (web.TopicsAnswer, error) {
	l := &a.looking
	l.mu.Lock()
	v := web.TopicsAnswer{
		Looking: l.cancel != nil, Began: l.began, Until: l.until, Ended: l.ended, Why: l.why, MappedOnly: l.narrow,
		Messages: l.messages, Elsewhere: l.elsewhere, Topics: []web.TopicView{},
	}
	all := make([]topicSeen, 0, len(l.topics))
	for _, name := range slices.Sorted(maps.Keys(l.topics)) {
		t := *l.topics[name]
		t.payload = slices.Clone(t.payload)
		all = append(all, t)
	}
	l.mu.Unlock()
	for _, t := range all {
		v.Topics = append(v.Topics, a.topicView(t))
	}
	return v, nil
}

// topicView says what is read of the newest message of a topic.
func (a *App) topicView(t topicSeen) web.TopicView {
	v := web.TopicView{
		Topic: strings.ToValidUTF8(t.topic, "\uFFFD"), Bytes: t.size, Count: t.count, Retained: t.retained, Last: t.last,
		Pattern: a.decoder.PatternOf(t.topic), Readings: []web.TopicReading{},
	}
	v.Payload, v.Binary, v.Cut = payloadText(t)
	if t.count > 1 {
		v.Every = t.last.Sub(t.first).Seconds() / float64(t.count-1)
	}
	if v.Announced, v.Says = a.looking.saysOf(t.topic); v.Says == "" && a.speaksOn(t.topic) {
		v.Announced, v.Says = "", "dryhold itself says this: it is no sensor"
	}
	if v.Says != "" {
		return v
	}
	if t.size > len(t.payload) {
		if v.Pattern != "" {
			v.Problem = fmt.Sprintf("the message has %d bytes: it is not kept whole and not tried here", t.size)
		}
		return v
	}
	d, errs := a.decoder.Decode(wire.Message{Topic: t.topic, Payload: t.payload, ReceivedAt: t.last, Retained: t.retained})
	v.Readings = readingsOf(d)
	for _, e := range errs {
		if e.Cause != wire.NotMapped || v.Pattern != "" {
			v.Problem = strings.TrimPrefix(v.Problem+"; "+string(e.Cause)+": "+e.Err.Error(), "; ")
		}
	}
	switch {
	case d.Status != nil:
		v.Says = "the device says " + string(d.Status.State)
	case d.Ignored:
		v.Says = "nothing of use here"
	case d.AgeUnknown && len(d.Readings) > 0:
		v.Says = "kept by the broker, of unknown age"
	}
	return v
}

func readingsOf(d wire.Decoded) []web.TopicReading {
	out := make([]web.TopicReading, 0, len(d.Readings))
	for _, r := range d.Readings {
		out = append(out, web.TopicReading{Room: r.Room, Sensor: r.Sensor, Quantity: r.Quantity, Value: r.Value, At: r.At})
	}
	return out
}
