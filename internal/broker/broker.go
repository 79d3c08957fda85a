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
	// Username and Password are asked of every client when given. Off the
	// loopback interface they must be given.
	Username, Password string
	// NoSync leaves out the flush to disk. Only for data to be thrown away:
	// with it a power cut can lose acknowledged messages or the whole store.
	NoSync bool
	// IntakeClientID is the client whose messages must never be dropped:
	// publishers are held back while it has more than IntakeWindow messages
	// unacknowledged.
	IntakeClientID string
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
	if !loopback(host) && (cfg.Username == "" || cfg.Password == "") {
		return fmt.Errorf("the embedded broker would listen on %q, where others can reach it: give it a username and a password, or listen on 127.0.0.1", cfg.Listen)
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
	b.guard = newGuard(cfg, server, st)
	if err := server.AddHook(b.guard, nil); err != nil {
		return nil, fmt.Errorf("cannot prepare the broker: %w", err)
	}
	listener := &tcp{listeners.NewTCP(listeners.Config{ID: "tcp", Address: cfg.Listen}), cfg.Log}
	if err := server.AddListener(listener); err != nil {
		return nil, fmt.Errorf("cannot listen on %s: %w", cfg.Listen, err)
	}
	b.addr = listener.Address()
	b.stop = sync.OnceValue(func() error {
		close(b.guard.stopping)
		st.hurry()
		return errors.Join(server.Close(), st.close())
	})
	if err := server.Serve(); err != nil {
		listener.Close(func(string) {})
		return nil, fmt.Errorf("cannot read the broker's sessions: %w", err)
	}
	return b, nil
}

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
	r.Level = muted(r.Level)
	return q.Handler.Handle(ctx, r)
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
