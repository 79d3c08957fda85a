package intake

import (
	"bufio"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/url"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

const (
	// writeTimeout bounds one write to the network.
	writeTimeout = 10 * time.Second
	// pingTimeout bounds the wait for the answer to a ping; it is no longer
	// than the keep-alive.
	pingTimeout = 10 * time.Second
	// goodbye bounds the last packets of a connection.
	goodbye = 250 * time.Millisecond
	// subscribeRefused is the return code of a refused subscription (MQTT
	// 3.1.1, section 3.9.3).
	subscribeRefused = 0x80
)

// Texts of the status topic.
const (
	Online  = "online"
	Offline = "offline"
)

// Says are the retained texts of a status topic: at each connection, at a
// leave in good order, and as last will.
type Says struct{ Connected, Leaving, Lost string }

// link is one connection.
type link struct {
	paho   mqtt.Client
	lost   chan struct{} // closed when the connection is gone
	lose   func(error)   // closes lost
	cause  error         // why; read after lost is closed
	acks   *acks
	handed atomic.Int64 // messages with the handler and not acknowledged
}

// connect makes one attempt. It may return a link and an error: connected,
// but not all subscriptions were granted.
func (c *Client) connect(ctx context.Context) (*link, error) {
	username, password, err := c.credentials()
	if err != nil {
		return nil, err
	}
	l := &link{lost: make(chan struct{})}
	var once sync.Once
	l.lose = func(err error) {
		once.Do(func() {
			l.cause = err
			close(l.lost)
		})
	}
	l.acks = newAcks(l.lost)
	l.paho = mqtt.NewClient(c.options(ctx, l).SetUsername(username).SetPassword(password))
	token := l.paho.Connect().(*mqtt.ConnectToken)
	<-token.Done() // bounded by ConnectTimeout and by ctx, see open
	if err := token.Error(); err != nil {
		l.lose(err)
		<-l.acks.ended
		return nil, c.explain(err, token.ReturnCode(), username)
	}
	c.setOpened(l)
	c.log.Debug("MQTT session", "kept by the broker", token.SessionPresent())
	refused, err := c.subscribe(ctx, l, username)
	if err == nil && c.cfg.StatusTopic != "" {
		err = c.await(ctx, l, l.paho.Publish(c.cfg.StatusTopic, 1, true, c.cfg.Says.Connected))
	}
	if err != nil {
		l.close()
		return nil, fmt.Errorf("connected to the broker at %s but cannot go on: %w", c.broker.Host, err)
	}
	return l, refused
}

// credentials are those of the next attempt.
func (c *Client) credentials() (username, password string, err error) {
	if c.cfg.Credentials == nil {
		return c.cfg.Username, c.cfg.Password, nil
	}
	return c.cfg.Credentials()
}

// await waits for a token no longer than an attempt may take.
func (c *Client) await(ctx context.Context, l *link, token mqtt.Token) error {
	ctx, cancel := context.WithTimeout(ctx, c.cfg.ConnectTimeout)
	defer cancel()
	return l.wait(ctx, token)
}

// baseOptions configures a client for one connection, which open makes.
func (c *Client) baseOptions(open func() (net.Conn, error)) *mqtt.ClientOptions {
	o := mqtt.NewClientOptions().
		SetClientID(c.cfg.ClientID).
		SetProtocolVersion(4). // MQTT 3.1.1, without falling back to 3.1
		SetOrderMatters(true).
		SetAutoReconnect(false).
		SetConnectRetry(false).
		SetConnectTimeout(c.cfg.ConnectTimeout).
		SetKeepAlive(c.cfg.KeepAlive).
		SetPingTimeout(min(pingTimeout, c.cfg.KeepAlive)).
		SetWriteTimeout(writeTimeout).
		SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) { return open() })
	o.Servers = []*url.URL{c.broker}
	return o
}

