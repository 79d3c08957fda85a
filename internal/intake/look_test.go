package intake_test

import (
	"bufio"
	"context"
	"errors"
	"io"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"dryhold/internal/broker"
	"dryhold/internal/intake"
)

// seen is what a look saw, by topic.
type seen struct {
	mu       sync.Mutex
	payloads map[string]string
	retained map[string]bool
}

func (s *seen) see(d intake.Delivery) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.payloads == nil {
		s.payloads, s.retained = map[string]string{}, map[string]bool{}
	}
	s.payloads[d.Topic], s.retained[d.Topic] = string(d.Payload), d.Retained
	return true
}

func (s *seen) has(topic, payload string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.payloads[topic] == payload
}

// A look sees what is kept and what comes, on topics that the intake did not
// ask for as well; it leaves nothing with the broker, and the intake gets what
// is its own.
func TestLook(t *testing.T) {
	eachBroker(t, func(t *testing.T, s server) {
		got := &recorder{ack: every}
		client := start(t, intake.Config{URL: s.url(), Filters: []string{"rooms/#"}}, got)
		look := func(s *seen, url string) (stop func() error) {
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan error, 1)
			go func() {
				done <- intake.Look(ctx, intake.Config{URL: url, ClientID: intake.LookID("dryhold"), Filters: []string{"#"}}, time.Now, s.see)
			}()
			return func() error { cancel(); return <-done }
		}
		if err := client.Publish(t.Context(), "kept/x", 1, true, []byte("1")); err != nil {
			t.Fatal(err)
		}
		var first seen
		stop := look(&first, s.url())
		eventually(t, "what was kept", func() bool { return first.has("kept/x", "1") })
		publish(t, client, "gateway/x", "2")
		publish(t, client, "rooms/cellar/temperature", "14.2")
		eventually(t, "what came", func() bool { return first.has("gateway/x", "2") && first.has("rooms/cellar/temperature", "14.2") })
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if !first.retained["kept/x"] || first.retained["gateway/x"] {
			t.Errorf("what is kept and what is fresh: %v", first.retained)
		}
		publish(t, client, "gateway/x", "while nobody looked")
		var second seen
		stop = look(&second, s.url())
		eventually(t, "what was kept", func() bool { return second.has("kept/x", "1") })
		publish(t, client, "gateway/y", "3")
		eventually(t, "what came", func() bool { return second.has("gateway/y", "3") })
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if second.has("gateway/x", "while nobody looked") {
			t.Error("the broker kept a message for whoever looks")
		}
		eventually(t, "the reading, by the intake", func() bool { return slices.Equal(got.payloads(), []string{"14.2"}) })
	})
}

// Whoever looks at the embedded broker shows its secret, sees all and
// publishes nothing.
func TestLookAsGuest(t *testing.T) {
	guest := intake.LookID("dryhold")
	b, err := broker.Start(t.Context(), broker.Config{Listen: "127.0.0.1:0", Dir: t.TempDir(), IntakeClientID: "dryhold", IntakeSecret: "larch", GuestClientID: guest,
		Username: "gateway", Password: "invented"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Stop(context.Background()); err != nil {
			t.Error(err)
		}
	})
	cfg := intake.Config{URL: "mqtt://" + b.IntakeAddr(), ClientID: guest, Username: "dryhold", Password: "wrong", Filters: []string{"#"}}
	if err := intake.Look(t.Context(), cfg, time.Now, func(intake.Delivery) bool { return true }); !errors.Is(err, intake.ErrCredentials) {
		t.Errorf("with a wrong secret: %v", err)
	}
	client := start(t, intake.Config{URL: cfg.URL, Username: "dryhold", Password: "larch"}, &recorder{})
	cfg.Password = "larch"
	look := func(payload string) (got *seen) { // until it comes
		t.Helper()
		got = &seen{}
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		done := make(chan error, 1)
		go func() { done <- intake.Look(ctx, cfg, time.Now, got.see) }()
		eventually(t, "a message", func() bool {
			publish(t, client, "door/lock", payload)
			return got.has("door/lock", payload)
		})
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		return got
	}
	look("open")
	// The same client, as one that publishes.
	other, err := intake.New(intake.Config{URL: cfg.URL, ClientID: guest + "-x", Username: "dryhold", Password: "larch"}, time.Now, func(intake.Delivery) {})
	if err != nil {
		t.Fatal(err)
	}
	if err := other.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := other.Publish(t.Context(), "rooms/cellar/temperature", 1, true, []byte("99")); err != nil {
		t.Fatal(err) // acknowledged and not delivered, as MQTT 3.1.1 has it
	}
	if err := other.Stop(context.Background()); err != nil {
		t.Fatal(err)
	}
	if look("shut").has("rooms/cellar/temperature", "99") {
		t.Error("who only looks has published")
	}
}

