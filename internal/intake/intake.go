// Package intake receives and sends messages over MQTT: QoS 1, a persistent
// session under a stable client identifier, acknowledgement by hand.
//
// It uses the Eclipse client, and makes a fresh one for each connection
// instead of using its reconnection. That avoids these traps (read in v1.5.1):
//
//   - After a reconnection it reports publications as done that the broker
//     has not acknowledged, and one published at the wrong instant hangs
//     until the next reconnection. Here a publication in flight at the loss
//     of a connection fails with ErrLost, and the caller sends it again.
//   - It backs off to 10 minutes, and Disconnect leaves goroutines asleep.
//   - With ordered delivery a handler that blocks keeps it from reading, so
//     that after keep-alive and ping timeout it takes the connection for dead. Here its handler only appends to a queue. What the queue can
//     hold at QoS 1 is bounded by the protocol, which has 65,535 identifiers
//     for unacknowledged messages. (mosquitto means to send 20 at once unless
//     told otherwise, but 2.0.11 was seen to send 19,000 to a client that
//     acknowledged one by one.) Only beyond 64 MiB does it block.
//     At QoS 0, where nothing bounds it, what exceeds a limit is dropped.
//   - An acknowledgement blocks while the network does, without limit, and so
//     does the ping that should notice it. Here acknowledgements go through a
//     queue, and each write has a deadline.
//   - An acknowledgement after the loss of its connection is dropped. That is
//     as it must be: the broker delivers the message again.
//   - It reads each packet in four system calls. Here a buffer is between.
package intake

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"strings"
	"sync"
	"time"
)

// Config says where and how to connect.
type Config struct {
	// URL is the broker: mqtt://host:port or, over TLS, mqtts://host:port
	// (also tcp:// and tls:// or ssl://). The port may be left out.
	URL string
	// ClientID names the session at the broker. It must stay the same over
	// restarts and be used by one client only.
	ClientID string
	// Username and Password may be empty.
	Username, Password string
	// Credentials, if set, gives username and password for each attempt, in
	// the place of those above, so that a password that was changed counts
	// without a restart. An error fails the attempt.
	Credentials func() (username, password string, err error)
	// TLS configures mqtts; nil trusts the system's authorities.
	TLS *tls.Config
	// Filters are the subscriptions, each at QoS 1, renewed at each
	// connection.
	Filters []string
	// StatusTopic, if set, gets the retained text "online" while connected
	// and "offline" otherwise, the latter as last will.
	StatusTopic string
	// Says are the texts of the status topic where they are others than these.
	Says Says
	// Passing makes the session end with its connection, so that it leaves
	// nothing with the broker: what is published meanwhile is not received.
	Passing bool
	// OnConnect, if set, is called at each connection once it is subscribed. It
	// must not block.
	OnConnect func()
	// KeepTrying makes Start succeed when the broker cannot be reached yet:
	// the client then goes on trying in the background.
	KeepTrying bool
	// ReconnectMax is the longest pause between attempts, 10 s when zero and
	// at most 15 s: with ConnectTimeout a broker's return is noticed in 30 s.
	ReconnectMax time.Duration
	// ConnectTimeout bounds one attempt, 10 s when zero and at most 15 s.
	ConnectTimeout time.Duration
	// KeepAlive is the interval of pings, in whole seconds, 10 s when zero: a
	// connection that swallows everything is found dead within 25 s.
	KeepAlive time.Duration
	// Window is how many publications PublishAsync has under way, 256 when
	// zero.
	Window int
	// QueueLimit is how many messages may wait for the handler before those
	// at QoS 0 are dropped, 8192 when zero.
	QueueLimit int
	// Log takes the client's log; nil means none.
	Log *slog.Logger
}

