package intake_test

import (
	"context"
	"fmt"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"dryhold/internal/broker"
	"dryhold/internal/intake"
	"dryhold/internal/intake/mosquittotest"
	"dryhold/internal/servertest"
)

// server is a broker under test.
type server interface {
	url() string
	kill()    // ends it without a farewell
	restart() // after kill, on the same address and sessions
}

// eachBroker runs a test against the embedded broker and against mosquitto.
func eachBroker(t *testing.T, test func(t *testing.T, s server)) {
	t.Helper()
	t.Run("embedded", func(t *testing.T) {
		s := &embedded{t: t, dir: filepath.Join(t.TempDir(), "broker"), addr: servertest.FreeAddr(t)}
		s.restart()
		t.Cleanup(s.kill)
		test(t, s)
	})
	t.Run("mosquitto", func(t *testing.T) { test(t, mosquitto{mosquittotest.Start(t)}) })
}

type mosquitto struct{ *mosquittotest.Server }

func (m mosquitto) url() string { return m.URL }
func (m mosquitto) kill()       { m.Settle(); m.Kill() }
func (m mosquitto) restart()    { m.Restart() }

type embedded struct {
	t         *testing.T
	dir, addr string
	broker    *broker.Broker
}

func (e *embedded) url() string { return "mqtt://" + e.addr }

func (e *embedded) restart() {
	e.t.Helper()
	b, err := broker.Start(context.Background(), broker.Config{Listen: e.addr, Dir: e.dir, IntakeClientID: "dryhold"})
	if err != nil {
		e.t.Fatal(err)
	}
	e.broker, e.addr = b, b.Addr()
}

func (e *embedded) kill() {
	e.t.Helper()
	if err := e.broker.Stop(context.Background()); err != nil {
		e.t.Error(err)
	}
}

// recorder is a handler that remembers.
type recorder struct {
	mu  sync.Mutex
	all []intake.Delivery
	ack func(intake.Delivery) bool
}

func (r *recorder) handle(d intake.Delivery) {
	r.mu.Lock()
	r.all = append(r.all, d)
	ack := r.ack
	r.mu.Unlock()
	if ack != nil && ack(d) {
		d.Ack()
	}
}

func (r *recorder) get() []intake.Delivery {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.all)
}

func (r *recorder) payloads() []string {
	var out []string
	for _, d := range r.get() {
		out = append(out, string(d.Payload))
	}
	return out
}

// await waits until n messages are in.
func (r *recorder) await(t *testing.T, n int) []intake.Delivery {
	t.Helper()
	eventually(t, fmt.Sprintf("%d messages", n), func() bool { return len(r.get()) >= n })
	return r.get()
}

func every(intake.Delivery) bool { return true }

// eventually waits for a condition, long enough for a slow machine.
func eventually(t *testing.T, what string, cond func() bool) {
	t.Helper()
	for deadline := time.Now().Add(30 * time.Second); !cond(); {
		if time.Now().After(deadline) {
			t.Fatalf("waited in vain for %s", what)
		}
		time.Sleep(5 * time.Millisecond)
	}
}

// start runs a client until the end of the test.
func start(t *testing.T, cfg intake.Config, r *recorder) *intake.Client {
	t.Helper()
	if cfg.ClientID == "" {
		cfg.ClientID = "dryhold"
	}
	cfg.ReconnectMax = 200 * time.Millisecond
	c, err := intake.New(cfg, time.Now, r.handle)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { stop(t, c) })
	return c
}

func stop(t *testing.T, c *intake.Client) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	if err := c.Stop(ctx); err != nil {
		t.Error(err)
	}
}

func publish(t *testing.T, c *intake.Client, topic string, payloads ...string) {
	t.Helper()
	for _, p := range payloads {
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		if err := c.Publish(ctx, topic, 1, false, []byte(p)); err != nil {
			t.Fatal(err)
		}
		cancel()
	}
}

func numbers(from, to int) []string {
	var out []string
	for i := from; i < to; i++ {
		out = append(out, fmt.Sprint(i))
	}
	return out
}

// noLeak fails if goroutines of this module or its libraries remain.
func noLeak(t *testing.T) {
	t.Helper()
	before := runtime.NumGoroutine()
	t.Cleanup(func() {
		for deadline := time.Now().Add(15 * time.Second); runtime.NumGoroutine() > before; {
			if time.Now().After(deadline) {
				buf := make([]byte, 1<<20)
				text := string(buf[:runtime.Stack(buf, true)])
				if strings.Contains(text, "paho") || strings.Contains(text, "dryhold/internal") {
					t.Errorf("%d goroutines before, %d after:\n%s", before, runtime.NumGoroutine(), text)
				}
				return
			}
			time.Sleep(10 * time.Millisecond)
		}
	})
}

// startEmbedded runs an embedded broker until the end of a benchmark.
func startEmbedded(b *testing.B, noSync bool) string {
	b.Helper()
	e, err := broker.Start(b.Context(), broker.Config{Listen: "127.0.0.1:0", Dir: b.TempDir(), NoSync: noSync, IntakeClientID: "dryhold"})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = e.Stop(context.Background()) })
	return "mqtt://" + e.Addr()
}
