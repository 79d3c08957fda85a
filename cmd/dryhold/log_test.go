package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"dryhold/internal/servertest"
)

// A daemon whose log is JSON: its levels by the file, loaded anew, changed for a
// time and changed back.
func TestLogOfARunningDaemon(t *testing.T) {
	dir, page := t.TempDir(), servertest.FreeAddr(t)
	file := filepath.Join(dir, "dryhold.yaml")
	configure := func(more string) {
		t.Helper()
		text := fmt.Sprintf("site: larch-house\nbroker: {embedded: {listen: 127.0.0.1:0}}\nhttp: {listen: %q}\nrooms: [{name: cellar}]\n%s", page, more)
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	configure("log: info,store=warn\n")
	said, err := os.Create(filepath.Join(dir, "log"))
	if err != nil {
		t.Fatal(err)
	}
	defer said.Close()
	daemon := command("run", "--config", file, "--data", filepath.Join(dir, "data"), "--log-format", "json")
	daemon.Stdout, daemon.Stderr = io.Discard, said
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = daemon.Process.Kill() })
	// shows waits until the command shows a line for a part.
	shows := func(want string) {
		t.Helper()
		line := regexp.MustCompile("(?m)^" + want)
		for deadline := time.Now().Add(time.Minute); ; time.Sleep(50 * time.Millisecond) {
			got, code := call(t, "log", "--url", "http://"+page)
			if code == 0 && line.MatchString(got) {
				return
			}
			if time.Now().After(deadline) {
				t.Fatalf("waited in vain for %q: exit code %d\n%s", want, code, got)
			}
		}
	}
	f := func(code int, want string, args ...string) {
		t.Helper()
		got, exit := call(t, append(args, "--url", "http://"+page)...)
		if exit != code || !regexp.MustCompile("(?m)"+want).MatchString(got) {
			t.Errorf("dryhold %s: exit %d, want %d with %q:\n%s", strings.Join(args, " "), exit, code, want, got)
		}
	}
	shows(`store +warn +warn +-`)
	f(0, `^store +debug +warn +20`, "log", "store=debug", "--for", "10m", "--by", "mara")
	f(0, `^web +info +info +-`, "log")
	f(0, `"until"`, "log", "--format", "json")
	configure("log: error\n")
	if err := daemon.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	shows(`web +error +error +-`)
	f(0, `^store +debug +error +20`, "log") // outlives it
	f(0, `^store +error +error +-`, "log", "--back")
	f(2, `did you mean "store"`, "log", "stor=debug")
	f(2, "leave .* out", "log", "debug", "--back")
	f(2, "shorter than a second", "log", "debug", "--for", "1ms")
	f(1, "outside 0 to", "log", "debug", "--for", "200h")
	f(2, "did you mean", "log", "--format", "jason")
	if err := daemon.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := daemon.Wait(); err != nil {
		t.Error(err)
	}
	text, err := os.ReadFile(said.Name())
	if err != nil {
		t.Fatal(err)
	}
	changed := false
	for _, line := range bytes.Split(bytes.TrimSpace(text), []byte("\n")) {
		var l struct{ Level, Msg, Part, By string }
		if err := json.Unmarshal(line, &l); err != nil || l.Part == "" {
			t.Errorf("a line that is no JSON, or of no part: %s", line)
		}
		changed = changed || l.By == "mara" && strings.Contains(l.Msg, "changed for a time")
	}
	if !changed {
		t.Errorf("who changed the levels is not in the log:\n%s", text)
	}
}

func TestRunRefusesLogFlags(t *testing.T) {
	f := func(want string, args ...string) {
		t.Helper()
		if got, code := call(t, append([]string{"run"}, args...)...); code != 2 || !strings.Contains(got, want) {
			t.Errorf("%v: exit code %d: %s", args, code, got)
		}
	}
	f(`did you mean "debug"`, "--log", "degub")
	f(`did you mean "intake"`, "--log", "info,intak=debug")
	f(`did you mean "json"`, "--log-format", "jsn")
}

// For a journal each line has its priority first, is one write, and has no time.
func TestLogForAJournal(t *testing.T) {
	f := func(format string, want ...string) {
		t.Helper()
		var writes [][]byte
		log := slog.New(logTo(writeKeeper{&writes}, format, true)).With("part", "store")
		log.Debug("a")
		log.Info("b", slog.Group("of", "time", 7))
		log.Warn("c")
		log.WithGroup("of").Error("d", "time", 8)
		for i, w := range want {
			if i >= len(writes) || string(writes[i]) != w+"\n" {
				t.Errorf("%s: wrote %q, want %q", format, writes, want)
				return
			}
		}
	}
	f("text", "<7>level=DEBUG msg=a part=store", "<6>level=INFO msg=b part=store of.time=7", "<4>level=WARN msg=c part=store", "<3>level=ERROR msg=d part=store of.time=8")
	f("json", `<7>{"level":"DEBUG","msg":"a","part":"store"}`, `<6>{"level":"INFO","msg":"b","part":"store","of":{"time":7}}`)
	var b bytes.Buffer
	slog.New(logTo(&b, "text", false)).Info("e")
	if !strings.HasPrefix(b.String(), "time=") {
		t.Errorf("without a journal: %s", b.String())
	}
}

// writeKeeper keeps each write apart.
type writeKeeper struct{ to *[][]byte }

func (k writeKeeper) Write(p []byte) (int, error) {
	*k.to = append(*k.to, bytes.Clone(p))
	return len(p), nil
}
