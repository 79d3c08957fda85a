package app_test

import (
	"context"
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/servertest"
	"dryhold/internal/web"
)

// alertmanager is Debian's, which may be stopped and started again, losing all
// it knew.
type alertmanager struct {
	t         *testing.T
	url, addr string
	stop      func()
}

func newAlertmanager(t *testing.T) *alertmanager {
	t.Helper()
	m := &alertmanager{t: t, addr: servertest.FreeAddr(t)}
	m.url = "http://" + m.addr + "/"
	m.start()
	return m
}

func (m *alertmanager) start() {
	m.t.Helper()
	binary := servertest.Program(m.t, "prometheus-alertmanager", "prometheus-alertmanager")
	dir := m.t.TempDir()
	file := filepath.Join(dir, "alertmanager.yml")
	if err := os.WriteFile(file, []byte("route: {receiver: nobody, group_by: [site]}\nreceivers: [{name: nobody}]\n"), 0o600); err != nil {
		m.t.Fatal(err)
	}
	m.stop = servertest.Start(m.t, m.url+"-/ready", binary, "--config.file="+file, "--storage.path="+filepath.Join(dir, "data"), "--web.listen-address="+m.addr,
		"--cluster.listen-address=", "--log.level=error").Stop
}

type routed struct {
	Labels, Annotations map[string]string
	StartsAt, EndsAt    time.Time
}

// alerts are those it takes to be active.
func (m *alertmanager) alerts() (out []routed) {
	m.t.Helper()
	code, body := get(m.t, m.url+"api/v2/alerts?active=true")
	if code != http.StatusOK {
		m.t.Fatalf("%d %s", code, body)
	}
	if err := json.Unmarshal([]byte(body), &out); err != nil {
		m.t.Fatalf("%v: %s", err, body)
	}
	return out
}

func (m *alertmanager) oven() *routed {
	for _, a := range m.alerts() {
		if a.Labels["room"] == "oven" && a.Labels["kind"] == "warm" {
			return &a
		}
	}
	return nil
}

// routedOven is a house whose oven is too hot, and that tells a router so.
func routedOven(t *testing.T, router string) *house {
	t.Helper()
	h := newHouse(t, nil)
	h.opts.Settings = ovenSettings(t, "alertmanager: {url: '"+router+"', every: 5s}\n")
	h.start()
	hotOven(t, h.app.URL(), h.app.BrokerURL())
	return h
}

// An alarm stands at the router within seconds, also at one that was started
// again and knows nothing, is gone there while it is shelved, comes again, and
// ends with the alarm.
func TestAlertRouter(t *testing.T) {
	m := newAlertmanager(t)
	h := routedOven(t, m.url)
	within(t, time.Minute, "the alarm at the router", func() bool { return m.oven() != nil })
	a := m.oven()
	for name, want := range map[string]string{"alertname": "dryhold_warm", "site": "larch-house", "priority": "medium", "severity": "warning", "service": "dryhold"} {
		if a.Labels[name] != want {
			t.Errorf("label %s is %q, want %q", name, a.Labels[name], want)
		}
	}
	if a.Annotations["description"] == "" || a.Annotations["state"] != string(alarm.ActiveUnacknowledged) || !a.EndsAt.After(time.Now()) {
		t.Errorf("told %+v", a)
	}
	m.stop()
	within(t, time.Minute, "health to say that nobody takes alarms", func() bool {
		for _, c := range h.app.Health() {
			if c.Code == "alertmanager" && !c.OK && !c.Urgent && strings.Contains(c.Text, "cannot push alarms") {
				return true
			}
		}
		return false
	})
	m.start()
	within(t, time.Minute, "the alarm at the router that lost it", func() bool { return m.oven() != nil })

	operate(t, h.app.URL(), alarm.ActShelve, web.OperateAlarm{For: "4h"}, http.StatusNoContent)
	within(t, time.Minute, "the shelved alarm to be gone there", func() bool { return m.oven() == nil })
	operate(t, h.app.URL(), alarm.ActUnshelve, web.OperateAlarm{}, http.StatusNoContent)
	within(t, time.Minute, "the alarm there again", func() bool { return m.oven() != nil })
	// A single cool reading would be taken for a jump.
	cool := publisher(t, h.app.BrokerURL())
	publish(t, cool, "rooms/oven/temperature", false, "20")
	publish(t, cool, "rooms/oven/temperature", false, "20.1")
	within(t, time.Minute, "the alarm to end there", func() bool { return m.oven() == nil })
}

// Without dryhold the alarms end by themselves; started again it tells them.
func TestAlertRouterLapses(t *testing.T) {
	m := newAlertmanager(t)
	h := routedOven(t, m.url)
	within(t, time.Minute, "the alarm at the router", func() bool { return m.oven() != nil })
	h.stop()
	if m.oven() == nil {
		t.Error("a stop ends the alarm at the router, though it stands")
	}
	within(t, 2*time.Minute, "the alarm to lapse", func() bool { return m.oven() == nil })
	h.start()
	within(t, time.Minute, "the alarm at the router again", func() bool { return m.oven() != nil })
}

// A router that hangs holds up neither the daemon nor its end.
func TestAlertRouterHangs(t *testing.T) {
	release := make(chan struct{})
	server := &http.Server{Addr: servertest.FreeAddr(t), Handler: http.HandlerFunc(func(http.ResponseWriter, *http.Request) { <-release })}
	go func() { _ = server.ListenAndServe() }()
	t.Cleanup(func() { close(release); _ = server.Shutdown(context.Background()) })
	h := routedOven(t, "http://"+server.Addr)
	began := time.Now()
	h.stop()
	if took := time.Since(began); took > 15*time.Second {
		t.Errorf("stopping took %v", took)
	}
}
