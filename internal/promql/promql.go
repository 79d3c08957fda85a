// Package promql reads past samples from a server with the query API of
// Prometheus.
//
// It asks for the raw samples of a selector: an instant query of selector[range]
// answers every sample of the range with its own time (Prometheus documents it
// as a range vector of an instant query; victoria-metrics answers likewise). The
// API's range query is not used. It evaluates at steps, and at each takes the
// newest sample of the last five minutes: times are moved, a sample is left out
// or repeated, and up to five minutes after the last sample before a gap a value
// is told that nobody measured. For the same reason an expression is refused:
// what it is evaluated from is looked up in that way.
//
// A range is asked for piece by piece, so that each answer stays below the
// limits of servers: 50 million samples of a query in Prometheus, and the memory
// here.
package promql

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/prometheus/client_golang/api"
	v1 "github.com/prometheus/client_golang/api/prometheus/v1"
	"github.com/prometheus/common/model"

	"dryhold/internal/past"
)

// Config says what is read, and where. Times left at zero are as usual.
type Config struct {
	URL      string // https://nas:9090; with a path where the API lies below one
	Selector string // name{label="value"}
	// Token gives the token that is sent as bearer; User and Password are sent
	// instead where Token is nil.
	Token    func() (string, error)
	User     string
	Password func() (string, error)
	Roots    *x509.CertPool // nil: those of the system
	Timeout  time.Duration  // of one answer; zero is a minute
}

const (
	answerTimeout = time.Minute
	// maxAnswer is the largest answer read, bytes: some 2 million samples. The
	// client holds it in memory as a whole.
	maxAnswer = 64 << 20
	// maxSaid is how much is shown of what a server says beside its status.
	maxSaid = 300
)

// Server reads one selector. It is not safe for concurrent use.
type Server struct {
	api      v1.API
	selector string
	http     *http.Client
	warnings []string
}

