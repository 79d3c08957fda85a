package app_test

import (
	"context"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/intake/mosquittotest"
	"dryhold/internal/lot"
	"dryhold/internal/store"
	"dryhold/internal/web"
)

// keeper is a notice channel that remembers what it was given.
type keeper struct {
	mu  sync.Mutex
	got []alarm.Notice
}

func (*keeper) Name() string { return "keeper" }

func (k *keeper) Send(_ context.Context, n alarm.Notice) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.got = append(k.got, n)
	return nil
}

// of lists the notices of a kind of alarm, each as its event.
func (k *keeper) of(kind alarm.Kind) (events []string) {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, n := range k.got {
		if n.Alarm.Kind == kind {
			events = append(events, string(n.Event))
		}
	}
	return events
}

func (k *keeper) text(kind alarm.Kind) string {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, n := range k.got {
		if n.Alarm.Kind == kind {
			return n.Subject + "\n" + n.Body
		}
	}
	return ""
}

// watches is a wall clock and monotonic time for a daemon, set by the test.
type watches struct {
	mu   sync.Mutex
	wall time.Time
	mono time.Duration
}

func (w *watches) Now() time.Time      { w.mu.Lock(); defer w.mu.Unlock(); return w.wall }
func (w *watches) Mono() time.Duration { w.mu.Lock(); defer w.mu.Unlock(); return w.mono }

// run lets time pass; set sets the wall clock.
func (w *watches) run(d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.wall, w.mono = w.wall.Add(d), w.mono+d
}

func (w *watches) set(at time.Time) { w.mu.Lock(); defer w.mu.Unlock(); w.wall = at }

// restrict makes the running daemon's disk sick, or well again.
func (h *house) restrict(r store.Restriction) {
	h.t.Helper()
	if err := h.app.Restrict(h.t.Context(), r); err != nil {
		h.t.Fatal(err)
	}
}

func (h *house) healthy() bool {
	h.t.Helper()
	code, _ := get(h.t, h.app.URL()+"/healthz")
	return code == http.StatusOK
}

// A store that takes nothing for hours: nothing is acknowledged, edits are
// refused with the reason, pages and metrics go on, an alarm that rises
// meanwhile goes out, no sensor is said to be silent, the keeper is told once
// that it is so and once that it is over, and each reading is there once.
func TestStoreOutage(t *testing.T) {
	f := func(name string, sick store.Restriction, cause string) {
		t.Run(name, func(t *testing.T) {
			houses(t, func(t *testing.T, h *house) { outage(t, h, sick, cause) })
		})
	}
	f("full", store.Restriction{Full: true}, "the disk is full")
	f("read-only", store.Restriction{ReadOnly: true}, "the disk is read-only")
}

