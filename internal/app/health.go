package app

import (
	"context"
	"fmt"
	"sync"
	"time"

	"dryhold/internal/health"
	"dryhold/internal/lot"
	"dryhold/internal/nearest"
	"dryhold/internal/notify"
	"dryhold/internal/store"
)

const (
	// brokerAway is Options.BrokerAway unless told otherwise.
	brokerAway = time.Minute
	// standstillRed is how long the writer may be busy with one thing.
	standstillRed = 30 * time.Second
)

// vitals is what the writer says of itself; health reads it.
type vitals struct {
	mu        sync.Mutex
	alive     time.Time // of the writer's last turn, by the machine's clock
	commitErr string
	// commitText is what it means and how to mend it.
	commitText string
	foldErr    string
	unchanged  string               // why other settings could not be taken
	since      map[string]time.Time // of the present verdict of each check
	was        map[string]bool
	lost       time.Time // when the connection was found lost

	packedDay time.Time // the writer's own: up to here days are packed

	heart   heartbeat
	routing routing

	announcing announcing
}

// beat notes that the writer takes its turn.
func (v *vitals) beat(now time.Time) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.alive = now
}

// committed and folded note an outcome and report whether it is news.
func (v *vitals) committed(err error) (news bool) {
	news = v.set(&v.commitErr, err)
	if err != nil {
		cause, remedy := store.Explain(err)
		v.mu.Lock()
		defer v.mu.Unlock()
		v.commitText = cause + ": " + remedy
		if cause != err.Error() {
			v.commitText += " (" + err.Error() + ")"
		}
	}
	return news
}
func (v *vitals) folded(err error) (news bool) { return v.set(&v.foldErr, err) }

func (v *vitals) set(to *string, err error) (news bool) {
	v.mu.Lock()
	defer v.mu.Unlock()
	was := *to
	*to = ""
	if err != nil {
		*to = err.Error()
	}
	return *to != was
}

// connection notes whether the broker is there and gives how long it has been
// away.
func (v *vitals) connection(connected bool, now time.Time) (away time.Duration) {
	v.mu.Lock()
	defer v.mu.Unlock()
	switch {
	case connected:
		v.lost = time.Time{}
		return 0
	case v.lost.IsZero():
		v.lost = now
	}
	return now.Sub(v.lost)
}

// Health gives the daemon's checks now.
func (a *App) Health() []health.Check {
	now := time.Now()
	checks := []health.Check{a.checkIntake(now), a.checkStore(), a.checkEvaluation(now), a.checkClock(), a.disk.check(now), a.checkFlood(now)}
	checks = append(checks, a.checkConfiguration())
	checks = append(checks, a.checkAlone(now)...)
	checks = append(checks, a.checkShare()...)
	checks = append(checks, a.checkNotices()...)
	checks = append(checks, a.vitals.heart.check()...)
	checks = append(checks, a.checkExport()...)
	checks = append(checks, a.vitals.routing.check()...)
	checks = append(checks, a.vitals.announcing.check()...)
	checks = append(checks, a.checkIntegrity(a.now()))
	checks = append(checks, a.checkBackup(a.now())...)
	checks = append(checks, a.checkOpen(a.now())...)
	v := &a.vitals
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.since == nil {
		v.since, v.was = map[string]time.Time{}, map[string]bool{}
	}
	for i, c := range checks {
		if was, seen := v.was[c.Code]; !seen || was != c.OK {
			v.was[c.Code], v.since[c.Code] = c.OK, a.now()
		}
		checks[i].Since = v.since[c.Code]
	}
	return checks
}

func (a *App) checkIntake(now time.Time) health.Check {
	c := health.Check{Code: "intake", Title: "Readings can arrive", Urgent: true}
	connected := a.client != nil && a.client.Connected()
	away := a.vitals.connection(connected, now)
	if connected {
		c.OK, c.Text = true, "connected to the broker at "+a.BrokerURL()
		return c
	}
	c.OK = away < a.opts.BrokerAway
	c.Text = fmt.Sprintf("not connected to the broker at %s for %s: see that it runs and that address and credentials are right", a.BrokerURL(), away.Round(time.Second))
	return c
}

func (a *App) checkClock() health.Check {
	a.clock.look()
	return a.clock.check(a.unread.Load())
}

func (a *App) checkStore() health.Check {
	a.vitals.mu.Lock()
	defer a.vitals.mu.Unlock()
	c := health.Check{Code: "store", Title: "Readings are kept", Urgent: true, OK: a.vitals.commitErr == "", Text: "the last commit is on disk"}
	if !c.OK {
		c.Text = "nothing can be stored: " + a.vitals.commitText
	} else if a.broker != nil && a.broker.Err() != nil {
		c.OK, c.Text = false, "the embedded broker cannot keep messages: "+a.broker.Err().Error()
	}
	return c
}

