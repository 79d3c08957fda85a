// Package servertest runs the programs that tests need beside dryhold, as a
// database or a broker of Debian. It is used by tests only.
package servertest

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"sync"
	"testing"
	"time"
)

// ServersEnv is the environment variable that, set to 1, turns a missing
// server into a failure.
const ServersEnv = "DRYHOLD_TEST_SERVERS"

// Program gives the path of a program, also where a user's search path has no
// system programs. Without it the test is skipped, or fails if ServersEnv is 1,
// naming Debian's package.
func Program(t testing.TB, name, debian string) string {
	t.Helper()
	for _, candidate := range []string{name, "/usr/sbin/" + name, "/usr/local/sbin/" + name} {
		if path, err := exec.LookPath(candidate); err == nil {
			return path
		}
	}
	if os.Getenv(ServersEnv) == "1" {
		t.Fatalf("%s is not installed and %s=1 asks for it (Debian: apt-get install %s)", name, ServersEnv, debian)
	}
	t.Skipf("%s is not installed (Debian: apt-get install %s)", name, debian)
	return ""
}

// FreeAddr is an address of the loopback interface for a server that must keep
// it over restarts. Its port lies below those that a system gives to whoever
// asks for any (on Linux from 32768), or a connection of another test could
// have it while the server is down.
func FreeAddr(t testing.TB) string {
	t.Helper()
	var err error
	for range 100 {
		var l net.Listener
		l, err = new(net.ListenConfig).Listen(context.Background(), "tcp", fmt.Sprintf("127.0.0.1:%d", 10_000+rand.IntN(20_000)))
		if err == nil {
			defer func() { _ = l.Close() }()
			return l.Addr().String()
		}
	}
	t.Fatal(err)
	return ""
}

const (
	// patience is how long a server may take to answer on a loaded machine, and
	// goodbye how long to end in good order.
	patience = 5 * time.Minute
	goodbye  = 30 * time.Second
)

// Process is a server of a test, which may be stopped and started again.
type Process struct {
	t      testing.TB
	ready  string
	args   []string
	said   Buffer
	cmd    *exec.Cmd
	exited chan struct{}
}

// Start runs a program until the end of the test, and waits until it answers with
// 200 at the URL ready. If the test failed, what it said at last is told.
func Start(t testing.TB, ready, binary string, args ...string) *Process {
	t.Helper()
	p := &Process{t: t, ready: ready, args: append([]string{binary}, args...)}
	t.Cleanup(func() {
		p.Stop()
		if text := p.said.String(); t.Failed() {
			t.Logf("%s said, at last:\n%s", binary, text[max(0, len(text)-4000):])
		}
	})
	p.Run()
	return p
}

// Run starts it again, with the same arguments.
func (p *Process) Run() {
	p.t.Helper()
	cmd, exited := exec.Command(p.args[0], p.args[1:]...), make(chan struct{})
	cmd.Stdout, cmd.Stderr = &p.said, &p.said
	if err := cmd.Start(); err != nil {
		p.t.Fatal(err)
	}
	p.cmd, p.exited = cmd, exited
	go func() {
		defer close(exited)
		_ = cmd.Wait()
	}()
	for began := time.Now(); !answers(p.ready); time.Sleep(20 * time.Millisecond) {
		select {
		case <-exited:
			p.t.Fatalf("%s ended at once", p.args[0])
		default:
		}
		if time.Since(began) > patience {
			p.t.Fatalf("%s does not answer at %s", p.args[0], p.ready)
		}
	}
}

// Stop ends it in good order, and by force where it does not end. What it keeps
// on disk stays.
func (p *Process) Stop() {
	if p.cmd == nil {
		return
	}
	_ = p.cmd.Process.Signal(os.Interrupt) // it may have ended
	select {
	case <-p.exited:
	case <-time.After(goodbye):
		_ = p.cmd.Process.Kill()
		<-p.exited
	}
	p.cmd = nil
}

func answers(url string) bool {
	r, err := http.Get(url)
	if err != nil {
		return false
	}
	_ = r.Body.Close()
	return r.StatusCode == http.StatusOK
}

// Buffer may be written and read by many goroutines.
type Buffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (b *Buffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.Write(p)
}

func (b *Buffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.String()
}
