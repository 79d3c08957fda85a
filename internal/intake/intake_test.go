package intake_test

import (
	"context"
	"errors"
	"net"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/broker"
	"dryhold/internal/intake"
	"dryhold/internal/intake/mosquittotest"
	"dryhold/internal/servertest"
)

// TestRedelivery: what is not acknowledged when the broker dies comes again,
// under the same identifier and marked as a repetition; what is acknowledged
// does not.
func TestRedelivery(t *testing.T) {
	eachBroker(t, func(t *testing.T, s server) {
		noLeak(t)
		r := &recorder{ack: func(d intake.Delivery) bool { return d.Payload[0]%2 == 0 }}
		c := start(t, intake.Config{URL: s.url(), Filters: []string{"larch/#"}}, r)
		pub := start(t, intake.Config{URL: s.url(), ClientID: "sensor"}, &recorder{})
		publish(t, pub, "larch/loft", numbers(0, 10)...)
		first := r.await(t, 10)
		if got := r.payloads(); !slices.Equal(got, numbers(0, 10)) {
			t.Fatalf("got %v, want them in order", got)
		}
		ids := map[string]uint16{}
		for _, d := range first {
			if d.Duplicate || d.QoS != 1 || d.ID == 0 || d.Retained || d.Topic != "larch/loft" || d.ReceivedAt.IsZero() {
				t.Errorf("first delivery %+v", d)
			}
			ids[string(d.Payload)] = d.ID
		}
		// Once the even ones' acknowledgements are sent, a publication on the
		// same connection comes after them.
		eventually(t, "five acknowledgements", func() bool { return c.Pending() == 5 })
		publish(t, c, "elsewhere", "behind them")
		s.kill()
		eventually(t, "the loss of the connection", func() bool { return !c.Connected() })
		first[1].Ack() // after the connection is gone: harmless, and no acknowledgement
		first[1].Ack()
		s.restart()

		r.await(t, 15)
		var again []string
		for _, d := range r.get()[10:] {
			again = append(again, string(d.Payload))
			if !d.Duplicate || d.ID != ids[string(d.Payload)] {
				t.Errorf("redelivered %q as id %d, duplicate %v; it was id %d", d.Payload, d.ID, d.Duplicate, ids[string(d.Payload)])
			}
		}
		if diff := cmp.Diff([]string{"1", "3", "5", "7", "9"}, again); diff != "" {
			t.Errorf("redelivered: (-want +got)\n%s", diff)
		}
		// After acknowledging them, a new connection brings nothing again.
		for _, d := range r.get()[10:] {
			d.Ack()
			d.Ack()
		}
		eventually(t, "connection", pub.Connected)
		publish(t, pub, "larch/loft", "20")
		r.await(t, 16)
		stop(t, c)
		r2 := &recorder{ack: every}
		start(t, intake.Config{URL: s.url(), Filters: []string{"larch/#"}}, r2)
		publish(t, pub, "larch/loft", "22")
		r2.await(t, 1)
		if got := r2.payloads(); !slices.Equal(got, []string{"22"}) {
			t.Errorf("a new connection brings %v, want only what is new", got)
		}
	})
}

// TestOfflineQueue: messages published while the client is away wait for it.
func TestOfflineQueue(t *testing.T) {
	eachBroker(t, func(t *testing.T, s server) {
		noLeak(t)
		cfg := intake.Config{URL: s.url(), Filters: []string{"larch/#"}}
		before := &recorder{ack: every}
		c := start(t, cfg, before)
		pub := start(t, intake.Config{URL: s.url(), ClientID: "sensor"}, &recorder{})
		publish(t, pub, "larch/loft", "before")
		before.await(t, 1)
		stop(t, c)
		publish(t, pub, "larch/loft", numbers(0, 50)...)
		s.kill()
		s.restart()
		r := &recorder{ack: every}
		start(t, cfg, r)
		r.await(t, 50)
		if diff := cmp.Diff(numbers(0, 50), r.payloads()); diff != "" {
			t.Errorf("(-want +got)\n%s", diff)
		}
	})
}

