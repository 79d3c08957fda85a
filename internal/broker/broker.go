// Package broker is the embedded MQTT broker for a home that has none. A
// message at QoS 1 or 2 is on disk for every persistent session before its
// publisher gets the acknowledgement, so that a kill at any moment loses
// nothing that was acknowledged.
//
// The broker is mochi-mqtt v2 with its ways changed by one hook where they
// would lose messages (found by reading v2.7.9; each has a test here):
//
//   - It acknowledges a publication before it stores it for the subscribers.
//     The hook stores first (guard.go).
//   - It keeps the packet identifiers a client sends under and those it
//     receives under in one table, so that a client publishing under
//     identifier n wipes the undelivered message n of its own session, and a
//     subscription under n is refused. The hook keeps them apart.
//   - Its bbolt storage forgets the packet identifier, so that after a
//     restart one message of each session survives; it ignores write errors;
//     and when a session is taken over it deletes every message of it and
//     stores them anew. The package has its own storage (store.go), which
//     does none of this and groups commits.
//   - It begins each connection of a session with packet identifier 1, so
//     that a subscriber can take a new message for an old one delivered
//     again. The hook makes the session count on (identifiers.go).
//   - Messages published while a session is being taken over go to the old
//     connection and are lost. The hook lets them wait.
//   - A full session (8192 messages) and a full write queue drop messages
//     that were acknowledged. The limits are raised and publishers are held
//     back while the intake lags.
//   - Messages are dropped after a day. The limit is off.
//   - Redelivery is in random order within a second. The hook numbers
//     messages in order (the order wraps once per 65,536 messages).
//
// What remains, as with any broker at QoS 1: a publisher that is not
// acknowledged sends again, and its message is then delivered twice.
package broker

import (
	"context"
	"crypto/subtle"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"sync"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
)

// Config is what the broker needs to know.
type Config struct {
	// Listen is the address to listen on, host:port. Port 0 picks a free one.
	Listen string
	// Dir is the directory of the broker's data; it is created if missing.
	Dir string
	// Username and Password are of one client that may use every topic, and
	// Users are others. Where none is given, nobody is asked who it is, which
	// is refused off the loopback interface.
	Username, Password string
	Users              []User
	// TLS makes the listener speak TLS, and only TLS. Off the loopback
	// interface it must be given unless AllowPlain.
	TLS        *tls.Config
	AllowPlain bool
	// Closed are filters of topics that only the intake may publish on.
	Closed []string
	// Open are topics below closed ones on which others may publish all the
	// same, if their rights say so.
	Open []string
	// Refused, if set, is told what was not allowed. It must not block.
	Refused func(Refusal)
	// NoSync leaves out the flush to disk. Only for data to be thrown away:
	// with it a power cut can lose acknowledged messages or the whole store.
	NoSync bool
	// IntakeClientID is the client whose messages must never be dropped:
	// publishers are held back while it has more than IntakeWindow messages
	// unacknowledged.
	IntakeClientID string
	// IntakeSecret is the password, under any username, that only the client
	// IntakeClientID has: without it nobody gets into its session. With TLS it
	// must be given, since then the intake comes in by a listener of its own.
	IntakeSecret string
	// GuestClientID begins the identifiers, before a hyphen, of clients that may
	// see every topic and publish on none.
	// It shows IntakeSecret as well.
	GuestClientID string
	// Herald is the identifier of a second client of the daemon's own, which may
	// use every topic, closed ones too, and waits like any other publisher. It
	// shows IntakeSecret as well.
	Herald string
	// IntakeWindow is 4096 when zero.
	IntakeWindow int
	// Log takes the broker's log. Nil means none.
	Log *slog.Logger
}

const (
	defaultWindow = 4096
	// maxPacket leaves room for a payload of 1 MiB and a long topic. The
	// codec refuses such a payload with a reason; here it would be a silent
	// disconnection.
	maxPacket = 1<<20 + 1<<17
	// writesPending bounds the packets waiting for one connection.
	writesPending = 4 * defaultWindow
	storeFile     = "broker.db"
)

