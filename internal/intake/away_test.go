package intake_test

import (
	"bufio"
	"context"
	"io"
	"net"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"dryhold/internal/broker"
	"dryhold/internal/intake"
)

// returned is within what time of the broker's return a client is connected
// again.
const returned = 30 * time.Second

// network is a network with one broker on it, within a synctest bubble.
type network struct {
	mu      sync.Mutex
	refused bool // connections are
	hanging bool // attempts get no answer
	hole    chan struct{}
	opened  int
}

func newNetwork() *network { return &network{hole: make(chan struct{})} }

func (n *network) set(refused, hanging bool) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.refused, n.hanging = refused, hanging
}

// swallow makes the connections there are swallow everything from now on,
// without a word to either side, as a network does that forgot them.
func (n *network) swallow() {
	n.mu.Lock()
	defer n.mu.Unlock()
	close(n.hole)
	n.hole = make(chan struct{})
}

func (n *network) connections() int {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.opened
}

// dial connects a client with a broker that answers what it must.
func (n *network) dial(ctx context.Context, _, _ string) (net.Conn, error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	switch {
	case n.refused:
		return nil, syscall.ECONNREFUSED
	case n.hanging:
		n.mu.Unlock()
		<-ctx.Done()
		n.mu.Lock()
		return nil, ctx.Err()
	}
	n.opened++
	client, server := net.Pipe()
	go serve(server, n.hole)
	return client, nil
}

// serve is the least of a broker. In the hole it still reads, for the network
// takes what it swallows.
func serve(conn net.Conn, hole <-chan struct{}) {
	defer conn.Close()
	in := bufio.NewReader(conn)
	for {
		p, err := packets.ReadPacket(in)
		if err != nil {
			return
		}
		var answer packets.ControlPacket
		switch p := p.(type) {
		case *packets.ConnectPacket:
			answer = packets.NewControlPacket(packets.Connack)
		case *packets.SubscribePacket:
			ack := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
			ack.MessageID, ack.ReturnCodes = p.MessageID, make([]byte, len(p.Topics))
			answer = ack
		case *packets.PublishPacket:
			ack := packets.NewControlPacket(packets.Puback).(*packets.PubackPacket)
			ack.MessageID = p.MessageID
			answer = ack
		case *packets.PingreqPacket:
			answer = packets.NewControlPacket(packets.Pingresp)
		}
		select {
		case <-hole:
			_, _ = io.Copy(io.Discard, in)
			return
		default:
		}
		if answer != nil && answer.Write(conn) != nil {
			return
		}
	}
}

// away runs a test with a connected client of the daemon's settings, on the
// bubble's clock.
func away(t *testing.T, test func(t *testing.T, n *network, c *intake.Client)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		n := newNetwork()
		c, err := intake.New(intake.Config{
			URL: "mqtt://hearth.lan", ClientID: "dryhold", Filters: []string{"larch/#"}, StatusTopic: "larch/status", KeepTrying: true,
		}, time.Now, func(intake.Delivery) {})
		if err != nil {
			t.Fatal(err)
		}
		c.Dial(n.dial)
		if err := c.Start(t.Context()); err != nil || !c.Connected() {
			t.Fatalf("connected %v, error %v", c.Connected(), err)
		}
		test(t, n, c)
		if err := c.Stop(t.Context()); err != nil {
			t.Error(err)
		}
	})
}

// reconnected gives how long it takes until the client is connected again.
func reconnected(t *testing.T, n *network, c *intake.Client, before int) time.Duration {
	t.Helper()
	began := time.Now()
	for {
		synctest.Wait()
		if n.connections() > before && c.Connected() {
			return time.Since(began)
		}
		if time.Since(began) > time.Hour {
			t.Fatal("not connected after an hour")
		}
		time.Sleep(10 * time.Millisecond)
	}
}

// TestBrokerAway: however long the broker was away, and whether its machine
// refuses connections or leaves them without an answer, the client is
// connected again in time after its return.
func TestBrokerAway(t *testing.T) {
	for _, hanging := range []bool{false, true} {
		for _, gone := range []time.Duration{time.Second, time.Minute, 2 * time.Hour} {
			away(t, func(t *testing.T, n *network, c *intake.Client) {
				n.set(!hanging, hanging)
				before := n.connections()
				n.swallow()
				time.Sleep(gone)
				if gone >= time.Minute && c.Connected() {
					t.Errorf("after %v without a broker the client takes itself for connected", gone)
				}
				n.set(false, false)
				took := reconnected(t, n, c, before)
				if took > returned {
					t.Errorf("away for %v, attempts hanging %v: connected again after %v", gone, hanging, took)
				}
				t.Logf("away for %v, attempts hanging %v: connected again after %v", gone, hanging, took)
			})
		}
	}
}

// TestBlackHole: a connection that swallows everything without a word is
// found dead, and replaced in time, at whatever phase of the pings that
// happens and whether the client has something to say or not.
func TestBlackHole(t *testing.T) {
	var longest time.Duration
	for _, talking := range []bool{false, true} {
		for phase := time.Duration(0); phase < 30*time.Second; phase += 700 * time.Millisecond {
			away(t, func(t *testing.T, n *network, c *intake.Client) {
				time.Sleep(phase)
				before := n.connections()
				n.swallow()
				if talking {
					go func() { _ = c.Publish(t.Context(), "larch/notices", 1, false, []byte("1")) }()
				}
				took := reconnected(t, n, c, before)
				if longest = max(longest, took); took > returned {
					t.Errorf("swallowed %v after the connection, talking %v: connected again after %v", phase, talking, took)
				}
			})
		}
	}
	t.Logf("connected again after at most %v", longest)
}

// TestPasswordMended: a password is asked for at each attempt.
func TestPasswordMended(t *testing.T) {
	noLeak(t)
	b, err := broker.Start(t.Context(), broker.Config{Listen: "127.0.0.1:0", Dir: t.TempDir(), Username: "keeper", Password: "secret"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = b.Stop(context.Background()) })
	var mu sync.Mutex
	password := "wrong"
	c, err := intake.New(intake.Config{
		URL: "mqtt://" + b.Addr(), ClientID: "dryhold", KeepTrying: true, ReconnectMax: 50 * time.Millisecond,
		Credentials: func() (string, string, error) {
			mu.Lock()
			defer mu.Unlock()
			return "keeper", password, nil
		},
	}, time.Now, func(intake.Delivery) {})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(t.Context()); err != nil || c.Connected() {
		t.Fatalf("with a wrong password: connected %v, error %v", c.Connected(), err)
	}
	defer stop(t, c)
	mu.Lock()
	password = "secret"
	mu.Unlock()
	eventually(t, "the connection", c.Connected)
}
