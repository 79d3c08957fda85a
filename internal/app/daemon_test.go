package app_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"os/signal"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"dryhold/internal/alarm"
	"dryhold/internal/app"
	"dryhold/internal/dispatch"
	"dryhold/internal/intake/mosquittotest"
	"dryhold/internal/lot"
	"dryhold/internal/notify"
	"dryhold/internal/settings"
)

// TestMain lets the test binary be the daemon itself, or a chore beside it, so
// that it can be killed.
func TestMain(m *testing.M) {
	notify.LimitDefaultClient()
	if task := os.Getenv("DRYHOLD_TEST_CHORE"); task != "" {
		chore(task)
		return
	}
	if dir := os.Getenv("DRYHOLD_TEST_DAEMON"); dir != "" {
		child(dir)
		return
	}
	os.Exit(m.Run())
}

// refuseOnSignal makes the kernel refuse this process every write to a file
// from SIGUSR1 to SIGUSR2, as a full disk does.
func refuseOnSignal() {
	signals := make(chan os.Signal, 1)
	signal.Notify(signals, syscall.SIGUSR1, syscall.SIGUSR2)
	for s := range signals {
		limit := syscall.Rlimit{Cur: 1, Max: math.MaxUint64}
		if s == syscall.SIGUSR2 {
			limit.Cur = limit.Max
		}
		if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &limit); err != nil {
			fmt.Fprintln(os.Stderr, "setrlimit:", err)
		}
	}
}

// local is the default configuration on free ports, with an external broker
// when one is named.
func local(broker string) *settings.Settings {
	s := settings.Default()
	s.HTTP.Listen = "127.0.0.1:0"
	s.Broker.Embedded.Listen = "127.0.0.1:0"
	if broker != "" {
		s.Broker = settings.Broker{URL: broker, ClientID: "dryhold"}
	}
	return s
}

// daemon runs an app in this process until the test ends.
func daemon(t testing.TB, o app.Options) *app.App {
	t.Helper()
	if o.Catalog == nil {
		o.Catalog = shipped(t)
	}
	a, err := app.New(o)
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Start(context.Background()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := a.Stop(context.Background()); err != nil {
			t.Error(err)
		}
	})
	return a
}

// brokers runs a test against the embedded broker and against mosquitto.
func brokers(t *testing.T, test func(t *testing.T, url string)) {
	t.Run("embedded", func(t *testing.T) { test(t, "") })
	t.Run("mosquitto", func(t *testing.T) { test(t, mosquittotest.Start(t).URL) })
}

func publisher(t testing.TB, url string) mqtt.Client {
	t.Helper()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(url).SetClientID(fmt.Sprintf("sensor-%d", rand.Uint32())))
	if token := c.Connect(); token.Wait() && token.Error() != nil {
		t.Fatal(token.Error())
	}
	t.Cleanup(func() { c.Disconnect(100) })
	return c
}

func publish(t testing.TB, c mqtt.Client, topic string, retained bool, payload string) {
	t.Helper()
	if token := c.Publish(topic, 1, retained, payload); token.Wait() && token.Error() != nil {
		t.Fatal(token.Error())
	}
}

// eventually waits for something to be so.
func eventually(t testing.TB, what string, so func() bool) {
	t.Helper()
	within(t, time.Minute, what, so)
}