// Delivery is one received message.
type Delivery struct {
	Topic   string
	Payload []byte
	// ID is the packet identifier, 0 at QoS 0.
	ID  uint16
	QoS byte
	// Duplicate is set on a message the broker may have delivered before.
	Duplicate bool
	// Retained is set on a message the broker had kept for new subscribers.
	Retained   bool
	ReceivedAt time.Time
	// Ack acknowledges the message, from any goroutine, without blocking.
	// What is not acknowledged is delivered again at the next connection.
	// Calling it again, or after the connection is gone, does nothing.
	Ack func()

	handed func() // notes that the handler has it; nil at QoS 0
}

// Errors of publishing and connecting.
var (
	// ErrNotConnected: nothing was sent.
	ErrNotConnected = errors.New("not connected to the broker")
	// ErrLost: the connection was lost before the acknowledgement, so that
	// the message may or may not have arrived. Sending it again is safe where
	// receivers tolerate a repetition.
	ErrLost = errors.New("connection lost before the broker acknowledged")
	// ErrCredentials: the broker does not accept username and password.
	ErrCredentials = errors.New("the broker refuses username or password")
	// ErrStopped: the client was stopped.
	ErrStopped = errors.New("the client is stopped")
)

const (
	defaultReconnect = 10 * time.Second
	defaultTimeout   = 10 * time.Second
	longestPause     = 15 * time.Second
	firstPause       = 100 * time.Millisecond
	defaultKeepAlive = 10 * time.Second
	defaultWindow    = 256
	defaultQueue     = 8192
	// ackGrace is how long Stop waits for messages being handled.
	ackGrace = 2 * time.Second
)

// Client is one MQTT client. Its methods may be called from any goroutine.
type Client struct {
	cfg    Config
	broker *url.URL
	now    func() time.Time
	handle func(Delivery)
	dial   func(ctx context.Context, network, address string) (net.Conn, error)
	log    *slog.Logger
	queue  *queue
	window chan struct{}
	work   sync.WaitGroup

	mu      sync.Mutex
	opened  *link // the latest connection, from its first packet on
	link    *link // the same once it is subscribed, else nil
	cancel  context.CancelFunc
	stopped bool
}