// Broker is a running broker.
type Broker struct {
	server *mqtt.Server
	guard  *guard
	store  *store
	addr   string
	inner  string // address for the intake
	stop   func() error
}

// Start runs a broker. When it returns, the broker accepts connections and
// has its sessions back from the disk.
func Start(ctx context.Context, cfg Config) (*Broker, error) {
	if err := cfg.check(); err != nil {
		return nil, err
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	if cfg.IntakeWindow == 0 {
		cfg.IntakeWindow = defaultWindow
	}
	if err := os.MkdirAll(cfg.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("cannot create the broker's directory: %w", err)
	}
	st, err := openStore(filepath.Join(cfg.Dir, storeFile), cfg.NoSync, cfg.Log)
	if err != nil {
		return nil, err
	}
	b, err := serve(cfg, st)
	if err != nil {
		return nil, errors.Join(err, st.close())
	}
	return b, nil
}

func (cfg Config) check() error {
	host, _, err := net.SplitHostPort(cfg.Listen)
	if err != nil {
		return fmt.Errorf("cannot listen on %q: write host:port: %w", cfg.Listen, err)
	}
	if cfg.Dir == "" {
		return errors.New("the embedded broker needs a directory for its data")
	}
	if cfg.Password != "" && cfg.Username == "" {
		return errors.New("the embedded broker has a password but no username")
	}
	if cfg.Username != "" && cfg.Password == "" {
		return errors.New("the embedded broker has a username but no password")
	}
	if cfg.TLS != nil && cfg.IntakeSecret == "" {
		return errors.New("BUG: the embedded broker has TLS but no secret for the intake")
	}
	if !loopback(host) && cfg.Username == "" && len(cfg.Users) == 0 {
		return fmt.Errorf("the embedded broker would listen on %q, where others can reach it: give it users, or a username and a password, or listen on 127.0.0.1", cfg.Listen)
	}
	if !loopback(host) && cfg.TLS == nil && !cfg.AllowPlain {
		return fmt.Errorf("the embedded broker would listen on %q, where others can overhear passwords: give it tls, or set allow_plain, or listen on 127.0.0.1", cfg.Listen)
	}
	return nil
}

// loopback reports whether only this machine can reach the host.
func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

func serve(cfg Config, st *store) (*Broker, error) {
	caps := mqtt.NewDefaultServerCapabilities()
	caps.MaximumMessageExpiryInterval = 0 // off
	caps.MaximumInflight = 65535
	caps.MaximumClientWritesPending = writesPending
	caps.MaximumPacketSize = maxPacket
	server := mqtt.New(&mqtt.Options{
		Capabilities: caps,
		Logger:       slog.New(quiet{cfg.Log.Handler()}),
		// The broker's own topics stop the world once per interval to
		// measure memory: once per year will do.
		SysTopicResendInterval: int64((365 * 24 * time.Hour).Seconds()),
	})
	b := &Broker{server: server, store: st}
	var err error
	if b.guard, err = newGuard(cfg, server, st); err != nil {
		return nil, err
	}
	if err := server.AddHook(b.guard, nil); err != nil {
		return nil, fmt.Errorf("cannot prepare the broker: %w", err)
	}
	if err := b.listen(cfg); err != nil {
		return nil, err
	}
	b.stop = sync.OnceValue(func() error {
		close(b.guard.stopping)
		st.hurry()
		return errors.Join(server.Close(), st.close())
	})
	if err := server.Serve(); err != nil {
		server.Listeners.CloseAll(func(string) {})
		return nil, fmt.Errorf("cannot read the broker's sessions: %w", err)
	}
	return b, nil
}

// Names of the listeners.
const (
	outerListener = "tcp"
	innerListener = "inner"
)

// listen takes the addresses. With TLS the intake has a listener of its own on
// loopback: a connection of the daemon to itself needs no certificate, whose
// name would be that of another interface.
func (b *Broker) listen(cfg Config) error {
	outer := &tcp{listeners.NewTCP(listeners.Config{ID: outerListener, Address: cfg.Listen, TLSConfig: cfg.TLS}), cfg.Log}
	if err := b.server.AddListener(outer); err != nil {
		return fmt.Errorf("cannot listen on %s: %w", cfg.Listen, err)
	}
	b.addr = outer.Address()
	b.inner = b.addr
	if cfg.TLS == nil {
		return nil
	}
	inner := &tcp{listeners.NewTCP(listeners.Config{ID: innerListener, Address: "127.0.0.1:0"}), cfg.Log}
	if err := b.server.AddListener(inner); err != nil {
		outer.Close(func(string) {})
		return fmt.Errorf("cannot listen on a port of 127.0.0.1: %w", err)
	}
	b.inner = inner.Address()
	return nil
}

// IntakeAddr is the address at which the intake connects, without TLS.
func (b *Broker) IntakeAddr() string { return b.inner }

// Addr is the address the broker listens on, host:port.
func (b *Broker) Addr() string { return b.addr }

// Err is the error of the last write to disk, or nil. While there is one, no
// publication is acknowledged.
func (b *Broker) Err() error { return b.store.err() }

// Stop closes all connections and writes out what is pending. It may be
// called several times; the first result stands. If ctx ends before, it
// returns its error and the stop goes on by itself.
func (b *Broker) Stop(ctx context.Context) error {
	done := make(chan error, 1)
	go func() { done <- b.stop() }()
	select {
	case err := <-done:
		if err != nil {
			return fmt.Errorf("cannot stop the broker cleanly: %w", err)
		}
		return nil
	case <-ctx.Done():
		return fmt.Errorf("the broker has not stopped yet: %w", ctx.Err())
	}
}

// tcp is the library's listener, with one difference: a fault in the handling
// of one connection ends that connection, not the daemon.
type tcp struct {
	*listeners.TCP
	log *slog.Logger
}

// Serve accepts connections until Close.
func (l *tcp) Serve(establish listeners.EstablishFn) {
	l.TCP.Serve(func(id string, c net.Conn) (err error) {
		defer func() {
			if fault := recover(); fault != nil {
				l.log.Error("the broker failed on a connection and closed it", "remote", c.RemoteAddr().String(), "fault", fault)
				err = errors.Join(fmt.Errorf("fault: %v", fault), c.Close())
			}
		}()
		return establish(id, c)
	})
}

// quiet lets the library's errors through and turns all else, of which it
// writes some for every connection, into debug output.
type quiet struct{ slog.Handler }

func (q quiet) Enabled(ctx context.Context, level slog.Level) bool {
	return q.Handler.Enabled(ctx, muted(level))
}

func (q quiet) Handle(ctx context.Context, r slog.Record) error {
	out := slog.NewRecord(r.Time, muted(r.Level), r.Message, r.PC)
	r.Attrs(func(a slog.Attr) bool {
		// Whole packets hold passwords and payloads.
		if a.Key != "pk" && a.Key != "packet" && a.Key != "will" {
			out.AddAttrs(a)
		}
		return true
	})
	return q.Handler.Handle(ctx, out)
}

func (q quiet) WithAttrs(attrs []slog.Attr) slog.Handler { return quiet{q.Handler.WithAttrs(attrs)} }
func (q quiet) WithGroup(name string) slog.Handler       { return quiet{q.Handler.WithGroup(name)} }

func muted(level slog.Level) slog.Level {
	if level >= slog.LevelError {
		return level
	}
	return slog.LevelDebug
}

// same compares secrets in constant time.
func same(a, b []byte) bool { return subtle.ConstantTimeCompare(a, b) == 1 }
