package app

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"dryhold/internal/health"
	"dryhold/internal/hub"
	"dryhold/internal/intake"
)

const (
	// heraldPace is the least time between two looks at what has changed: hubs
	// draw curves by the minute. A look takes at most one heraldShare of the time
	// (judgement): 500 lots that are announced one by one are 25 ms of work.
	heraldPace  = time.Second
	heraldShare = 50
	// heraldWithin bounds one publication.
	heraldWithin = 20 * time.Second
	// heraldPatience is how many failures in a row the check of it takes.
	heraldPatience = 5
)

// herald tells hubs what is published of rooms and lots. It has a connection of
// its own, beside that of the intake: the Homie convention wants the last will of
// a connection for its device's state, and that of the intake says whether the
// daemon takes readings, which discovery points to. So a hub that is slow, or a
// broker that refuses what is announced, touches no reading.
type herald struct {
	*App
	client *intake.Client
	// known is what the broker keeps of it, recorded the topics that stand in the
	// store: at any time at least those that the broker may keep.
	known    hub.Known
	recorded map[string]bool

	described string
	version   int64
	refreshed time.Time
	took      time.Duration // the last look

	connected, born atomic.Bool // since the last turn
	wake            chan struct{}
}

// announcing is how announcements fare.
type announcing struct {
	mu       sync.Mutex
	on       bool
	kept     int       // topics at the broker
	taken    time.Time // by the wall clock; zero: never since the start
	failures int       // in a row
	cause    string    // of the last
}

// hubConfig says what is announced: nothing where nobody asked for it.
func (a *App) hubConfig() hub.Config {
	s := a.opts.Settings
	c := hub.Config{Site: s.Site, Root: s.Broker.Topic(""), Status: a.statusTopic(), Version: a.opts.Version, Page: strings.TrimRight(s.HTTP.PublicURL, "/")}
	c.Root = strings.TrimSuffix(c.Root, "/")
	if h := s.Hub; h != nil {
		c.Prefix, c.Homie, c.Lots = h.DiscoveryPrefix, h.Homie, h.Lots
	}
	return c
}

// startHub begins to announce. Without anything to announce it takes away what
// was announced before, if anything was.
func (a *App) startHub(ctx context.Context) (func(context.Context) error, error) {
	before, err := a.store.Announced(ctx)
	if err != nil || a.opts.Settings.Hub == nil && len(before) == 0 {
		return nil, err
	}
	h := &herald{App: a, known: hub.Known{}, recorded: map[string]bool{}, wake: make(chan struct{}, 1)}
	for _, topic := range before {
		h.known[topic], h.recorded[topic] = hub.Unsure, true
	}
	if a.hub.Homie { // the connection says init before anything else is published
		if err := h.record(ctx, []hub.Message{{Topic: a.hub.HomieState(), Payload: hub.HomieConnected}}); err != nil {
			return nil, err
		}
	}
	cfg, err := a.heraldConfig(h)
	if err != nil {
		return nil, err
	}
	if h.client, err = intake.New(cfg, a.now, h.hear); err != nil {
		return nil, err
	}
	if err := h.client.Start(ctx); err != nil {
		return nil, err
	}
	a.vitals.announcing.mu.Lock()
	a.vitals.announcing.on = a.opts.Settings.Hub != nil
	a.vitals.announcing.mu.Unlock()
	stop := beside(a.armed(context.Background()), h.run)
	return func(ctx context.Context) error {
		return errors.Join(stop(ctx), h.client.Stop(ctx))
	}, nil
}

// heraldConfig is that of its connection. It goes on trying whatever the broker
// says: no hub keeps the daemon from starting.
func (a *App) heraldConfig(h *herald) (intake.Config, error) {
	cfg, err := a.clientConfig()
	cfg.ClientID, cfg.Filters, cfg.StatusTopic = heraldID(cfg.ClientID), nil, ""
	cfg.KeepTrying, cfg.Passing = true, true
	cfg.OnConnect = func() { h.rouse(&h.connected) }
	if a.hub.Prefix != "" {
		cfg.Filters = []string{a.opts.Settings.Hub.StatusTopic}
	}
	if a.hub.Homie {
		cfg.StatusTopic = a.hub.HomieState()
		cfg.Says = intake.Says{Connected: hub.HomieConnected, Leaving: hub.HomieLeaving, Lost: hub.HomieLost}
	}
	return cfg, err
}

// heraldID identifies the connection beside that of the client named.
func heraldID(client string) string { return client + "-hub" }

// hear takes the message with which a hub says that it has started.
func (h *herald) hear(d intake.Delivery) {
	if string(d.Payload) == intake.Online {
		h.rouse(&h.born)
	}
	d.Ack()
}

// rouse notes why everything is to be published anew.
func (h *herald) rouse(why *atomic.Bool) {
	why.Store(true)
	select {
	case h.wake <- struct{}{}:
	default:
	}
}

