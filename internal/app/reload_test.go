package app_test

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/app"
	"dryhold/internal/intake/mosquittotest"
	"dryhold/internal/servertest"
	"dryhold/internal/settings"
	"dryhold/internal/unit"
	"dryhold/internal/web"
)

// stopping stops what a test left running last, not what it began with.
func stopping(t *testing.T, running **app.App) {
	t.Helper()
	t.Cleanup(func() {
		if err := (*running).Stop(context.Background()); err != nil {
			t.Error(err)
		}
	})
}

// reloadable is a daemon with an oven that alarms, on addresses that stay.
func reloadable(t *testing.T, m *mosquittotest.Server) (dir string, with func(more string) *settings.Settings, running **app.App) {
	t.Helper()
	page, broker := servertest.FreeAddr(t), servertest.FreeAddr(t)
	with = func(more string) *settings.Settings {
		t.Helper()
		s := ovenSettings(t, more)
		s.HTTP.Listen, s.Topics = page, append(s.Topics, mustTopics()...)
		s.Broker.Embedded.Listen = broker
		if m != nil {
			s.Broker = settings.Broker{URL: m.URL, ClientID: "dryhold", Root: s.Broker.Root}
		}
		return s
	}
	dir = t.TempDir()
	a, err := app.New(app.Options{Settings: with(""), Catalog: shipped(t), DataDir: dir})
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	running = &a
	stopping(t, running)
	return dir, with, running
}

// TestReload: a sensor publishes, a person looks and an alarm is acknowledged
// while settings are loaded anew. No reading is lost or counted twice, no
// request is refused, the alarm stands as it stood, and the new limit counts.
func TestReload(t *testing.T) {
	f := func(t *testing.T, m *mosquittotest.Server) {
		dir, with, running := reloadable(t, m)
		page, broker := (*running).URL(), (*running).BrokerURL()
		hotOven(t, page, broker)
		operate(t, page, "acknowledge", web.OperateAlarm{}, http.StatusNoContent)

		c := publisher(t, broker)
		over, sent, looked := make(chan struct{}), make(chan int), make(chan error)
		first := time.Now().UTC().Truncate(time.Second).Add(-24 * time.Hour)
		go func() {
			n := 0
			pace := time.NewTicker(10 * time.Millisecond) // the broker keeps 1,000 for who is away
			defer pace.Stop()
			for {
				select {
				case <-over:
					sent <- n
					return
				case <-pace.C:
				}
				token := c.Publish("larch/cellar/climate", 1, false, fmt.Sprintf(`{"time":%q,"temperature":17.5,"humidity":50}`, first.Add(time.Duration(n)*time.Second).Format(time.RFC3339)))
				if token.Wait() && token.Error() != nil {
					t.Error(token.Error())
				}
				n++
			}
		}()
		go func() {
			for {
				select {
				case <-over:
					looked <- nil
					return
				default:
				}
				if r, err := http.Get(page + "/healthz"); err != nil {
					looked <- err
					return
				} else if _, err := io.Copy(io.Discard, r.Body); err != nil {
					looked <- err
					return
				} else if err := r.Body.Close(); err != nil {
					looked <- err
					return
				}
			}
		}()
		for _, limit := range []string{"12 C", "13 C", "14 C"} {
			next, err := (*running).Reload(t.Context(), with("  - {name: cellar, limits: {warm: "+limit+"}}\n"), shipped(t))
			if err != nil {
				t.Fatal(err)
			}
			*running = next
			eventually(t, "the connection to the broker", next.Connected)
			if got := next.URL(); got != page {
				t.Errorf("the page moved to %s", got)
			}
		}
		close(over)
		n := <-sent
		if err := <-looked; err != nil {
			t.Errorf("a request was not answered: %v", err)
		}
		if n == 0 || !c.IsConnectionOpen() {
			t.Fatalf("%d readings published, connected: %v", n, c.IsConnectionOpen())
		}
		last := first.Add(time.Duration(n-1) * time.Second)
		eventually(t, "the last reading and the last limit of the cellar", func() bool {
			for _, r := range statusOf(t, page).Snapshot.Rooms {
				if r.Name == "cellar" {
					return r.WarmLimit == 14 && r.Temperature.At.Equal(last)
				}
			}
			return false
		})
		if got := ovenAlarm(t, page); got.State != alarm.ActiveAcknowledged {
			t.Errorf("the alarm is %v after loading anew", got.State)
		}
		if err := (*running).Stop(context.Background()); err != nil {
			t.Fatal(err)
		}
		seen := map[time.Time]int{}
		for _, r := range onDisk(t, dir, "cellar") {
			if r.Quantity == unit.Temperature {
				seen[r.At]++
			}
		}
		for i := range n {
			if got := seen[first.Add(time.Duration(i)*time.Second)]; got != 1 {
				t.Fatalf("reading %d of %d is there %d times", i, n, got)
			}
		}
	}
	t.Run("embedded", func(t *testing.T) { f(t, nil) })
	t.Run("mosquitto", func(t *testing.T) { f(t, mosquittotest.Start(t)) })
}

// TestReloadRefused: settings that cannot be taken leave the daemon as it was,
// and health and metrics say so until others are taken.
func TestReloadRefused(t *testing.T) {
	_, with, running := reloadable(t, nil)
	page, broker := (*running).URL(), (*running).BrokerURL()
	hotOven(t, page, broker)
	says := func(want bool, text string) {
		t.Helper()
		ok := "0"
		if want {
			ok = "1"
		}
		_, metrics := get(t, page+"/metrics")
		if !strings.Contains(metrics, `dryhold_health_ok{check="configuration",site="larch-house"} `+ok) {
			t.Errorf("the metrics do not say %v", want)
		}
		for _, c := range statusOf(t, page).Health.Checks {
			if c.Code == "configuration" && c.OK == want && strings.Contains(c.Text, text) {
				return
			}
		}
		t.Errorf("health does not say %v, %q", want, text)
	}
	try := func(s *settings.Settings, want string) {
		t.Helper()
		next, err := (*running).Reload(t.Context(), s, shipped(t))
		if err == nil || next == nil || !strings.Contains(err.Error(), want) {
			t.Fatalf("loaded anew with %v, want %q", err, want)
		}
		*running = next
		if got := ovenAlarm(t, page); got.State != alarm.ActiveUnacknowledged {
			t.Errorf("the alarm is %v", got.State)
		}
		says(false, want)
		publish(t, publisher(t, broker), "rooms/oven/temperature", false, "32")
	}
	says(true, "as it was loaded")
	taken := with("")
	taken.HTTP.Listen = mosquittotest.Start(t).URL[len("mqtt://"):]
	try(taken, "is taken")
	noTLS := with("")
	noTLS.Broker.Embedded.TLS = &settings.ServerTLS{CertFile: "none.pem", KeyFile: "none.key"}
	try(noTLS, "none.pem")
	(*running).Unchanged(fmt.Errorf("dryhold.yaml:3:1: no such key"))
	says(false, "dryhold.yaml:3:1")
	next, err := (*running).Reload(t.Context(), with("  - {name: cellar}\n"), shipped(t))
	if err != nil {
		t.Fatal(err)
	}
	*running = next
	says(true, "as it was loaded")
	if got := ovenAlarm(t, page); got.State != alarm.ActiveUnacknowledged {
		t.Errorf("the alarm is %v", got.State)
	}
}