func outage(t *testing.T, h *house, sick store.Restriction, cause string) {
	t.Parallel() // it mostly waits
	k := &keeper{}
	w := &watches{wall: time.Date(2031, 7, 12, 12, 0, 0, 0, time.UTC)}
	h.opts.Now, h.opts.Channels = w.Now, append(h.opts.Channels, k)
	h.opts = h.opts.Clocks(w.Mono, time.Time{}).Pauses(20*time.Millisecond, time.Millisecond)
	h.start()
	c := publisher(t, h.brokerURL())
	sent := 0
	send := func(celsius float64) {
		t.Helper()
		w.run(time.Second)
		publish(t, c, "rooms/loft", false, fmt.Sprintf(`{"temperature":%v,"time":%q}`, celsius, w.Now().Format(time.RFC3339)))
		sent++
	}
	stored := func() uint64 { return h.status().Snapshot.Intake.Stored }
	publish(t, c, "rooms/cellar/temperature", false, "12")
	send(20)
	eventually(t, "readings stored", func() bool { return stored() == 2 })

	h.restrict(sick)
	eventually(t, "red health that names "+cause, func() bool {
		send(20) // a full disk has some room left in the database's pages
		_, body := get(t, h.app.URL()+"/healthz")
		return !h.healthy() && strings.Contains(body, cause)
	})
	taken := stored()
	eventually(t, "an edit that is refused", func() bool {
		code, answer := h.post("/api/v1/lots", web.AddLot{Packing: bulky("cellar"), By: "Ada"})
		refused := code == http.StatusServiceUnavailable && strings.Contains(answer, cause) && strings.Contains(answer, "Nothing was changed")
		if !refused && code != http.StatusCreated {
			t.Fatalf("an edit is answered with %d %s", code, answer)
		}
		return refused
	})
	lots := len(h.status().Snapshot.Lots)
	eventually(t, "the notice", func() bool { return len(k.of("store")) == 1 })
	if text := k.text("store"); !strings.Contains(text, "cannot store") || !strings.Contains(text, cause) || !strings.Contains(text, "What to do now: ") {
		t.Errorf("the notice:\n%s", text)
	}

	// Three hours of heat, as many readings as mosquitto hands out without an
	// acknowledgement (20 in all).
	for range 6 {
		w.run(30 * time.Minute)
		send(35)
		at := w.Now()
		eventually(t, "the heat on the page", func() bool { return h.room("loft").Temperature.At.Equal(at) })
	}
	eventually(t, "the alarm of the heat", func() bool { return slices.Equal(k.of(alarm.Warm), []string{"raised"}) })
	acknowledgeInOutage(t, h)
	if code, page := get(t, h.app.URL()+"/"); code != http.StatusOK && code != http.StatusServiceUnavailable || !strings.Contains(page, "35.0 °C") {
		t.Errorf("the page: %d", code)
	}
	if v := scrape(t, h.app.URL(), `dryhold_health_ok{check="store",site="home"}`); v != 0 {
		t.Errorf("metrics say %v of the store", v)
	}
	if got := stored(); got != taken {
		t.Errorf("%d readings are said to be stored meanwhile", got-taken)
	}

	h.restrict(store.Restriction{})
	eventually(t, "all readings stored", func() bool { return stored() == uint64(sent)+1 })
	eventually(t, "green health", h.healthy)
	eventually(t, "the notice that it is over", func() bool { return len(k.of("store")) == 2 })
	w.run(30 * time.Minute) // less than the stale limit of an hour since it listens again
	send(20)
	eventually(t, "a reading after it", func() bool { return stored() == uint64(sent)+1 })
	if got := k.of("store"); !slices.Equal(got, []string{"raised", "returned"}) {
		t.Errorf("notices of the store: %v", got)
	}
	if got := k.of(alarm.Silent); len(got) != 0 {
		t.Errorf("notices of silent sensors: %v", got)
	}
	w.run(31 * time.Minute)
	eventually(t, "the cellar's sensor, silent in truth", func() bool { return len(k.of(alarm.Silent)) > 0 })
	if n := len(h.status().Snapshot.Lots); n != lots {
		t.Errorf("%d lots, want %d: what was refused must not be there", n, lots)
	}
	h.stop()
	if got := len(onDisk(t, h.opts.DataDir, "loft")); got != sent {
		t.Errorf("%d readings on disk of %d sent", got, sent)
	}
	h.start()
	if n := len(h.status().Snapshot.Lots); n != lots {
		t.Errorf("%d lots after a restart, want %d", n, lots)
	}
	if got := k.of(alarm.Warm); !slices.Equal(got, []string{"raised"}) {
		t.Errorf("the heat was told of %v", got)
	}
}

// acknowledgeInOutage: an acknowledgement is on disk when it is answered so, as
// it may be on a full disk with room left in its pages; else the alarm is as it
// was.
func acknowledgeInOutage(t *testing.T, h *house) {
	t.Helper()
	key := alarm.Key{Kind: alarm.Warm, Room: "loft"}
	code, answer := h.post("/api/v1/alarms/acknowledge", web.OperateAlarm{Key: key, By: "Ada"})
	taken := code == http.StatusNoContent
	if !taken && (code != http.StatusServiceUnavailable || !strings.Contains(answer, "Nothing was changed")) {
		t.Errorf("an acknowledgement is answered with %d %s", code, answer)
	}
	for _, a := range h.status().Snapshot.Alarms {
		if a.Key == key && (a.By == "Ada") != taken {
			t.Errorf("answered with %d, and the alarm says: %+v", code, a)
		}
	}
}

// bulky is a lot with a note that fills pages of the database.
func bulky(name string) lot.Packing {
	p := lotOf(name).Packing
	p.PackedAt, p.Note = time.Date(2031, 7, 1, 0, 0, 0, 0, time.UTC), strings.Repeat("a long note ", 30)
	return p
}

