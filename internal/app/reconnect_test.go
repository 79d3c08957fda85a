package app_test

import (
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"dryhold/internal/app"
	"dryhold/internal/intake/mosquittotest"
	"dryhold/internal/settings"
)

// network is what lies between a daemon and its broker. A test can cut it,
// close it and make it swallow everything.
type network struct {
	listener net.Listener
	target   string
	work     sync.WaitGroup

	mu     sync.Mutex
	closed bool // to new connections
	taken  int  // connections so far
	now    []*line
}

// line is one connection.
type line struct {
	ends []net.Conn
	hole chan struct{} // closed: what comes is swallowed
}

func newNetwork(t *testing.T, url string) *network {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	n := &network{listener: l, target: strings.TrimPrefix(url, "mqtt://")}
	n.work.Go(n.accept)
	t.Cleanup(func() {
		_ = l.Close()
		n.cut()
		n.work.Wait()
	})
	return n
}

func (n *network) url() string { return "mqtt://" + n.listener.Addr().String() }

func (n *network) accept() {
	for {
		near, err := n.listener.Accept()
		if err != nil {
			return
		}
		n.mu.Lock()
		closed := n.closed
		n.mu.Unlock()
		if closed {
			_ = near.Close()
			continue
		}
		far, err := net.Dial("tcp", n.target)
		if err != nil {
			_ = near.Close()
			continue
		}
		x := &line{ends: []net.Conn{near, far}, hole: make(chan struct{})}
		n.mu.Lock()
		n.taken++
		n.now = append(n.now, x)
		n.mu.Unlock()
		n.work.Go(func() { x.pass(far, near) })
		n.work.Go(func() { x.pass(near, far) })
	}
}

// pass hands on what comes until either end closes.
func (x *line) pass(to, from net.Conn) {
	_, _ = io.Copy(swallower{to, x.hole}, from)
	select {
	case <-x.hole: // silence, also about the end
	default:
		_ = to.Close()
	}
}

type swallower struct {
	io.Writer
	hole chan struct{}
}

func (s swallower) Write(b []byte) (int, error) {
	select {
	case <-s.hole:
		return len(b), nil
	default:
		return s.Writer.Write(b)
	}
}

// cut ends every connection at both ends; later ones pass unless closed.
func (n *network) cut() {
	n.mu.Lock()
	defer n.mu.Unlock()
	for _, x := range n.now {
		for _, c := range x.ends {
			_ = c.Close()
		}
	}
	n.now = nil
}

// swallow has the present connections swallow everything without a word.
func (n *network) swallow() {
	n.mu.Lock()
	defer n.mu.Unlock()
	for _, x := range n.now {
		close(x.hole)
	}
}

func (n *network) close(closed bool) {
	n.mu.Lock()
	n.closed = closed
	n.mu.Unlock()
	if closed {
		n.cut()
	}
}

func (n *network) connections() int {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.taken
}

// behind runs a daemon behind a network, with short pauses.
func behind(t *testing.T, n *network, dir string) *app.App {
	t.Helper()
	cfg := local(n.url())
	cfg.Topics = append(cfg.Topics, mustTopics()...)
	return daemon(t, app.Options{Settings: cfg, DataDir: dir}.Reconnect(20*time.Millisecond, time.Second))
}

// intakeOK gives the daemon's own word on its connection.
func intakeOK(a *app.App) bool {
	for _, c := range a.Health() {
		if c.Code == "intake" {
			return c.OK && strings.HasPrefix(c.Text, "connected")
		}
	}
	return false
}

// live gives the goroutines and the bytes in use once what is over has ended.
func live() (goroutines int, heap uint64) {
	http.DefaultTransport.(*http.Transport).CloseIdleConnections()
	var m runtime.MemStats
	for range 3 { // finalizers and pools let go at the second
		runtime.GC()
	}
	runtime.ReadMemStats(&m)
	return runtime.NumGoroutine(), m.HeapAlloc
}

// heapGrowth bounds what a hundred reconnections may leave in use: each has a
// read buffer of 32 KiB alone, so that one that is not let go shows as 3.2 MB.
const heapGrowth = 2 << 20

