package broker

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/google/go-cmp/cmp"
)

// begin runs a broker until the end of the test.
func begin(t *testing.T, cfg Config) *Broker {
	t.Helper()
	if cfg.Listen == "" {
		cfg.Listen = "127.0.0.1:0"
	}
	if cfg.Dir == "" {
		cfg.Dir = t.TempDir()
	}
	if cfg.IntakeClientID == "" {
		cfg.IntakeClientID = "intake"
	}
	b, err := Start(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { end(t, b) })
	return b
}

func end(t *testing.T, b *Broker) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	if err := b.Stop(ctx); err != nil {
		t.Error(err)
	}
}

// got is what a subscriber received.
type got struct {
	payload string
	id      uint16
	dup     bool
	retain  bool
}

// subscriber is a plain MQTT client that acknowledges when told to.
type subscriber struct {
	mqtt.Client
	mu  sync.Mutex
	all []got
	msg []mqtt.Message
}

// join connects a client with a session; filters are subscribed at QoS 1.
func join(t *testing.T, addr, id string, ack bool, filters ...string) *subscriber {
	t.Helper()
	s := &subscriber{}
	o := mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID(id).SetCleanSession(false).
		SetAutoReconnect(false).SetAutoAckDisabled(true).SetConnectTimeout(10 * time.Second).
		SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) {
			s.mu.Lock()
			s.all = append(s.all, got{string(m.Payload()), m.MessageID(), m.Duplicate(), m.Retained()})
			s.msg = append(s.msg, m)
			s.mu.Unlock()
			if ack {
				m.Ack()
			}
		})
	s.Client = mqtt.NewClient(o)
	await(t, s.Connect())
	t.Cleanup(func() { s.Disconnect(100) })
	for _, f := range filters {
		token := s.Subscribe(f, 1, nil).(*mqtt.SubscribeToken)
		await(t, token)
		if token.Result()[f] != 1 {
			t.Fatalf("subscription to %s: granted %#x", f, token.Result()[f])
		}
	}
	return s
}

func await(t *testing.T, token mqtt.Token) {
	t.Helper()
	if !token.WaitTimeout(30*time.Second) || token.Error() != nil {
		t.Fatalf("no answer: %v", token.Error())
	}
}

func (s *subscriber) got() []got {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.all)
}

func (s *subscriber) await(t *testing.T, n int) []got {
	t.Helper()
	eventually(t, fmt.Sprintf("%d messages", n), func() bool { return len(s.got()) >= n })
	return s.got()
}

// awaitAll waits until every one of the payloads is in; fewer is a loss.
func (s *subscriber) awaitAll(t *testing.T, want map[string]bool) {
	t.Helper()
	for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(2 * time.Millisecond) {
		missing := maps.Clone(want)
		for _, g := range s.got() {
			delete(missing, g.payload)
		}
		if len(missing) == 0 {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("%d of %d acknowledged publications are lost: %.200s", len(missing), len(want), fmt.Sprint(slices.Sorted(maps.Keys(missing))))
		}
	}
}

func (s *subscriber) payloads() []string {
	var out []string
	for _, g := range s.got() {
		out = append(out, g.payload)
	}
	return out
}

func eventually(t *testing.T, what string, cond func() bool) {
	t.Helper()
	for deadline := time.Now().Add(60 * time.Second); !cond(); {
		if time.Now().After(deadline) {
			t.Fatalf("waited in vain for %s", what)
		}
		time.Sleep(2 * time.Millisecond)
	}
}

func numbers(from, to int) []string {
	var out []string
	for i := from; i < to; i++ {
		out = append(out, fmt.Sprintf("%05d", i))
	}
	return out
}

