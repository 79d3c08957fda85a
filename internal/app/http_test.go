package app_test

import (
	"context"
	"errors"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dryhold/internal/app"
	"dryhold/internal/lot"
	"dryhold/internal/settings"
)

// taken is an address that something else listens on until the test ends.
func taken(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
	return l.Addr().String()
}

// refusal starts a daemon that cannot start and gives the reason.
func refusal(t *testing.T, s *settings.Settings) string {
	t.Helper()
	a, err := app.New(app.Options{Settings: s, Catalog: shipped(t), DataDir: filepath.Join(t.TempDir(), "data")})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	err = a.Start(ctx)
	if err == nil {
		t.Error("the daemon started", a.Stop(ctx))
		return ""
	}
	return err.Error()
}

// A port that is taken is told with its address, who may have it and the way
// out.
func TestHTTPPortTaken(t *testing.T) {
	s := local("")
	s.HTTP.Listen = taken(t)
	want := "cannot start page: " + s.HTTP.Listen + " is taken (is another dryhold running?): stop what holds it, " +
		"or set another port as http.listen in the configuration file (--config): "
	if got := refusal(t, s); !strings.HasPrefix(got, want) {
		t.Errorf("got  %s\nwant %s...", got, want)
	}
}

func TestBrokerPortTaken(t *testing.T) {
	s := local("")
	s.Broker.Embedded.Listen = taken(t)
	want := "cannot start broker: " + s.Broker.Embedded.Listen + " is taken (is another dryhold or another MQTT broker running?): stop what holds it, " +
		"or set another port as broker.embedded.listen in the configuration file (--config), or have that broker read by naming it as broker.url: "
	if got := refusal(t, s); !strings.HasPrefix(got, want) {
		t.Errorf("got  %s\nwant %s...", got, want)
	}
}

// An address of another machine; 192.0.2.0/24 is nobody's (RFC 5737).
func TestHTTPForeignAddress(t *testing.T) {
	s := local("")
	s.HTTP.Listen = "192.0.2.1:8090"
	want := "cannot start page: 192.0.2.1:8090 is no address of this machine: set one that is as http.listen in the configuration file (--config), for example 127.0.0.1: "
	if got := refusal(t, s); !strings.HasPrefix(got, want) {
		t.Errorf("got  %s\nwant %s...", got, want)
	}
}

// Over loopback the page answers to names only that the configuration lists,
// as behind a proxy on the same machine; see RFC 9110, section 15.5.20, for
// the status.
func TestHTTPHosts(t *testing.T) {
	s, err := settings.Parse("f.yaml", []byte("http: {listen: \"127.0.0.1:0\", hosts: [hearth.lan, \"Stores.larch-house.example:443\", \"[fd00:0::5]\"]}\n"))
	if err != nil {
		t.Fatal(err)
	}
	s.Broker.Embedded.Listen = "127.0.0.1:0"
	listed := daemon(t, app.Options{Settings: s, DataDir: filepath.Join(t.TempDir(), "listed")})
	none := daemon(t, app.Options{Settings: local(""), DataDir: filepath.Join(t.TempDir(), "none")})
	status := func(a *app.App, host string) int {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, a.URL()+"/api/v1/status", nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Host = host
		answer, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer answer.Body.Close()
		return answer.StatusCode
	}
	f := func(host string, onListed, onNone int) {
		t.Helper()
		if got := status(listed, host); got != onListed {
			t.Errorf("host %s, listed: status %d, want %d", host, got, onListed)
		}
		if got := status(none, host); got != onNone {
			t.Errorf("host %s, nothing listed: status %d, want %d", host, got, onNone)
		}
	}
	const ok, misdirected = http.StatusOK, http.StatusMisdirectedRequest
	f("localhost:8090", ok, ok)
	f("hearth.lan", ok, misdirected)
	f("HEARTH.lan:8090", ok, misdirected)
	f("stores.larch-house.example", ok, misdirected)
	f("[fd00::5]:8090", ok, misdirected)
	f("loft.lan", misdirected, misdirected)
	f("evil.hearth.lan", misdirected, misdirected)
	f("hearth.lan.example", misdirected, misdirected)
}

// A lot that is moved to a room that is not there is told how a room opens
// and which one may be meant.
func TestRoomUnknown(t *testing.T) {
	f := func(config, to, want string) {
		t.Helper()
		s, err := settings.Parse("f.yaml", []byte("http: {listen: \"127.0.0.1:0\"}\nbroker: {embedded: {listen: \"127.0.0.1:0\"}}\n"+config))
		if err != nil {
			t.Fatal(err)
		}
		a := daemon(t, app.Options{Settings: s, DataDir: filepath.Join(t.TempDir(), "data")})
		err = a.MoveLot(t.Context(), "1", to, time.Time{}, "Ada")
		if !errors.Is(err, lot.ErrInvalid) || err.Error() != want {
			t.Errorf("moved to %s:\ngot  %v\nwant %s", to, err, want)
		}
	}
	const listed, also = "rooms: [{name: cellar}, {name: loft}]\n", "accept_new_rooms: true\n"
	f(listed, "celler", `unknown room "celler" (did you mean "cellar"?): a room opens by being listed under rooms in the configuration`)
	f(listed, "garage", `unknown room "garage": a room opens by being listed under rooms in the configuration`)
	f(listed+also, "celler", `unknown room "celler" (did you mean "cellar"?): a room opens with its first reading or by being listed under rooms in the configuration`)
	f("accept_new_rooms: false\n", "garage", `unknown room "garage": a room opens by being listed under rooms in the configuration`)
}