// New checks the configuration; it starts nothing. The function handle is
// called with each message in the order of arrival, from one goroutine; it
// may block, and must not wait for Publish meanwhile if what unblocks it
// depends on it.
func New(cfg Config, now func() time.Time, handle func(Delivery)) (*Client, error) {
	broker, err := parseURL(cfg)
	if err != nil {
		return nil, err
	}
	setDefault(&cfg.ReconnectMax, defaultReconnect)
	setDefault(&cfg.ConnectTimeout, defaultTimeout)
	setDefault(&cfg.KeepAlive, defaultKeepAlive)
	setDefault(&cfg.Window, defaultWindow)
	setDefault(&cfg.QueueLimit, defaultQueue)
	setDefault(&cfg.Says, Says{Online, Offline, Offline})
	switch {
	case cfg.ClientID == "":
		return nil, errors.New("the MQTT client needs an identifier: without one the broker keeps no session")
	case cfg.ReconnectMax > longestPause || cfg.ConnectTimeout > longestPause:
		return nil, fmt.Errorf("the longest pause between attempts and the timeout of one must not exceed %v", longestPause)
	case cfg.KeepAlive < time.Second || cfg.KeepAlive > 65535*time.Second:
		return nil, fmt.Errorf("a keep-alive of %v is outside 1 s to 65535 s", cfg.KeepAlive)
	case cfg.Password != "" && cfg.Username == "":
		return nil, errors.New("a password for the broker is given but no username")
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	return &Client{
		cfg: cfg, broker: broker, now: now, handle: handle, dial: new(net.Dialer).DialContext, log: cfg.Log,
		queue: newQueue(cfg.QueueLimit), window: make(chan struct{}, cfg.Window),
	}, nil
}

func setDefault[T comparable](field *T, value T) {
	var zero T
	if *field == zero {
		*field = value
	}
}

// parseURL checks the address of the broker and fills in the port.
func parseURL(cfg Config) (*url.URL, error) {
	u, err := url.Parse(cfg.URL)
	if err != nil || u.Hostname() == "" {
		// Not as written: what cannot be read may hold a password anywhere.
		return nil, errors.New("cannot read the broker's address: write mqtt://host:1883 or mqtts://host:8883")
	}
	port := "1883"
	switch u.Scheme {
	case "mqtt", "tcp":
		if cfg.TLS != nil {
			return nil, fmt.Errorf("the broker's address %q is without TLS but TLS is configured: write mqtts://", u.Scheme+"://"+u.Host)
		}
	case "mqtts", "tls", "ssl":
		port = "8883"
	default:
		return nil, fmt.Errorf("unknown scheme %q of the broker's address: write mqtt:// or mqtts://", u.Scheme)
	}
	if u.User != nil {
		return nil, fmt.Errorf("the broker's address %s holds credentials: give username and password by themselves", u.Scheme+"://"+u.Host)
	}
	if strings.Trim(u.Path, "/") != "" || u.RawQuery != "" {
		return nil, fmt.Errorf("the broker's address %q has a path: write only the host and port", u.Scheme+"://"+u.Host)
	}
	if u.Port() == "" {
		u.Host += ":" + port
	}
	return u, nil
}

// secure reports whether the connection uses TLS.
func (c *Client) secure() bool { return c.broker.Scheme != "mqtt" && c.broker.Scheme != "tcp" }

// Start connects, subscribes and returns when that is done once, or with the
// reason why it failed. With KeepTrying it returns nil after the first
// attempt, successful or not. Afterwards the client reconnects by itself
// until Stop. The context bounds the start only. A second call does nothing;
// a stopped client cannot be started again.
func (c *Client) Start(ctx context.Context) error {
	c.mu.Lock()
	if c.stopped {
		c.mu.Unlock()
		return ErrStopped
	}
	if c.cancel != nil {
		c.mu.Unlock()
		return nil
	}
	running, cancel := context.WithCancel(context.WithoutCancel(ctx))
	c.cancel = cancel
	first := make(chan error, 1)
	c.work.Go(func() { c.keepConnected(running, first) })
	c.work.Go(func() { c.queue.deliver(c.handle) })
	c.mu.Unlock()
	select {
	case err := <-first:
		if err == nil || c.cfg.KeepTrying {
			return nil
		}
		return errors.Join(err, c.Stop(ctx))
	case <-ctx.Done():
		if c.cfg.KeepTrying {
			return nil
		}
		err := fmt.Errorf("cannot connect to the broker at %s in time: %w", c.broker.Host, ctx.Err())
		stopping, done := context.WithTimeout(context.WithoutCancel(ctx), c.cfg.ConnectTimeout)
		defer done()
		return errors.Join(err, c.Stop(stopping))
	}
}

// keepConnected connects again and again. The first outcome goes to first.
func (c *Client) keepConnected(ctx context.Context, first chan<- error) {
	pause, told := firstPause, ""
	for ctx.Err() == nil {
		began := time.Now()
		l, err := c.connect(ctx)
		if l != nil {
			told = ""
			c.log.Info("connected to the MQTT broker", "broker", c.broker.Host)
		}
		if err != nil && ctx.Err() == nil && err.Error() != told {
			told = err.Error()
			c.log.Error("the MQTT broker cannot be used; trying again", "broker", c.broker.Host, "error", err)
		}
		if l != nil {
			c.setLink(l) // before Start returns: its caller may publish at once
			if c.cfg.OnConnect != nil {
				c.cfg.OnConnect()
			}
		}
		select {
		case first <- err:
		default:
		}
		if l != nil {
			select {
			case <-l.lost:
			case <-ctx.Done():
			}
			c.setLink(nil)
			l.close()
			if ctx.Err() != nil {
				return
			}
			c.log.Warn("lost the connection to the MQTT broker; connecting again (if this goes on, does another client use the same identifier?)",
				"broker", c.broker.Host, "client", c.cfg.ClientID, "error", l.reason())
		}
		// A connection that lasted starts the pauses afresh.
		if time.Since(began) > c.cfg.ReconnectMax+c.cfg.ConnectTimeout {
			pause = firstPause
		}
		select {
		case <-time.After(min(pause, c.cfg.ReconnectMax)):
		case <-ctx.Done():
		}
		pause = min(2*pause, c.cfg.ReconnectMax)
	}
}

func (c *Client) setLink(l *link) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.link = l
}

