package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/servertest"
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

func TestCommandsAgainstARunningDaemon(t *testing.T) {
	dir := t.TempDir()
	page := servertest.FreeAddr(t)
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
	f(0, "Registered L-1", "lots", "add", "white-rice", "pet-2l", "--count", "12", "--mass", "1.6", "--room", "cellar", "--treatment", "absorber", "--capacity", "300",
		"--packed", time.Now().UTC().AddDate(0, 0, -7).Format(time.DateOnly)) // an absorber needs its time
	f(1, `did you mean "white-rice"?`, "lots", "add", "white-rise", "pet-2l", "--mass", "1.6", "--room", "cellar")
	f(1, `did you mean "cellar"?`, "lots", "add", "white-rice", "pet-2l", "--mass", "1.6", "--room", "celar")
	f(1, "is in the future", "lots", "add", "white-rice", "pet-2l", "--mass", "1.6", "--room", "cellar", "--packed", "2999-01-01")
	f(0, "Inside: absorber too small: 20 of", "lots", "add", "rolled-oats", "pet-2l", "--mass", "0.8", "--room", "loft", "--treatment", "absorber", "--capacity", "20")
	moist := []string{"lots", "add", "brown-rice", "pet-2l", "--mass", "1.6", "--room", "loft", "--treatment", "absorber", "--capacity", "300", "--moisture", "14"}
	f(1, "at or above the red line", moist...)
	f(0, "Caution: ", append(moist, "--override", "eaten within the week")...)
	f(0, "Registered L-4", "lots", "add", "white-rice", "pet-2l", "--mass", "1.6", "--room", "cellar", "--treatment", "absorber", "--capacity", "300", "--moisture-activated")
	f(0, "moisture-activated absorber of 300 cm3 in each container", "lots", "show", "L-4")
	f(1, `a moisture-activated absorber with treatment "none"`, "lots", "add", "white-rice", "pet-2l", "--mass", "1.6", "--room", "cellar", "--moisture-activated")
	f(1, "net mass -1 kg of each container: give a mass above 0", "lots", "add", "white-rice", "pet-2l", "--mass", "-1", "--room", "cellar")
	f(2, "--mass NaN is not an amount: write a number such as 1.6", "lots", "add", "white-rice", "pet-2l", "--mass", "NaN", "--room", "cellar")
	f(2, "--moisture +Inf is not an amount", "lots", "add", "white-rice", "pet-2l", "--mass", "1.6", "--room", "cellar", "--moisture", "Inf")
	f(2, "--capacity -Inf is not an amount", "lots", "add", "white-rice", "pet-2l", "--mass", "1.6", "--room", "cellar", "--capacity=-Inf")
	f(1, "moisture 80 % of wet mass: give 0 to 50 %", "lots", "add", "white-rice", "pet-2l", "--mass", "1.6", "--room", "cellar", "--moisture", "80")
	f(2, "unknown flag", "lots", "add", "white-rice", "pet-2l", "--mas", "1")
	f(2, "lots add needs --mass and --room", "lots", "add", "white-rice", "pet-2l")
	f(2, "is not a time", "lots", "add", "white-rice", "pet-2l", "--mass", "1", "--room", "loft", "--packed", "yesterday")
	f(2, "1 arguments wanted, 0 given: dryhold lots show LOT", "lots", "show")
	f(0, "FIND OUT: In cellar: not known.", "pack", "white-rice", "pet-2l", "--mass", "20kg")
	f(1, `there is no room "celar": did you mean "cellar"?`, "pack", "white-rice", "pet-2l", "--room", "celar")
	f(1, "A flip-top closure is not fit", "pack", "white-rice", "pet-2l", "--closure", "flip-top")
	f(0, "White rice", "lots", "list")
	shown := f(0, "absorber of 300 cm3 in each container", "lots", "show", "L-1")
	for _, want := range []string{"low oxygen", "moisture", "not measured", "cellar since", "equivalent days at 21 °C", "Quality is not safety"} {
		if !strings.Contains(shown, want) {
			t.Errorf("lots show does not say %q:\n%s", want, shown)
		}
	}
	f(0, "Botulism poisoning", "lots", "show", "L-3")
	f(1, "`dryhold lots list --all` lists them", "lots", "show", "L-9")
	f(1, `no lot "L-9"`, "lots", "move", "L-9", "loft")
	f(0, "stands in loft", "lots", "move", "L-1", "loft")
	f(1, "stands in loft already", "lots", "move", "L-1", "loft")
	noteLots(t, f)
	f(0, "its record stays", "lots", "finish", "L-2", "--note", "eaten")
	f(0, "its record stays", "lots", "finish", "L-3", "--note", "eaten")
	f(0, "its record stays", "lots", "finish", "L-4", "--note", "eaten")
	f(1, "was finished on", "lots", "note", "L-4", "too late")
	if got := f(0, "White rice", "lots", "list"); strings.Contains(got, "Brown rice") {
		t.Errorf("a finished lot is listed:\n%s", got)
	}
	f(0, "its record stays", "lots", "finish", "L-1", "--note", "eaten")
	f(0, "No lots in store; `dryhold lots list --all` shows the finished ones (4).", "lots", "list")
	f(0, "finished", "lots", "list", "--all")
	f(0, "larch-house", "status")
	f(0, "never", "status") // no reading yet
	// That of the absorber of L-2 ends with the lot, at the next tick.
	for deadline := time.Now().Add(20 * time.Second); time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
		if got, _ := call(t, "alarms", "list", "--url", url); strings.Contains(got, "No alarms") {
			break
		}
	}
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
	stopped := time.Now()
	if err := daemon.Wait(); err != nil {
		t.Errorf("SIGTERM: %v", err)
	}
	if took := time.Since(stopped); took > stopWithin {
		t.Errorf("it took %v to stop", took)
	}
	for _, want := range []string{url, "own broker  mqtt://127.0.0.1:", filepath.Join(dir, "data"), "dryhold lots add", "Quality is not safety"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("the start-up text does not say %q:\n%s", want, out.String())
		}
	}
	f(1, "cannot reach the daemon", "status")
}

