package app

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"sync"
	"time"

	"dryhold/internal/health"
	"dryhold/internal/influx"
	"dryhold/internal/intake"
	"dryhold/internal/notify"
	"dryhold/internal/router"
	"dryhold/internal/settings"
)

// probeWithin bounds each thing that is tried.
const probeWithin = 15 * time.Second

// Probe looks at what a daemon with these options would meet: broker, ways to
// people, exports, certificates, clock, disk and store. It is for an app that was
// not started, beside a daemon that runs with the same options, or without one.
// Nothing is sent to anybody, nothing kept, nothing left behind.
func (a *App) Probe(ctx context.Context, running bool) []health.Finding {
	s := a.opts.Settings
	looks := []func(context.Context) []health.Finding{
		func(ctx context.Context) []health.Finding { return a.probeBroker(ctx, running) },
		a.probePeople, a.probeExports,
		func(context.Context) []health.Finding { return a.probeCertificates() },
		func(context.Context) []health.Finding { return a.probeClock() },
		func(context.Context) []health.Finding { return a.probeDisk(running) },
		a.probeStore,
	}
	if !running {
		looks = append(looks, func(ctx context.Context) []health.Finding {
			return []health.Finding{free(ctx, "daemon", "The address of the page is free", s.HTTP.Listen, "http.listen")}
		})
	}
	found := make([][]health.Finding, len(looks))
	var wait sync.WaitGroup
	for i, look := range looks {
		wait.Go(func() {
			ctx, cancel := context.WithTimeoutCause(ctx, probeWithin, errors.New("no answer in time"))
			defer cancel()
			found[i] = look(ctx)
		})
	}
	wait.Wait()
	var out []health.Finding
	for _, f := range found {
		out = append(out, f...)
	}
	return out
}

func (a *App) probeBroker(ctx context.Context, running bool) []health.Finding {
	const area = "broker"
	b := a.opts.Settings.Broker
	if e := b.Embedded; e != nil {
		if !running {
			return []health.Finding{free(ctx, area, "The address of the embedded broker is free", e.Listen, "broker.embedded.listen")}
		}
		title := "The embedded broker listens"
		conn, err := new(net.Dialer).DialContext(ctx, "tcp", e.Listen)
		if err != nil {
			return []health.Finding{health.Ill(area, title, err.Error(), "See whether the running daemon has this configuration, then restart it: systemctl restart dryhold")}
		}
		_ = conn.Close()
		return []health.Finding{health.Fine(area, title, "at "+e.Listen)}
	}
	title := "The broker takes dryhold in"
	cfg, err := a.clientConfig()
	if err != nil {
		return []health.Finding{trouble(area, title, err, "Put user name and password into the files that broker names, and make them readable for the user dryhold runs as.")}
	}
	cfg.ClientID, cfg.StatusTopic, cfg.KeepTrying = intake.LookID(cfg.ClientID), "", false
	switch err := intake.Try(ctx, cfg, a.now); {
	case err == nil:
		return []health.Finding{health.Fine(area, title, fmt.Sprintf("%s is there, takes the login and grants the %d subscriptions", b.URL, len(cfg.Filters)))}
	case errors.Is(err, intake.ErrCredentials):
		return []health.Finding{health.Ill(area, title, err.Error(), "Give the broker this user and password (mosquitto_passwd), or correct the files of broker.username_file and password_file; dryhold reads them again by itself.")}
	case errors.Is(err, intake.ErrRefused):
		return []health.Finding{health.Ill(area, title, err.Error(), "Grant the user reading of these topics in the broker's access list.")}
	default:
		return []health.Finding{health.Ill(area, title, err.Error(), "See that the broker runs (systemctl status mosquitto), that broker.url has its name and port, and that no firewall is between. With mqtts, the certificate must be of that name and its authority known (broker.ca_file).")}
	}
}

// free looks whether an address can be listened on.
func free(ctx context.Context, area, title, address, key string) health.Finding {
	l, err := new(net.ListenConfig).Listen(ctx, "tcp", address)
	if err != nil {
		return health.Ill(area, title, listening(err, address, key, "another program", "").Error(), "Find what has it with `ss -ltnp`; or set another address as "+key+".")
	}
	_ = l.Close()
	return health.Fine(area, title, address)
}

// probePeople tries the ways to people.
func (a *App) probePeople(ctx context.Context) []health.Finding {
	const area = "people"
	var out []health.Finding
	for _, c := range a.people() {
		out = append(out, a.probeWay(ctx, c))
	}
	if len(out) == 0 {
		out = append(out, health.Unsure(area, "Somebody is told", "there is no way to people: alarms stand on the page and in the log alone", "Set mail or notify.channels in the configuration."))
	}
	n := a.opts.Settings.Notify
	if n.PingURLFile == "" {
		return out
	}
	const title, remedy = "The ping can be answered", "See that the address in notify.ping_url_file is right and that this machine reaches it."
	address, err := oneLine(n.PingURLFile)
	var ping *notify.Ping
	if err == nil {
		ping, err = notify.NewPing(address, a.now)
	}
	if err == nil {
		err = ping.Try(ctx)
	}
	if err != nil {
		return append(out, trouble(area, title, err, remedy))
	}
	return append(out, health.Fine(area, title, "its server is there"))
}

