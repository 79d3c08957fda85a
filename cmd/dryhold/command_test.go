package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/spf13/cobra"
)

// TestMain lets the test binary be the command itself.
func TestMain(m *testing.M) {
	if os.Getenv("DRYHOLD_TEST_COMMAND") == "1" {
		main()
		return
	}
	os.Exit(m.Run())
}

func command(args ...string) *exec.Cmd {
	c := exec.Command(os.Args[0], args...)
	c.Env = append(os.Environ(), "DRYHOLD_TEST_COMMAND=1", "USER=ada")
	return c
}

// call runs the command and gives what it printed and its exit code.
func call(t *testing.T, args ...string) (out string, code int) {
	t.Helper()
	var b bytes.Buffer
	c := command(args...)
	c.Stdout, c.Stderr = &b, &b
	err := c.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	return b.String(), c.ProcessState.ExitCode()
}

func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

func TestCommandsAgainstARunningDaemon(t *testing.T) {
	dir := t.TempDir()
	page := freePort(t)
	file := filepath.Join(dir, "dryhold.yaml")
	text := fmt.Sprintf("site: larch-house\nbroker: {embedded: {listen: 127.0.0.1:0}}\nhttp: {listen: %q}\nrooms: [{name: cellar}, {name: loft}]\n", page)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	daemon := command("run", "--config", file, "--data", filepath.Join(dir, "data"))
	daemon.Stdout = &out
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = daemon.Process.Kill() })
	url := "http://" + page
	f := func(code int, want string, args ...string) string {
		t.Helper()
		got, exit := call(t, append(args, "--url", url)...)
		if exit != code || !strings.Contains(got, want) {
			t.Errorf("dryhold %s: exit %d, want %d with %q:\n%s", strings.Join(args, " "), exit, code, want, got)
		}
		return got
	}
	for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		if _, code := call(t, "status", "--url", url); code == 0 {
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("no daemon: %s", out.String())
		}
	}
	f(0, "Registered L-1", "lots", "add", "white-rice", "pet-2l", "--count", "12", "--mass", "1.6", "--room", "cellar", "--treatment", "absorber", "--capacity", "300")
	f(1, `did you mean "white-rice"?`, "lots", "add", "white-rise", "pet-2l", "--mass", "1.6", "--room", "cellar")
	f(1, `did you mean "cellar"?`, "lots", "add", "white-rice", "pet-2l", "--mass", "1.6", "--room", "celar")
	f(1, "is in the future", "lots", "add", "white-rice", "pet-2l", "--mass", "1.6", "--room", "cellar", "--packed", "2999-01-01")
	f(2, "unknown flag", "lots", "add", "white-rice", "pet-2l", "--mas", "1")
	f(2, "lots show LOT", "lots", "show")
	f(0, "White rice", "lots", "list")
	f(0, "low oxygen", "lots", "show", "L-1")
	f(1, `no lot "L-9"`, "lots", "move", "L-9", "loft")
	f(0, "stands in loft", "lots", "move", "L-1", "loft")
	f(1, "stands in loft already", "lots", "move", "L-1", "loft")
	f(0, "its record stays", "lots", "finish", "L-1", "--note", "eaten")
	f(0, "No lots yet", "lots", "list")
	f(0, "finished", "lots", "list", "--all")
	f(0, "larch-house", "status")
	f(0, "No alarms", "alarms", "list")
	f(1, "no alarm condition warm/loft", "alarms", "acknowledge", "warm/loft")
	f(2, `did you mean "warm"?`, "alarms", "acknowledge", "wram/loft")
	for _, args := range [][]string{{"lots", "list", "--all", "--json"}, {"lots", "show", "L-1", "--json"}, {"status", "--json"}, {"alarms", "list", "--json"}} {
		if got := f(0, "", args...); !json.Valid([]byte(got)) {
			t.Errorf("%v prints no JSON: %s", args, got)
		}
	}
	if got, code := call(t, "run", "--config", file, "--data", filepath.Join(dir, "data")); code != 1 || !strings.Contains(got, "in use by another dryhold") {
		t.Errorf("a second daemon: exit %d: %s", code, got)
	}
	if err := daemon.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := daemon.Wait(); err != nil {
		t.Errorf("SIGTERM: %v", err)
	}
	if !strings.Contains(out.String(), url) {
		t.Errorf("the start-up text does not name the page:\n%s", out.String())
	}
	f(1, "cannot reach the daemon", "status")
}

func TestCheckListsEveryMistake(t *testing.T) {
	if got, code := call(t, "check", "--config", "../../config/dryhold.example.yaml"); code != 0 {
		t.Errorf("the example configuration: exit %d: %s", code, got)
	}
	file := filepath.Join(t.TempDir(), "bad.yaml")
	text := "sit: x\nzone: Europe/Berln\nstale: 5 apples\nrooms:\n  - name: cellar\n    limits: {warm: 18 lx}\nsensors: [{name: a, room: celar}]\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	got, code := call(t, "check", "--config", file)
	for _, want := range []string{":1:1:", ":2:7:", ":3:8:", ":6:", ":7:", `did you mean "site"?`, `did you mean "cellar"?`} {
		if !strings.Contains(got, want) {
			t.Errorf("check does not say %q:\n%s", want, got)
		}
	}
	if code != 1 {
		t.Errorf("exit %d, want 1", code)
	}
}

func TestEveryCommandHasAnExample(t *testing.T) {
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		if c.Short == "" || c.Runnable() && !c.HasSubCommands() && c.Example == "" {
			t.Errorf("%s has no example or no summary", c.CommandPath())
		}
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk(newRoot())
	if got, code := call(t, "completion", "bash"); code != 0 || !strings.Contains(got, "dryhold") {
		t.Errorf("completion: exit %d", code)
	}
	if got, code := call(t, "version"); code != 0 || !strings.HasPrefix(got, "dryhold ") {
		t.Errorf("version: exit %d, %s", code, got)
	}
}