// noteLots notes of L-1, and what it may not.
func noteLots(t *testing.T, f func(code int, want string, args ...string) string) {
	t.Helper()
	today := time.Now().UTC().Format(time.DateOnly)
	exactly := func(want string, args ...string) {
		t.Helper()
		if got := f(0, "", args...); got != want {
			t.Errorf("dryhold %s prints %q, want %q", strings.Join(args, " "), got, want)
		}
	}
	exactly("Noted of L-1; its seal: assumed, no note of it.\n", "lots", "note", "L-1", "label faded", "--by", "Ada")
	exactly("Noted of L-1; its seal: verified, noted for "+today+".\n",
		"lots", "note", "L-1", "--seal", "verified", "bottle buckled in: seal holding", "--by", "Ada")
	shown := f(0, "", "lots", "show", "L-1")
	for _, want := range []string{"verified, noted for " + today, today + ": label faded (Ada)", today + ", seal verified: bottle buckled in: seal holding (Ada)"} {
		if !strings.Contains(shown, want) {
			t.Errorf("lots show does not say %q:\n%s", want, shown)
		}
	}
	f(0, "assumed, no note of it", "lots", "show", "L-2")
	f(0, `"seal": "verified"`, "lots", "show", "L-1", "--json")
	f(2, `--seal: unknown state "verifed": did you mean "verified"?`, "lots", "note", "L-1", "--seal", "verifed")
	f(2, `--seal: unknown state "buckled-in": it is one of assumed, verified, failed`, "lots", "note", "L-1", "--seal", "buckled-in")
	f(2, `--seal: unknown state ""`, "lots", "note", "L-1", "--seal", "")
	f(2, "dryhold lots note needs a TEXT or --seal", "lots", "note", "L-1")
	f(2, "dryhold lots note needs a TEXT or --seal", "lots", "note", "L-1", " ")
	f(2, "which lot? dryhold lots note LOT [TEXT]", "lots", "note", "--seal", "verified")
	f(2, "put the text in quotes", "lots", "note", "L-1", "seal", "holding")
	f(2, "--at: \"soon\" is not a time", "lots", "note", "L-1", "holds", "--at", "soon")
	f(1, "is in the future", "lots", "note", "L-1", "holds", "--at", "2999-01-01")
	f(1, "was packed at", "lots", "note", "L-1", "holds", "--at", "2001-01-01")
	f(1, "a note of 501 characters: give at most 500", "lots", "note", "L-1", strings.Repeat("é", 501))
	f(1, `no lot "L-9"`, "lots", "note", "L-9", "holds")
	for _, want := range []string{"--seal verified \"bottle buckled in: seal holding\"", "taken to have leaked from the start", "throw it out"} {
		f(0, want, "lots", "note", "--help")
	}
	if got, code := call(t, "__complete", "lots", "note", "L-1", "--seal", "v"); code != 0 || !strings.HasPrefix(got, "assumed\nverified\nfailed\n") {
		t.Errorf("completion of --seal: exit %d, %q", code, got)
	}
}

