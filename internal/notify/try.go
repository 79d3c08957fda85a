package notify

import (
	"cmp"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
)

// ErrUntried is of a way of which nothing is known before something is sent on
// it.
var ErrUntried = errors.New("it cannot be tried without sending")

// Try sees whether a channel's other end is there, and takes the login where
// there is one. It sends no notice. The error is ErrUntried where that shows
// nothing.
func Try(ctx context.Context, c Channel) error {
	if t, ok := c.(interface{ try(context.Context) error }); ok {
		return t.try(ctx)
	}
	return ErrUntried
}

// try logs in to the mail server and leaves.
func (m *Mail) try(ctx context.Context) error {
	if err := m.transmit(ctx, nil); err != nil {
		return fmt.Errorf("cannot log in to %s: %w", m.server(), cause(ctx, err))
	}
	return nil
}

// try connects: a post would be taken for a notice.
func (w *Webhook) try(ctx context.Context) error {
	if err := reach(ctx, w.config.URL, w.config.Roots); err != nil {
		return fmt.Errorf("cannot reach %s: %w", w.at, err)
	}
	return nil
}

// Try connects to where the ping is asked, without asking: whoever waits for it
// there must not take this for a sign of life. The address is not shown.
func (p *Ping) Try(ctx context.Context) error {
	if err := reach(ctx, p.url, nil); err != nil {
		return errors.New("cannot reach where the ping goes: " + p.hide.clean(err.Error()))
	}
	return nil
}

// reach connects to the host of an address, with TLS where it is https, and
// leaves. Where a proxy is between, nothing is known: ErrUntried.
func reach(ctx context.Context, address string, roots *x509.CertPool) error {
	u, err := url.Parse(address)
	if err != nil {
		return errors.New("the address cannot be read")
	}
	if proxy, err := http.ProxyFromEnvironment(&http.Request{URL: u}); proxy != nil || err != nil {
		return ErrUntried
	}
	port := cmp.Or(u.Port(), map[string]string{"http": "80", "https": "443"}[u.Scheme])
	at := net.JoinHostPort(u.Hostname(), port)
	var conn net.Conn
	if u.Scheme == "https" {
		conn, err = (&tls.Dialer{Config: &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: roots}}).DialContext(ctx, "tcp", at)
	} else {
		conn, err = new(net.Dialer).DialContext(ctx, "tcp", at)
	}
	if err != nil {
		return err
	}
	return conn.Close()
}
