package app_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"dryhold/internal/app"
	"dryhold/internal/crash"
	"dryhold/internal/servertest"
	"dryhold/internal/settings"
)

// siege is a house whose daemon is killed again and again while sensors
// publish, people edit and notices go out.
type siege struct {
	t       *testing.T
	made    programs
	dir     string // data
	config  string // file
	broker  string // where sensors publish
	page    string
	post    *postbox
	rng     *rand.Rand
	lives   int
	reached map[crash.Point]int
}

// programs are what is run and killed: the real program, and these tests as a
// daemon that ends itself. Both are without the race detector, even where the
// tests have it: a start takes a third of the time.
type programs struct{ real, ending string }

func build(t *testing.T) programs {
	t.Helper()
	dir := t.TempDir()
	p := programs{filepath.Join(dir, "dryhold"), filepath.Join(dir, "app.test")}
	for _, args := range [][]string{
		{"build", "-o", p.real, "dryhold/cmd/dryhold"},
		{"test", "-c", "-vet=off", "-o", p.ending, "dryhold/internal/app"},
	} {
		cmd := exec.Command("go", args...)
		cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("go %s: %v\n%s", args[0], err, out)
		}
	}
	return p
}

// besiege prepares a daemon on a broker of its own or, if addresses are given,
// on the one at the first; sensors publish at the second.
func besiege(t *testing.T, made programs, seed uint64, reads, sensors string) *siege {
	t.Helper()
	dir := t.TempDir()
	s := &siege{
		t: t, made: made, dir: filepath.Join(dir, "data"), config: filepath.Join(dir, "dryhold.yaml"), broker: sensors,
		post: smtpServer(t), rng: rand.New(rand.NewPCG(9, seed)), reached: map[crash.Point]int{},
	}
	page := servertest.FreeAddr(t)
	s.page = "http://" + page
	broker := fmt.Sprintf("{url: %q}", reads)
	if reads == "" {
		listen := servertest.FreeAddr(t)
		broker, s.broker = fmt.Sprintf("{embedded: {listen: %q}}", listen), "mqtt://"+listen
	}
	text := fmt.Sprintf(`
site: larch-house
broker: %s
http: {listen: %q}
mail: {host: 127.0.0.1, port: %d, tls: none, from: dryhold@larch-house.example, to: [keeper@larch-house.example]}
rooms:
  - {name: oven, limits: {warm: {limit: 30 C, deadband: 0.5 K, on_delay: 0s, off_delay: 0s}}}
accept_new_rooms: true
`, broker, page, s.post.port)
	if err := os.WriteFile(s.config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return s
}

// settings reads the configuration.
func (s *siege) settings() *settings.Settings {
	s.t.Helper()
	cfg, err := configOf(s.config)
	if err != nil {
		s.t.Fatal(err)
	}
	return cfg
}

func configOf(file string) (*settings.Settings, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	return settings.Parse(file, text)
}

// start runs the daemon in this process.
func (s *siege) start() *app.App {
	s.t.Helper()
	var a *app.App
	unlocked(s.t, func() (err error) {
		if a, err = app.New(app.Options{Settings: s.settings(), Catalog: shipped(s.t), DataDir: s.dir}); err != nil {
			return err
		}
		return a.Start(s.t.Context())
	})
	return a
}

const inUse = "in use by another dryhold"

// unlocked opens a data directory that this process has just closed. A process
// that another test is starting holds a copy of its lock until it is a program
// of its own.
func unlocked(t testing.TB, open func() error) {
	t.Helper()
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(5 * time.Millisecond) {
		err := open()
		switch {
		case err == nil:
			return
		case time.Now().After(deadline) || !strings.Contains(err.Error(), inUse):
			t.Fatal(err)
		}
	}
}

// at lets the daemon run until it ends itself at a point after n others, and
// reports whether it came there. The daemon is killed
// if it does not within patience.
func (s *siege) at(point crash.Point, n int) bool {
	s.t.Helper()
	const patience = time.Minute
	cmd := exec.Command(s.made.ending)
	cmd.Env = append(os.Environ(), "DRYHOLD_TEST_DAEMON="+s.dir, "DRYHOLD_TEST_CONFIG="+s.config,
		"DRYHOLD_TEST_CRASH="+string(point), fmt.Sprintf("DRYHOLD_TEST_COMMITS=%d", n))
	began := time.Now()
	out := s.live(cmd, patience, 0)
	s.t.Logf("life %d: %v to pass %d of %q", s.lives, time.Since(began).Round(time.Millisecond), n, point)
	if !strings.Contains(out, marker) {
		s.t.Logf("it never came there:\n%s", tail(out))
		return false
	}
	s.reached[point]++
	return true
}

// marker is what a daemon says just before it ends itself at a point.
const marker = "ends here"

// random lets the real program run until it is killed at a random instant,
// now and then while it stops in good order.
func (s *siege) random(most time.Duration) {
	s.t.Helper()
	stopping := time.Duration(0)
	if s.rng.IntN(6) == 0 {
		stopping = 1 + rand.N(60*time.Millisecond)
	}
	s.live(exec.Command(s.made.real, "run", "--config", s.config, "--data", s.dir, "--log", "warn"),
		time.Duration(s.rng.Int64N(int64(most))), stopping)
}

// live runs a daemon until it is killed, by itself or after a time, and gives
// what it said. If stopping is set, it is first asked to stop and killed so
// much later.
func (s *siege) live(cmd *exec.Cmd, until, stopping time.Duration) string {
	s.t.Helper()
	s.lives++
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	timer := time.AfterFunc(until, func() {
		if stopping > 0 {
			_ = cmd.Process.Signal(syscall.SIGTERM)
			time.Sleep(stopping)
		}
		_ = cmd.Process.Kill()
	})
	err := cmd.Wait()
	timer.Stop()
	if strings.Contains(out.String(), inUse) { // see unlocked
		again := exec.Command(cmd.Path, cmd.Args[1:]...)
		again.Env = cmd.Env
		return s.live(again, until, stopping)
	}
	status, ok := cmd.ProcessState.Sys().(syscall.WaitStatus)
	// Asked to stop before it had started it says so and fails.
	stopped := stopping > 0 && (err == nil || ok && status.Signal() == syscall.SIGTERM || strings.Contains(out.String(), "context canceled"))
	if !stopped && (!ok || status.Signal() != syscall.SIGKILL) {
		s.t.Fatalf("the daemon ended otherwise than by a kill: %v\n%s", err, out.String())
	}
	return out.String()
}

// ending is a hook that ends the process at the pass of a point after n
// others.
func ending(point string, n int) crash.Hook {
	return func(at crash.Point) {
		if string(at) != point {
			return
		}
		if n--; n < 0 {
			// What else is under way may come a little further, or not.
			time.Sleep(max(0, rand.N(20*time.Millisecond)-10*time.Millisecond))
			fmt.Println(marker)
			_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
			select {}
		}
	}
}

// child runs a daemon until it is killed, by itself at the nth pass of the
// named point or from outside.
func child(dir string) {
	cfg, err := local(os.Getenv("DRYHOLD_TEST_BROKER")), error(nil)
	cfg.Topics = append(cfg.Topics, mustTopics()...)
	if file := os.Getenv("DRYHOLD_TEST_CONFIG"); file != "" {
		cfg, err = configOf(file)
	}
	n := 0
	_, _ = fmt.Sscan(os.Getenv("DRYHOLD_TEST_COMMITS"), &n)
	o := app.Options{Settings: cfg, Catalog: mustCatalog(), DataDir: dir, Log: slog.New(slog.NewTextHandler(os.Stderr, nil))}
	if point := os.Getenv("DRYHOLD_TEST_CRASH"); point != "" {
		o = o.CrashAt(ending(point, n))
	}
	if began := os.Getenv("DRYHOLD_TEST_BEGAN"); began != "" {
		o.Now = hurried(began)
	}
	var a *app.App
	if err == nil {
		a, err = app.New(o)
	}
	if err == nil {
		err = a.Start(context.Background())
	}
	if err != nil {
		fmt.Println("failed:", err)
		return
	}
	fmt.Println(a.URL(), a.BrokerURL())
	refuseOnSignal()
}

// client makes requests of their own connection each, so that none is of a
// daemon that is gone.
func client() *http.Client {
	return &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: 10 * time.Second}
}

// tail is the end of a long text.
func tail(text string) string { return text[max(0, len(text)-2000):] }

func asJSON(t *testing.T, v any) string {
	t.Helper()
	data, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}