// TestStartUpTextPublishesAFirstReading runs the very line a newcomer is told
// to run. The usual ports may be taken, so the configuration names others.
func TestStartUpTextPublishesAFirstReading(t *testing.T) {
	publisher := servertest.Program(t, "mosquitto_pub", "mosquitto-clients")
	dir, page := t.TempDir(), servertest.FreeAddr(t)
	file := filepath.Join(dir, "dryhold.yaml")
	if err := os.WriteFile(file, fmt.Appendf(nil, "broker: {embedded: {listen: 127.0.0.1:0}}\nhttp: {listen: %q}\n", page), 0o600); err != nil {
		t.Fatal(err)
	}
	daemon := command("run", "--config", file, "--data", filepath.Join(dir, "data"))
	stdout, err := daemon.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = daemon.Process.Kill(); _ = daemon.Wait() })
	var line []string
	for lines := bufio.NewScanner(stdout); line == nil && lines.Scan(); {
		if f := strings.Fields(lines.Text()); len(f) > 0 && f[0] == "mosquitto_pub" {
			line = f
		}
	}
	if line == nil {
		t.Fatal("the start-up text has no line that publishes a reading")
	}
	if out, err := exec.Command(publisher, line[1:]...).CombinedOutput(); err != nil {
		t.Fatalf("%s: %v: %s", strings.Join(line, " "), err, out)
	}
	for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		got, code := call(t, "status", "--url", "http://"+page)
		if code == 0 && strings.Contains(got, "cellar") && strings.Contains(got, "21.5 °C") && strings.Contains(got, "s ago") {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("the reading published as told does not show:\n%s", got)
		}
	}
}

func TestUsageMistakes(t *testing.T) {
	f := func(code int, want string, args ...string) {
		t.Helper()
		got, exit := call(t, args...)
		if exit != code || !strings.Contains(got, want) {
			t.Errorf("dryhold %s: exit %d, want %d with %q:\n%s", strings.Join(args, " "), exit, code, want, got)
		}
	}
	f(0, "Available Commands")
	f(0, "Available Commands", "lots")
	f(0, "Available Commands", "alarms")
	f(2, `dryhold has no command "stats": did you mean "status"?`, "stats")
	f(2, `dryhold lots has no command "ad": did you mean "add"?`, "lots", "ad")
	f(2, `dryhold alarms has no command "lst": did you mean "list"?`, "alarms", "lst")
	f(2, `dryhold run takes no arguments, and "now" is one`, "run", "now")
	f(2, `--log: "loud" is not a level`, "run", "--log", "loud")
	f(2, "unknown flag: --confg (see dryhold run --help)", "run", "--confg", "x")
	f(2, `--url "hearth" is not an address: write for example http://127.0.0.1:8090`, "status", "--url", "hearth")
	f(2, `--url "ftp://hearth" is not an address`, "lots", "list", "--url", "ftp://hearth")
	f(2, `"warm" is not an alarm: write warm/ROOM`, "alarms", "acknowledge", "warm")
	f(1, "cannot read the configuration", "run", "--config", "no-such-file.yaml")
	f(1, "cannot reach the daemon at http://127.0.0.1:1: start it with `dryhold run`", "status", "--url", "http://127.0.0.1:1")
}

