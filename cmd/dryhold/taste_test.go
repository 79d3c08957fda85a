package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dryhold/internal/servertest"
)

// Tests of a lot on the command line: said back with before and after, listed
// with the reasoning, taken back, audited.
func TestLotTestCommands(t *testing.T) {
	dir, page := t.TempDir(), servertest.FreeAddr(t)
	file, data := filepath.Join(dir, "dryhold.yaml"), filepath.Join(dir, "data")
	if err := os.WriteFile(file, fmt.Appendf(nil, "site: larch-house\nbroker: {embedded: {listen: 127.0.0.1:0}}\nhttp: {listen: %q}\nrooms: [{name: cellar}]\n", page), 0o600); err != nil {
		t.Fatal(err)
	}
	f := func(code int, want string, args ...string) string {
		t.Helper()
		c := command(append(args, "--url", "http://"+page)...)
		c.Env = append(c.Env, "TZ=UTC")
		out, _ := c.CombinedOutput()
		got := strings.Join(strings.Fields(string(out)), " ")
		if exit := c.ProcessState.ExitCode(); exit != code || !strings.Contains(got, want) {
			t.Errorf("dryhold %s: exit %d, want %d with %q:\n%s", strings.Join(args, " "), exit, code, want, out)
		}
		return string(out)
	}
	runLarch(t, file, data)
	packed := time.Now().UTC().AddDate(-2, 0, 0).Format(time.DateOnly)
	f(0, "L-1", "lots", "add", "hard-wheat", "pet-2l", "--count", "2", "--mass", "1.6", "--room", "cellar", "--packed", packed)
	said := f(0, "Kept: taste 3 of 9, off smell, 70 of 100 seeds sprouted. Remaining quality of L-1 before all tests ",
		"lots", "test", "L-1", "--taste", "3", "--off-smell", "yes", "--germinated", "70/100", "--by", "Ada")
	fits(t, said)
	wants(t, said, "of 200 sets of constants", "Seed that sprouts before ", "dryhold lots revoke-test L-1 1 --note WHY", "!! An off smell was noted on", "throw it out")
	wants(t, f(0, "Test 1, on ", "explain", "L-1"), "taste 3 of 9, off smell, 70 of 100 seeds sprouted", "Remaining quality before the tests", "Quality is not safety")
	f(1, "lot L-1 has no test 2", "lots", "revoke-test", "L-1", "2", "--note", "x")
	f(0, "Test 1 of L-1 is taken back. No test counts for L-1: remaining quality ", "lots", "revoke-test", "L-1", "1", "--note", "another jar", "--by", "Bea")
	f(1, "taken back already", "lots", "revoke-test", "L-1", "1", "--note", "x")
	f(1, `no lot "L-9"`, "lots", "test", "L-9", "--taste", "5")
	f(0, "Bea: L-1 revoked test 1; before: taste 3 of 9, off smell, 70 of 100 seeds sprouted; why: another jar", "audit")
}

func TestLotTestUsage(t *testing.T) {
	f := func(want string, args ...string) {
		t.Helper()
		got, exit := call(t, append(args, "--url", "http://127.0.0.1:1")...)
		if exit != 2 || !strings.Contains(got, want) {
			t.Errorf("dryhold %s: exit %d, want 2 with %q:\n%s", strings.Join(args, " "), exit, want, got)
		}
	}
	f("needs --taste, --off-smell or --germinated", "lots", "test", "L-1")
	f("--taste: 10 is not on the scale", "lots", "test", "L-1", "--taste", "10")
	f("--taste: 0 is not on the scale", "lots", "test", "L-1", "--taste", "0")
	f(`--off-smell: "maybe": write yes or no`, "lots", "test", "L-1", "--off-smell", "maybe")
	for _, bad := range []string{"83", "83/", "101/100", "-1/100", "0/0", "a/b"} {
		f("write how many sprouted of how many sown", "lots", "test", "L-1", "--germinated", bad)
	}
	f("--at:", "lots", "test", "L-1", "--taste", "5", "--at", "once")
	f(`"one" is no number of a test`, "lots", "revoke-test", "L-1", "one", "--note", "x")
	f("revoke-test needs --note", "lots", "revoke-test", "L-1", "1")
}