func (c *Client) setOpened(l *link) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.opened = l
}

// current gives the connection to publish on, or nil.
func (c *Client) current() *link {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.link == nil || c.link.gone() {
		return nil
	}
	return c.link
}

// Connected reports whether the client is connected and subscribed.
func (c *Client) Connected() bool { return c.current() != nil }

// Dropped counts the messages at QoS 0 that were dropped because too many
// waited for the handler.
func (c *Client) Dropped() int64 { return c.queue.dropped.Load() }

// Waiting is how many messages wait for the handler.
func (c *Client) Waiting() int { return c.queue.len() }

// Pending is how many messages of this connection the handler got and has not
// acknowledged, counting acknowledgements not yet sent.
func (c *Client) Pending() int {
	l := c.current()
	if l == nil {
		return 0
	}
	return l.pending()
}

// Stop hands out no further messages, waits a moment for the acknowledgement
// of those handed out, says goodbye to the broker and ends all goroutines.
// Its context bounds all of that: if it ends first, Stop returns its error
// and the rest goes on by itself. It may be called several times. The session
// stays with the broker.
func (c *Client) Stop(ctx context.Context) error {
	c.mu.Lock()
	first, cancel, l := !c.stopped, c.cancel, c.opened
	c.stopped = true
	c.mu.Unlock()
	c.queue.close()
	if cancel == nil {
		return nil
	}
	if first && l != nil && !l.gone() {
		l.farewell(ctx, c.cfg.StatusTopic, c.cfg.Says.Leaving)
	}
	cancel()
	done := make(chan struct{})
	go func() {
		c.work.Wait()
		close(done)
	}()
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("the MQTT client has not stopped yet: %w", ctx.Err())
	}
}

// Publish sends a message and, at QoS 1, waits for the broker to acknowledge
// it. See ErrNotConnected and ErrLost. When ctx ends first the message may
// still arrive.
func (c *Client) Publish(ctx context.Context, topic string, qos byte, retain bool, payload []byte) error {
	l, err := c.publishable(topic, qos)
	if err != nil {
		return err
	}
	if err := l.wait(ctx, l.paho.Publish(topic, qos, retain, payload)); err != nil {
		return fmt.Errorf("cannot publish on %q: %w", topic, err)
	}
	return nil
}

// PublishAsync sends a message and returns before it is acknowledged, so that
// many can be under way at once: it blocks only while Window of them are.
// When it returns nil, done (if not nil) is called once with the outcome that
// Publish would have returned, from another goroutine.
func (c *Client) PublishAsync(ctx context.Context, topic string, qos byte, retain bool, payload []byte, done func(error)) error {
	select {
	case c.window <- struct{}{}:
	case <-ctx.Done():
		return fmt.Errorf("cannot publish on %q: %w", topic, ctx.Err())
	}
	l, err := c.publishable(topic, qos)
	if err != nil {
		<-c.window
		return err
	}
	token := l.paho.Publish(topic, qos, retain, payload)
	go func() {
		err := l.wait(ctx, token)
		<-c.window
		if done == nil {
			return
		}
		if err != nil {
			err = fmt.Errorf("cannot publish on %q: %w", topic, err)
		}
		done(err)
	}()
	return nil
}

func (c *Client) publishable(topic string, qos byte) (*link, error) {
	if topic == "" || strings.ContainsAny(topic, "+#\x00") || len(topic) > 65535 {
		return nil, fmt.Errorf("cannot publish on %q: not a topic", topic)
	}
	if qos > 1 {
		return nil, fmt.Errorf("cannot publish on %q at QoS %d: 0 and 1 are supported", topic, qos)
	}
	l := c.current()
	if l == nil {
		return nil, fmt.Errorf("cannot publish on %q: %w", topic, ErrNotConnected)
	}
	return l, nil
}