func TestAge(t *testing.T) {
	now := time.Date(2026, time.July, 1, 12, 0, 0, 0, time.UTC)
	f := func(ago time.Duration, want string) {
		t.Helper()
		if got := age(now.Add(-ago), now); got != want {
			t.Errorf("%v: %s, want %s", ago, got, want)
		}
	}
	f(-3*time.Minute, "0 s ago") // a clock ahead of ours
	f(1900*time.Millisecond, "1 s ago")
	f(119*time.Second, "119 s ago")
	f(2*time.Minute, "2 min ago")
	f(119*time.Minute, "119 min ago")
	f(2*time.Hour, "2 h ago")
	f(47*time.Hour, "47 h ago")
	f(48*time.Hour, "2 days ago")
	if got := age(time.Time{}, now); got != "never" {
		t.Error(got)
	}
}

func TestCheckListsEveryMistake(t *testing.T) {
	file := filepath.Join(t.TempDir(), "bad.yaml")
	text := "sit: x\nzone: Europe/Berln\nstale: 5 apples\nrooms:\n  - name: cellar\n    limits: {warm: 18 lx}\nsensors: [{name: a, room: celar}]\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	got, code := call(t, "check", "--config", file)
	if code != 1 {
		t.Errorf("exit %d, want 1", code)
	}
	var places []string
	for line := range strings.Lines(got) {
		if rest, found := strings.CutPrefix(line, file+":"); found {
			place, _, _ := strings.Cut(rest, " ")
			places = append(places, place)
		}
	}
	if want := []string{"1:1:", "2:7:", "3:8:", "6:20:", "7:27:"}; !slices.Equal(places, want) {
		t.Errorf("mistakes at %v, want %v:\n%s", places, want, got)
	}
	for _, want := range []string{`did you mean "site"?`, `did you mean "cellar"?`} {
		if !strings.Contains(got, want) {
			t.Errorf("check does not say %q:\n%s", want, got)
		}
	}
}

// TestCheckOfTheExample: the example names files with credentials that are
// not there. A configuration can be checked without them, and they are told.
func TestCheckOfTheExample(t *testing.T) {
	got, code := call(t, "check", "--config", "../../config/dryhold.example.yaml")
	if code != 0 || !strings.HasPrefix(got, "The configuration is good: site larch-house, 4 rooms listed, 6 topics") {
		t.Errorf("exit %d: %s", code, got)
	}
	for _, want := range []string{"cannot be read from here; the daemon will need them", "config/secrets/mqtt-user: no such file or directory", "config/secrets/mail-password"} {
		if !strings.Contains(got, want) {
			t.Errorf("check does not say %q:\n%s", want, got)
		}
	}
	if got, code := call(t, "check"); code != 0 || strings.Contains(got, "cannot be read") {
		t.Errorf("the defaults: exit %d: %s", code, got)
	}
}

func TestEveryCommandHasAnExample(t *testing.T) {
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		if c.Short == "" || c.Example == "" {
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

// What is printed is what ships, and what editors get from the package.
func TestCheckPrintsTheSchema(t *testing.T) {
	want, err := os.ReadFile("../../config/schema/dryhold.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	if got, code := call(t, "check", "--schema"); code != 0 || got != string(want) {
		t.Errorf("exit code %d, printed %.200s", code, got)
	}
	if got, code := call(t, "check", "--schema", "--config", "f.yaml"); code != 2 || !strings.Contains(got, "leave --config") {
		t.Errorf("exit code %d, said %s", code, got)
	}
}