func TestConfig(t *testing.T) {
	dir := t.TempDir()
	f := func(cfg Config, want string) {
		t.Helper()
		b, err := Start(t.Context(), cfg)
		if err == nil {
			end(t, b)
		}
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: got %v, want %q", cfg, err, want)
		}
	}
	f(Config{Listen: "nonsense", Dir: dir}, "host:port")
	f(Config{Listen: "127.0.0.1:0"}, "directory")
	f(Config{Listen: "127.0.0.1:0", Dir: dir, Password: "x"}, "no username")
	for _, open := range []string{":0", "0.0.0.0:0", "[::]:0", "192.0.2.1:0", "hearth:0"} {
		f(Config{Listen: open, Dir: dir}, "give it users, or a username and a password")
		f(Config{Listen: open, Dir: dir, AllowPlain: true}, "give it users, or a username and a password")
		f(Config{Listen: open, Dir: dir, Username: "keeper"}, "no password")
		f(Config{Listen: open, Dir: dir, Username: "keeper", Password: "secret"}, "give it tls")
	}
	keeper := []User{{Name: "keeper"}}
	f(Config{Listen: "127.0.0.1:0", Dir: dir, Username: "keeper", Password: "x", Users: keeper}, "twice")
	b := begin(t, Config{Dir: dir})
	f(Config{Listen: "127.0.0.1:0", Dir: dir}, "another process")
	f(Config{Listen: b.Addr(), Dir: t.TempDir()}, "cannot listen on "+b.Addr())
	begin(t, Config{Listen: "0.0.0.0:0", Username: "keeper", Password: "secret", AllowPlain: true})
	begin(t, Config{Listen: "localhost:0"})

	garbage := t.TempDir()
	if err := os.WriteFile(filepath.Join(garbage, storeFile), []byte(strings.Repeat("garbage ", 4096)), 0o600); err != nil {
		t.Fatal(err)
	}
	f(Config{Listen: "127.0.0.1:0", Dir: garbage}, storeFile)
}

// TestMain runs, in a process that TestKill starts, the broker it kills.
func TestMain(m *testing.M) {
	dir := os.Getenv("BROKER_TEST_DIR")
	if dir == "" {
		os.Exit(m.Run())
	}
	b, err := Start(context.Background(), Config{Listen: os.Getenv("BROKER_TEST_LISTEN"), Dir: dir, IntakeClientID: "intake"})
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	fmt.Println("listening on", b.Addr())
	select {}
}

// spawn runs a broker in a process of its own.
func spawn(t *testing.T, dir, listen string) (addr string, kill func()) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "BROKER_TEST_DIR="+dir, "BROKER_TEST_LISTEN="+listen)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	kill = sync.OnceFunc(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	t.Cleanup(kill)
	var lines []string
	for scan := bufio.NewScanner(out); scan.Scan(); {
		if _, addr, ok := strings.Cut(scan.Text(), "listening on "); ok {
			return addr, kill
		}
		lines = append(lines, scan.Text())
	}
	t.Fatalf("the broker did not start:\n%s", strings.Join(lines, "\n"))
	return "", nil
}

// TestKill kills the broker in the middle of a load, several times: no publication that
// was acknowledged is lost, for a subscriber that is away and one that is
// there; and messages keep their packet identifier over the restart.
func TestKill(t *testing.T) {
	rounds := 8
	if testing.Short() {
		rounds = 2
	}
	dir := t.TempDir()
	addr, kill := spawn(t, dir, "127.0.0.1:0")
	join(t, addr, "intake", true, "larch/#").Disconnect(100)
	join(t, addr, "away", true, "larch/#").Disconnect(100)
	acked := map[string]bool{}
	var mu sync.Mutex
	before := map[uint16]string{}
	for round := range rounds {
		intake := join(t, addr, "intake", false) // never acknowledges
		pub := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("sensor").SetAutoReconnect(false))
		await(t, pub.Connect())
		var wait sync.WaitGroup
		var done atomic.Int64
		enough := int64(20 + 17*round)
		for i := 0; done.Load() < enough; i++ {
			payload := fmt.Sprintf("%d-%05d", round, i)
			token := pub.Publish("larch/loft", 1, false, payload)
			wait.Go(func() {
				if token.WaitTimeout(20*time.Second) && token.Error() == nil {
					mu.Lock()
					acked[payload] = true
					mu.Unlock()
					done.Add(1)
				}
			})
			time.Sleep(50 * time.Microsecond)
			if i == 50_000 {
				t.Fatalf("only %d of %d publications were acknowledged", done.Load(), i)
			}
		}
		kill()
		pub.Disconnect(0) // ends what waits for an answer
		wait.Wait()
		for _, g := range intake.got() {
			if old, known := before[g.id]; known && old != g.payload {
				t.Fatalf("round %d: id %d was %q and is %q", round, g.id, old, g.payload)
			}
		}
		addr, kill = spawn(t, dir, addr)
		// Everything undelivered comes again under its identifier, marked.
		check := join(t, addr, "intake", false)
		check.awaitAll(t, acked)
		clear(before)
		last := ""
		for _, g := range check.got() {
			before[g.id] = g.payload
			if !g.dup {
				t.Errorf("round %d: %q came again as id %d without the mark", round, g.payload, g.id)
			}
			if g.payload <= last {
				t.Errorf("round %d: %q came after %q", round, g.payload, last)
			}
			last = g.payload
		}
		check.Disconnect(0)
	}
	away := join(t, addr, "away", true)
	away.awaitAll(t, acked)
	t.Logf("%d kills, %d publications acknowledged, none may be lost", rounds, len(acked))
}