func TestReadingIsSeenEverywhere(t *testing.T) {
	brokers(t, func(t *testing.T, url string) {
		a := daemon(t, app.Options{Settings: local(url), DataDir: t.TempDir()})
		c := publisher(t, a.BrokerURL())
		began := time.Now()
		publish(t, c, "rooms/cellar/temperature", false, "21.5")
		publish(t, c, "rooms/loft", false, `{"temperature": 30.4, "humidity": 40, "illuminance": 7}`)
		eventually(t, "both readings on the page", func() bool {
			_, page := get(t, a.URL()+"/")
			return strings.Contains(page, "21.5 °C") && strings.Contains(page, "30.4 °C")
		})
		if v := scrape(t, a.URL(), `dryhold_room_temperature_celsius{room="loft",site="home"}`); v != 30.4 {
			t.Errorf("metrics say %g °C", v)
		}
		s := statusOf(t, a.URL()).Snapshot
		if len(s.Rooms) != 2 || s.Rooms[1].Humidity.Value != 0.4 || s.Rooms[1].Illuminance.Value != 7 || s.Intake.Stored != 4 {
			t.Errorf("status: %+v, intake %+v", s.Rooms, s.Intake)
		}
		t.Logf("page, metrics and status after %v", time.Since(began))
	})
}

// process is a daemon in a process of its own; url is of its page, empty if
// it ended before it told.
type process struct {
	*exec.Cmd
	url string
}

func spawn(t *testing.T, dir, broker string) process {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "DRYHOLD_TEST_DAEMON="+dir, "DRYHOLD_TEST_BROKER="+broker)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	cmd.Stderr = &log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill() })
	line := make([]byte, 200)
	n, err := out.Read(line)
	if err != nil || !strings.HasPrefix(string(line[:n]), "http://") {
		// It may have been killed over messages still waiting for it.
		t.Logf("daemon ended early: %q %v", line[:n], err)
		return process{Cmd: cmd}
	}
	url, _, _ := strings.Cut(string(line[:n]), " ")
	return process{cmd, url}
}

func TestNonsenseIsCountedAndGoodReadingsStored(t *testing.T) {
	brokers(t, func(t *testing.T, url string) {
		a := daemon(t, app.Options{Settings: local(url), DataDir: t.TempDir()})
		c := publisher(t, a.BrokerURL())
		rng := rand.New(rand.NewPCG(1, 1))
		const bad, good = 10_000, 200
		start := time.Now().Add(-time.Hour).Truncate(time.Second)
		var tokens []mqtt.Token
		for i := range bad {
			tokens = append(tokens, c.Publish("rooms/loft", 1, false, nonsense(rng, i)))
			if i%(bad/good) == 0 {
				at := start.Add(time.Duration(i) * 100 * time.Millisecond).UTC().Format(time.RFC3339Nano)
				tokens = append(tokens, c.Publish("rooms/loft", 1, false, fmt.Sprintf(`{"temperature": 20, "time": %q}`, at)))
			}
			if len(tokens) > 100 {
				wait(t, tokens)
				tokens = tokens[:0]
			}
		}
		wait(t, tokens)
		eventually(t, "all messages taken", func() bool { return a.Snapshot().Intake.Messages >= bad+good })
		in := a.Snapshot().Intake
		sum := uint64(0)
		for _, e := range in.Errors {
			sum += e.Count
			if e.Topic != "rooms/loft" {
				t.Errorf("an error of topic %q", e.Topic)
			}
		}
		if in.Stored != good || sum != bad || len(in.Errors) < 4 {
			t.Errorf("%d stored, %d errors of %d causes; want %d stored and %d errors", in.Stored, sum, len(in.Errors), good, bad)
		}
		if code, _ := get(t, a.URL()+"/healthz"); code != 200 {
			t.Errorf("/healthz %d after nonsense", code)
		}
	})
}

func wait(t *testing.T, tokens []mqtt.Token) {
	t.Helper()
	for _, token := range tokens {
		if !token.WaitTimeout(30*time.Second) || token.Error() != nil {
			t.Fatalf("publishing: %v", token.Error())
		}
	}
}