// options configures a client for one connection of the intake.
func (c *Client) options(ctx context.Context, l *link) *mqtt.ClientOptions {
	o := c.baseOptions(func() (net.Conn, error) { return c.open(ctx) }).
		SetCleanSession(c.cfg.Passing).
		SetAutoAckDisabled(true).
		SetConnectionLostHandler(func(_ mqtt.Client, err error) { l.lose(err) }).
		// Messages of a kept session may come before the subscription.
		SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) { c.queue.push(l.delivery(m, c.now())) })
	if c.cfg.StatusTopic != "" {
		o.SetWill(c.cfg.StatusTopic, c.cfg.Says.Lost, 1, true)
	}
	return o
}

// open makes the network connection. It is closed when ctx ends, so that a
// broker that does not answer cannot hold up Stop.
func (c *Client) open(ctx context.Context) (net.Conn, error) {
	dialing, cancel := context.WithTimeout(ctx, c.cfg.ConnectTimeout)
	defer cancel()
	conn, err := c.dial(dialing, "tcp", c.broker.Host)
	if err != nil {
		return nil, err
	}
	if c.secure() {
		conf := &tls.Config{}
		if c.cfg.TLS != nil {
			conf = c.cfg.TLS.Clone()
		}
		if conf.ServerName == "" {
			conf.ServerName = c.broker.Hostname()
		}
		secured := tls.Client(conn, conf)
		if err := secured.HandshakeContext(dialing); err != nil {
			return nil, errors.Join(fmt.Errorf("TLS: %w", err), conn.Close())
		}
		conn = secured
	}
	forget := context.AfterFunc(ctx, func() { _ = conn.Close() })
	return &patientConn{Conn: conn, in: bufio.NewReaderSize(conn, 32<<10), forget: forget}, nil
}

// patientConn buffers reads and bounds each write.
type patientConn struct {
	net.Conn
	in     *bufio.Reader
	forget func() bool
}

func (p *patientConn) Read(b []byte) (int, error) { return p.in.Read(b) }

func (p *patientConn) Write(b []byte) (int, error) {
	if err := p.Conn.SetWriteDeadline(time.Now().Add(writeTimeout)); err != nil {
		return 0, err
	}
	return p.Conn.Write(b)
}

func (p *patientConn) Close() error {
	p.forget()
	return p.Conn.Close()
}

// explain says what went wrong in words of the configuration.
func (c *Client) explain(err error, code byte, username string) error {
	if code == packets.ErrRefusedBadUsernameOrPassword || code == packets.ErrRefusedNotAuthorised {
		return fmt.Errorf("%w (user %q at %s)", ErrCredentials, username, c.broker.Host)
	}
	return fmt.Errorf("cannot connect to the broker at %s: %w", c.broker.Host, err)
}

// subscribe asks for all filters. Refused ones are reported apart: the others
// are in force.
func (c *Client) subscribe(ctx context.Context, l *link, username string) (refused, err error) {
	if len(c.cfg.Filters) == 0 {
		return nil, nil
	}
	filters := map[string]byte{}
	for _, f := range c.cfg.Filters {
		filters[f] = 1
	}
	token := l.paho.SubscribeMultiple(filters, nil)
	if err := c.await(ctx, l, token); err != nil {
		return nil, fmt.Errorf("cannot subscribe: %w", err)
	}
	return refusal(token, username), nil
}

// refusal says which filters of a subscription the broker refused: ErrRefused;
// nil where it granted all.
func refusal(token mqtt.Token, username string) error {
	var bad []string
	granted := token.(*mqtt.SubscribeToken).Result()
	for _, f := range slices.Sorted(maps.Keys(granted)) {
		if granted[f] == subscribeRefused {
			bad = append(bad, f)
		}
	}
	if len(bad) > 0 {
		return fmt.Errorf("%w to %s: does user %q have the right to read there?", ErrRefused, strings.Join(bad, ", "), username)
	}
	return nil
}

