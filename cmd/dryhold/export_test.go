package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"dryhold/internal/store"
)

// Everything leaves while a daemon runs and while none does, and comes back into
// an empty directory, by command.
func TestExportAndBack(t *testing.T) {
	dir := t.TempDir()
	data, folder, back := filepath.Join(dir, "data"), filepath.Join(dir, "larch-house"), filepath.Join(dir, "back")
	f := func(code int, want string, args ...string) string {
		t.Helper()
		got, exit := call(t, args...)
		if exit != code || !strings.Contains(got, want) {
			t.Errorf("dryhold %s: exit %d, want %d with %q:\n%s", strings.Join(args, " "), exit, code, want, got)
		}
		return got
	}
	f(1, "there is no database in", "export", folder, "--data", data)
	if _, err := os.Stat(folder); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("an export of nothing left %v", err)
	}
	fill(t, data, 2000)
	f(2, "1 arguments wanted, 0 given", "export", "--data", data)
	f(2, `unknown format "parquet"`, "export", folder, "--data", data, "--readings", "parquet")
	got := f(0, "  2000 readings\n", "export", folder, "--data", data, "--readings", "csv", "--gzip")
	if !strings.Contains(got, "Quality is not safety") || !strings.Contains(got, "with the usual limits") {
		t.Errorf("it says:\n%s", got)
	}
	f(1, "is not empty: name a folder", "export", folder, "--data", data)
	config := filepath.Join(dir, "dryhold.yaml")
	if err := os.WriteFile(config, []byte("site: larch-house\nbroker: {embedded: {listen: 127.0.0.1:0}}\nhttp: {listen: 127.0.0.1:0}\nrooms: [{name: cellar}, {name: loft}]\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	beside := filepath.Join(dir, "beside")
	runs(t, config, data, func() {
		f(0, "  2000 readings\n", "export", beside, "--data", data, "--config", config)
		f(1, "in use by another dryhold", "restore", beside, "--data", data)
	})
	if body, err := os.ReadFile(filepath.Join(beside, "README.txt")); err != nil || !bytes.Contains(body, []byte("EVERYTHING OF larch-house")) {
		t.Errorf("README: %v\n%s", err, body)
	}
	f(1, "give an empty --data", "restore", beside, "--data", data)
	f(2, "never takes the place of a database", "restore", beside, "--data", back, "--force")
	f(0, "site larch-house", "restore", beside, "--data", back)
	f(0, "  2000 readings, from 2026-07-01 to 2026-07-01", "restore", folder, "--data", filepath.Join(dir, "packed"))
	f(0, "2000 readings", "backup", filepath.Join(dir, "copy.db"), "--data", back)
	runs(t, config, back, func() {})

	spoilt := filepath.Join(beside, "facts", "readings", "loft-2026.csv")
	body, err := os.ReadFile(spoilt)
	if err == nil {
		err = os.WriteFile(spoilt, bytes.Replace(body, []byte("temperature"), []byte("temperaturr"), 1), 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	none := filepath.Join(dir, "none")
	f(1, spoilt+":2:11: unknown quantity", "restore", beside, "--data", none)
	if err := os.Remove(filepath.Join(beside, "manifest.json")); err != nil {
		t.Fatal(err)
	}
	f(1, "one that was broken off; export again", "restore", beside, "--data", none)
	f(1, "holds an export that was broken off", "export", beside, "--data", data)
	if _, err := os.Stat(filepath.Join(none, store.File)); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("something was restored: %v", err)
	}
}

// runs does something while a daemon runs.
func runs(t *testing.T, config, data string, do func()) {
	t.Helper()
	c := command("run", "--config", config, "--data", data)
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = c.Process.Kill() }()
	if _, err := out.Read(make([]byte, 64)); err != nil { // what it says when it is up
		t.Fatal(err)
	}
	do()
	if err := c.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	go func() { _, _ = bytes.NewBuffer(nil).ReadFrom(out) }()
	if err := c.Wait(); err != nil {
		t.Errorf("the daemon ended with %v", err)
	}
}

// An export that is interrupted leaves nothing, one that is killed nothing that
// could be taken for an export.
func TestExportBrokenOff(t *testing.T) {
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	fill(t, data, 30000)
	rng := rand.New(rand.NewPCG(1, 2))
	broken := map[os.Signal]int{}
	for i := range 16 {
		sig := []os.Signal{os.Interrupt, syscall.SIGKILL}[i%2]
		folder := filepath.Join(dir, fmt.Sprint(i))
		c := command("export", folder, "--data", data)
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		for deadline := time.Now().Add(30 * time.Second); time.Now().Before(deadline); time.Sleep(time.Millisecond) {
			if _, err := os.Stat(folder); err == nil {
				break
			}
		}
		time.Sleep(time.Duration(rng.IntN(150)) * time.Millisecond) // anywhere in it
		if err := c.Process.Signal(sig); err != nil && !errors.Is(err, os.ErrProcessDone) {
			t.Fatal(err)
		}
		err := c.Wait()
		_, whole := os.Stat(filepath.Join(folder, "manifest.json"))
		_, there := os.Stat(folder)
		switch {
		case err == nil && whole == nil:
		case err == nil:
			t.Errorf("%d: it was done, and is not whole: %v", i, whole)
		case sig == os.Interrupt && !errors.Is(there, fs.ErrNotExist):
			t.Errorf("%d: an interrupted one left something: %v", i, there)
		case whole != nil:
			broken[sig]++
			if out, code := call(t, "restore", folder, "--data", filepath.Join(dir, "back")); code == 0 {
				t.Errorf("%d: restored from what is not whole:\n%s", i, out)
			}
		}
	}
	if broken[os.Interrupt] == 0 || broken[syscall.SIGKILL] == 0 {
		t.Errorf("broken off: %v, which tells nothing", broken)
	}
}

// A disk that is really full is told, and has no half export on it.
func TestExportOntoAFullDisk(t *testing.T) {
	if err := exec.Command("unshare", "--mount", "true").Run(); err != nil {
		t.Skipf("no mount namespace of its own here: %v", err)
	}
	dir := t.TempDir()
	data, disk := filepath.Join(dir, "data"), filepath.Join(dir, "disk")
	if err := os.Mkdir(disk, 0o700); err != nil {
		t.Fatal(err)
	}
	fill(t, data, 30000)
	script := `mount -t tmpfs -o size=1m tmpfs "$1" || exit 9; "$0" export "$1/open" --data "$2"; code=$?; ls -A "$1"; exit $code`
	c := exec.Command("unshare", "--mount", "--propagation", "private", "sh", "-c", script, os.Args[0], disk, data)
	c.Env = append(os.Environ(), "DRYHOLD_TEST_COMMAND=1")
	out, err := c.CombinedOutput()
	switch code := c.ProcessState.ExitCode(); {
	case code == 9:
		t.Skipf("mounting a small disk is not permitted here: %s", out)
	case code != 1 || !strings.Contains(string(out), "is full, nothing was exported: make room"):
		t.Errorf("%v: %s", err, out)
	case strings.HasSuffix(strings.TrimSpace(string(out)), "\nopen"):
		t.Errorf("left behind: %s", out)
	}
}
