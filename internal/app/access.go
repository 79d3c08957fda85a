package app

import (
	"crypto/tls"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"dryhold/internal/broker"
	"dryhold/internal/health"
	"dryhold/internal/intake"
	"dryhold/internal/secret"
	"dryhold/internal/settings"
	"dryhold/internal/web"
	"dryhold/internal/wire"
)

// Causes of what strangers and others were not allowed, beside those of the
// codec.
const (
	notAllowed wire.Cause = "not allowed"
	notLetIn   wire.Cause = "not let in"
)

// theBroker stands for a topic where there is none.
const theBroker = "(login to the broker)"

// refused books what the embedded broker did not allow.
func (a *App) refused(r broker.Refusal) {
	e := &wire.Error{Topic: r.Topic, Cause: notAllowed, Err: errors.New(r.Why)}
	kind := "broker topic"
	if r.Topic == "" {
		e.Topic, e.Cause, kind = theBroker, notLetIn, "broker login"
	}
	a.metrics.CountRefused(kind)
	a.counters.mu.Lock()
	defer a.counters.mu.Unlock()
	a.counters.countError(e, a.now())
}

// brokerConfig is that of the embedded broker.
func (a *App) brokerConfig(e *settings.Embedded) (broker.Config, error) {
	cfg := broker.Config{
		Listen: e.Listen, NoSync: a.opts.Throwaway, AllowPlain: e.AllowPlain, Log: a.logOf("broker"),
		IntakeClientID: a.opts.Settings.Broker.ClientID, IntakeSecret: a.intakeSecret, GuestClientID: intake.LookID(a.opts.Settings.Broker.ClientID),
		Herald: heraldID(a.opts.Settings.Broker.ClientID),
		Closed: []string{a.opts.Settings.Broker.Topic("#")}, Refused: func(r broker.Refusal) { a.latest().refused(r) },
	}
	if a.commands != nil {
		cfg.Open = []string{a.commandTopic()}
	}
	if topic := a.opts.Settings.Notify.MQTTTopic; topic != "" {
		cfg.Closed = append(cfg.Closed, topic)
	}
	for _, u := range e.Users {
		cfg.Users = append(cfg.Users, broker.User{Name: u.Name, Password: u.Password, Publish: u.Publish, Subscribe: u.Subscribe})
	}
	var err error
	if cfg.Username, cfg.Password, err = credentials(e.UsernameFile, e.PasswordFile); err != nil {
		return cfg, err
	}
	cfg.TLS, err = a.serverTLS(brokerTLS, e.TLS)
	return cfg, err
}

// hosts are the names by which people reach the page, that in links among them.
func (a *App) hosts() []string {
	h := a.opts.Settings.HTTP
	if own := h.PublicHost(); own != "" {
		return append(slices.Clone(h.Hosts), own)
	}
	return h.Hosts
}

// access says who may see the page; nil is everybody.
func (a *App) access() *web.Access {
	h := a.opts.Settings.HTTP
	if !h.HasLogin() {
		return nil
	}
	users := map[string]secret.Password{}
	for _, u := range h.Users {
		users[u.Name] = u.Password
	}
	return &web.Access{Users: users, Tokens: h.Tokens, Secure: h.TLS != nil, Refused: func(kind string) { a.metrics.CountRefused("page " + kind) }}
}

// warnOpen tells of what the configuration leaves open.
func (a *App) warnOpen() {
	for _, w := range a.opts.Settings.Warnings() {
		a.logOf("daemon").Warn("open to the network", "what", w)
	}
}

// checkOpen has a check where there is something to see to: what is left
// open, and how each certificate is.
func (a *App) checkOpen(now time.Time) []health.Check {
	var out []health.Check
	if open := a.opts.Settings.Warnings(); len(open) > 0 {
		out = append(out, health.Check{Code: "open", Title: "Closed to strangers", Text: strings.Join(open, "; ")})
	}
	for _, c := range a.certificates {
		out = append(out, c.check(now))
	}
	return out
}

// certificate is one that a listener shows. Its files are read again when they
// change, since certificates are renewed while the daemon runs.
type certificate struct {
	name  string // key of the configuration
	files settings.ServerTLS
	warn  func(error)

	mu    sync.Mutex
	stamp string // of the files read last, good or not
	cert  *tls.Certificate
	err   error // of reading them last
}

// serverTLS reads a certificate for a listener; nil without one.
func (a *App) serverTLS(name string, files *settings.ServerTLS) (*tls.Config, error) {
	if files == nil {
		return nil, nil
	}
	c := &certificate{name: name, files: *files, warn: func(err error) {
		a.logOf("daemon").Error("a renewed certificate cannot be used; the one before is shown on", "key", name, "error", err)
	}}
	if c.read(); c.err != nil {
		return nil, fmt.Errorf("cannot use the certificate of %s: %w", name, c.err)
	}
	a.certificates = append(a.certificates, c)
	return &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return c.current(), nil }}, nil
}

// current is the certificate to show.
func (c *certificate) current() *tls.Certificate {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.read()
	return c.cert
}

// read takes the files if they have changed. What cannot be read, as between
// the writing of the two files, leaves the certificate before in place.
func (c *certificate) read() {
	stamp := ""
	for _, name := range []string{c.files.CertFile, c.files.KeyFile} {
		info, err := os.Stat(name)
		if err != nil {
			stamp += err.Error()
			continue
		}
		stamp += fmt.Sprintf("%d %d ", info.ModTime().UnixNano(), info.Size())
	}
	if stamp == c.stamp {
		return
	}
	c.stamp = stamp
	pair, err := tls.LoadX509KeyPair(c.files.CertFile, c.files.KeyFile)
	if c.err = err; err != nil {
		if c.cert != nil {
			c.warn(err)
		}
		return
	}
	c.cert = &pair
}

// renewBefore is how long before its end a certificate is told of: those that
// renew themselves do so earlier.
const renewBefore = 10 * 24 * time.Hour

func (c *certificate) check(now time.Time) health.Check {
	end := c.current().Leaf.NotAfter
	c.mu.Lock()
	defer c.mu.Unlock()
	out := health.Check{Code: "certificate-" + strings.ReplaceAll(c.name, ".", "-"), Title: "The certificate of " + c.name + " is good", OK: true,
		Text: "until " + end.UTC().Format(time.RFC3339)}
	switch {
	case !now.Before(end):
		out.OK, out.Text = false, "it ended "+end.UTC().Format(time.RFC3339)+": renew "+c.files.CertFile
	case end.Sub(now) < renewBefore:
		out.OK, out.Text = false, "it ends "+end.UTC().Format(time.RFC3339)+": renew "+c.files.CertFile
	case c.err != nil:
		out.OK, out.Text = false, "the new one cannot be used, the one before is shown on: "+c.err.Error()
	}
	return out
}
