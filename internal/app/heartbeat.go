package app

import (
	"context"
	"fmt"
	"sync"
	"time"

	"dryhold/internal/health"
	"dryhold/internal/notify"
)

// pingTimeout bounds one ping.
const pingTimeout = 30 * time.Second

// heartbeat is how the pings fare by which somebody elsewhere knows that the
// daemon lives.
type heartbeat struct {
	mu       sync.Mutex
	on       bool
	answered time.Time // by the wall clock; zero: never since the start
	failures int       // in a row
	cause    string    // of the last
	withheld bool      // since something urgent is amiss
}

// startHeartbeat asks the configured address now and then while nothing urgent
// is amiss: whoever waits for it there learns from its silence what the daemon
// could not tell. It runs beside all else and holds up nothing.
func (a *App) startHeartbeat() (func(context.Context) error, error) {
	n := a.opts.Settings.Notify
	if n.PingURLFile == "" {
		return nil, nil
	}
	address, err := oneLine(n.PingURLFile)
	if err != nil {
		return nil, fmt.Errorf("cannot use ping_url_file: %w", err)
	}
	ping, err := notify.NewPing(address, a.now)
	if err != nil {
		return nil, fmt.Errorf("cannot use ping_url_file %s: %w", n.PingURLFile, err)
	}
	a.vitals.heart.mu.Lock()
	a.vitals.heart.on = true // the page, which asks, is there already
	a.vitals.heart.mu.Unlock()
	return beside(context.Background(), func(ctx context.Context) { a.beat(ctx, ping, n.PingEvery) }), nil
}

// beat pings until ctx ends: each time after the last was answered, sooner
// after one that was not, and as soon as health allows it.
func (a *App) beat(ctx context.Context, ping *notify.Ping, every time.Duration) {
	h, look := &a.vitals.heart, min(every/10, time.Minute)
	for {
		pause := look
		red := health.Red(a.Health())
		h.mu.Lock()
		h.withheld = red
		h.mu.Unlock()
		if !red {
			pause = every
			if failures := a.ping(ctx, ping); failures > 0 {
				pause = min(every, look<<min(failures, 10))
			}
		}
		timer := time.NewTimer(pause)
		select {
		case <-ctx.Done():
			timer.Stop()
			return
		case <-timer.C:
		}
	}
}

// ping asks once and gives how many in a row have failed.
func (a *App) ping(ctx context.Context, ping *notify.Ping) (failures int) {
	asking, cancel := context.WithTimeout(ctx, pingTimeout)
	defer cancel()
	err := ping.Send(asking)
	if ctx.Err() != nil {
		return 0
	}
	h := &a.vitals.heart
	h.mu.Lock()
	defer h.mu.Unlock()
	switch {
	case err == nil && h.failures > 0:
		a.logOf("notify").Info("the ping is answered again", "failed", h.failures)
	case err != nil && h.failures == 0:
		a.logOf("notify").Warn("the ping is not answered", "cause", err)
	}
	if err == nil {
		h.answered, h.failures, h.cause = a.now(), 0, ""
		return 0
	}
	h.failures++
	h.cause = err.Error()
	return h.failures
}

// check is the ping's part in health, none without one. It is not urgent: what
// it tells of is well.
func (h *heartbeat) check() []health.Check {
	h.mu.Lock()
	defer h.mu.Unlock()
	if !h.on {
		return nil
	}
	c := health.Check{Code: "ping", Title: "The ping is answered", OK: h.failures == 0, Text: "not asked yet"}
	switch {
	case h.failures > 0:
		c.Text = fmt.Sprintf("%d in a row were not answered, the last: %s", h.failures, h.cause)
	case h.withheld:
		c.Text = "not asked while something urgent is amiss"
	case !h.answered.IsZero():
		c.Text = "last answered " + h.answered.UTC().Format(time.RFC3339)
	}
	return []health.Check{c}
}
