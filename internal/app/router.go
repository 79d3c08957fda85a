package app

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/health"
	"dryhold/internal/router"
)

const (
	// routerRetry is how long after a push that failed the next one is tried.
	routerRetry = 10 * time.Second
	// routerPatience is how many failures in a row the check of the push takes.
	routerPatience = 3
)

// routing is how the push of alarms to an alert router fares.
type routing struct {
	mu       sync.Mutex
	on       bool
	taken    time.Time // by the wall clock; zero: never since the start
	failures int       // in a row
	cause    string    // of the last
}

// startRouter begins to push the alarms that stand. It reads what is published
// and holds up nothing. It keeps nothing on disk: what stands is sent whole.
func (a *App) startRouter(context.Context) (func(context.Context) error, error) {
	s := a.opts.Settings.Router
	if s == nil {
		return nil, nil
	}
	token, err := tokenOf(s.TokenFile)
	if err != nil {
		return nil, fmt.Errorf("cannot use alertmanager.token_file: %w", err)
	}
	roots, err := authorities(s.CAFile)
	if err != nil {
		return nil, fmt.Errorf("cannot use alertmanager.ca_file: %w", err)
	}
	page := a.opts.Settings.HTTP.PublicURL
	if page != "" {
		page = strings.TrimRight(page, "/") + "/alarms"
	}
	r := router.New(router.Config{URL: s.URL, Token: token, Roots: roots, Every: s.Every, Page: page})
	a.vitals.routing.mu.Lock()
	a.vitals.routing.on = true
	a.vitals.routing.mu.Unlock()
	return beside(context.Background(), func(ctx context.Context) {
		a.route(ctx, r, s.Every)
		r.Close()
	}), nil
}

// route pushes until ctx ends: when what stands has changed, and every so often.
func (a *App) route(ctx context.Context, r *router.Router, every time.Duration) {
	var last string // that was pushed, or tried
	var due time.Time
	for {
		changed := a.news.Changed()
		if snap := a.Snapshot(); snap != nil {
			if now, stands := time.Now(), standing(snap); stands != last || !now.Before(due) {
				last, due = stands, now.Add(every)
				if !a.push(ctx, r, snap, now) {
					due = now.Add(min(every, routerRetry))
				}
			}
		}
		timer := time.NewTimer(max(0, time.Until(due)))
		select {
		case <-ctx.Done():
			timer.Stop()
			return
		case <-timer.C:
		case <-changed:
			timer.Stop()
		}
	}
}

// standing tells one set of alarms and their states from another.
func standing(s *engine.Snapshot) string {
	var b strings.Builder
	for _, a := range s.Alarms {
		fmt.Fprintln(&b, a.Key, a.State, a.Active, a.Spell)
	}
	return b.String()
}

// push pushes once and notes how it went.
func (a *App) push(ctx context.Context, r *router.Router, snap *engine.Snapshot, now time.Time) bool {
	err := r.Push(ctx, snap, now)
	if ctx.Err() != nil {
		return true
	}
	v := &a.vitals.routing
	v.mu.Lock()
	defer v.mu.Unlock()
	switch {
	case err == nil && v.failures > 0:
		a.logOf("router").Info("the alert router takes alarms again", "failed", v.failures)
	case err != nil && v.failures == 0:
		a.logOf("router").Warn("the alert router takes no alarms", "cause", err)
	}
	if err == nil {
		v.taken, v.failures, v.cause = now, 0, ""
		return true
	}
	v.failures++
	v.cause = err.Error()
	return false
}

// check is the push's part in health, none without one. It is not urgent:
// dryhold tells of its alarms by its own ways, too.
func (v *routing) check() []health.Check {
	v.mu.Lock()
	defer v.mu.Unlock()
	if !v.on {
		return nil
	}
	c := health.Check{Code: "alertmanager", Title: "The alert router takes alarms", OK: v.failures < routerPatience, Text: "not asked yet"}
	switch {
	case v.failures > 0:
		c.Text = fmt.Sprintf("%d pushes in a row failed, the last: %s", v.failures, v.cause)
	case !v.taken.IsZero():
		c.Text = "last taken " + v.taken.UTC().Format(time.RFC3339)
	}
	return []health.Check{c}
}