// TestReconnect: the client survives several losses of the broker, renews its
// subscriptions and can publish again.
func TestReconnect(t *testing.T) {
	eachBroker(t, func(t *testing.T, s server) {
		noLeak(t)
		r := &recorder{ack: every}
		c := start(t, intake.Config{URL: s.url(), Filters: []string{"larch/+", "other"}}, r)
		for i, n := range numbers(0, 3) {
			publish(t, c, "larch/loft", n)
			publish(t, c, "other", n)
			r.await(t, 2*i+2)
			s.kill()
			eventually(t, "the loss of the connection", func() bool { return !c.Connected() })
			if err := c.Publish(t.Context(), "larch/loft", 1, false, nil); !errors.Is(err, intake.ErrNotConnected) {
				t.Errorf("publishing while disconnected: %v", err)
			}
			s.restart()
			eventually(t, "the connection", c.Connected)
		}
	})
}

// TestBlockedHandler: a handler that blocks does not keep the client from
// reading, publishing and answering pings.
func TestBlockedHandler(t *testing.T) {
	eachBroker(t, func(t *testing.T, s server) {
		noLeak(t)
		gate := make(chan struct{})
		var seen atomic.Int64
		c, err := intake.New(intake.Config{URL: s.url(), ClientID: "dryhold", Filters: []string{"larch/#"}}, time.Now, func(d intake.Delivery) {
			<-gate
			seen.Add(1)
			d.Ack()
		})
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Start(t.Context()); err != nil {
			t.Fatal(err)
		}
		defer stop(t, c)
		publish(t, c, "larch/loft", numbers(0, 100)...)
		// One is with the handler, mosquitto's window has 19 more.
		eventually(t, "a filled queue", func() bool { return c.Waiting() >= 1 })
		publish(t, c, "elsewhere", "still alive")
		close(gate)
		eventually(t, "all messages", func() bool { return seen.Load() == 100 })
	})
}

// TestPublishAsync sends many messages through one client.
func TestPublishAsync(t *testing.T) {
	eachBroker(t, func(t *testing.T, s server) {
		noLeak(t)
		r := &recorder{ack: every}
		c := start(t, intake.Config{URL: s.url(), Filters: []string{"larch/#"}, Window: 64}, r)
		const n = 3000
		var done, failed atomic.Int64
		for _, p := range numbers(0, n) {
			err := c.PublishAsync(t.Context(), "larch/loft", 1, false, []byte(p), func(err error) {
				done.Add(1)
				if err != nil {
					failed.Add(1)
				}
			})
			if err != nil {
				t.Fatal(err)
			}
		}
		eventually(t, "all acknowledgements", func() bool { return done.Load() == n })
		r.await(t, n)
		if failed.Load() != 0 || !slices.Equal(r.payloads(), numbers(0, n)) {
			t.Errorf("%d failed, %d received", failed.Load(), len(r.get()))
		}
	})
}

// TestStatus: others can see whether the client is there.
func TestStatus(t *testing.T) {
	eachBroker(t, func(t *testing.T, s server) {
		noLeak(t)
		watch := &recorder{ack: every}
		start(t, intake.Config{URL: s.url(), ClientID: "watcher", Filters: []string{"larch/status"}}, watch)
		relay := newRelay(t, strings.TrimPrefix(s.url(), "mqtt://"))
		cfg := intake.Config{URL: "mqtt://" + relay.addr(), StatusTopic: "larch/status"}
		c := start(t, cfg, &recorder{})
		watch.await(t, 1)
		relay.cut() // without a goodbye: the will speaks, then the reconnection
		watch.await(t, 3)
		eventually(t, "the connection", c.Connected)
		stop(t, c)
		watch.await(t, 4)
		want := []string{intake.Online, intake.Offline, intake.Online, intake.Offline}
		if got := watch.payloads(); !slices.Equal(got, want) {
			t.Errorf("status was %v, want %v", got, want)
		}
		late := &recorder{ack: every}
		start(t, intake.Config{URL: s.url(), ClientID: "late", Filters: []string{"larch/status"}}, late)
		if d := late.await(t, 1)[0]; !d.Retained || string(d.Payload) != intake.Offline {
			t.Errorf("a late subscriber gets %+v", d)
		}
	})
}