func (a *App) checkEvaluation(now time.Time) health.Check {
	a.vitals.mu.Lock()
	defer a.vitals.mu.Unlock()
	c := health.Check{Code: "evaluation", Title: "Readings are judged", Urgent: true, OK: true, Text: "up to date"}
	switch {
	case a.vitals.alive.IsZero():
		c.OK, c.Text = false, "not started yet"
	case now.Sub(a.vitals.alive) > standstillRed:
		c.OK, c.Text = false, fmt.Sprintf("stands still for %s: see the log, and restart dryhold if it stays so", now.Sub(a.vitals.alive).Round(time.Second))
	case a.vitals.foldErr != "":
		c.OK, c.Text = false, a.vitals.foldErr
	}
	return c
}

// checkNotices has one check of the outbox, without which nothing is delivered,
// and one per channel. A dead channel is shown but not urgent: the others
// deliver.
func (a *App) checkNotices() []health.Check {
	if a.worker == nil {
		return nil
	}
	status := a.worker.Status()
	outbox := health.Check{Code: "notices", Title: "Notices can be delivered", Urgent: true, OK: status.OutboxError == "", Text: "the outbox is read and written"}
	if !outbox.OK {
		outbox.Text = status.OutboxError
	}
	out := []health.Check{outbox}
	for _, ch := range status.Channels {
		c := health.Check{Code: "notices-" + ch.Channel, Title: "Notices by " + ch.Channel + " go out", OK: ch.Failures == 0, Text: "ready"}
		switch {
		case !c.OK:
			c.Text = fmt.Sprintf("%d waiting, %d attempts failed, the last: %s", ch.Waiting, ch.Failures, ch.LastError)
			if ch.Refused > 0 {
				c.Text = fmt.Sprintf("%d refused for good since the start; %s", ch.Refused, c.Text)
			}
		case !ch.LastSuccess.IsZero():
			c.Text = "last one delivered " + ch.LastSuccess.UTC().Format(time.RFC3339)
		}
		out = append(out, c)
	}
	return out
}

// checkRoom refuses a lot change into a room that does not exist, unless any
// room is accepted.
func (a *App) checkRoom(c lot.Change) error {
	name := c.Room
	if c.Packing != nil {
		name = c.Packing.Room
	}
	a.counters.mu.Lock()
	defer a.counters.mu.Unlock()
	if name == "" || a.counters.open[name] || a.opts.Settings.AcceptNewRooms && len(a.counters.open) == 0 {
		return nil
	}
	meant, opens := "", "by being listed under rooms in the configuration"
	if near := nearest.Name(name, a.counters.names()); near != "" {
		meant = fmt.Sprintf(" (did you mean %q?)", near)
	}
	if a.opts.Settings.AcceptNewRooms {
		opens = "with its first reading or " + opens
	}
	return lot.Invalid("unknown room %q%s: a room opens %s", name, meant, opens)
}

// outbox gives the notice worker the store's outbox.
type outbox struct{ *store.Store }

// Due implements notify.Outbox.
func (o outbox) Due(ctx context.Context, now time.Time, limit int) ([]notify.Item, error) {
	queued, err := o.Store.Due(ctx, now, limit)
	var out []notify.Item
	for _, q := range queued {
		out = append(out, notify.Item{ID: q.ID, Channel: q.Channel, Attempts: q.Attempts, Notice: q.Notice})
	}
	return out, err
}

// Recall implements notify.Outbox.
func (o outbox) Recall(ctx context.Context, now time.Time) (notify.Recall, error) {
	known := notify.Recall{Troubles: map[string]notify.Trouble{}}
	logged, err := o.Store.Waiting(ctx, now)
	if err != nil {
		return known, err
	}
	fared, err := o.Store.Deliveries(ctx)
	if err != nil {
		return known, err
	}
	delivered := map[string]time.Time{}
	for _, d := range fared {
		delivered[d.Channel] = d.LastDelivered
		if d.LastRefused.IsZero() {
			continue
		}
		t := notify.Trouble{LastRefused: d.LastRefused, RefusedBy: d.RefusedBy}
		if !d.RefusedSince.IsZero() {
			t.FailingSince, t.Failures, t.LastError = d.RefusedSince, 1, d.RefusedBy
		}
		known.Troubles[d.Channel] = t
	}
	for _, l := range logged {
		known.Waiting = append(known.Waiting, notify.Item{ID: l.ID, Channel: l.Channel, Attempts: l.Attempts, Notice: l.Notice, Due: l.Due})
		t, since := known.Troubles[l.Channel], l.Queued // it failed soon after
		if last := delivered[l.Channel]; last.After(since) {
			since = last
		}
		if t.FailingSince.IsZero() || since.Before(t.FailingSince) {
			t.FailingSince = since
		}
		t.Failures, t.LastError = max(t.Failures, l.Attempts), l.Cause
		known.Troubles[l.Channel] = t
	}
	return known, nil
}
