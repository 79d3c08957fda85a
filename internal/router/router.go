// Package router pushes the alarms that stand to a server with version 2 of the
// Alertmanager API. It keeps the server right rather than sending events: every
// alarm is sent again while it stands, each time with an end a little ahead, so
// that a server that was away or lost everything has the whole at the next turn,
// and one that hears no more of dryhold lets the alarms end by themselves.
package router

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
)

const (
	// postTimeout bounds one push.
	postTimeout = 30 * time.Second
	// maxAnswer is how much of a refusal is read, bytes.
	maxAnswer = 2000
	// lapse is after how many turns without one an alarm ends at the server.
	lapse = 4
)

// Config is what New needs.
type Config struct {
	// URL is the address of the server, with a slash at its end.
	URL string
	// Token gives the bearer token at each push; "" is none.
	Token func() (string, error)
	// Roots are the authorities to trust; nil is the system's.
	Roots *x509.CertPool
	// Every is the time between two pushes while nothing changes.
	Every time.Duration
	// Page is the address of the page of alarms, "" if people have none.
	Page string
}

// Router pushes to one server. It is for one goroutine.
type Router struct {
	Config
	client *http.Client
	// sent are the alarms that the server takes to stand: they are told to end
	// once they do.
	sent map[alarm.Key]alert
}

// alert is one alarm as the API takes it.
type alert struct {
	Labels       map[string]string `json:"labels"`
	Annotations  map[string]string `json:"annotations"`
	StartsAt     time.Time         `json:"startsAt"`
	EndsAt       time.Time         `json:"endsAt"`
	GeneratorURL string            `json:"generatorURL,omitempty"`
}

// New makes a router. It asks nothing yet.
func New(cfg Config) *Router {
	transport := http.DefaultTransport.(*http.Transport).Clone()
	transport.TLSClientConfig = &tls.Config{RootCAs: cfg.Roots, MinVersion: tls.VersionTLS12}
	return &Router{Config: cfg, sent: map[alarm.Key]alert{}, client: &http.Client{
		Timeout: postTimeout, Transport: transport,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
}

// Close gives up the connections.
func (r *Router) Close() { r.client.CloseIdleConnections() }

// Try asks the server for its status, which shows that it is there, takes the
// token, and is one of this API. It tells it nothing.
func (r *Router) Try(ctx context.Context) error {
	if err := r.ask(ctx, http.MethodGet, "api/v2/status", nil); err != nil {
		return fmt.Errorf("cannot ask the alert router for its status: %w", err)
	}
	return nil
}

// Push tells the server what stands by a state, and what has ended since the
// last push that it took. Now is the wall clock: the server goes by its own. An
// alarm that is shelved or out of service is not told. One whose readings are
// missing is held, as everywhere.
func (r *Router) Push(ctx context.Context, snap *engine.Snapshot, now time.Time) error {
	stand := map[alarm.Key]alert{}
	all := []alert{}
	for _, a := range snap.Alarms {
		if !a.Active || a.State == alarm.Shelved || a.State == alarm.OutOfService {
			continue
		}
		x := r.alert(snap.Site, a)
		x.EndsAt = now.Add(lapse * r.Every).UTC()
		if !x.StartsAt.Before(x.EndsAt) { // a clock that was set back
			x.StartsAt = now.UTC()
		}
		stand[a.Key] = x
		all = append(all, x)
	}
	for k, x := range r.sent {
		if _, stands := stand[k]; !stands {
			x.EndsAt = now.UTC()
			all = append(all, x)
		}
	}
	if err := r.post(ctx, all); err != nil {
		return fmt.Errorf("cannot push alarms to the alert router: %w", err)
	}
	r.sent = stand
	return nil
}

// alert is an alarm that stands. Labels identify it and do not change while it
// does; what changes is an annotation.
func (r *Router) alert(site string, a engine.AlarmView) alert {
	severity := map[alarm.Priority]string{alarm.Low: "info", alarm.Medium: "warning", alarm.High: "critical"}[a.Priority]
	x := alert{
		Labels: map[string]string{
			"alertname": "dryhold_" + string(a.Key.Kind), "service": "dryhold", "site": site, "kind": string(a.Key.Kind),
			"priority": a.Priority.String(), "severity": severity,
		},
		Annotations: map[string]string{"summary": a.Key.String() + " at " + site, "description": a.Text, "state": string(a.State)},
		StartsAt:    a.Since.UTC(), GeneratorURL: r.Page,
	}
	for name, v := range map[string]string{"room": a.Key.Room, "sensor": a.Key.Sensor, "lot": a.Key.Lot} {
		if v != "" {
			x.Labels[name] = v
		}
	}
	if a.By != "" {
		x.Annotations["acknowledged_by"] = a.By
	}
	if a.Unknown {
		x.Annotations["unknown"] = "there is no reading now: the state is held"
	}
	if len(a.Advice) > 0 {
		x.Annotations["advice"] = a.Advice[0].Text
	}
	return x
}

func (r *Router) post(ctx context.Context, alerts []alert) error {
	body, err := json.Marshal(alerts)
	if err != nil {
		return err
	}
	return r.ask(ctx, http.MethodPost, "api/v2/alerts", body)
}

func (r *Router) ask(ctx context.Context, method, path string, body []byte) error {
	req, err := http.NewRequestWithContext(ctx, method, r.URL+path, bytes.NewReader(body))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", "application/json")
	token, err := r.Token()
	if err != nil {
		return err
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	res, err := r.client.Do(req)
	if err != nil {
		return err
	}
	defer func() { _ = res.Body.Close() }()
	if res.StatusCode == http.StatusOK {
		return nil
	}
	text, _ := io.ReadAll(io.LimitReader(res.Body, maxAnswer))
	return fmt.Errorf("it answers %s: %s", res.Status, strings.Join(strings.Fields(strings.ToValidUTF8(string(text), "?")), " "))
}