// TestOwnWords: a status may have words of its own, and each connection is told.
func TestOwnWords(t *testing.T) {
	eachBroker(t, func(t *testing.T, s server) {
		noLeak(t)
		watch := &recorder{ack: every}
		start(t, intake.Config{URL: s.url(), ClientID: "watcher", Filters: []string{"homie/5/larch/$state"}}, watch)
		relay := newRelay(t, strings.TrimPrefix(s.url(), "mqtt://"))
		var connected atomic.Int32
		c := start(t, intake.Config{
			URL: "mqtt://" + relay.addr(), StatusTopic: "homie/5/larch/$state", Says: intake.Says{Connected: "init", Leaving: "disconnected", Lost: "lost"},
			Passing: true, OnConnect: func() { connected.Add(1) },
		}, &recorder{})
		watch.await(t, 1)
		relay.cut()
		watch.await(t, 3)
		eventually(t, "both connections told", func() bool { return connected.Load() == 2 && c.Connected() })
		stop(t, c)
		watch.await(t, 4)
		if got, want := watch.payloads(), []string{"init", "lost", "init", "disconnected"}; !slices.Equal(got, want) {
			t.Errorf("status was %v, want %v", got, want)
		}
	})
}

// TestLostPublication: a publication whose connection is cut fails, neither
// hanging nor passing for a success.
func TestLostPublication(t *testing.T) {
	eachBroker(t, func(t *testing.T, s server) {
		noLeak(t)
		relay := newRelay(t, strings.TrimPrefix(s.url(), "mqtt://"))
		c := start(t, intake.Config{URL: "mqtt://" + relay.addr()}, &recorder{})
		relay.hold()
		result := make(chan error, 2)
		go func() { result <- c.Publish(t.Context(), "larch/loft", 1, false, []byte("1")) }()
		if err := c.PublishAsync(t.Context(), "larch/loft", 1, false, []byte("2"), func(err error) { result <- err }); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
		defer cancel()
		if err := c.Publish(ctx, "larch/loft", 1, false, nil); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("a publication without acknowledgement: %v", err)
		}
		relay.cut()
		for range 2 {
			if err := <-result; !errors.Is(err, intake.ErrLost) {
				t.Errorf("a publication on a lost connection: %v", err)
			}
		}
		eventually(t, "the connection", c.Connected)
		publish(t, c, "larch/loft", "3")
	})
}

func TestCredentials(t *testing.T) {
	check := func(t *testing.T, url string) {
		t.Helper()
		noLeak(t)
		for _, cfg := range []intake.Config{{}, {Username: "keeper", Password: "wrong"}, {Username: "other", Password: "secret"}} {
			cfg.URL, cfg.ClientID = url, "dryhold"
			c, err := intake.New(cfg, time.Now, func(intake.Delivery) {})
			if err != nil {
				t.Fatal(err)
			}
			err = c.Start(t.Context())
			if !errors.Is(err, intake.ErrCredentials) || !strings.Contains(err.Error(), "username or password") || strings.Contains(err.Error(), "wrong") {
				t.Errorf("user %q: got %v", cfg.Username, err)
			}
		}
		c := start(t, intake.Config{URL: url, Username: "keeper", Password: "secret"}, &recorder{})
		publish(t, c, "larch/loft", "1")
	}
	t.Run("embedded", func(t *testing.T) {
		b, err := broker.Start(t.Context(), broker.Config{Listen: "127.0.0.1:0", Dir: t.TempDir(), Username: "keeper", Password: "secret"})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = b.Stop(context.Background()) })
		check(t, "mqtt://"+b.Addr())
	})
	t.Run("mosquitto", func(t *testing.T) {
		check(t, mosquittotest.Start(t, mosquittotest.WithPassword("keeper", "secret")).URL)
	})
}

func TestTLS(t *testing.T) {
	s := mosquittotest.Start(t, mosquittotest.WithTLS())
	noLeak(t)
	r := &recorder{ack: every}
	c := start(t, intake.Config{URL: s.URL, TLS: s.TLS, Filters: []string{"larch/#"}}, r)
	publish(t, c, "larch/loft", "1")
	r.await(t, 1)

	untrusting, err := intake.New(intake.Config{URL: s.URL, ClientID: "other"}, time.Now, r.handle)
	if err != nil {
		t.Fatal(err)
	}
	if err := untrusting.Start(t.Context()); err == nil || !strings.Contains(err.Error(), "unknown authority") {
		t.Errorf("with an unknown authority: %v", err)
	}
}

