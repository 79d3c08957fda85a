package app_test

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"path/filepath"
	"testing"
	"time"

	"dryhold/internal/app"
	"dryhold/internal/engine"
	"dryhold/internal/intake/mosquittotest"
	"dryhold/internal/room"
	"dryhold/internal/servertest"
	"dryhold/internal/unit"
	"dryhold/internal/web"
)

// houses runs a test on a daemon with its own broker and on one that
// reads from mosquitto.
func houses(t *testing.T, test func(t *testing.T, h *house)) {
	t.Helper()
	t.Run("embedded", func(t *testing.T) { test(t, newHouse(t, nil)) })
	t.Run("mosquitto", func(t *testing.T) { test(t, newHouse(t, mosquittotest.Start(t))) })
}

// house is one daemon under test, which may be stopped and started again over
// the same data and addresses.
type house struct {
	t         *testing.T
	mosquitto *mosquittotest.Server // nil: the embedded broker
	opts      app.Options
	app       *app.App // nil while it does not run
}

func newHouse(t *testing.T, m *mosquittotest.Server) *house {
	t.Helper()
	s := local("")
	if m != nil {
		s = local(m.URL)
	} else {
		s.Broker.Embedded.Listen = servertest.FreeAddr(t) // the same after a restart
	}
	s.Topics = append(s.Topics, mustTopics()...)
	h := &house{t: t, mosquitto: m, opts: app.Options{Settings: s, Catalog: shipped(t), DataDir: filepath.Join(t.TempDir(), "data")}}
	t.Cleanup(func() {
		if h.app != nil {
			h.stop()
		}
	})
	return h
}

// brokerURL is where sensors publish, whether the daemon runs or not.
func (h *house) brokerURL() string {
	if h.mosquitto != nil {
		return h.mosquitto.URL
	}
	return "mqtt://" + h.opts.Settings.Broker.Embedded.Listen
}

func (h *house) start() *house {
	h.t.Helper()
	var a *app.App
	unlocked(h.t, func() (err error) {
		if a, err = app.New(h.opts); err != nil {
			return err
		}
		return a.Start(h.t.Context())
	})
	h.app = a
	return h
}

func (h *house) stop() {
	h.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	if err := h.app.Stop(ctx); err != nil {
		h.t.Error(err)
	}
	h.app = nil
}

func (h *house) restart() {
	h.t.Helper()
	h.stop()
	h.start()
}

// status asks the running daemon over HTTP.
func (h *house) status() web.StatusAnswer {
	h.t.Helper()
	return statusOf(h.t, h.app.URL())
}

func statusOf(t testing.TB, url string) (s web.StatusAnswer) {
	t.Helper()
	code, body := get(t, url+"/api/v1/status")
	if code != http.StatusOK {
		t.Fatalf("status %d: %s", code, body)
	}
	if err := json.Unmarshal([]byte(body), &s); err != nil {
		t.Fatal(err)
	}
	return s
}

// room gives the view of a room, empty when there is none.
func (h *house) room(name string) engine.RoomView {
	h.t.Helper()
	for _, r := range h.status().Snapshot.Rooms {
		if r.Name == name {
			return r
		}
	}
	return engine.RoomView{}
}

// post sends JSON to the running daemon and gives the status code with the
// body of the answer.
func (h *house) post(path string, body any) (int, string) {
	h.t.Helper()
	return post(h.t, h.app.URL()+path, body)
}

func post(t testing.TB, url string, body any) (int, string) {
	t.Helper()
	data, err := json.Marshal(body)
	if err != nil {
		t.Fatal(err)
	}
	r, err := http.Post(url, "application/json", bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	answer, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return r.StatusCode, string(answer)
}

// onDisk lists the readings on disk of a room, oldest first. The daemon must
// not run.
func onDisk(t testing.TB, dir, name string) (all []room.Reading) {
	t.Helper()
	s := opened(t, dir)
	defer func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}()
	err := s.EachDay(context.Background(), name, time.UnixMilli(0), func(day []room.Reading) error {
		all = append(all, day...)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// within waits for a condition and gives how long it took.
func within(t testing.TB, limit time.Duration, what string, cond func() bool) time.Duration {
	t.Helper()
	began := time.Now()
	for !cond() {
		if time.Since(began) > limit {
			t.Fatalf("waited %v in vain for %s", limit, what)
		}
		time.Sleep(5 * time.Millisecond)
	}
	return time.Since(began)
}

// series is the identity of what the default topics read: the sensor is named
// like its room.
func series(name string, q unit.Quantity) room.Series {
	return room.Series{Room: name, Sensor: name, Quantity: q}
}
