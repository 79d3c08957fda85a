package intake_test

import (
	"io"
	"net"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// relay passes a connection on and can cut it or hold back what the server
// says, as a bad network does.
type relay struct {
	listener net.Listener
	target   string
	held     atomic.Bool
	work     sync.WaitGroup

	mu    sync.Mutex
	conns []net.Conn
}

func newRelay(t *testing.T, target string) *relay {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r := &relay{listener: l, target: target}
	r.work.Go(r.accept)
	t.Cleanup(func() {
		_ = l.Close()
		r.cut()
		r.work.Wait()
	})
	return r
}

func (r *relay) addr() string { return r.listener.Addr().String() }

// cut closes every connection; later ones pass again.
func (r *relay) cut() {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, c := range r.conns {
		_ = c.Close()
	}
	r.conns = nil
	r.held.Store(false)
}

// hold keeps back everything the server says until cut.
func (r *relay) hold() { r.held.Store(true) }

func (r *relay) accept() {
	for {
		client, err := r.listener.Accept()
		if err != nil {
			return
		}
		server, err := net.Dial("tcp", r.target)
		if err != nil {
			_ = client.Close()
			continue
		}
		r.mu.Lock()
		r.conns = append(r.conns, client, server)
		r.mu.Unlock()
		r.work.Go(func() {
			_, _ = io.Copy(server, client)
			_ = server.Close()
		})
		r.work.Go(func() {
			_, _ = io.Copy(gate{r, client}, server)
			_ = client.Close()
		})
	}
}

type gate struct {
	r *relay
	net.Conn
}

func (g gate) Write(b []byte) (int, error) {
	for g.r.held.Load() {
		time.Sleep(time.Millisecond)
	}
	return g.Conn.Write(b)
}