// TestStoredBeforeAcknowledged: while the disk refuses, messages are
// delivered but no publication is acknowledged; once it accepts, all are.
func TestStoredBeforeAcknowledged(t *testing.T) {
	b := begin(t, Config{})
	good := b.store.commit
	failing := true
	var mu sync.Mutex
	sub := join(t, b.Addr(), "intake", false, "larch/#")
	swapped := make(chan struct{})
	b.store.ops <- op{done: func(error) { // on the writer's goroutine
		defer close(swapped)
		b.store.retry = 5 * time.Millisecond
		b.store.commit = func(batch []op) error {
			mu.Lock()
			defer mu.Unlock()
			if failing {
				return errors.New("no space left on device")
			}
			return good(batch)
		}
	}}
	<-swapped // else the publication may share the batch that still commits
	pub := join(t, b.Addr(), "sensor", true)
	token := pub.Publish("larch/loft", 1, false, "1")
	two := pub.Publish("larch/loft", 2, false, "2")
	sub.await(t, 2)
	eventually(t, "the error", func() bool { return b.Err() != nil })
	if token.WaitTimeout(100*time.Millisecond) || two.WaitTimeout(time.Millisecond) {
		t.Fatal("acknowledged without being on disk")
	}
	mu.Lock()
	failing = false
	mu.Unlock()
	await(t, token)
	await(t, two)
	if err := b.Err(); err != nil {
		t.Errorf("still in error: %v", err)
	}
	// A stop while the disk fails ends in time, and says so.
	mu.Lock()
	failing = true
	mu.Unlock()
	pub.Publish("larch/loft", 1, false, "3")
	sub.await(t, 3)
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	if err := b.Stop(ctx); err == nil || !strings.Contains(err.Error(), "no space left") {
		t.Errorf("Stop says %v", err)
	}
	b.stop = func() error { return nil } // for the cleanup
}

// TestOwnIdentifiers: what a client publishes and subscribes under identifier
// n leaves the undelivered message n of its session alone.
func TestOwnIdentifiers(t *testing.T) {
	b := begin(t, Config{})
	intake := join(t, b.Addr(), "intake", false, "larch/#") // its subscription took id 1
	pub := join(t, b.Addr(), "sensor", true)
	for _, n := range numbers(0, 20) {
		await(t, pub.Publish("larch/loft", 1, false, n))
	}
	first := intake.await(t, 20)
	for range 30 { // ids 2 to 31
		await(t, intake.Publish("elsewhere", 1, false, "x"))
	}
	intake.Disconnect(100)
	again := join(t, b.Addr(), "intake", false, "larch/#", "more/#") // under ids 1 and 2
	want := slices.Clone(first)
	for i := range want {
		want[i].dup = true
	}
	if diff := cmp.Diff(want, again.await(t, 20), cmp.AllowUnexported(got{})); diff != "" {
		t.Errorf("redelivered: (-want +got)\n%s", diff)
	}
	await(t, again.Unsubscribe("more/#"))
}