// A disk that is nearly full is told of before it is full.
func TestDiskNearlyFull(t *testing.T) {
	h := newHouse(t, nil)
	f := func(free, total uint64, ok bool, text string) {
		t.Helper()
		h.opts = h.opts.Disk(func(string) (uint64, uint64, error) { return free, total, nil })
		h.start()
		defer h.stop()
		for _, c := range h.status().Health.Checks {
			if c.Code == "disk" && (c.OK != ok || !strings.HasPrefix(c.Text, text)) {
				t.Errorf("%d of %d bytes free: %t %q, want %t %q", free, total, c.OK, c.Text, ok, text)
			}
		}
		if v := scrape(t, h.app.URL(), `dryhold_health_ok{check="disk",site="home"}`); (v == 1) != ok {
			t.Errorf("%d of %d bytes free: metrics say %v", free, total, v)
		}
		if !h.healthy() {
			t.Errorf("%d of %d bytes free: health is red, though readings are stored", free, total)
		}
	}
	const mb, gb = 1 << 20, 1 << 30
	f(99*mb, gb, false, "nearly full: 99 MB of 1024 MB free")
	f(101*mb, gb, true, "101 MB free")
	f(1*gb, 32*gb, true, "1024 MB free")
	f(700*mb, 16*gb, false, "nearly full: 700 MB of 16 GB free")
	f(2*gb, 1000*gb, true, "2048 MB free") // 0.2 % of a large disk is plenty
	f(0, 0, true, "free space is not known")
}

// A disk that is really full, a small one in a mount namespace of the
// daemon's: it takes no more until room is made, and then all of it.
func TestReallyFullDisk(t *testing.T) {
	probe := exec.Command("unshare", "--mount", "true")
	if err := probe.Run(); err != nil {
		t.Skipf("no mount namespace of its own here (%v); TestStoreOutage does it by SQLite's limit, TestFullDisk by the kernel's", err)
	}
	m := mosquittotest.Start(t)
	dir, out := t.TempDir(), t.TempDir()
	t.Setenv("DRYHOLD_TEST_DAEMON", dir)
	t.Setenv("DRYHOLD_TEST_BROKER", m.URL)
	script := `mount -t tmpfs -o size=4m tmpfs "$1" || exit 3; "$0" & echo $! >"$2/pid.new"; mv "$2/pid.new" "$2/pid"; wait; cp -a "$1"/. "$2"`
	cmd := exec.Command("unshare", "--mount", "--propagation", "private", "sh", "-c", script, os.Args[0], dir, out)
	lines, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var pid int
	t.Cleanup(func() {
		if pid > 0 && cmd.ProcessState == nil {
			_ = syscall.Kill(pid, syscall.SIGKILL)
			_ = cmd.Wait()
		}
	})
	var url, broker string
	if _, err := fmt.Fscan(lines, &url, &broker); err != nil {
		if err := cmd.Wait(); cmd.ProcessState.ExitCode() == 3 {
			t.Skipf("mounting a small disk is not permitted here (%v); TestStoreOutage does it by SQLite's limit", err)
		}
		t.Fatalf("the daemon ended early: %v", err)
	}
	eventually(t, "the daemon's process", func() bool {
		text, err := os.ReadFile(filepath.Join(out, "pid"))
		if err == nil {
			pid, err = strconv.Atoi(strings.TrimSpace(string(text)))
		}
		return err == nil
	})
	filler := filepath.Join("/proc", strconv.Itoa(pid), "root", dir, "filler") // inside its namespace
	fill := func() {
		t.Helper()
		file, err := os.OpenFile(filler, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
		if err != nil {
			t.Fatal(err)
		}
		for block := make([]byte, 4096); err == nil; {
			_, err = file.Write(block)
		}
		if err := file.Close(); err != nil {
			t.Fatal(err)
		}
	}
	c := publisher(t, m.URL)
	sent := 0
	send := func() {
		publish(t, c, "rooms/cellar/temperature", false, fmt.Sprint(sent%100))
		sent++
	}
	stored := func() uint64 { return statusOf(t, url).Snapshot.Intake.Stored }
	for range 2 {
		send()
		eventually(t, "a reading stored", func() bool { return stored() == uint64(sent) })
		fill()
		eventually(t, "red health", func() bool {
			send()
			code, body := get(t, url+"/healthz")
			return code == http.StatusServiceUnavailable && strings.Contains(body, "the disk is full")
		})
		if err := os.Remove(filler); err != nil {
			t.Fatal(err)
		}
		eventually(t, "all readings stored", func() bool { return stored() == uint64(sent) })
		eventually(t, "green health", func() bool {
			code, _ := get(t, url+"/healthz")
			return code == http.StatusOK
		})
	}
	_ = syscall.Kill(pid, syscall.SIGKILL)
	_ = cmd.Wait() // the shell, which copies what is on the disk
	all := onDisk(t, out, "cellar")
	for i, r := range all {
		if r.Value != float64(i%100) {
			t.Fatalf("number %d on disk is %v: each of %d must be there once", i, r.Value, sent)
		}
	}
	if len(all) != sent {
		t.Errorf("%d on disk of %d sent", len(all), sent)
	}
}
