package main

import (
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dryhold/internal/health"
	"dryhold/internal/intake/mosquittotest"
	"dryhold/internal/servertest"
)

// TestDoctor: one house whose faults are made one after the other, with the
// daemon stopped and running, each with its remedy; and mended again.
func TestDoctor(t *testing.T) {
	pub, broker := servertest.Program(t, "mosquitto_pub", "mosquitto-clients"), mosquittotest.Start(t)
	dir, page := t.TempDir(), servertest.FreeAddr(t)
	file, data, secret := filepath.Join(dir, "dryhold.yaml"), filepath.Join(dir, "data"), filepath.Join(dir, "password")
	configure := func(more string) {
		t.Helper()
		text := fmt.Sprintf("site: larch-house\nbroker: {url: %q}\nhttp: {listen: %q}\nrooms: [{name: cellar}, {name: loft}]\n%s", broker.URL, page, more)
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	// examined gives what was found, by its title; where several have one, the
	// worst.
	examined := func(args ...string) (found map[string]health.Finding, code int) {
		t.Helper()
		c := command(append([]string{"doctor", "--json"}, args...)...)
		out, err := c.Output()
		if err != nil && c.ProcessState == nil {
			t.Fatal(err)
		}
		var x examination
		if err := json.Unmarshal(out, &x); err != nil {
			t.Fatalf("%s: %v", out, err)
		}
		found = map[string]health.Finding{}
		for _, f := range x.Findings {
			if f.State != health.Good && f.Remedy == "" {
				t.Errorf("no remedy: %+v", f)
			}
			if f.Found == "" || f.Area == "" {
				t.Errorf("says nothing: %+v", f)
			}
			if was, seen := found[f.Title]; !seen || was.State == health.Good {
				found[f.Title] = f
			}
		}
		if len(x.Findings) != x.Good+x.Wrong+x.NotKnown || (x.Wrong > 0) != (c.ProcessState.ExitCode() == 1) {
			t.Errorf("exit %d with %d good, %d wrong, %d not known", c.ProcessState.ExitCode(), x.Good, x.Wrong, x.NotKnown)
		}
		return found, c.ProcessState.ExitCode()
	}
	with := []string{"--config", file, "--data", data}
	is := func(found map[string]health.Finding, title string, want health.State, text string) {
		t.Helper()
		f, there := found[title]
		if !there || f.State != want || !strings.Contains(f.Found, text) {
			t.Errorf("%s: %+v, want %s with %q", title, f, want, text)
		}
	}

	configure("")
	found, _ := examined(with...)
	is(found, "The daemon answers", health.Wrong, "cannot reach")
	is(found, "Nobody else has the data", health.Good, "")
	is(found, "The broker takes dryhold in", health.Good, "grants")
	is(found, "The data directory is there", health.Unknown, "none yet")
	is(found, "The address of the page is free", health.Good, page)

	taken, err := net.Listen("tcp", page)
	if err != nil {
		t.Fatal(err)
	}
	found, _ = examined(append(with, "--url", "http://127.0.0.1:1")...)
	is(found, "The address of the page is free", health.Wrong, "is taken")
	if err := taken.Close(); err != nil {
		t.Fatal(err)
	}

	configure("room: []\n")
	found, _ = examined(with...)
	is(found, "The configuration is good", health.Wrong, "dryhold.yaml:5:")

	// A mail server that is not there, a secret for all to read, a push that only
	// a notice can try, an export nobody takes, a backup nobody made.
	if err := os.WriteFile(secret, []byte("invented\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	configure(`mail: {host: 127.0.0.1, port: 1, tls: none, from: hearth@larch.example, to: [mara@larch.example], username_file: password, password_file: password}
alertmanager: {url: "http://127.0.0.1:1", token_file: password}
influx: {url: "http://127.0.0.1:1", org: larch, bucket: dryhold, token_file: missing}
`)
	found, _ = examined(with...)
	is(found, "The mail server takes the login of mail", health.Wrong, "refused")
	is(found, "The alert router takes the token", health.Wrong, "refused")
	is(found, "The export server takes the token", health.Wrong, "cannot read its secret")
	is(found, "The files it names can be read", health.Wrong, "missing")
	is(found, "Secrets are kept from others", health.Wrong, secret)
	for _, f := range found {
		if strings.Contains(f.Found, "invented") {
			t.Errorf("a secret is shown: %s", f.Found)
		}
	}

	configure("topics: [{topic: 'larch/{room}', json: {time: {path: ts, format: s, optional: true}, fields: [{path: t, quantity: temperature, unit: C}]}}]\n")
	daemon := command("run", "--config", file, "--data", data)
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = daemon.Process.Kill() })
	publish := func(topic, payload string) {
		t.Helper()
		host, port, err := net.SplitHostPort(strings.TrimPrefix(broker.URL, "mqtt://"))
		if err != nil {
			t.Fatal(err)
		}
		if out, err := exec.Command(pub, "-h", host, "-p", port, "-q", "1", "-t", topic, "-m", payload).CombinedOutput(); err != nil {
			t.Fatalf("mosquitto_pub: %v\n%s", err, out)
		}
	}
	until := func(what string, well func() bool) {
		t.Helper()
		for deadline := time.Now().Add(2 * time.Minute); !well(); time.Sleep(100 * time.Millisecond) {
			if time.Now().After(deadline) {
				t.Fatalf("waited in vain for %s", what)
			}
		}
	}
	until("the daemon", func() bool { _, code := call(t, "status", "--url", "http://"+page); return code == 0 })
	publish("larch/cellar", `{"t": 17}`)
	publish("larch/cellar", `{"t": 17, "ts": 100}`)
	until("both messages", func() bool {
		found, _ = examined(with...)
		return found["Sensors are heard"].State == health.Good && found["Clocks of sensors are right"].State == health.Wrong
	})
	is(found, "Clocks of sensors are right", health.Wrong, "before 2000")
	is(found, "Room loft is heard", health.Wrong, "nothing ever came")
	is(found, "The daemon answers", health.Good, "version")
	is(found, "The data belong to the daemon alone", health.Good, data)
	is(found, "The database is whole", health.Good, "")
	is(found, "There is a fresh backup", health.Unknown, "none is known")
	is(found, "The disk keeps what it is given, in time", health.Good, "a sync takes")

	if out, code := call(t, "backup", "--data", data, filepath.Join(dir, "backup")); code != 0 {
		t.Fatal(out)
	}
	if err := os.Chmod(data, 0o755); err != nil {
		t.Fatal(err)
	}
	found, _ = examined(with...)
	is(found, "There is a fresh backup", health.Good, "0 days ago")
	is(found, "The data belong to the daemon alone", health.Wrong, "0755")
	if err := os.Chmod(data, 0o700); err != nil {
		t.Fatal(err)
	}

	// The daemon has the data, and its page is elsewhere.
	found, _ = examined(append(with, "--url", "http://127.0.0.1:1")...)
	is(found, "Nobody else has the data", health.Wrong, "does not answer")

	// The broker goes away: the daemon and this machine both say so.
	broker.Kill()
	found, _ = examined(with...)
	is(found, "The broker takes dryhold in", health.Wrong, "cannot connect")
	broker.Restart()
	until("the broker", func() bool {
		found, _ = examined(with...)
		return found["The broker takes dryhold in"].State == health.Good
	})

	// Only the daemon is asked where nothing else is said.
	found, _ = examined("--url", "http://"+page)
	is(found, "The configuration is good", health.Unknown, "none was given")
	if _, probed := found["The broker takes dryhold in"]; probed {
		t.Error("a broker was tried that nobody named")
	}
	if out, code := call(t, append([]string{"doctor"}, with...)...); code != 1 || !strings.Contains(out, "WRONG  Room loft is heard") || !strings.Contains(out, "To do: ") {
		t.Errorf("exit %d: %s", code, out)
	}
}

// TestDoctorAllGood: a house without a fault is called so, exit 0.
func TestDoctorAllGood(t *testing.T) {
	dir, page, mqtt := t.TempDir(), servertest.FreeAddr(t), servertest.FreeAddr(t)
	file, data := filepath.Join(dir, "dryhold.yaml"), filepath.Join(dir, "data")
	text := fmt.Sprintf("site: larch-house\nbroker: {embedded: {listen: %q}}\nhttp: {listen: %q}\n", mqtt, page)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	daemon := command("run", "--config", file, "--data", data)
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = daemon.Process.Kill() })
	host, port, err := net.SplitHostPort(mqtt)
	if err != nil {
		t.Fatal(err)
	}
	pub := servertest.Program(t, "mosquitto_pub", "mosquitto-clients")
	for deadline := time.Now().Add(2 * time.Minute); ; time.Sleep(100 * time.Millisecond) {
		_ = exec.Command(pub, "-h", host, "-p", port, "-q", "1", "-t", "rooms/cellar/temperature", "-m", "17").Run() // it may not listen yet
		out, code := call(t, "doctor", "--config", file, "--data", data)
		if code == 0 && strings.Contains(out, " 0 wrong, ") && strings.Contains(out, "The embedded broker listens") {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("exit %d: %s", code, out)
		}
	}
}