func (a *App) probeWay(ctx context.Context, c settings.Channel) health.Finding {
	const area = "people"
	title, remedy, well := "The mail server takes the login of "+c.Name, "See host, port and tls of mail, and the files with user name and password; then `dryhold notices test --channel "+c.Name+"`.", "connected and logged in; nothing was sent"
	switch {
	case c.Webhook != nil:
		title, remedy, well = "The receiver of "+c.Name+" is there", "See that it runs, and that url and ca_file of the webhook are right; then `dryhold notices test --channel "+c.Name+"`.", "connected; nothing was sent"
	case c.Push != nil:
		title, remedy = "The service of "+c.Name+" can be reached", "See the file of its url_file."
	}
	way, err := a.way(c)
	if err != nil {
		return trouble(area, title, err, remedy)
	}
	switch err := notify.Try(ctx, way); {
	case errors.Is(err, notify.ErrUntried):
		return health.Unsure(area, title, "its address is well formed; more shows only when something is sent", "`dryhold notices test --channel "+c.Name+"` sends a notice that says it is a test.")
	case err != nil:
		return health.Ill(area, title, err.Error(), remedy)
	}
	return health.Fine(area, title, well)
}

// probeExports tries the servers that get what dryhold knows.
func (a *App) probeExports(ctx context.Context) []health.Finding {
	const area = "exports"
	var out []health.Finding
	if s := a.opts.Settings.Influx; s != nil {
		const title = "The export server takes the token"
		if err := a.tryInflux(ctx, s); err != nil {
			out = append(out, trouble(area, title, err, "See that the server runs and that url, org, bucket and the token in influx.token_file are right. Nothing is lost meanwhile, up to the age keep."))
		} else {
			out = append(out, health.Fine(area, title, s.URL+" would take points for "+s.Bucket))
		}
	}
	if s := a.opts.Settings.Router; s != nil {
		const title = "The alert router takes the token"
		if err := a.tryRouter(ctx, s); err != nil {
			out = append(out, trouble(area, title, err, "See that it runs and that url and the token in alertmanager.token_file are right."))
		} else {
			out = append(out, health.Fine(area, title, s.URL+" answers"))
		}
	}
	return out
}

func (a *App) tryInflux(ctx context.Context, s *settings.Influx) error {
	token, err := tokenOf(s.TokenFile)
	if err != nil {
		return err
	}
	roots, err := authorities(s.CAFile)
	if err != nil {
		return err
	}
	server := influx.NewServer(influx.ServerConfig{URL: s.URL, Org: s.Org, Bucket: s.Bucket, Token: token, Roots: roots, Timeout: probeWithin})
	defer server.Close()
	return server.Try(ctx)
}

func (a *App) tryRouter(ctx context.Context, s *settings.Router) error {
	token, err := tokenOf(s.TokenFile)
	if err != nil {
		return err
	}
	roots, err := authorities(s.CAFile)
	if err != nil {
		return err
	}
	r := router.New(router.Config{URL: s.URL, Token: token, Roots: roots, Every: s.Every})
	defer r.Close()
	return r.Try(ctx)
}

// probeCertificates looks at those shown on listeners and to the broker.
func (a *App) probeCertificates() []health.Finding {
	const area, remedy = "certificates", "Renew the certificate, with the key that belongs to it, and make both readable for the user dryhold runs as; dryhold takes them up by itself."
	s := a.opts.Settings
	all := map[string]*settings.ServerTLS{"http.tls": s.HTTP.TLS}
	if s.Broker.Embedded != nil {
		all[brokerTLS] = s.Broker.Embedded.TLS
	}
	if s.Broker.CertFile != "" {
		all["broker.cert_file"] = &settings.ServerTLS{CertFile: s.Broker.CertFile, KeyFile: s.Broker.KeyFile}
	}
	var out []health.Finding
	for _, name := range []string{"http.tls", brokerTLS, "broker.cert_file"} {
		if all[name] == nil {
			continue
		}
		c := &certificate{name: name, files: *all[name], warn: func(error) {}}
		c.read()
		title := "The certificate of " + name + " is good"
		if c.err != nil {
			out = append(out, trouble(area, title, c.err, remedy))
			continue
		}
		out = append(out, of(c.check(a.now()), area, remedy))
	}
	return out
}

// asUser is what to do where this user may not look.
const asUser = "Run this as the user dryhold runs as (sudo -u dryhold dryhold doctor ...), or as root."

// trouble is a finding of what failed: wrong, unless it is this user who may not
// look.
func trouble(area, title string, err error, remedy string) health.Finding {
	if errors.Is(err, fs.ErrPermission) {
		return health.Unsure(area, title, err.Error(), asUser)
	}
	return health.Ill(area, title, err.Error(), remedy)
}

// of is a check of health as a finding.
func of(c health.Check, area, remedy string) health.Finding {
	if c.OK {
		return health.Fine(area, c.Title, c.Text)
	}
	return health.Ill(area, c.Title, c.Text, remedy)
}
