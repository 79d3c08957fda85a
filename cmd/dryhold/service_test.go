package main

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"dryhold/internal/servertest"
)

// TestServiceManager: what a service manager hears over its socket from a start
// to a stop, with a configuration that is loaded anew and one that is refused.
func TestServiceManager(t *testing.T) {
	dir, page := t.TempDir(), servertest.FreeAddr(t)
	file := filepath.Join(dir, "dryhold.yaml")
	configure := func(more string) {
		t.Helper()
		text := fmt.Sprintf("site: larch-house\nbroker: {embedded: {listen: 127.0.0.1:0}}\nhttp: {listen: %q}\nrooms: [{name: cellar}]\n%s", page, more)
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	configure("")
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: filepath.Join(dir, "notify"), Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer socket.Close()
	var log bytes.Buffer
	daemon := command("run", "--config", file, "--data", filepath.Join(dir, "data"))
	daemon.Stderr = &log
	daemon.Env = append(daemon.Env, "NOTIFY_SOCKET="+filepath.Join(dir, "notify"), "WATCHDOG_USEC=600000")
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = daemon.Process.Kill() })

	// hears waits for a message with all of some lines, and gives those before.
	hears := func(want ...string) (before []string) {
		t.Helper()
		if err := socket.SetReadDeadline(time.Now().Add(time.Minute)); err != nil {
			t.Fatal(err)
		}
		buf := make([]byte, 64<<10)
		for {
			n, err := socket.Read(buf)
			if err != nil {
				t.Fatalf("waited in vain for %q: %v; heard %q", want, err, before)
			}
			missing := false
			for _, line := range want {
				missing = missing || !strings.Contains(string(buf[:n]), line)
			}
			if !missing {
				return before
			}
			before = append(before, string(buf[:n]))
		}
	}
	signal := func(s syscall.Signal) {
		t.Helper()
		if err := daemon.Process.Signal(s); err != nil {
			t.Fatal(err)
		}
	}
	for _, early := range hears("READY=1", "STATUS=Readings arrive, are kept and are judged. Page: http://"+page) {
		if strings.Contains(early, "STOPPING") || strings.Contains(early, "RELOADING") {
			t.Errorf("told %q before it was ready", early)
		}
	}
	hears("WATCHDOG=1")
	hears("WATCHDOG=1")
	configure("lots: []\nno-such-key: 1\n")
	signal(syscall.SIGHUP)
	hears("RELOADING=1", "MONOTONIC_USEC=")
	hears("READY=1")
	if got, _ := call(t, "status", "--url", "http://"+page); !strings.Contains(got, "no-such-key") || !strings.Contains(got, "dryhold.yaml:6:1") {
		t.Errorf("the status does not say what is wrong with the configuration:\n%s", got)
	}
	configure("accept_new_rooms: true\n")
	signal(syscall.SIGHUP)
	hears("RELOADING=1")
	hears("READY=1", "STATUS=Readings arrive")
	if got, code := call(t, "status", "--url", "http://"+page); code != 0 || strings.Contains(got, "no-such-key") {
		t.Errorf("exit %d, and the mistake that was mended is told on:\n%s", code, got)
	}
	hears("WATCHDOG=1")
	signal(syscall.SIGTERM)
	hears("STOPPING=1")
	if err := daemon.Wait(); err != nil {
		t.Errorf("%v\n%s", err, log.String())
	}
}

// TestNoServiceManager: an address that nobody listens on is no reason not
// to run; it is said.
func TestNoServiceManager(t *testing.T) {
	dir, page := t.TempDir(), servertest.FreeAddr(t)
	file := filepath.Join(dir, "dryhold.yaml")
	if err := os.WriteFile(file, fmt.Appendf(nil, "broker: {embedded: {listen: 127.0.0.1:0}}\nhttp: {listen: %q}\n", page), 0o600); err != nil {
		t.Fatal(err)
	}
	log, err := os.Create(filepath.Join(dir, "log"))
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	daemon := command("run", "--config", file, "--data", filepath.Join(dir, "data"))
	daemon.Stderr = log
	daemon.Env = append(daemon.Env, "NOTIFY_SOCKET="+filepath.Join(dir, "none"))
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(50 * time.Millisecond) {
		_, code := call(t, "status", "--url", "http://"+page)
		text, err := os.ReadFile(log.Name())
		if code == 0 && strings.Contains(string(text), "the service manager cannot be told") {
			break
		}
		if err != nil || time.Now().After(deadline) {
			t.Fatalf("exit %d, %v:\n%s", code, err, text)
		}
	}
	if err := daemon.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := daemon.Wait(); err != nil {
		t.Error(err)
	}
}
