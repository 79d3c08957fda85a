package intake

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"strconv"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// Errors of looking.
var (
	// ErrRefused: the broker does not give the user what the filters match.
	ErrRefused = errors.New("the broker refuses the subscription")
	// ErrEnough: whoever looks has seen enough.
	ErrEnough = errors.New("enough was seen")
	// ErrHuge: a message is larger than is looked at.
	ErrHuge = errors.New("a message is too large to look at")
)

// hugePacket bounds one packet while looking: whoever publishes on a topic that
// nobody asked for must not fill the memory. It is above what the embedded
// broker takes.
const hugePacket = 4 << 20

// Look sees what a broker has and gets, until ctx ends, and gives each message
// to see, on one goroutine; when that returns false it ends with ErrEnough. It
// is a client of its own, under an identifier of its own (see LookID): its session
// ends with its connection and it asks at QoS 0, so that it leaves nothing with
// the broker, and what the intake gets is not touched. It does not connect
// again: ErrLost.
func Look(ctx context.Context, cfg Config, now func() time.Time, see func(Delivery) (more bool)) error {
	return look(ctx, cfg, now, see, func() {})
}

// Try connects and subscribes as Look does, and leaves: nil where the broker
// takes the credentials and grants every filter.
func Try(ctx context.Context, cfg Config, now func() time.Time) error {
	trying, leave := context.WithCancel(ctx)
	defer leave()
	granted := false
	err := look(trying, cfg, now, func(Delivery) bool { return true }, func() { granted = true; leave() })
	if err == nil && !granted {
		return context.Cause(ctx)
	}
	return err
}

// look is Look; granted is called once all subscriptions are in force.
func look(ctx context.Context, cfg Config, now func() time.Time, see func(Delivery) (more bool), granted func()) error {
	// A broker may still be clearing up behind the look before: under the same
	// identifier it then takes this one's subscription away, too.
	cfg.ClientID += "-" + strconv.FormatUint(uint64(rand.Uint32()), 36)
	c, err := New(cfg, now, nil)
	if err != nil {
		return err
	}
	username, password, err := c.credentials()
	if err != nil {
		return err
	}
	// The connection outlives ctx by its goodbye.
	connection, cut := context.WithCancel(context.WithoutCancel(ctx))
	defer cut()
	ended := make(chan error, 1)
	end := func(err error) {
		select {
		case ended <- err:
		default: // the first reason counts
		}
	}
	client := mqtt.NewClient(c.lookOptions(connection, end, see).SetUsername(username).SetPassword(password))
	token := client.Connect().(*mqtt.ConnectToken)
	if err := settled(ctx, token, c.cfg.ConnectTimeout); err != nil {
		cut()
		if ctx.Err() != nil {
			return nil
		}
		return c.explain(err, token.ReturnCode(), username)
	}
	defer client.Disconnect(uint(goodbye.Milliseconds()))
	filters := map[string]byte{}
	for _, f := range c.cfg.Filters {
		filters[f] = 0
	}
	subscribed := client.SubscribeMultiple(filters, nil)
	if err := settled(ctx, subscribed, c.cfg.ConnectTimeout); err != nil && ctx.Err() == nil {
		return fmt.Errorf("cannot subscribe: %w", firstOf(ended, err))
	}
	if ctx.Err() != nil {
		return nil
	}
	if err := refusal(subscribed, username); err != nil {
		return err
	}
	granted()
	select {
	case <-ctx.Done():
		return nil
	case err := <-ended:
		return err
	}
}

// firstOf is the reason for which a connection ended, if there is one yet, else
// err.
func firstOf(ended <-chan error, err error) error {
	select {
	case why := <-ended:
		return why
	default:
		return err
	}
}

// settled waits for a token.
func settled(ctx context.Context, token mqtt.Token, timeout time.Duration) error {
	timer := time.NewTimer(timeout + time.Second) // it has a limit of its own
	defer timer.Stop()
	select {
	case <-token.Done():
		return token.Error()
	case <-timer.C:
		return errors.New("no answer in time")
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (c *Client) lookOptions(connection context.Context, end func(error), see func(Delivery) bool) *mqtt.ClientOptions {
	var enough sync.Once
	open := func() (net.Conn, error) {
		conn, err := c.open(connection)
		if err != nil {
			return nil, err
		}
		return &smallPackets{Conn: conn, huge: func() { end(ErrHuge) }}, nil
	}
	return c.baseOptions(open).
		SetCleanSession(true).
		SetConnectionLostHandler(func(_ mqtt.Client, err error) { end(fmt.Errorf("%w: %w", ErrLost, err)) }).
		SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) {
			more := see(Delivery{Topic: m.Topic(), Payload: m.Payload(), Retained: m.Retained(), ReceivedAt: c.now(), Ack: func() {}})
			if !more {
				enough.Do(func() { end(ErrEnough) })
			}
		})
}

// smallPackets refuses a packet by its length, before the client makes room for
// it (MQTT 3.1.1, section 2.2.3).
type smallPackets struct {
	net.Conn
	huge func()

	left   int // bytes of the packet that come yet
	length int // read of the length so far
	shift  uint
	within byte // 0: a packet begins; 1: its length comes
}

func (p *smallPackets) Read(b []byte) (int, error) {
	n, err := p.Conn.Read(b)
	for i := 0; i < n; {
		switch {
		case p.left > 0:
			step := min(p.left, n-i)
			p.left, i = p.left-step, i+step
			continue
		case p.within == 0:
			p.within, p.length, p.shift = 1, 0, 0
		default:
			p.length |= int(b[i]&0x7f) << p.shift
			p.shift += 7
			if b[i] < 0x80 || p.shift > 21 {
				p.left, p.within = p.length, 0
			}
			if p.length > hugePacket {
				p.huge()
				return 0, ErrHuge
			}
		}
		i++
	}
	return n, err
}

// LookID begins the identifiers of clients that look beside the one named: each
// look adds a hyphen and a part of its own.
func LookID(client string) string { return client + "-look" }
