package app_test

import (
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"dryhold/internal/app"
	"dryhold/internal/health"
)

// The ping goes out while all is well, is withheld while readings cannot be
// stored, and one that fails is a finding of health that is not urgent. Its
// address is shown nowhere.
func TestHeartbeat(t *testing.T) {
	var pings, status atomic.Int64
	status.Store(http.StatusOK)
	receiver := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodGet && r.URL.Path == "/planted-ping" {
			pings.Add(1)
		}
		w.WriteHeader(int(status.Load()))
		_, _ = w.Write([]byte("no /planted-ping today"))
	}))
	t.Cleanup(receiver.Close)
	h := newHouse(t, nil)
	file := filepath.Join(t.TempDir(), "ping-url")
	if err := os.WriteFile(file, []byte(receiver.URL+"/planted-ping\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	h.opts.Settings.Notify.PingURLFile, h.opts.Settings.Notify.PingEvery = file, 100*time.Millisecond
	h.start()
	check := func() (c health.Check) {
		for _, c = range h.app.Health() {
			if strings.Contains(c.Text, "planted") || strings.Contains(c.Text, strings.TrimPrefix(receiver.URL, "http://")) {
				t.Errorf("the address is shown: %+v", c)
			}
			if c.Code == "ping" {
				return c
			}
		}
		t.Fatal("health says nothing of the ping")
		return c
	}
	more := func() func() bool {
		before := pings.Load()
		return func() bool { return pings.Load() > before+1 }
	}
	eventually(t, "pings", more())
	eventually(t, "a good ping in health", func() bool { return check().OK && strings.HasPrefix(check().Text, "last answered ") })

	status.Store(http.StatusInternalServerError)
	eventually(t, "failed pings in health", func() bool {
		c := check()
		return !c.OK && !c.Urgent && strings.Contains(c.Text, `in a row were not answered, the last: cannot ping: it answers 500 Internal Server Error: "no *** today"`)
	})
	if code, _ := get(t, h.app.URL()+"/healthz"); code != http.StatusOK {
		t.Errorf("a ping that fails makes health %d", code)
	}
	status.Store(http.StatusOK)
	eventually(t, "pings again", func() bool { return check().OK })

	c := publisher(t, h.brokerURL())
	mend := refuse(t, h.opts.DataDir)
	publish(t, c, "rooms/cellar/temperature", false, "12")
	eventually(t, "a ping withheld", func() bool { return check().Text == "not asked while something urgent is amiss" })
	before := pings.Load()
	time.Sleep(time.Second)
	if n := pings.Load() - before; n > 1 { // one may have been under way
		t.Errorf("%d pings while nothing can be stored", n)
	}
	mend()
	eventually(t, "pings after the outage", more())
	began := time.Now()
	h.stop()
	if took := time.Since(began); took > 15*time.Second {
		t.Errorf("the stop took %v", took)
	}
}

// An address that cannot be used keeps the daemon from starting, and is not
// shown.
func TestHeartbeatRefusesNonsense(t *testing.T) {
	f := func(text, want string) {
		t.Helper()
		h := newHouse(t, nil)
		file := filepath.Join(t.TempDir(), "ping-url")
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		h.opts.Settings.Notify.PingURLFile = file
		err := h.refused()
		if !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "planted") {
			t.Errorf("got %v, want %q", err, want)
		}
	}
	f("planted", "no http or https address")
	f("", "must hold one line")
	f("https://planted/\nhttps://planted/", "must hold one line")
}

// refused is why the daemon does not start.
func (h *house) refused() error {
	h.t.Helper()
	a, err := app.New(h.opts)
	if err == nil {
		err = a.Start(h.t.Context())
	}
	if err == nil {
		h.app = a
		h.t.Fatal("the daemon starts")
	}
	return err
}
