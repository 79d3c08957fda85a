package main

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"

	"dryhold/internal/app"
)

const (
	// firstSubscription is how long a start is not called done while the broker
	// is not there: what waits for dryhold at boot goes on then.
	firstSubscription = 30 * time.Second
	// startBeat is how often a start that goes on asks for more time, and
	// startGrace how much: folding ten years takes a while on a small board.
	startBeat, startGrace = 5 * time.Second, time.Minute
)

// manager is the service manager that started dryhold, which hears how it is by
// sd_notify(3). Without one nothing is told.
type manager struct {
	log *slog.Logger
	// within is the watchdog's: told nothing for so long, it starts dryhold
	// anew; 0 without one.
	within time.Duration
}

// newManager asks the environment. The environment is not cleared: it is told
// again at each reload.
func newManager(log *slog.Logger) manager {
	within, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		log.Warn("the watchdog of the service manager cannot be fed", "error", err)
	}
	return manager{log, within}
}

func (m manager) tell(state string) {
	if _, err := daemon.SdNotify(false, state); err != nil {
		m.log.Warn("the service manager cannot be told how dryhold is", "state", state, "error", err)
	}
}

// reloading says that the configuration is loaded anew; running says when it is
// done.
func (m manager) reloading() {
	m.tell(daemon.SdNotifyReloading + "\n" + daemon.SdNotifyMonotonicUsec())
}

// starting asks for more time, and feeds the watchdog, for as long as the start
// of the app, or of the one in its place, makes progress, until ctx ends.
func (m manager) starting(ctx context.Context, a *app.App) {
	last := time.Time{}
	each(ctx, startBeat, func() {
		if turn := a.LastTurn(); turn.After(last) {
			last = turn
			m.tell(fmt.Sprintf("%s\nEXTEND_TIMEOUT_USEC=%d\nSTATUS=Working out what the rooms have done so far.", daemon.SdNotifyWatchdog, startGrace.Microseconds()))
		}
	})
}

// running says that the start is done, once the first subscription is granted
// or the broker was waited for in vain, and feeds the watchdog until ctx ends.
func (m manager) running(ctx context.Context, a *app.App) {
	waiting, done := context.WithTimeout(ctx, firstSubscription)
	each(waiting, 100*time.Millisecond, func() {
		if a.Connected() {
			done()
		}
	})
	done()
	if ctx.Err() != nil {
		return
	}
	m.tell(daemon.SdNotifyReady + "\nSTATUS=" + status(a))
	every := startBeat
	if m.within > 0 {
		every = min(every, m.within/3)
	}
	last, told := time.Time{}, ""
	each(ctx, every, func() {
		// The writer's turn is the progress that counts: it takes what has
		// arrived, stores it and judges it.
		if turn := a.LastTurn(); turn.After(last) {
			last = turn
			m.tell(daemon.SdNotifyWatchdog)
		}
		if now := status(a); now != told {
			told = now
			m.tell("STATUS=" + now)
		}
	})
}

// status is one line on how the daemon is.
func status(a *app.App) string {
	for _, c := range a.Health() {
		if c.Urgent && !c.OK {
			return c.Title + ": no, " + c.Text
		}
	}
	return "Readings arrive, are kept and are judged. Page: " + a.URL()
}

// each runs work at once and then again and again until ctx ends.
func each(ctx context.Context, every time.Duration, work func()) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	for ctx.Err() == nil {
		work()
		select {
		case <-ctx.Done():
		case <-tick.C:
		}
	}
}