// stranger is a broker that says whatever it is told to, once it was asked for
// everything.
func stranger(t *testing.T, says func(io.Writer)) (url string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		conn, err := l.Accept()
		if err != nil {
			return
		}
		defer conn.Close()
		in := bufio.NewReader(conn)
		packet := func() (head byte, body []byte) {
			head, _ = in.ReadByte()
			n, _ := in.ReadByte() // what it is sent here is short
			body = make([]byte, n)
			_, _ = io.ReadFull(in, body)
			return head, body
		}
		packet()
		_, _ = conn.Write([]byte{0x20, 2, 0, 0}) // CONNACK
		_, body := packet()
		_, _ = conn.Write([]byte{0x90, 3, body[0], body[1], 0}) // SUBACK
		says(conn)
		_, _ = io.Copy(io.Discard, in)
	}()
	return "mqtt://" + l.Addr().String()
}

// A packet of 256 MB is refused by its length, not read; and who has seen
// enough is left in peace.
func TestLookIsBounded(t *testing.T) {
	one := func(w io.Writer) { _, _ = w.Write([]byte{0x30, 5, 0, 1, 'a', '4', '2'}) }
	f := func(says func(io.Writer), more bool, want error, messages int) {
		t.Helper()
		n := 0
		err := intake.Look(t.Context(), intake.Config{URL: stranger(t, says), ClientID: "x", Filters: []string{"#"}}, time.Now, func(d intake.Delivery) bool {
			n++
			return more
		})
		if !errors.Is(err, want) || n != messages {
			t.Errorf("%v after %d messages, want %v after %d", err, n, want, messages)
		}
	}
	f(func(w io.Writer) { one(w); one(w); _, _ = w.Write([]byte{0x30, 0xff, 0xff, 0xff, 0x7f, 0, 1, 'a'}) }, true, intake.ErrHuge, 2)
	f(func(w io.Writer) { _, _ = w.Write([]byte{0x30, 0xff, 0xff, 0xff, 0xff, 0xff}) }, true, intake.ErrHuge, 0)
	f(one, false, intake.ErrEnough, 1)
	f(func(w io.Writer) {
		one(w)
		_ = w.(net.Conn).Close()
	}, true, intake.ErrLost, 1)

	refusing := stranger(t, func(io.Writer) {})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := intake.Look(ctx, intake.Config{URL: refusing, ClientID: "x", Filters: []string{"#"}}, time.Now, nil); err != nil {
		t.Errorf("given up before it began: %v", err)
	}
	if err := intake.Look(t.Context(), intake.Config{URL: "mqtt://127.0.0.1:1", ClientID: "x", Filters: []string{"#"}}, time.Now, nil); err == nil || !strings.Contains(err.Error(), "cannot connect") {
		t.Errorf("no broker: %v", err)
	}
}

// Whether a broker takes somebody in shows without leaving anything with it.
func TestTry(t *testing.T) {
	eachBroker(t, func(t *testing.T, s server) {
		if err := intake.Try(t.Context(), intake.Config{URL: s.url(), ClientID: "dryhold-try", Filters: []string{"rooms/#", "larch/+"}}, time.Now); err != nil {
			t.Error(err)
		}
		ended, cancel := context.WithCancel(t.Context())
		cancel()
		if err := intake.Try(ended, intake.Config{URL: s.url(), ClientID: "dryhold-try", Filters: []string{"rooms/#"}}, time.Now); !errors.Is(err, context.Canceled) {
			t.Errorf("what was broken off is called %v", err)
		}
	})
	b, err := broker.Start(t.Context(), broker.Config{Listen: "127.0.0.1:0", Dir: t.TempDir(), IntakeClientID: "dryhold", IntakeSecret: "larch", Username: "gateway", Password: "invented"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Stop(context.Background()); err != nil {
			t.Error(err)
		}
	})
	cfg := intake.Config{URL: "mqtt://" + b.Addr(), ClientID: "x", Username: "gateway", Password: "wrong", Filters: []string{"rooms/#"}}
	if err := intake.Try(t.Context(), cfg, time.Now); !errors.Is(err, intake.ErrCredentials) {
		t.Errorf("with a wrong password: %v", err)
	}
	cfg.URL = "mqtt://127.0.0.1:1"
	if err := intake.Try(t.Context(), cfg, time.Now); err == nil {
		t.Error("a broker that is not there takes it in")
	}
}
