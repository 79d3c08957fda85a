package app_test

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"dryhold/internal/app"
	"dryhold/internal/crash"
	"dryhold/internal/engine"
	"dryhold/internal/intake/mosquittotest"
)

const (
	// longEnv, set to a duration such as 10m, has the tests of load run that
	// long, and others in full.
	longEnv = "DRYHOLD_TEST_LONG"
	// loadRate is in messages a second, each of two readings.
	loadRate = 2000
	// loadRooms share it: eight messages a second from each.
	loadRooms = 250
	// loadMemory bounds the daemon's memory under load, in bytes. Readings of
	// the two open days are held in memory: those of ten minutes are 2.4
	// million, of some 50 bytes. On a machine that cannot keep up, up to 65,535
	// messages of some 700 bytes wait besides; the collector doubles it all.
	loadMemory = 600 << 20
)

// underLoad runs the daemon in a process of its own.
func underLoad(t *testing.T, broker string) (pid int, url string) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "DRYHOLD_TEST_DAEMON="+t.TempDir(), "DRYHOLD_TEST_BROKER="+broker)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	line, err := bufio.NewReader(out).ReadString('\n')
	url, _, ok := strings.Cut(line, " ")
	if err != nil || !ok {
		t.Fatalf("the daemon says %q: %v", line, err)
	}
	return cmd.Process.Pid, url
}

// usage gives the memory a process has now and had at most, and the processor
// time it took; zero where the system does not tell.
func usage(pid int) (rss, peak int64, cpu time.Duration) {
	status, _ := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	for line := range strings.Lines(string(status)) {
		name, rest, _ := strings.Cut(line, ":")
		kib, _ := strconv.ParseInt(strings.TrimSuffix(strings.TrimSpace(rest), " kB"), 10, 64)
		switch name {
		case "VmRSS":
			rss = kib << 10
		case "VmHWM":
			peak = kib << 10
		}
	}
	stat, _ := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if _, after, ok := strings.Cut(string(stat), ") "); ok {
		for _, ticks := range strings.Fields(after)[11:13] { // utime and stime (man proc_pid_stat)
			n, _ := strconv.ParseInt(ticks, 10, 64)
			cpu += time.Duration(n) * 10 * time.Millisecond // 100 a second
		}
	}
	return rss, peak, cpu
}

// sender publishes at QoS 1 without waiting for each acknowledgement.
type sender struct {
	t      *testing.T
	client mqtt.Client
	window chan mqtt.Token
}

func newSender(t *testing.T, url string) *sender {
	t.Helper()
	s := &sender{t: t, client: publisher(t, url), window: make(chan mqtt.Token, 1000)}
	return s
}

func (s *sender) send(topic, payload string) {
	for len(s.window) == cap(s.window) {
		s.done()
	}
	s.window <- s.client.Publish(topic, 1, false, payload)
}

func (s *sender) done() {
	if token := <-s.window; token.Wait() && token.Error() != nil {
		s.t.Fatal(token.Error())
	}
}

// flush waits for every acknowledgement.
func (s *sender) flush() {
	for len(s.window) > 0 {
		s.done()
	}
}

// dated is a payload with a time of its own, to the millisecond.
func dated(at time.Time, temperature float64) string {
	return fmt.Sprintf(`{"time":"%s","temperature":%.2f,"humidity":55}`, at.UTC().Format("2006-01-02T15:04:05.000Z07:00"), temperature)
}

// TestLoad: the daemon takes 2,000 messages a second, all of them, in bounded
// memory. Long, it is the ten minutes that are asked for.
func TestLoad(t *testing.T) {
	lasting := 3 * time.Second
	if text := os.Getenv(longEnv); text != "" {
		var err error
		if lasting, err = time.ParseDuration(text); err != nil {
			t.Fatal(err)
		}
	}
	server := mosquittotest.Start(t)
	pid, url := underLoad(t, server.URL)
	s := newSender(t, server.URL)
	idle, _, before := usage(pid)
	began, messages := time.Now(), int(lasting.Seconds()*loadRate)
	told := began
	for i := range messages {
		at := began.Add(time.Duration(i) * time.Second / loadRate)
		if i%(loadRate/100) == 0 {
			time.Sleep(time.Until(at)) // the pace of the load
			if time.Since(told) > 30*time.Second {
				told = time.Now()
				rss, _, cpu := usage(pid)
				t.Logf("after %v: %d MB, %.0f %% of a processor", time.Since(began).Round(time.Second), rss>>20, 100*(cpu-before).Seconds()/time.Since(began).Seconds())
			}
		}
		s.send(fmt.Sprintf("larch/room-%03d/climate", i%loadRooms), dated(at, 15+float64(i%100)/10))
	}
	s.flush()
	sent := time.Since(began)
	behind := within(t, 2*time.Minute+lasting, "all readings", func() bool { return statusOf(t, url).Snapshot.Intake.Messages >= uint64(messages) })
	in := statusOf(t, url).Snapshot.Intake
	if in.Stored != uint64(2*messages) || in.Duplicates != 0 || len(in.Errors) != 0 {
		t.Errorf("%d messages with two readings each: %d stored, %d twice, errors %v", messages, in.Stored, in.Duplicates, in.Errors)
	}
	rss, peak, cpu := usage(pid)
	t.Logf("%d messages in %v (%.0f/s), all on disk %v after the last; memory %d MB before, %d MB after, %d MB at most; %.0f %% of a processor",
		messages, sent.Round(time.Millisecond), float64(messages)/sent.Seconds(), behind.Round(time.Millisecond), idle>>20, rss>>20, peak>>20, 100*(cpu-before).Seconds()/time.Since(began).Seconds())
	if peak > loadMemory {
		t.Errorf("%d MB at most, more than %d", peak>>20, loadMemory>>20)
	}
}

