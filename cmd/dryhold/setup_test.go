package main

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"dryhold/internal/intake/mosquittotest"
	"dryhold/internal/servertest"
)

// TestSetup: a new keeper answers the questions at a real broker with sensors
// that speak, and the daemon takes their readings with what was written.
func TestSetup(t *testing.T) {
	pub, broker := servertest.Program(t, "mosquitto_pub", "mosquitto-clients"), mosquittotest.Start(t)
	host, port, err := net.SplitHostPort(strings.TrimPrefix(broker.URL, "mqtt://"))
	if err != nil {
		t.Fatal(err)
	}
	sensors, stop := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		for sensors.Err() == nil {
			for topic, payload := range map[string]string{"larch/cellar/climate": `{"t": 17.2, "rh": 52}`, "larch/loft/climate": `{"t": 21.2, "rh": 48}`, "attic/temperature": "22.5", "plug/1": "on"} {
				_ = exec.CommandContext(sensors, pub, "-h", host, "-p", port, "-q", "1", "-t", topic, "-m", payload).Run()
			}
		}
	}()
	t.Cleanup(func() { stop(); <-done })
	dir := t.TempDir()
	file := filepath.Join(dir, "dryhold.yaml")
	setup := func(answers []string, args ...string) (string, int) {
		t.Helper()
		var out bytes.Buffer
		c := command(append([]string{"setup", file, "--listen", "5s"}, args...)...)
		c.Stdin, c.Stdout, c.Stderr = strings.NewReader(strings.Join(answers, "\n")), &out, &out
		if err := c.Run(); err != nil && !errors.As(err, new(*exec.ExitError)) {
			t.Fatal(err)
		}
		return out.String(), c.ProcessState.ExitCode()
	}
	answers := []string{"not good!", "larch-house", "Nowhere/Nothing", "Europe/Berlin", broker.URL, "", "cellar loft", "18,60", "18,60,5", "", "", "loft", "", "yes", ""}
	// Questions come in the order of topics: attic, then larch.
	if out, code := setup(answers[:len(answers)-2]); code != 1 || !strings.Contains(out, "broken off") {
		t.Errorf("broken off before the last answer: exit %d: %s", code, out)
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
	out, code := setup(answers)
	if code != 0 || !strings.Contains(out, "temperature 17.2 C in cellar, humidity 52 % in cellar") || !strings.Contains(out, "attic/temperature: temperature 22.5 C\n") {
		t.Fatalf("exit %d: %s", code, out)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"larch/{room}/climate", "warm: 18 C", "room: loft", `zone: "Europe/Berlin"`} {
		if !strings.Contains(string(text), want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
	if out, code := call(t, "check", "--config", file); code != 0 {
		t.Error(out)
	}

	// It is not replaced unless that is said, and then kept.
	for _, given := range [][]string{nil, {"no"}, {""}} {
		if out, code := setup(given); code != 1 {
			t.Errorf("%v: exit %d: %s", given, code, out)
		}
	}
	if out, code := setup(nil, "--yes"); code != 1 || !strings.Contains(out, "--force") {
		t.Errorf("exit %d: %s", code, out)
	}
	if now, err := os.ReadFile(file); err != nil || !bytes.Equal(now, text) {
		t.Errorf("it was replaced: %v", err)
	}

	page := servertest.FreeAddr(t)
	if err := os.WriteFile(file, append(text, "http: {listen: \""+page+"\"}\n"...), 0o600); err != nil {
		t.Fatal(err)
	}
	daemon := command("run", "--config", file, "--data", filepath.Join(dir, "data"))
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = daemon.Process.Kill() })
	for deadline := time.Now().Add(2 * time.Minute); ; time.Sleep(200 * time.Millisecond) {
		out, _ := call(t, "status", "--url", "http://"+page)
		if strings.Contains(out, "17.2 °C") && strings.Contains(out, "52 % RH") && strings.Contains(out, "48 % RH") {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal(out)
		}
	}
}

// TestSetupByFlags: without questions, with secrets in files for their owner
// alone, and nothing of them on the screen or in the configuration.
func TestSetupByFlags(t *testing.T) {
	dir := t.TempDir()
	file, password := filepath.Join(dir, "house", "dryhold.yaml"), filepath.Join(dir, "pw")
	if err := os.WriteFile(password, []byte("planted-buckwheat\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	args := []string{"setup", file, "--yes", "--site", "larch-house", "--zone", "UTC", "--room", "cellar:18,60,5", "--room", "loft",
		"--mail-server", "smtp.larch.example:465", "--mail-to", "mara@larch.example", "--mail-user", "mara", "--mail-password-file", password}
	out, code := call(t, args...)
	if code != 0 || strings.Contains(out, "planted") {
		t.Fatalf("exit %d: %s", code, out)
	}
	text, err := os.ReadFile(file)
	if err != nil || strings.Contains(string(text), "planted") || !strings.Contains(string(text), "tls: implicit") {
		t.Errorf("%v:\n%s", err, text)
	}
	for _, name := range []string{"dryhold.yaml", "secrets/mail-user", "secrets/mail-password"} {
		if info, err := os.Stat(filepath.Join(dir, "house", name)); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v", name, info, err)
		}
	}
	if out, code := call(t, "check", "--config", file); code != 0 || strings.Contains(out, "Warning") || strings.Contains(out, "cannot be read") {
		t.Errorf("exit %d: %s", code, out)
	}
	if out, code := call(t, append(args, "--force")...); code != 0 {
		t.Errorf("exit %d: %s", code, out)
	}
	if before, err := os.ReadFile(file + ".before"); err != nil || !bytes.Equal(before, text) {
		t.Errorf("the one before is not kept: %v", err)
	}
	f := func(code int, want string, more ...string) {
		t.Helper()
		if got, is := call(t, append([]string{"setup", filepath.Join(dir, "other.yaml"), "--yes"}, more...)...); is != code || !strings.Contains(got, want) {
			t.Errorf("%v: exit %d, want %d with %q: %s", more, is, code, want, got)
		}
	}
	f(2, "write own, or an address", "--broker", "hearth")
	f(2, "is no number", "--room", "cellar:a,b,c")
	f(2, "outside A-Z", "--room", "wine cellar")
	f(1, "warm 900 C is outside", "--room", "cellar:900,60,5")
	f(1, "cannot listen at the broker", "--broker", "mqtt://127.0.0.1:1", "--listen", "1s")
	if _, err := os.Stat(filepath.Join(dir, "other.yaml")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a configuration with mistakes was written: %v", err)
	}
}

// An interrupt while it asks leaves nothing.
func TestSetupInterrupted(t *testing.T) {
	dir := t.TempDir()
	c := command("setup", filepath.Join(dir, "dryhold.yaml"))
	in, err := c.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	if _, err := in.Write([]byte("larch-house\n")); err != nil {
		t.Fatal(err)
	}
	seen := ""
	for buf := make([]byte, 512); !strings.Contains(seen, "Time zone"); {
		n, err := out.Read(buf)
		if seen += string(buf[:n]); err != nil {
			t.Fatalf("%v: %s", err, seen)
		}
	}
	if err := c.Process.Signal(syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	if err := c.Wait(); err == nil || c.ProcessState.ExitCode() != 1 {
		t.Errorf("ended with %v", err)
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}