// TestTakeover: publications go on while the subscriber changes connections;
// none is lost, and none comes first marked as a repetition.
func TestTakeover(t *testing.T) {
	b := begin(t, Config{NoSync: true})
	join(t, b.Addr(), "intake", true, "larch/#").Disconnect(100)
	pub := join(t, b.Addr(), "sensor", true)
	const n = 3000
	published := make(chan struct{})
	go func() {
		defer close(published)
		for _, p := range numbers(0, n) {
			pub.Publish("larch/loft", 1, false, p).WaitTimeout(30 * time.Second)
		}
	}()
	var all []*subscriber
	received := func() int {
		seen := map[string]bool{}
		for _, s := range all {
			for _, g := range s.got() {
				seen[g.payload] = true
			}
		}
		return len(seen)
	}
	for running := true; running; {
		all = append(all, join(t, b.Addr(), "intake", len(all)%2 == 0))
		select {
		case <-published:
			running = false
		case <-time.After(15 * time.Millisecond):
		}
	}
	eventually(t, "every message", func() bool { return received() == n })
	if len(all) < 5 {
		t.Errorf("only %d connections: too few for a test", len(all))
	}
	for _, s := range all {
		list := s.got()
		for i, g := range list {
			if g.dup && slices.ContainsFunc(list[i+1:], func(o got) bool { return o.payload == g.payload && !o.dup }) {
				t.Errorf("%q came marked as a repetition before it came", g.payload)
			}
		}
	}
	t.Logf("%d connections took over from each other", len(all))
}

// TestBackPressure: publishers wait while the intake lags, nothing is lost,
// and the intake itself can publish meanwhile.
func TestBackPressure(t *testing.T) {
	b := begin(t, Config{NoSync: true, IntakeWindow: 100})
	intake := join(t, b.Addr(), "intake", false, "larch/#")
	pub := join(t, b.Addr(), "sensor", true)
	var tokens []mqtt.Token
	for _, p := range numbers(0, 300) {
		tokens = append(tokens, pub.Publish("larch/loft", 1, false, p))
	}
	await(t, tokens[99])
	if tokens[150].WaitTimeout(100 * time.Millisecond) {
		t.Error("a publication beyond the window was taken")
	}
	await(t, intake.Publish("elsewhere", 1, false, "x"))
	if n := len(intake.await(t, 100)); n != 100 {
		t.Errorf("the intake has %d", n)
	}
	acked := 0
	for acked < 300 {
		intake.mu.Lock()
		ready := intake.msg[acked:]
		intake.mu.Unlock()
		for _, m := range ready {
			m.Ack()
			acked++
		}
		time.Sleep(time.Millisecond)
	}
	for _, token := range tokens {
		await(t, token)
	}
	if diff := cmp.Diff(numbers(0, 300), intake.payloads()); diff != "" {
		t.Error(diff)
	}
	// A publisher that waits does not hold up the stop.
	for range 120 {
		pub.Publish("larch/loft", 1, false, "y")
	}
	intake.await(t, 400)
	end(t, b)
}

// TestManyUndelivered: an absent session may have more messages than the
// library's own limit of 8192.
func TestManyUndelivered(t *testing.T) {
	dir := t.TempDir()
	b := begin(t, Config{NoSync: true, Dir: dir, IntakeClientID: "other"})
	join(t, b.Addr(), "absent", true, "larch/#").Disconnect(100)
	pub := join(t, b.Addr(), "sensor", true)
	const n = 9000
	var last mqtt.Token
	for _, p := range numbers(0, n) {
		last = pub.Publish("larch/loft", 1, false, p)
	}
	await(t, last)
	end(t, b)
	b = begin(t, Config{NoSync: true, Dir: dir})
	absent := join(t, b.Addr(), "absent", true)
	absent.await(t, n)
	if diff := cmp.Diff(numbers(0, n), absent.payloads()); diff != "" {
		t.Errorf("(-want +got)\n%.2000s", diff)
	}
}

// TestRetained: the last message of a topic survives a restart, a later one
// replaces it and an empty one clears it; to a running subscriber it comes
// unmarked.
func TestRetained(t *testing.T) {
	dir := t.TempDir()
	b := begin(t, Config{Dir: dir})
	live := join(t, b.Addr(), "live", true, "larch/#")
	// What is retained is looked for behind the answer to a subscription: when
	// the next one is answered, that is done.
	await(t, live.Subscribe("ready", 0, nil))
	pub := join(t, b.Addr(), "sensor", true)
	for _, qos := range []byte{0, 1, 2} {
		topic := fmt.Sprintf("larch/%d", qos)
		await(t, pub.Publish(topic, qos, true, "old"))
		await(t, pub.Publish(topic, qos, true, "new"))
		await(t, pub.Publish(topic+"/gone", qos, true, "x"))
		await(t, pub.Publish(topic+"/gone", qos, true, ""))
	}
	for _, g := range live.await(t, 12) {
		if g.retain {
			t.Errorf("%+v is marked as retained to a running subscriber", g)
		}
	}
	for range 2 {
		late := join(t, b.Addr(), "late", true, "larch/#")
		late.await(t, 3)
		time.Sleep(20 * time.Millisecond)
		for _, g := range late.got() {
			if g.payload != "new" || !g.retain {
				t.Errorf("a late subscriber gets %+v", g)
			}
		}
		if n := len(late.got()); n != 3 {
			t.Errorf("a late subscriber gets %d messages", n)
		}
		late.Disconnect(100)
		end(t, b)
		b = begin(t, Config{Dir: dir})
	}
}

