package app

import (
	"context"
	"errors"
	"fmt"
	"net"
	"reflect"
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/health"
	"dryhold/internal/settings"
)

// brokerTLS is the key of the certificate of the embedded broker.
const brokerTLS = "broker.embedded.tls"

// Reload has a running daemon go on with other settings, and gives the one that
// runs then. Everything that settings can change is brought up anew, from what
// is on disk; the page keeps its address, so that who asks meanwhile waits, and
// the embedded broker its connections, where their settings are as before.
// Settings with which it cannot start are told (Unchanged) and those before are
// taken up again; nil, with an error, if that fails as well.
func (a *App) Reload(ctx context.Context, s *settings.Settings, c *catalog.Catalog) (*App, error) {
	opts := a.opts
	opts.Settings, opts.Catalog = s, c
	next, err := New(opts)
	if err != nil {
		a.Unchanged(err)
		return a, err
	}
	if err := a.handOn(next); err != nil {
		a.Unchanged(err)
		return a, err
	}
	if err := a.Stop(context.WithoutCancel(ctx)); err != nil {
		return nil, errors.Join(fmt.Errorf("cannot stop what is to be loaded anew: %w", err), next.drop(context.WithoutCancel(ctx)))
	}
	err = next.Start(ctx)
	if err == nil {
		return next, nil
	}
	if err := next.drop(context.WithoutCancel(ctx)); err != nil {
		a.logOf("daemon").Warn("what was handed on cannot be closed", "error", err)
	}
	before, again := New(a.opts)
	if again == nil {
		a.heir.Store(before)
		again = before.Start(ctx)
	}
	if again != nil {
		return nil, errors.Join(err, fmt.Errorf("nor with the settings before: %w", again))
	}
	before.Unchanged(err)
	return before, err
}

// handOn gives an heir what it need not open anew. From here on the daemon is
// to be stopped.
func (a *App) handOn(next *App) error {
	if p, ok := a.listener.(*net.TCPListener); ok && a.opts.Settings.HTTP.Listen == next.opts.Settings.HTTP.Listen {
		f, err := p.File()
		if err != nil {
			return fmt.Errorf("cannot keep the address of the page: %w", err)
		}
		next.listener, err = net.FileListener(f)
		if err := errors.Join(err, f.Close()); err != nil {
			return fmt.Errorf("cannot keep the address of the page: %w", err)
		}
	}
	if a.broker != nil && a.broker.Err() == nil && reflect.DeepEqual(a.brokerAs(), next.brokerAs()) {
		a.keepBroker = true
		next.broker, next.intakeSecret = a.broker, a.intakeSecret
		for _, c := range a.certificates {
			if c.name == brokerTLS {
				next.certificates = append(next.certificates, c)
			}
		}
	}
	a.heir.Store(next)
	return nil
}

// brokerAs is all that the settings make the embedded broker to be; nil where
// there is none, or where it cannot be told.
func (a *App) brokerAs() any {
	e := a.opts.Settings.Broker.Embedded
	if e == nil {
		return nil
	}
	other := App{opts: a.opts, log: a.log, commands: a.commands} // leaves the certificates of a alone
	cfg, err := other.brokerConfig(e)
	if err != nil {
		return nil
	}
	cfg.Refused, cfg.Log, cfg.TLS = nil, nil, nil
	return []any{cfg, e.TLS}
}

// drop closes what an heir that does not run was handed.
func (a *App) drop(ctx context.Context) error {
	var errs []error
	if a.listener != nil {
		if err := a.listener.Close(); !errors.Is(err, net.ErrClosed) {
			errs = append(errs, err)
		}
	}
	if a.broker != nil {
		errs = append(errs, a.broker.Stop(ctx)) // may be called twice
	}
	return errors.Join(errs...)
}

// latest is the daemon that runs in the place of this one.
func (a *App) latest() *App {
	for {
		next := a.heir.Load()
		if next == nil {
			return a
		}
		a = next
	}
}

// Unchanged notes that other settings could not be taken, for health and the
// metric of it, until some are.
func (a *App) Unchanged(why error) {
	a.logOf("daemon").Error("the changed configuration is not taken; the one before goes on", "error", why)
	a.vitals.mu.Lock()
	defer a.vitals.mu.Unlock()
	a.vitals.unchanged = fmt.Sprintf("the changed configuration was not taken at %s; the one before goes on. Mend it and load it again: %v", a.now().UTC().Format(time.RFC3339), why)
}

func (a *App) checkConfiguration() health.Check {
	a.vitals.mu.Lock()
	defer a.vitals.mu.Unlock()
	c := health.Check{Code: "configuration", Title: "The configuration is the one in use", OK: a.vitals.unchanged == "", Text: "as it was loaded"}
	if !c.OK {
		c.Text = a.vitals.unchanged
	}
	return c
}

// LastTurn is when the writer, through which all goes, last took a turn: it had
// taken, stored and judged what was there. Zero before its first, and before a
// start has fed it a day. While settings are loaded anew it is that of the
// daemon that comes up.
func (a *App) LastTurn() time.Time {
	a = a.latest()
	a.vitals.mu.Lock()
	defer a.vitals.mu.Unlock()
	return a.vitals.alive
}

// Connected reports whether readings can come in: the broker is there and has
// granted the subscriptions.
func (a *App) Connected() bool { return a.client != nil && a.client.Connected() }
