package app_test

import (
	"context"
	"database/sql"
	"fmt"
	"net/http"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	_ "modernc.org/sqlite" // the driver "sqlite"

	"dryhold/internal/intake/mosquittotest"
	"dryhold/internal/store"
)

// A broker that stays away turns health red, also where nobody had asked
// before, and its return turns it green.
func TestHealthWithoutBroker(t *testing.T) {
	m := mosquittotest.Start(t)
	h := newHouse(t, m)
	h.opts.BrokerAway = time.Second
	h.start()
	if code, body := get(t, h.app.URL()+"/healthz"); code != http.StatusOK {
		t.Fatalf("health with a broker: %d %s", code, body)
	}
	m.Stop()
	time.Sleep(3 * time.Second) // nobody asks meanwhile
	if code, body := get(t, h.app.URL()+"/healthz"); code != http.StatusServiceUnavailable || !strings.Contains(body, "not connected to the broker at "+m.URL) {
		t.Errorf("health without a broker: %d %s", code, body)
	}
	if v := scrape(t, h.app.URL(), `dryhold_health_ok{check="intake",site="home"}`); v != 0 {
		t.Errorf("metrics say of the intake's health %v, want 0", v)
	}
	m.Restart()
	within(t, time.Minute, "health with the broker back", func() bool {
		code, _ := get(t, h.app.URL()+"/healthz")
		return code == http.StatusOK
	})
	publish(t, publisher(t, m.URL), "rooms/cellar/temperature", false, "12.25")
	eventually(t, "a reading after the broker's return", func() bool { return h.room("cellar").Temperature.Value == 12.25 })
}

// While the store refuses, readings are not acknowledged and health is red;
// they are stored once it takes them, by this daemon or the next.
func TestHealthWithoutStore(t *testing.T) {
	houses(t, func(t *testing.T, h *house) {
		h.start()
		c := publisher(t, h.brokerURL())
		publish(t, c, "rooms/cellar/temperature", false, "12")
		eventually(t, "a reading", func() bool { return h.status().Snapshot.Intake.Stored == 1 })
		green := func() bool {
			code, _ := get(t, h.app.URL()+"/healthz")
			return code == http.StatusOK
		}

		mend := refuse(t, h.opts.DataDir)
		for i := range 5 {
			publish(t, c, "rooms/cellar/temperature", false, fmt.Sprint(13+i))
		}
		eventually(t, "red health", func() bool {
			code, body := get(t, h.app.URL()+"/healthz")
			return code == http.StatusServiceUnavailable && strings.Contains(body, "no room in this test")
		})
		if code, answer := h.post("/api/v1/lots", lotOf("cellar")); code != http.StatusCreated {
			t.Errorf("what can be stored still is: %d %s", code, answer)
		}
		if got := h.status().Snapshot.Intake; got.Stored != 1 {
			t.Errorf("%d readings are said to be stored, want the first only", got.Stored)
		}
		mend()
		eventually(t, "the readings held", func() bool { return h.status().Snapshot.Intake.Stored == 6 })
		eventually(t, "green health", green)

		mend = refuse(t, h.opts.DataDir)
		for i := range 5 {
			publish(t, c, "rooms/cellar/temperature", false, fmt.Sprint(18+i))
		}
		eventually(t, "red health again", func() bool { return !green() })
		h.stop() // in this state too it ends in time
		mend()
		h.start()
		eventually(t, "the readings of before", func() bool { return h.room("cellar").Temperature.Value == 22 })
		h.stop()
		var values []float64
		for _, r := range onDisk(t, h.opts.DataDir, "cellar") {
			values = append(values, r.Value)
		}
		if got := fmt.Sprint(values); got != "[12 13 14 15 16 17 18 19 20 21 22]" {
			t.Errorf("on disk are %s, want each number once and in order", got)
		}
	})
}

// refuse makes the database refuse readings until the function returned is
// called.
func refuse(t *testing.T, dir string) (mend func()) {
	t.Helper()
	run := func(statement string) {
		t.Helper()
		db, err := sql.Open("sqlite", filepath.Join(dir, store.File)+"?_pragma=busy_timeout(10000)")
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = db.Close() }()
		if _, err := db.ExecContext(context.Background(), statement); err != nil {
			t.Fatal(err)
		}
	}
	run(`CREATE TRIGGER refuse BEFORE INSERT ON open_reading BEGIN SELECT RAISE(ABORT, 'no room in this test'); END`)
	return func() {
		t.Helper()
		run(`DROP TRIGGER refuse`)
	}
}

// A disk that takes no more loses nothing that was acknowledged; a kill while
// it is full neither.
func TestFullDisk(t *testing.T) {
	m := mosquittotest.Start(t)
	dir := t.TempDir()
	c := publisher(t, m.URL)
	d := spawn(t, dir, m.URL)
	stored := func() uint64 { return statusOf(t, d.url).Snapshot.Intake.Stored }
	healthy := func() bool {
		code, _ := get(t, d.url+"/healthz")
		return code == http.StatusOK
	}
	sent := 0
	send := func(n int) {
		for range n {
			publish(t, c, "rooms/cellar/temperature", false, fmt.Sprint(sent))
			sent++
		}
	}
	send(5)
	eventually(t, "readings stored", func() bool { return stored() == 5 })

	signalTo := func(s syscall.Signal) {
		t.Helper()
		if err := d.Process.Signal(s); err != nil {
			t.Fatal(err)
		}
	}
	signalTo(syscall.SIGUSR1)
	eventually(t, "the disk to be full", func() bool {
		send(1)
		return !healthy()
	})
	taken := stored() // some before the disk was full
	send(5)
	time.Sleep(100 * time.Millisecond)
	if got := stored(); got != taken {
		t.Errorf("%d readings are said to be stored on a full disk", got-taken)
	}
	signalTo(syscall.SIGUSR2)
	eventually(t, "the readings held", func() bool { return stored() == uint64(sent) })
	eventually(t, "green health", healthy)

	signalTo(syscall.SIGUSR1)
	eventually(t, "the disk to be full again", func() bool {
		send(1)
		return !healthy()
	})
	_ = d.Process.Kill()
	_ = d.Wait()
	d = spawn(t, dir, m.URL)
	last := fmt.Sprintf("%d", sent-1)
	eventually(t, "all readings after a kill on a full disk", func() bool {
		s := statusOf(t, d.url).Snapshot
		return len(s.Rooms) == 1 && fmt.Sprint(s.Rooms[0].Temperature.Value) == last
	})
	_ = d.Process.Kill()
	_ = d.Wait()
	for i, r := range onDisk(t, dir, "cellar") {
		if r.Value != float64(i) {
			t.Fatalf("number %d on disk is %v: each of %d must be there once", i, r.Value, sent)
		}
	}
}