// TestKeepTrying: the daemon may start before its broker.
func TestKeepTrying(t *testing.T) {
	noLeak(t)
	e := &embedded{t: t, dir: t.TempDir(), addr: servertest.FreeAddr(t)}
	e.restart()
	e.kill() // its address is free now
	r := &recorder{ack: every}
	impatient, err := intake.New(intake.Config{URL: e.url(), ClientID: "impatient"}, time.Now, r.handle)
	if err != nil {
		t.Fatal(err)
	}
	if err := impatient.Start(t.Context()); err == nil || !strings.Contains(err.Error(), "cannot connect to the broker at "+e.addr) {
		t.Errorf("without a broker: %v", err)
	}
	if err := impatient.Start(t.Context()); !errors.Is(err, intake.ErrStopped) {
		t.Errorf("starting again: %v", err)
	}
	c := start(t, intake.Config{URL: e.url(), Filters: []string{"larch/#"}, KeepTrying: true}, r)
	if c.Connected() {
		t.Fatal("connected to nothing")
	}
	e.restart()
	t.Cleanup(e.kill)
	eventually(t, "the connection", c.Connected)
	publish(t, c, "larch/loft", "1")
	r.await(t, 1)
	if err := c.Start(t.Context()); err != nil {
		t.Errorf("a second start: %v", err)
	}
}

// TestSilentBroker: a server that accepts and never answers holds up neither
// Start nor Stop beyond their time.
func TestSilentBroker(t *testing.T) {
	noLeak(t)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	c, err := intake.New(intake.Config{URL: "mqtt://" + l.Addr().String(), ClientID: "dryhold"}, time.Now, func(intake.Delivery) {})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	began := time.Now()
	if err := c.Start(ctx); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("got %v", err)
	}
	if took := time.Since(began); took > 8*time.Second { // the attempt alone may take 10 s
		t.Errorf("it took %v", took)
	}
}

func TestNewRefuses(t *testing.T) {
	f := func(cfg intake.Config, want string) {
		t.Helper()
		_, err := intake.New(cfg, time.Now, func(intake.Delivery) {})
		if err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "hunter2") {
			t.Errorf("%+v: got %v, want %q", cfg, err, want)
		}
	}
	f(intake.Config{ClientID: "a"}, "write mqtt://")
	f(intake.Config{ClientID: "a", URL: "127.0.0.1:1883"}, "write mqtt://")
	f(intake.Config{ClientID: "a", URL: "http://x"}, "unknown scheme")
	f(intake.Config{ClientID: "a", URL: "mqtt://u:hunter2@x"}, "holds credentials")
	f(intake.Config{ClientID: "a", URL: "mqtt://x/path"}, "has a path")
	f(intake.Config{URL: "mqtt://x"}, "identifier")
	f(intake.Config{ClientID: "a", URL: "mqtt://x", Password: "hunter2"}, "no username")
	f(intake.Config{ClientID: "a", URL: "mqtt://x", ReconnectMax: time.Minute}, "must not exceed")
	f(intake.Config{ClientID: "a", URL: "mqtt://x", KeepAlive: time.Millisecond}, "keep-alive")

	c, err := intake.New(intake.Config{ClientID: "a", URL: "mqtt://x"}, time.Now, func(intake.Delivery) {})
	if err != nil {
		t.Fatal(err)
	}
	for topic, want := range map[string]string{"": "not a topic", "a/#": "not a topic", "a": "not connected"} {
		if err := c.Publish(t.Context(), topic, 1, false, nil); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", topic, err)
		}
	}
	if err := c.PublishAsync(t.Context(), "a", 2, false, nil, nil); err == nil || !strings.Contains(err.Error(), "QoS 2") {
		t.Errorf("QoS 2: %v", err)
	}
	stop(t, c)
	stop(t, c)
}