// delivery wraps a received message.
func (l *link) delivery(m mqtt.Message, at time.Time) Delivery {
	d := Delivery{
		Topic: m.Topic(), Payload: m.Payload(), ID: m.MessageID(), QoS: m.Qos(),
		Duplicate: m.Duplicate(), Retained: m.Retained(), ReceivedAt: at, Ack: func() {},
	}
	if d.QoS > 0 {
		var acked atomic.Bool
		d.Ack = func() {
			if acked.CompareAndSwap(false, true) {
				l.acks.add(m)
				l.handed.Add(-1)
			}
		}
		d.handed = func() { l.handed.Add(1) }
	}
	return d
}

// wait waits for a token, the loss of the connection or the end of ctx. A
// token fails only with its connection, whose loss may be told a moment later:
// MQTT 3.1.1 has no other answer to a publication than its acknowledgement.
func (l *link) wait(ctx context.Context, token mqtt.Token) error {
	select {
	case <-token.Done():
		if err := token.Error(); err != nil {
			return fmt.Errorf("%w: %w", ErrLost, err)
		}
		return nil
	case <-l.lost:
		return ErrLost
	case <-ctx.Done():
		return ctx.Err()
	}
}

// pending counts the messages with the handler and the acknowledgements not
// yet sent. An acknowledgement is counted twice for an instant, never not.
func (l *link) pending() int { return int(l.handed.Load()) + l.acks.len() }

// gone reports whether the link was lost.
func (l *link) gone() bool {
	select {
	case <-l.lost:
		return true
	default:
		return false
	}
}

// reason says why the link was lost.
func (l *link) reason() error {
	<-l.lost
	return l.cause
}

// farewell ends the connection in good order. Its last exchange shows that
// the broker has read everything before it: mosquitto drops what it has not
// read, acknowledgements among it, when the connection closes under an answer
// it is sending.
func (l *link) farewell(ctx context.Context, statusTopic, leaving string) {
	ctx, cancel := context.WithTimeout(ctx, ackGrace)
	defer cancel()
	for l.pending() > 0 {
		select {
		case <-time.After(time.Millisecond):
			continue
		case <-l.lost:
		case <-ctx.Done():
		}
		break
	}
	var last mqtt.Token
	if statusTopic != "" {
		last = l.paho.Publish(statusTopic, 1, true, leaving) // the will is not sent after a goodbye
	} else {
		last = l.paho.Unsubscribe("dryhold/farewell") // which it never subscribed to
	}
	_ = l.wait(ctx, last) // at worst, messages are delivered again
	l.paho.Disconnect(uint(goodbye.Milliseconds()))
}

// close ends the connection and its goroutine.
func (l *link) close() {
	l.paho.Disconnect(uint(goodbye.Milliseconds()))
	l.lose(ErrStopped)
	<-l.acks.ended
}

// acks sends acknowledgements on a goroutine of its own, in order.
type acks struct {
	lost  <-chan struct{}
	wake  chan struct{}
	ended chan struct{}

	mu      sync.Mutex
	waiting []mqtt.Message
	sending int // how many of them the batch under way had
}

func newAcks(lost <-chan struct{}) *acks {
	a := &acks{lost: lost, wake: make(chan struct{}, 1), ended: make(chan struct{})}
	go a.run()
	return a
}

func (a *acks) add(m mqtt.Message) {
	a.mu.Lock()
	a.waiting = append(a.waiting, m)
	a.mu.Unlock()
	select {
	case a.wake <- struct{}{}:
	default:
	}
}

// len counts the acknowledgements not yet sent.
func (a *acks) len() int {
	a.mu.Lock()
	defer a.mu.Unlock()
	return len(a.waiting) + a.sending
}

func (a *acks) run() {
	defer close(a.ended)
	var batch []mqtt.Message
	for {
		select {
		case <-a.wake:
		case <-a.lost:
			return
		}
		a.mu.Lock()
		batch, a.waiting = a.waiting, batch[:0]
		a.sending = len(batch)
		a.mu.Unlock()
		for i, m := range batch {
			select {
			case <-a.lost:
				return // the broker will deliver them again
			default:
				m.Ack()
				batch[i] = nil
			}
		}
		a.mu.Lock()
		a.sending = 0
		a.mu.Unlock()
	}
}