// TestSlowDisk: with a disk that takes a quarter of a second for each commit,
// everything that comes is stored, more of it with each commit, and the daemon
// says that it is well.
func TestSlowDisk(t *testing.T) {
	server := mosquittotest.Start(t, mosquittotest.WithLine("max_inflight_messages 1000"))
	cfg := local(server.URL)
	cfg.Topics = append(cfg.Topics, mustTopics()...)
	var commits atomic.Int64
	dir := t.TempDir()
	a := daemon(t, app.Options{Settings: cfg, DataDir: dir}.CrashAt(func(at crash.Point) {
		if at == crash.Written {
			commits.Add(1)
			time.Sleep(250 * time.Millisecond) // the disk
		}
	}))
	s := newSender(t, server.URL)
	const messages = 6000
	start := time.Now().Add(-messages * time.Second)
	for i := range messages {
		s.send("larch/loft/climate", dated(start.Add(time.Duration(i)*time.Second), 20))
	}
	s.flush()
	eventually(t, "all readings", func() bool { return a.Snapshot().Intake.Stored == 2*messages })
	for _, c := range a.Health() {
		if c.Urgent && !c.OK {
			t.Errorf("health: %+v", c)
		}
	}
	t.Logf("%d messages in %d commits", messages, commits.Load())
	if n := commits.Load(); n > messages/20 {
		t.Errorf("%d messages took %d commits", messages, n)
	}
	if err := a.Stop(context.Background()); err != nil {
		t.Fatal(err)
	}
	if got := len(onDisk(t, dir, "loft")); got != 2*messages {
		t.Errorf("%d readings on disk", got)
	}
}

// cause gives the errors of one cause.
func cause(in engine.IntakeView, cause string) (out []engine.TopicErrors) {
	for _, e := range in.Errors {
		if e.Cause == cause {
			out = append(out, e)
		}
	}
	return out
}

func finding(a *app.App, code string) (ok bool, text string) {
	for _, c := range a.Health() {
		if c.Code == code {
			return c.OK, c.Text
		}
	}
	return false, "no such check"
}

// TestFloodFromOneSensor: of a sensor in a loop a stated number of readings is
// stored, the rest is counted and told with what mends it, everything is
// acknowledged, and nothing of the others is lost or late.
func TestFloodFromOneSensor(t *testing.T) {
	brokers(t, func(t *testing.T, url string) {
		dir := t.TempDir()
		a := daemon(t, app.Options{Settings: local(url), DataDir: dir})
		began, n := time.Now(), 0
		quiet, s := publisher(t, a.BrokerURL()), newSender(t, a.BrokerURL())
		flood := func(messages int) {
			for range messages {
				s.send("rooms/loft/temperature", strconv.Itoa(n%30))
				n++
			}
		}
		flood(5000)
		eventually(t, "the flood told", func() bool {
			ok, text := finding(a, "flood")
			return !ok && strings.Contains(text, `sensor loft on "rooms/loft/temperature"`) && strings.Contains(text, "loop")
		})
		const others = 20
		var longest time.Duration
		for i := range others {
			flood(100)
			at := time.Now()
			publish(t, quiet, "rooms/cellar/temperature", false, strconv.FormatFloat(10+float64(i)/10, 'f', 1, 64))
			eventually(t, "the reading of another sensor", func() bool {
				for _, r := range a.Snapshot().Rooms {
					if r.Name == "cellar" {
						return r.Temperature.Value == 10+float64(i)/10
					}
				}
				return false
			})
			longest = max(longest, time.Since(at))
		}
		s.flush()
		eventually(t, "all messages taken", func() bool { return a.Snapshot().Intake.Messages == uint64(n+others) })
		lasted := time.Since(began)
		in := a.Snapshot().Intake
		told := cause(in, "too often")
		if len(told) != 1 || told[0].Topic != "rooms/loft/temperature" || !strings.Contains(told[0].Last, "every 10 s") {
			t.Fatalf("told: %+v", told)
		}
		if err := a.Stop(context.Background()); err != nil {
			t.Fatal(err)
		}
		kept, most := len(onDisk(t, dir, "loft")), 3600+int(10*lasted.Seconds())+1
		if kept+int(told[0].Count) != n || kept < 3600 || kept > most {
			t.Errorf("of %d readings of the flood %d are on disk and %d told, want at most %d", n, kept, told[0].Count, most)
		}
		if got := len(onDisk(t, dir, "cellar")); got != others {
			t.Errorf("%d of %d readings of the other sensor on disk", got, others)
		}
		t.Logf("%d messages of a flood in %v (%.0f/s), %d kept; another sensor's reading shown after at most %v", n, lasted, float64(n)/lasted.Seconds(), kept, longest)
	})
}

