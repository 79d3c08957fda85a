package intake_test

import (
	"io"
	"log/slog"
	"strings"
	"testing"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"dryhold/internal/intake"
)

// strict lets everybody in and nobody read below "private".
type strict struct{ mochi.HookBase }

func (strict) ID() string { return "strict" }
func (strict) Provides(b byte) bool {
	return b == mochi.OnACLCheck || b == mochi.OnConnectAuthenticate
}
func (strict) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }
func (strict) OnACLCheck(_ *mochi.Client, topic string, write bool) bool {
	return write || !strings.HasPrefix(topic, "private")
}

// TestRefusedSubscription: a broker that grants some subscriptions only is
// reported, and what it grants is used.
func TestRefusedSubscription(t *testing.T) {
	noLeak(t)
	s := mochi.New(&mochi.Options{Logger: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err := s.AddHook(new(strict), nil); err != nil {
		t.Fatal(err)
	}
	l := listeners.NewTCP(listeners.Config{ID: "tcp", Address: "127.0.0.1:0"})
	if err := s.AddListener(l); err != nil {
		t.Fatal(err)
	}
	if err := s.Serve(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	cfg := intake.Config{URL: "mqtt://" + l.Address(), ClientID: "dryhold", Filters: []string{"private/#", "larch/#"}}
	c, err := intake.New(cfg, time.Now, func(intake.Delivery) {})
	if err != nil {
		t.Fatal(err)
	}
	err = c.Start(t.Context())
	if err == nil || !strings.Contains(err.Error(), "refuses the subscription to private/#:") {
		t.Errorf("got %v", err)
	}
	r := &recorder{ack: every}
	cfg.KeepTrying = true
	cfg.ClientID = "patient"
	patient := start(t, cfg, r)
	eventually(t, "the connection", patient.Connected)
	publish(t, patient, "private/x", "1")
	publish(t, patient, "larch/x", "2")
	if d := r.await(t, 1)[0]; string(d.Payload) != "2" {
		t.Errorf("got %+v", d)
	}
}