// TestFlappingBroker: a hundred reconnections under way of readings lose none,
// count none twice, and leave neither goroutines nor memory.
func TestFlappingBroker(t *testing.T) {
	server := mosquittotest.Start(t)
	n := newNetwork(t, server.URL)
	dir := t.TempDir()
	a := behind(t, n, dir)
	c := publisher(t, server.URL)
	start := time.Now().Add(-48 * time.Hour).Truncate(time.Second)
	sent, bare := 0, 0
	flap := func(times int) {
		for range times {
			before := n.connections()
			for range 5 {
				publish(t, c, "larch/loft/climate", false, string(mosquittotest.Payload200(start, sent)))
				sent++
			}
			publish(t, c, "rooms/cellar/temperature", false, fmt.Sprint(bare%30))
			bare++
			n.cut()
			eventually(t, "the connection", func() bool { return n.connections() > before && intakeOK(a) })
		}
	}
	flap(20)
	eventually(t, "rest", func() bool { return a.Snapshot().Intake.Stored >= uint64(2*sent+bare) })
	goroutines, heap := live()
	flap(100)
	eventually(t, "all readings", func() bool { return a.Snapshot().Intake.Stored >= uint64(2*sent+bare) })
	var after int
	var grown int64
	within(t, time.Minute, fmt.Sprintf("%d goroutines and %d bytes as before", goroutines, heap), func() bool {
		g, h := live()
		after, grown = g, int64(h)-int64(heap)
		return g <= goroutines+2 && grown < heapGrowth // a commit or a connection may be under way
	})
	t.Logf("after 100 reconnections %d goroutines where there were %d, and %d KiB more in use", after, goroutines, grown>>10)
	if err := a.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := len(onDisk(t, dir, "loft")); got != 2*sent {
		t.Errorf("%d readings with a time on disk, want %d", got, 2*sent)
	}
	if got := len(onDisk(t, dir, "cellar")); got != bare {
		t.Errorf("%d bare numbers on disk, want %d", got, bare)
	}
}

// TestBrokerOutOfReach: what sensors send in two hours without a way from the
// broker to dryhold is all there after it, each once.
func TestBrokerOutOfReach(t *testing.T) {
	server := mosquittotest.Start(t)
	n := newNetwork(t, server.URL)
	dir := t.TempDir()
	a := behind(t, n, dir)
	c := publisher(t, server.URL)
	eventually(t, "the connection", func() bool { return intakeOK(a) })
	n.close(true)
	eventually(t, "the loss", func() bool { return !a.Snapshot().Intake.Connected })
	const messages = 7200 // one a second
	start := time.Now().Add(-messages * time.Second).Truncate(time.Second)
	err := mosquittotest.Flood{
		URL: server.URL, ClientID: "flood", Count: messages,
		Topic:   func(i int) string { return "larch/loft/climate" },
		Payload: func(i int) []byte { return mosquittotest.Payload200(start, i) },
	}.Run(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	publish(t, c, "rooms/cellar/temperature", false, "12.5")
	n.close(false)
	took := within(t, time.Minute, "all readings", func() bool { return a.Snapshot().Intake.Stored >= 2*messages+1 })
	t.Logf("%d messages taken %v after the return", messages+1, took)
	if in := a.Snapshot().Intake; len(in.Errors) > 0 || in.Stored != 2*messages+1 {
		t.Errorf("%+v", in)
	}
}

// TestBlackHole: a connection that swallows everything without a word is
// noticed, and what came meanwhile is taken over a new one.
func TestBlackHole(t *testing.T) {
	server := mosquittotest.Start(t)
	n := newNetwork(t, server.URL)
	a := behind(t, n, t.TempDir())
	c := publisher(t, server.URL)
	publish(t, c, "rooms/cellar/temperature", false, "12")
	eventually(t, "the reading", func() bool { return a.Snapshot().Intake.Stored == 1 })
	before := n.connections()
	n.swallow()
	publish(t, c, "rooms/cellar/temperature", false, "13")
	eventually(t, "another connection", func() bool { return n.connections() > before })
	eventually(t, "the reading that was swallowed", func() bool { return a.Snapshot().Intake.Stored == 2 })
}

// TestPasswordMended: a wrong password is told, and once its file is right the
// daemon connects without a restart.
func TestPasswordMended(t *testing.T) {
	server := mosquittotest.Start(t, mosquittotest.WithPassword("keeper", "secret"))
	dir := t.TempDir()
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	cfg := local(server.URL)
	cfg.Broker = settings.Broker{URL: server.URL, ClientID: "dryhold", UsernameFile: file("user", "keeper"), PasswordFile: file("password", "wrong")}
	a := daemon(t, app.Options{Settings: cfg, DataDir: filepath.Join(dir, "data")}.Reconnect(20*time.Millisecond, 0))
	if intakeOK(a) {
		t.Fatal("connected with a wrong password")
	}
	file("password", "secret")
	eventually(t, "the connection", func() bool { return intakeOK(a) })
}