// nonsense is a payload that holds no reading.
func nonsense(rng *rand.Rand, i int) []byte {
	switch i % 5 {
	case 0: // random bytes, not UTF-8
		b := make([]byte, 1+rng.IntN(300))
		for k := range b {
			b[k] = byte(128 + rng.IntN(128))
		}
		return b
	case 1: // cut short
		full := `{"temperature": 21.5, "humidity": 50}`
		return []byte(full[:1+rng.IntN(len(full)-2)])
	case 2: // deep
		return []byte(strings.Repeat("[", 100+rng.IntN(5000)))
	case 3:
		if i%500 == 3 { // huge
			return bytes.Repeat([]byte("x"), 1<<20)
		}
		return []byte(`{"temperature": "warm"}`)
	}
	return []byte(fmt.Sprintf(`{"temperature": %de%d}`, 1+rng.IntN(9), 5+rng.IntN(400)))
}

func TestRetainedWithoutTimeNeverCounts(t *testing.T) {
	server := mosquittotest.Start(t)
	c := publisher(t, server.URL)
	publish(t, c, "rooms/cellar/temperature", true, "12.5")
	publish(t, c, "rooms/loft", true, `{"temperature": 20, "time": "2026-01-05T10:00:00Z"}`)
	dir := t.TempDir()
	for range 10 {
		cfg := local(server.URL)
		a, err := app.New(app.Options{Settings: cfg, Catalog: shipped(t), DataDir: dir})
		if err != nil {
			t.Fatal(err)
		}
		if err := a.Start(context.Background()); err != nil {
			t.Fatal(err)
		}
		eventually(t, "the retained value shown", func() bool { return len(a.Snapshot().Intake.LastKnown) == 1 })
		if err := a.Stop(context.Background()); err != nil {
			t.Fatal(err)
		}
	}
	if cellar, loft := len(onDisk(t, dir, "cellar")), len(onDisk(t, dir, "loft")); cellar != 0 || loft != 1 {
		t.Errorf("%d readings of the cellar and %d of the loft, want 0 and 1", cellar, loft)
	}
}