// New makes a server; it asks nothing of it yet.
func New(cfg Config) (*Server, error) {
	if err := CheckSelector(cfg.Selector); err != nil {
		return nil, err
	}
	transport := http.DefaultTransport.(*http.Transport).Clone()
	transport.TLSClientConfig = &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: cfg.Roots}
	if cfg.Timeout == 0 {
		cfg.Timeout = answerTimeout
	}
	s := &Server{selector: strings.TrimSpace(cfg.Selector), http: &http.Client{
		Timeout: cfg.Timeout, Transport: &door{next: transport, cfg: cfg},
		// What proves who asks is for the server named, not for one it names.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
	client, err := api.NewClient(api.Config{Address: cfg.URL, Client: s.http})
	if err != nil {
		return nil, fmt.Errorf("the address of the server cannot be read: %w", err)
	}
	s.api = v1.NewAPI(client)
	return s, nil
}

// Close lets go of its connections.
func (s *Server) Close() { s.http.CloseIdleConnections() }

// Warnings lists what the server said beside its answers, each once: that a
// part of its data could not be reached, for one.
func (s *Server) Warnings() []string { return slices.Clone(s.warnings) }

// Samples gives every sample from an instant to before another, both on whole
// seconds, by series. Its errors are past.Troubles.
func (s *Server) Samples(ctx context.Context, from, to time.Time) ([]past.Series, error) {
	// Since version 3 the range does not hold its first instant; before, it did.
	query := fmt.Sprintf("%s[%dms]", s.selector, to.Sub(from).Milliseconds()+1)
	value, warnings, _, err := s.api.Query(ctx, query, to)
	if err != nil {
		return nil, troubleOf(err)
	}
	for _, w := range warnings {
		if !slices.Contains(s.warnings, w) && len(s.warnings) < 20 {
			s.warnings = append(s.warnings, short(w))
		}
	}
	matrix, ok := value.(model.Matrix)
	if !ok {
		return nil, &past.Trouble{Err: fmt.Errorf("the server answers with no samples to a question for samples: is %q a selector?", s.selector)}
	}
	var out []past.Series
	for _, stream := range matrix {
		if stream == nil {
			continue
		}
		x := past.Series{Labels: make(map[string]string, len(stream.Metric))}
		for name, v := range stream.Metric {
			x.Labels[string(name)] = string(v)
		}
		for _, p := range stream.Values {
			if at := time.UnixMilli(int64(p.Timestamp)).UTC(); !at.Before(from) && at.Before(to) {
				x.Samples = append(x.Samples, past.Sample{At: at, Value: float64(p.Value)})
			}
		}
		for _, h := range stream.Histograms {
			if at := time.UnixMilli(int64(h.Timestamp)).UTC(); !at.Before(from) && at.Before(to) {
				x.Other++
			}
		}
		if len(x.Samples)+x.Other > 0 {
			out = append(out, x)
		}
	}
	return out, nil
}

// troubleOf says what to do about an error of the client.
func troubleOf(err error) *past.Trouble {
	var refused *answer
	var said *v1.Error
	switch {
	case errors.As(err, &refused):
		return past.OfStatus(refused.status, refused.after, refused)
	case errors.Is(err, errAnswer):
		return &past.Trouble{Err: errAnswer, Less: true}
	case errors.As(err, &said):
		text := fmt.Errorf("the server answers %s", short(strings.TrimSpace(string(said.Type)+": "+said.Msg)))
		switch said.Type {
		case v1.ErrBadData, v1.ErrClient:
			return &past.Trouble{Err: text}
		case v1.ErrTimeout, v1.ErrCanceled, v1.ErrServer:
			return &past.Trouble{Err: text, Again: true, Less: true}
		case v1.ErrBadResponse: // may be cut off
			return &past.Trouble{Err: fmt.Errorf("%w: is that address a server with the query API of Prometheus?", text), Again: true}
		}
		return &past.Trouble{Err: text, Less: true} // too many samples at once, as a rule
	case errors.Is(err, errSecret):
		return &past.Trouble{Err: err}
	}
	return past.OfNetwork(err)
}

// short cuts what a server says to what can be shown.
func short(text string) string {
	text = strings.Join(strings.Fields(strings.ToValidUTF8(text, "?")), " ")
	if r := []rune(text); len(r) > maxSaid {
		return string(r[:maxSaid]) + " ..."
	}
	return text
}

var (
	errAnswer = errors.New("the answer is larger than what is read at once")
	errSecret = errors.New("cannot prove who asks")
)

// answer is a status that is no answer of the API.
type answer struct {
	status int
	after  time.Duration
	said   string
	to     string // of a redirect
}

func (a *answer) Error() string {
	why := ""
	switch {
	case a.status == http.StatusUnauthorized, a.status == http.StatusForbidden:
		why = ", so it does not know who asks, or does not let them"
	case a.status == http.StatusNotFound:
		why = ", so the query API of Prometheus is not below this address"
	case a.status/100 == 3:
		why = " and points to " + a.to + ", which is not followed: give that address if you trust it"
	}
	if a.said != "" {
		why += ": " + a.said
	}
	return fmt.Sprintf("the server answers %d%s", a.status, why)
}

// door proves who asks, bounds what is read, and stops at what is no answer of
// the API.
type door struct {
	next http.RoundTripper
	cfg  Config
}

// RoundTrip implements http.RoundTripper.
func (d *door) RoundTrip(r *http.Request) (*http.Response, error) {
	r = r.Clone(r.Context())
	// A cluster that has lost a part must say so, not leave its samples out:
	// parameters of victoria-metrics and of Thanos, unknown to others.
	q := r.URL.Query()
	q.Set("deny_partial_response", "1")
	q.Set("partial_response", "false")
	r.URL.RawQuery = q.Encode()
	r.Header.Set("User-Agent", "dryhold")
	if err := d.prove(r); err != nil {
		if r.Body != nil {
			_ = r.Body.Close()
		}
		return nil, fmt.Errorf("%w: %w", errSecret, err)
	}
	resp, err := d.next.RoundTrip(r)
	if err != nil {
		return nil, err
	}
	switch code := resp.StatusCode; {
	case code/100 == 2, code == http.StatusBadRequest, code == http.StatusUnprocessableEntity,
		code == http.StatusMethodNotAllowed, code == http.StatusNotImplemented: // the client goes on by itself
		resp.Body = &bounded{resp.Body, maxAnswer}
		return resp, nil
	}
	said, _ := io.ReadAll(io.LimitReader(resp.Body, 4*maxSaid))
	_ = resp.Body.Close()
	a := &answer{status: resp.StatusCode, after: retryAfter(resp.Header), said: short(string(said))}
	if u, err := resp.Location(); err == nil {
		u.User, u.RawQuery = nil, ""
		a.to = u.String()
	}
	return nil, a
}

func (d *door) prove(r *http.Request) error {
	switch {
	case d.cfg.Token != nil:
		token, err := d.cfg.Token()
		if err != nil {
			return err
		}
		r.Header.Set("Authorization", "Bearer "+token)
	case d.cfg.Password != nil:
		password, err := d.cfg.Password()
		if err != nil {
			return err
		}
		r.SetBasicAuth(d.cfg.User, password)
	}
	return nil
}

// retryAfter is how long a server asks to wait, 0 where it does not.
func retryAfter(h http.Header) time.Duration {
	if n, err := strconv.ParseUint(h.Get("Retry-After"), 10, 31); err == nil {
		return time.Duration(n) * time.Second
	}
	return 0
}

// bounded ends an answer that grows too large.
type bounded struct {
	io.ReadCloser
	left int
}

func (b *bounded) Read(p []byte) (int, error) {
	n, err := b.ReadCloser.Read(p)
	if b.left -= n; b.left < 0 {
		return 0, errAnswer
	}
	return n, err
}

// CheckAddress reads the address of a server, which holds no secret.
func CheckAddress(text string) (*url.URL, error) {
	u, err := url.Parse(text)
	switch {
	case err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https":
		return nil, errors.New("it is no address: write for example https://nas:9090")
	case u.User != nil:
		return nil, errors.New("it holds a user or password: leave them out, and name files with them")
	case u.RawQuery != "" || u.Fragment != "":
		return nil, errors.New("it has a part after ? or #: leave it out")
	}
	return u, nil
}
