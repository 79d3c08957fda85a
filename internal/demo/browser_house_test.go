package demo_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"dryhold/internal/app"
	"dryhold/internal/demo"
	"dryhold/internal/settings"
)

const (
	// houseEnv makes the test binary the daemon of Larch House over the data
	// directory it names; beganEnv says when its clock stood at the end of the
	// hot week.
	houseEnv, beganEnv = "DRYHOLD_TEST_HOUSE", "DRYHOLD_TEST_BEGAN"
	// yearEnv names a data directory in which the demo was played already, for
	// those who look at pages again and again.
	yearEnv = "DRYHOLD_TEST_YEAR"
)

// TestMain lets the test binary be the daemon itself, so that it can be killed.
func TestMain(m *testing.M) {
	if dir := os.Getenv(houseEnv); dir != "" {
		if err := child(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	code := m.Run()
	closeChromium()
	for _, dir := range leavings {
		_ = os.RemoveAll(dir)
	}
	os.Exit(code)
}

// leavings are directories that outlive the test that made them.
var leavings []string

// child runs a daemon until it is killed, or whoever started it is gone. Its
// clock goes on from the end of the demo.
func child(dir string) error {
	began, err := time.Parse(time.RFC3339Nano, os.Getenv(beganEnv))
	if err != nil {
		return err
	}
	cat, err := settings.Catalog()
	if err != nil {
		return err
	}
	s := demo.Settings()
	s.HTTP.Listen = "127.0.0.1:0"
	a, err := app.New(app.Options{
		Settings: s, Catalog: cat, DataDir: dir, Version: "test", Log: slog.New(slog.NewTextHandler(os.Stderr, nil)),
		Now: func() time.Time { return demo.End().Add(time.Since(began)) },
	})
	if err != nil {
		return err
	}
	if err := a.Start(context.Background()); err != nil {
		return err
	}
	fmt.Println(a.URL())
	_, err = io.Copy(io.Discard, os.Stdin)
	return err
}

// year is the demo, played once for all tests.
type year struct {
	dir  string // its data
	said string
	took time.Duration
	err  error
}

var played = sync.OnceValue(func() (y year) {
	if y.dir = os.Getenv(yearEnv); y.dir != "" {
		return y
	}
	tmp, err := os.MkdirTemp("", "dryhold-year-")
	if err != nil {
		return year{err: err}
	}
	leavings = append(leavings, tmp)
	y.dir = filepath.Join(tmp, "data")
	cat, err := settings.Catalog()
	if err != nil {
		return year{err: err}
	}
	var out bytes.Buffer
	began := time.Now()
	y.err = demo.Run(context.Background(), demo.Options{
		Catalog: cat, Version: "test", Out: &out, Log: slog.New(slog.DiscardHandler), Data: y.dir, Seed: 1,
	})
	y.said, y.took = out.String(), time.Since(began)
	return y
})

// larchHouse is a daemon in a process of its own, over a copy of the year.
type larchHouse struct {
	t     *testing.T
	dir   string
	began time.Time
	url   string
	cmd   *exec.Cmd
	log   *bytes.Buffer
}

func newLarchHouse(t *testing.T) *larchHouse {
	t.Helper()
	y := played()
	if y.err != nil {
		t.Fatalf("the demo: %v\n%s", y.err, y.said)
	}
	h := &larchHouse{t: t, dir: filepath.Join(t.TempDir(), "data"), began: time.Now()}
	if err := os.CopyFS(h.dir, os.DirFS(y.dir)); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(h.kill)
	h.start()
	return h
}

func (h *larchHouse) start() {
	h.t.Helper()
	h.log = &bytes.Buffer{}
	h.cmd = exec.Command(os.Args[0])
	h.cmd.Env = append(os.Environ(), houseEnv+"="+h.dir, beganEnv+"="+h.began.Format(time.RFC3339Nano))
	h.cmd.Stderr = h.log
	out, err := h.cmd.StdoutPipe()
	if err != nil {
		h.t.Fatal(err)
	}
	if _, err := h.cmd.StdinPipe(); err != nil { // open until this process ends
		h.t.Fatal(err)
	}
	if err := h.cmd.Start(); err != nil {
		h.t.Fatal(err)
	}
	line := make([]byte, 200)
	n, err := out.Read(line)
	if err != nil || !strings.HasPrefix(string(line[:n]), "http://") {
		_ = h.cmd.Wait()
		h.t.Fatalf("the daemon did not start: %q, %v\n%s", line[:n], err, h.log)
	}
	h.url = strings.TrimSpace(string(line[:n]))
}

// kill is kill -9.
func (h *larchHouse) kill() {
	if h.cmd != nil {
		_ = h.cmd.Process.Kill()
		_ = h.cmd.Wait()
		h.cmd = nil
	}
}