// run announces until ctx ends, or until nothing is left of what is not to be
// announced any more.
func (h *herald) run(ctx context.Context) {
	pace := time.NewTimer(0)
	defer pace.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-pace.C:
		}
		changed := h.news.Changed()
		err := h.turn(ctx)
		if ctx.Err() != nil {
			return
		}
		h.note(err)
		if err == nil && h.opts.Settings.Hub == nil && len(h.recorded) == 0 {
			h.logOf("hub").Info("what was announced to hubs is taken away")
			stopping, cancel := context.WithTimeout(ctx, heraldWithin)
			defer cancel()
			_ = h.client.Stop(stopping) // again when the daemon stops
			return
		}
		pace.Reset(max(heraldPace, heraldShare*h.took))
		due := time.NewTimer(h.refresh())
		if err != nil {
			due.Reset(heraldPace)
		}
		select {
		case <-ctx.Done():
		case <-changed:
		case <-h.wake:
		case <-due.C:
		}
		due.Stop()
	}
}

// refresh is how often states are published that have not changed.
func (h *herald) refresh() time.Duration { return cmp.Or(h.opts.refresh, hub.Refresh) }

// turn publishes what differs from what the broker keeps.
func (h *herald) turn(ctx context.Context) error {
	if !h.client.Connected() {
		return intake.ErrNotConnected
	}
	connected, born, now := h.connected.Swap(false), h.born.Swap(false), time.Now()
	refresh := now.Sub(h.refreshed) >= h.refresh()
	want := h.want()
	for topic := range h.known { // a Homie controller keeps what it has heard
		if connected || born && !strings.HasPrefix(topic, hub.Domain) {
			h.known.Forget(topic)
		}
	}
	wanted := map[string]bool{}
	for _, m := range want {
		wanted[m.Topic] = true
		if m.State && refresh {
			h.known.Forget(m.Topic)
		}
	}
	steps := hub.Steps(h.known, want)
	h.took = time.Since(now)
	if err := h.record(ctx, steps); err != nil {
		return err
	}
	err := h.publish(ctx, steps)
	if err == nil && refresh {
		h.refreshed = now
	}
	var gone []string
	for topic := range h.recorded {
		if _, kept := h.known[topic]; !kept && !wanted[topic] {
			gone = append(gone, topic)
		}
	}
	if len(gone) > 0 {
		if err := h.store.Announce(ctx, nil, gone); err != nil {
			return err
		}
		for _, topic := range gone {
			delete(h.recorded, topic)
		}
	}
	return err
}

// want is what is to stand at the broker now. The description of the Homie
// device has a number that rises when it changes; the clock gives one that rises
// over restarts, too.
func (h *herald) want() []hub.Message {
	snap := h.Snapshot()
	if snap == nil || h.opts.Settings.Hub == nil {
		return nil
	}
	want := h.hub.Messages(snap, h.version)
	if d := h.hub.Described(want); d != h.described {
		h.version = max(h.version+1, time.Now().UnixMilli())
		want = h.hub.Messages(snap, h.version)
		h.described = h.hub.Described(want)
	}
	return want
}

// record notes topics before they are first published: what is at the broker can
// then be taken away whatever happens.
func (h *herald) record(ctx context.Context, steps []hub.Message) error {
	var fresh []string
	for _, m := range steps {
		if m.Payload != "" && !h.recorded[m.Topic] {
			fresh = append(fresh, m.Topic)
		}
	}
	if len(fresh) == 0 {
		return nil
	}
	if err := h.store.Announce(ctx, fresh, nil); err != nil {
		return err
	}
	for _, topic := range fresh {
		h.recorded[topic] = true
	}
	return nil
}

// publish publishes in order, and ends at the first failure: what comes behind
// rests on what comes before.
func (h *herald) publish(ctx context.Context, steps []hub.Message) error {
	for _, m := range steps {
		within, cancel := context.WithTimeout(ctx, heraldWithin)
		err := h.client.Publish(within, m.Topic, 1, true, []byte(m.Payload))
		cancel()
		if err != nil {
			h.known[m.Topic] = hub.Unsure // it may have arrived
			return err
		}
		h.known.Published(m)
	}
	return nil
}

// note notes how a turn went.
func (h *herald) note(err error) {
	v := &h.vitals.announcing
	v.mu.Lock()
	defer v.mu.Unlock()
	v.kept = len(h.known)
	switch {
	case err == nil && v.failures >= heraldPatience:
		h.logOf("hub").Info("hubs are told again", "failed", v.failures)
	case err != nil && v.failures+1 == heraldPatience:
		h.logOf("hub").Warn("hubs cannot be told", "cause", err)
	}
	if err == nil {
		v.taken, v.failures, v.cause = time.Now(), 0, ""
		return
	}
	v.failures++
	v.cause = err.Error()
}

// check is the announcements' part in health, none where nothing is announced.
// It is not urgent: the page and the notices do not need it.
func (v *announcing) check() []health.Check {
	v.mu.Lock()
	defer v.mu.Unlock()
	if !v.on {
		return nil
	}
	c := health.Check{Code: "hub", Title: "Hubs are told of rooms and lots", OK: v.failures < heraldPatience, Text: "not told yet"}
	switch {
	case v.failures > 0:
		c.Text = fmt.Sprintf("%d attempts in a row failed, the last: %s", v.failures, v.cause)
	case !v.taken.IsZero():
		c.Text = fmt.Sprintf("%d topics stand at the broker, as of %s", v.kept, v.taken.UTC().Format(time.RFC3339))
	}
	return []health.Check{c}
}