// TestLargeMessages: messages of a mebibyte and of one byte more are refused
// and counted, whatever QoS, and nothing else suffers.
func TestLargeMessages(t *testing.T) {
	brokers(t, func(t *testing.T, url string) {
		a := daemon(t, app.Options{Settings: local(url), DataDir: t.TempDir()})
		c := publisher(t, a.BrokerURL())
		large := strings.Repeat("1", 1<<20+1)
		for i := range 8 {
			publish(t, c, "rooms/loft", false, large[:1<<20])
			publish(t, c, "rooms/loft", false, large)
			c.Publish("rooms/loft/temperature", 0, false, large)
			publish(t, c, "rooms/cellar/temperature", false, strconv.Itoa(i))
		}
		eventually(t, "all messages taken", func() bool { return a.Snapshot().Intake.Messages == 32 })
		in, n := a.Snapshot().Intake, uint64(0)
		for _, e := range cause(in, "too large") {
			n += e.Count
			if !strings.Contains(e.Last, "1048577 bytes") && !strings.Contains(e.Last, "1048576 bytes") {
				t.Errorf("told %q", e.Last)
			}
		}
		if n != 24 || in.Stored != 8 || !in.Connected {
			t.Errorf("%d told, %d stored: %+v", n, in.Stored, in)
		}
	})
}

// TestStrangersTopics: a stranger who publishes on ten thousand topics (long,
// on a hundred thousand) opens a bounded number of rooms, or of sensors of one
// room, fills neither the table of errors nor the memory, and keeps nobody out
// who was there.
func TestStrangersTopics(t *testing.T) {
	for _, c := range []struct{ name, topic, cause, room string }{
		{"rooms", "rooms/x-%d/temperature", "too many rooms", "500"},
		{"sensors", "garden/%d", "too many sensors", "50"},
	} {
		t.Run(c.name, func(t *testing.T) { strangers(t, c.topic, c.cause, c.room) })
	}
}

func strangers(t *testing.T, topic, why, bound string) {
	server := mosquittotest.Start(t)
	cfg := local(server.URL)
	for _, m := range mustTopics() {
		m.Pattern, m.Room = "garden/{sensor}", "garden"
		m.JSON.Time.Optional = true
		cfg.Topics = append(cfg.Topics, m)
	}
	a := daemon(t, app.Options{Settings: cfg, DataDir: t.TempDir()})
	quiet := publisher(t, server.URL)
	publish(t, quiet, "rooms/cellar/temperature", false, "11")
	eventually(t, "the first room", func() bool { return a.Snapshot().Intake.Stored == 1 })
	topics := 10_000
	if os.Getenv(longEnv) != "" {
		topics *= 10
	}
	_, heap := live()
	s := newSender(t, server.URL)
	for i := range topics {
		payload := "20"
		if strings.HasPrefix(topic, "garden") {
			payload = `{"temperature":20}`
		}
		s.send(fmt.Sprintf(topic, i), payload)
	}
	s.flush()
	eventually(t, "all messages taken", func() bool { return a.Snapshot().Intake.Messages == uint64(topics)+1 })
	_, after := live()
	snap := a.Snapshot()
	told := cause(snap.Intake, why)
	n := uint64(0)
	for _, e := range told {
		n += e.Count
	}
	if len(told) == 0 || len(snap.Intake.Errors) > 60 || !strings.Contains(told[0].Last, bound) || !strings.Contains(told[0].Last, "list the") {
		t.Errorf("told %d rows of %d: %+v", len(told), len(snap.Intake.Errors), told[:min(len(told), 2)])
	}
	if snap.Intake.Stored+n != uint64(topics)+1 || len(snap.Rooms) > 500 || len(snap.Sensors) > 500 {
		t.Errorf("%d stored, %d refused, %d rooms, %d sensors", snap.Intake.Stored, n, len(snap.Rooms), len(snap.Sensors))
	}
	publish(t, quiet, "rooms/cellar/temperature", false, "12")
	eventually(t, "the reading of a room that was there", func() bool {
		for _, r := range a.Snapshot().Rooms {
			if r.Name == "cellar" {
				return r.Temperature.Value == 12
			}
		}
		return false
	})
	t.Logf("%d rooms, %d sensors, %d rows of errors, %d MB more in use", len(snap.Rooms), len(snap.Sensors), len(snap.Intake.Errors), (int64(after)-int64(heap))>>20)
}