func TestAlarmGoesOutWithItsCost(t *testing.T) {
	var mu sync.Mutex
	now := time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)
	clock := func() time.Time { mu.Lock(); defer mu.Unlock(); return now }
	post := smtpServer(t)
	server := mosquittotest.Start(t)
	cfg := local(server.URL)
	cfg.Mail = &settings.Mail{Host: "127.0.0.1", Port: post.port, TLS: settings.NoTLS, From: "dryhold@larch-house.lan", To: []string{"keeper@larch-house.lan"}}
	dir := t.TempDir()
	a := daemon(t, app.Options{Settings: cfg, DataDir: dir, Now: clock})
	c := publisher(t, a.BrokerURL())
	notices := make(chan alarm.Notice, 10)
	c.Subscribe("dryhold/notices", 1, func(_ mqtt.Client, m mqtt.Message) {
		var n alarm.Notice
		if err := json.Unmarshal(m.Payload(), &n); err == nil {
			notices <- n
		}
	}).Wait()
	sent := uint64(0)
	heat := func(steps int) {
		for range steps { // ten minutes each, the clock with it
			mu.Lock()
			now = now.Add(10 * time.Minute)
			at := now
			mu.Unlock()
			publish(t, c, "rooms/loft", false, fmt.Sprintf(`{"temperature": 28, "time": %q}`, at.Format(time.RFC3339)))
			sent++ // the clock must not run ahead of what the daemon has taken
			eventually(t, "the reading taken", func() bool { return a.Snapshot().Intake.Messages >= sent })
		}
	}
	heat(6)
	eventually(t, "the loft", func() bool { return len(a.Snapshot().Rooms) == 1 })
	if _, err := a.AddLot(t.Context(), lot.Packing{
		Food: "white-rice", Container: "pet-2l", Count: 12, NetMassKG: 1.6, PackedAt: now.Add(-24 * time.Hour),
		Treatment: lot.Treatment{Kind: lot.NoTreatment}, Shading: lot.Boxed, Room: "loft",
	}, "Ada"); err != nil {
		t.Fatal(err)
	}
	heat(12)
	select {
	case n := <-notices:
		if n.Alarm.String() != "warm/loft" || n.Event != alarm.Raised || len(n.Costs) != 1 || n.Costs[0].Days <= 0 || n.Costs[0].Lot != "L-1" {
			t.Errorf("notice on MQTT: %+v", n)
		}
	case <-time.After(time.Minute):
		t.Fatal("no notice on MQTT")
	}
	eventually(t, "the mail", func() bool { return post.count() == 1 })
	if m := post.mail(0); !strings.Contains(m, "days") || !strings.Contains(m, "L-1") || !strings.Contains(m, "Quality") && !strings.Contains(m, "quality") {
		t.Errorf("the mail:\n%s", m)
	}
	warm := alarm.Key{Kind: alarm.Warm, Room: "loft"}
	body, _ := json.Marshal(map[string]string{"kind": "warm", "room": "loft", "by": "Ada"})
	resp, err := http.Post(a.URL()+"/api/v1/alarms/acknowledge", "application/json", bytes.NewReader(body))
	if err != nil || resp.StatusCode != 204 {
		t.Fatalf("acknowledge: %v %v", resp, err)
	}
	if err := a.Stop(context.Background()); err != nil {
		t.Fatal(err)
	}
	again := daemon(t, app.Options{Settings: cfg, DataDir: dir, Now: clock})
	state := func() alarm.State {
		for _, x := range again.Snapshot().Alarms {
			if x.Key == warm {
				return x.State
			}
		}
		return alarm.Normal
	}
	if got := state(); got != alarm.ActiveAcknowledged {
		t.Errorf("after a restart the alarm is %q, want it acknowledged", got)
	}
	// Then silence: the sensor's alarm comes, and the heat is not taken to be
	// over.
	mu.Lock()
	now = now.Add(6 * time.Hour)
	mu.Unlock()
	eventually(t, "silence noticed", func() bool {
		for _, x := range again.Snapshot().Alarms {
			if x.Key.Kind == alarm.Silent && x.State == alarm.ActiveUnacknowledged {
				return true
			}
		}
		return false
	})
	if got := state(); got != alarm.ActiveAcknowledged {
		t.Errorf("missing data moved the alarm to %q", got)
	}
	// A sensor that may be back soon is waited for.
	mu.Lock()
	now = now.Add(dispatch.Patience + time.Minute)
	mu.Unlock()
	eventually(t, "the mail about silence", func() bool { return post.count() == 2 })
}

func TestLifecycle(t *testing.T) {
	first := daemon(t, app.Options{Settings: local(""), DataDir: t.TempDir()})
	dir := t.TempDir()
	second := daemon(t, app.Options{Settings: local(""), DataDir: dir})
	publish(t, publisher(t, first.BrokerURL()), "rooms/cellar/temperature", false, "11")
	publish(t, publisher(t, second.BrokerURL()), "rooms/loft/temperature", false, "22")
	eventually(t, "each its own room", func() bool {
		a, b := first.Snapshot().Rooms, second.Snapshot().Rooms
		return len(a) == 1 && a[0].Name == "cellar" && len(b) == 1 && b[0].Name == "loft"
	})

	taken := local("")
	taken.HTTP.Listen = strings.TrimPrefix(first.URL(), "http://")
	free := t.TempDir()
	failing, err := app.New(app.Options{Settings: taken, Catalog: shipped(t), DataDir: free})
	if err != nil {
		t.Fatal(err)
	}
	if err := failing.Start(t.Context()); err == nil || !strings.Contains(err.Error(), "address already in use") {
		t.Errorf("start on a taken port: %v", err)
	}
	daemon(t, app.Options{Settings: local(""), DataDir: free}) // all was released

	idle, err := app.New(app.Options{Settings: local(""), Catalog: shipped(t), DataDir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := idle.Stop(t.Context()); err != nil {
			t.Errorf("stop before start: %v", err)
		}
		if err := second.Stop(t.Context()); err != nil {
			t.Errorf("stop: %v", err)
		}
	}
}
