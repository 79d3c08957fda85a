package app

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"sync"
	"time"

	"dryhold/internal/health"
	"dryhold/internal/intake"
	"dryhold/internal/secret"
	"dryhold/internal/settings"
)

const (
	// presenceEvery is how often a daemon says below its root that it is there.
	presenceEvery = time.Minute
	// presenceKept is how long another one that was heard is taken to be there.
	presenceKept = 3 * presenceEvery
	// connectsMost in connectsWithin are more than a network that is mended now
	// and then makes (judgement). Two clients of one identifier throw each other
	// out as often as the pauses between attempts permit, every 10 s.
	connectsMost   = 8
	connectsWithin = 5 * time.Minute
)

// presence is what a daemon says of itself, retained, below its root.
type presence struct {
	Site     string    `json:"site"`
	ClientID string    `json:"client_id"`
	Instance string    `json:"instance"` // of the process, and by chance
	At       time.Time `json:"at"`
}

// alone notices another daemon that by mistake has the same client identifier
// at the broker, or speaks below the same root.
type alone struct {
	topic    string // of the presence; empty where nobody else may speak below the root
	instance string
	came     chan struct{} // a connection

	mu       sync.Mutex
	since    time.Time // of the first connection; by the wall clock, as all here
	connects []time.Time
	other    presence
	heard    time.Time // zero: no other was heard
}

// prepare makes ready to notice others at a broker.
func (o *alone) prepare(b settings.Broker) {
	o.instance, _ = secret.NewToken()
	o.came = make(chan struct{}, 1)
	if b.Embedded == nil {
		o.topic = b.Topic("daemon")
	}
}

// connected notes a connection and has the presence told.
func (o *alone) connected() {
	o.mu.Lock()
	defer o.mu.Unlock()
	now := time.Now()
	if o.since.IsZero() {
		o.since = now
	}
	o.connects = append(slices.DeleteFunc(o.connects, func(at time.Time) bool { return now.Sub(at) > connectsWithin }), now)
	o.say()
}

// say has the presence told soon.
func (o *alone) say() {
	select {
	case o.came <- struct{}{}:
	default:
	}
}

// startPresence says below the root that this daemon is there. It is said at
// QoS 0, so that a session keeps none of it for later.
func (a *App) startPresence(context.Context) (func(context.Context) error, error) {
	if a.alone.topic == "" {
		return nil, nil
	}
	return beside(context.Background(), func(ctx context.Context) {
		tick := time.NewTicker(presenceEvery)
		defer tick.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-a.alone.came:
			case <-tick.C:
			}
			b := a.opts.Settings
			body, err := json.Marshal(presence{b.Site, b.Broker.ClientID, a.alone.instance, time.Now().UTC()})
			if err == nil {
				err = a.client.Publish(ctx, a.alone.topic, 0, true, body)
			}
			if err != nil && ctx.Err() == nil {
				a.logOf("intake").Debug("cannot say that dryhold is there", "error", err)
			}
		}
	}), nil
}

// present takes what a daemon says of itself below this one's root. What was
// said before this one came may be of one that has gone, as itself before a
// restart.
func (a *App) present(d intake.Delivery) {
	d.Ack()
	var p presence
	o := &a.alone
	if json.Unmarshal(d.Payload, &p) != nil || p.Instance == "" || p.Instance == o.instance {
		return
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	if d.Retained && (o.since.IsZero() || !p.At.After(o.since)) {
		return
	}
	if o.heard.IsZero() || o.other.Instance != p.Instance {
		a.logOf("intake").Error("another dryhold takes this one's place at the broker; see health", "site", p.Site, "client", p.ClientID)
		o.say() // so that it knows, too
	}
	o.other, o.heard = p, time.Now()
}

// checkAlone is the part of it in health, none with the embedded broker. It is
// urgent only where readings go elsewhere for sure.
func (a *App) checkAlone(now time.Time) []health.Check {
	if a.alone.topic == "" {
		return nil
	}
	o, b := &a.alone, a.opts.Settings.Broker
	o.mu.Lock()
	defer o.mu.Unlock()
	recent := 0
	for _, at := range o.connects {
		if now.Sub(at) <= connectsWithin {
			recent++
		}
	}
	c := health.Check{Code: "alone", Title: "No other dryhold takes this one's place at the broker"}
	switch there := !o.heard.IsZero() && now.Sub(o.heard) <= presenceKept; {
	case there && o.other.ClientID == b.ClientID:
		c.Urgent = true
		c.Text = fmt.Sprintf("another dryhold, of site %q, connects as client %q too: they throw each other out and each gets a part of the readings: give each a broker.client_id and a broker.root of its own", o.other.Site, b.ClientID)
	case there:
		c.Text = fmt.Sprintf("another dryhold, of site %q and client %q, speaks below %s too: status, notices and commands of both are mixed up: give each a broker.root of its own", o.other.Site, o.other.ClientID, b.Topic(""))
	case recent >= connectsMost:
		c.Text = fmt.Sprintf("connected %d times in %s: does another client connect as %q, which is thrown out and gets a part of the readings each time? Give each a broker.client_id of its own; else see to the network", recent, connectsWithin, b.ClientID)
	default:
		c.OK, c.Text = true, fmt.Sprintf("client %q, topics below %s", b.ClientID, b.Topic(""))
	}
	return []health.Check{c}
}