// TestSessionEnds: a session that is not to last leaves nothing behind.
func TestSessionEnds(t *testing.T) {
	dir := t.TempDir()
	b := begin(t, Config{Dir: dir})
	join(t, b.Addr(), "sub", false, "larch/#", "more/#").Disconnect(100)
	pub := join(t, b.Addr(), "sensor", true)
	await(t, pub.Publish("larch/loft", 1, false, "1"))
	await(t, pub.Publish("larch/loft", 1, false, "2"))
	clean := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + b.Addr()).SetClientID("sub").SetCleanSession(true))
	await(t, clean.Connect())
	await(t, clean.Subscribe("larch/#", 1, nil))
	await(t, pub.Publish("larch/loft", 1, false, "3"))
	clean.Disconnect(100)
	end(t, b)
	st, err := openStore(filepath.Join(dir, storeFile), true, b.guard.log)
	if err != nil {
		t.Fatal(err)
	}
	defer st.close()
	for _, bucket := range []string{bucketSubscriptions, bucketInflight} {
		left, err := load[map[string]any](st, bucket)
		if err != nil || len(left) > 0 {
			t.Errorf("%s holds %v, %v", bucket, left, err)
		}
	}
}

// TestHugeAndHostile: a payload of 1 MiB passes; what is no MQTT closes its
// connection and nothing else.
func TestHugeAndHostile(t *testing.T) {
	b := begin(t, Config{NoSync: true})
	sub := join(t, b.Addr(), "intake", true, "#")
	pub := join(t, b.Addr(), "sensor", true)
	huge := strings.Repeat("x", 1<<20)
	await(t, pub.Publish("larch/loft", 1, false, huge))
	if g := sub.await(t, 1); g[0].payload != huge {
		t.Error("the payload is damaged")
	}
	for _, hostile := range []string{"GET / HTTP/1.1\r\n\r\n", "\x10\xff\xff\xff\x7f", "\x10\x00", "\x30\x05\x00\x01a", strings.Repeat("\xff", 100),
		"\x10\x0e\x00\x04MQTT\x04\x02\x00\x3c\x00\x02ab\x32\x03\x00\x05a", "\x10\x0e\x00\x04MQTT\x04\x02\x00\x3c\x00\x02ac\x82\x02\x00\x00"} {
		conn, err := net.Dial("tcp", b.Addr())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := conn.Write([]byte(hostile)); err != nil {
			t.Fatal(err)
		}
		_ = conn.(*net.TCPConn).CloseWrite()
		_ = conn.SetReadDeadline(time.Now().Add(20 * time.Second))
		for buf := make([]byte, 100); err == nil; {
			_, err = conn.Read(buf)
		}
		var timeout net.Error
		if errors.As(err, &timeout) && timeout.Timeout() {
			t.Errorf("%.20q: the connection stays open", hostile)
		}
		_ = conn.Close()
	}
	await(t, pub.Publish("larch/loft", 1, false, "after"))
	sub.await(t, 2)
}

// TestStopLeavesNothing: no goroutine remains, and Stop may be called again.
func TestStopLeavesNothing(t *testing.T) {
	before := runtime.NumGoroutine()
	var text strings.Builder
	b, err := Start(t.Context(), Config{Listen: "127.0.0.1:0", Dir: t.TempDir(), Log: slog.New(slog.NewTextHandler(&text, nil))})
	if err != nil {
		t.Fatal(err)
	}
	sub := join(t, b.Addr(), "sub", true, "larch/#")
	await(t, sub.Publish("larch/loft", 1, false, "1"))
	sub.await(t, 1)
	sub.Disconnect(100)
	end(t, b)
	end(t, b)
	eventually(t, "the end of all goroutines", func() bool { return runtime.NumGoroutine() <= before })
	if text.Len() > 0 {
		t.Errorf("in a quiet life the log says:\n%s", text.String())
	}
}
