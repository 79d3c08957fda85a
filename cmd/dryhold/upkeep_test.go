package main

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"dryhold/internal/room"
	"dryhold/internal/servertest"
	"dryhold/internal/store"
	"dryhold/internal/unit"
)

// fill makes a data directory with readings a second apart.
func fill(t *testing.T, dir string, readings int) {
	t.Helper()
	s, err := store.Open(t.Context(), dir, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	begin := time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	var batch []room.Reading
	for i := range readings {
		k := room.Series{Room: "loft", Sensor: "loft", Quantity: unit.Temperature}
		batch = append(batch, room.Reading{Series: k, At: begin.Add(time.Duration(i) * time.Second), Value: unit.Temperature.Round(20 + float64(i%50)/10)})
	}
	err = s.Commit(t.Context(), store.Batch{Readings: batch}, nil, begin, func([]room.Reading) (store.Outcome, error) { return store.Outcome{}, nil })
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestBackupRestoreAndRefold(t *testing.T) {
	dir := t.TempDir()
	data, file, page := filepath.Join(dir, "data"), filepath.Join(dir, "copy.db"), servertest.FreeAddr(t)
	f := func(code int, want string, args ...string) string {
		t.Helper()
		got, exit := call(t, args...)
		if exit != code || !strings.Contains(got, want) {
			t.Errorf("dryhold %s: exit %d, want %d with %q:\n%s", strings.Join(args, " "), exit, code, want, got)
		}
		return got
	}
	f(1, "there is no database in", "backup", file, "--data", data)
	fill(t, data, 2000)
	f(0, "2000 readings, from 2026-07-01 to 2026-07-01", "backup", file, "--data", data) // none runs

	config := filepath.Join(dir, "dryhold.yaml")
	text := fmt.Sprintf("site: larch-house\nbroker: {embedded: {listen: 127.0.0.1:0}}\nhttp: {listen: %q}\nrooms: [{name: cellar}]\n", page)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	daemon := command("run", "--config", config, "--data", data)
	daemon.Stdout, daemon.Stderr = &out, &out
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- daemon.Wait() }()
	t.Cleanup(func() { _ = daemon.Process.Kill() })
	url := "http://" + page
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(50 * time.Millisecond) {
		if _, code := call(t, "status", "--url", url); code == 0 {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("no daemon")
		}
	}
	f(0, "Registered L-1", "lots", "add", "white-rice", "pet-2l", "--mass", "1.6", "--room", "cellar", "--url", url)
	f(1, "--force to replace it", "backup", file, "--data", data)
	f(2, "at most 1 wanted", "backup", file, file, "--data", data)
	f(0, "1 changes of lots", "backup", file, "--data", data, "--force") // one runs
	f(0, "Rebuilt from 2000 readings of 1 rooms, with 1 lots", "refold", "--url", url)
	f(0, "to the last bit", "refold", "--url", url, "--by", "Ada")
	f(1, "in use by another dryhold", "restore", file, "--data", data, "--force")
	f(2, "1 arguments wanted, 0 given", "restore")
	if err := daemon.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := <-ended; err != nil {
		t.Fatalf("the daemon ended with %v:\n%s", err, out.String())
	}
	f(1, "cannot reach the daemon", "refold", "--url", url)

	// A truncated database keeps the daemon out, and a backup puts it right.
	if err := os.Truncate(filepath.Join(data, store.File), 9000); err != nil {
		t.Fatal(err)
	}
	f(1, "dryhold restore BACKUP --data "+data+" --force", "run", "--config", config, "--data", data)
	f(1, "or --force to put the backup in its place", "restore", file, "--data", data)
	got := f(0, "The database that was there is kept as "+filepath.Join(data, "dryhold.db.before-"), "restore", file, "--data", data, "--force")
	if !strings.Contains(got, "2000 readings") || !strings.Contains(got, "1 changes of lots") {
		t.Errorf("restore says:\n%s", got)
	}
	trial := filepath.Join(dir, "trial")
	f(0, "2000 readings", "backup", filepath.Join(dir, "again.db"), "--data", data)
	f(0, "2000 readings", "restore", filepath.Join(dir, "again.db"), "--data", trial)
}

// A backup that is killed leaves nothing under its final name, unless it was
// complete.
func TestKilledBackupLeavesNoHalfFile(t *testing.T) {
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	fill(t, data, 30_000)
	whole := false
	for i := 0; i < 8 || !whole && i < 100; i++ {
		away := filepath.Join(dir, fmt.Sprint(i))
		if err := os.Mkdir(away, 0o700); err != nil {
			t.Fatal(err)
		}
		file := filepath.Join(away, "copy.db")
		c := command("backup", file, "--data", data)
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		for began := false; !began; time.Sleep(time.Millisecond) {
			there, err := os.ReadDir(away)
			if err != nil {
				t.Fatal(err)
			}
			began = len(there) > 0
		}
		time.Sleep(time.Duration(i) * 15 * time.Millisecond) // at another moment each time
		_ = c.Process.Kill()
		_ = c.Wait()
		if _, err := os.Stat(file); os.IsNotExist(err) {
			continue
		}
		whole = true
		got, err := store.Restore(context.Background(), file, filepath.Join(away, "data"), false, time.Now(), func(string, int64, int64) {})
		if err != nil || got.Readings != 30_000 {
			t.Errorf("killed after %d ms there is a file that is not whole: %d readings, %v", 15*i, got.Readings, err)
		}
	}
	// The disk as it was left does no harm to a backup that is not killed.
	if out, code := call(t, "backup", filepath.Join(dir, "0", "copy.db"), "--data", data); code != 0 || !strings.Contains(out, "30000 readings") {
		t.Errorf("exit %d: %s", code, out)
	}
}

// A restore that is killed at whatever moment leaves the old database, the
// restored one, or a directory that says to run the restore again; and then
// that works.
func TestKilledRestore(t *testing.T) {
	dir := t.TempDir()
	data, file := filepath.Join(dir, "data"), filepath.Join(dir, "copy.db")
	fill(t, data, 30_000)
	if out, code := call(t, "backup", file, "--data", data); code != 0 {
		t.Fatal(out)
	}
	seen := map[string]int{}
	for i := range 8 {
		target := filepath.Join(dir, fmt.Sprint(i))
		fill(t, target, 3)
		c := command("restore", file, "--data", target, "--force")
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration(i) * 20 * time.Millisecond) // at another moment each time
		_ = c.Process.Kill()
		_ = c.Wait()
		s, err := store.Open(t.Context(), target, slog.New(slog.DiscardHandler))
		switch {
		case err == nil:
			n, err := s.CountReadings(t.Context())
			if n != 3 && n != 30_000 || err != nil {
				t.Errorf("killed after %d ms: %d readings, %v", 20*i, n, err)
			}
			seen[fmt.Sprint(n)]++
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
		case strings.Contains(err.Error(), "run it again"):
			seen["between"]++
		default:
			t.Errorf("killed after %d ms: %v", 20*i, err)
		}
		if out, code := call(t, "restore", file, "--data", target, "--force"); code != 0 || !strings.Contains(out, "30000 readings") {
			t.Errorf("run again: exit %d: %s", code, out)
		}
	}
	t.Logf("what was there after a kill: %v", seen)
}

func TestShellWord(t *testing.T) {
	f := func(path, want string) {
		t.Helper()
		if got := shellWord(path); got != want {
			t.Errorf("%q: %s, want %s", path, got, want)
		}
	}
	f("/var/lib/dryhold", "/var/lib/dryhold")
	f("/srv/larch house", "'/srv/larch house'")
	f("it's", `'it'\''s'`)
	f("", "''")
	f("a;b", "'a;b'")
	f("$HOME", "'$HOME'")
}

func TestBytesText(t *testing.T) {
	f := func(n int64, want string) {
		t.Helper()
		if got := bytesText(n); got != want {
			t.Errorf("%d: %s, want %s", n, got, want)
		}
	}
	f(0, "0 kB")
	f(77_824, "77.8 kB")
	f(241_000_000, "241 MB")
	f(1_300_000_000, "1.3 GB")
}
