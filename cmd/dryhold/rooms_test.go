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

// Notes of rooms on the command line: said back, listed, taken back, audited.
func TestRoomCommands(t *testing.T) {
	dir, page := t.TempDir(), servertest.FreeAddr(t)
	file, data := filepath.Join(dir, "dryhold.yaml"), filepath.Join(dir, "data")
	if err := os.WriteFile(file, fmt.Appendf(nil, "site: larch-house\nbroker: {embedded: {listen: 127.0.0.1:0}}\nhttp: {listen: %q}\nrooms: [{name: cellar}, {name: loft}]\n", page), 0o600); err != nil {
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
	f(0, "No notes of rooms.", "rooms", "notes")
	from, to := time.Now().UTC().AddDate(0, 0, -9).Format(time.DateOnly), time.Now().UTC().AddDate(0, 0, -6).Format(time.DateOnly)
	said := f(0, "Kept as note 1: loft from "+from+" 00:00 UTC to "+to+" 08:00 UTC, compressor failed. The review books what this cost 0 lots that stood there to it. To take it back: dryhold rooms revoke 1 --note WHY",
		"rooms", "note", "loft", "compressor failed", "--from", from, "--to", to+"T08:00", "--by", "Ada")
	fits(t, said)
	f(0, "Kept as note 2: cellar from "+from+" 00:00 UTC to ", "rooms", "note", "cellar", "painters", "--from", from)
	f(1, `no room "lft": did you mean "loft"?`, "rooms", "note", "lft", "x", "--from", from)
	f(1, "in the future", "rooms", "note", "loft", "x", "--from", from, "--to", "2999-01-01")
	f(0, "Kept as number 3: note 2 of cellar is taken back.", "rooms", "revoke", "2", "--note", "it was the hall", "--by", "Bea")
	f(1, "note 2 is taken back already", "rooms", "revoke", "2", "--note", "x")
	if got := f(0, "1 loft from "+from+" 00:00 UTC to "+to+" 08:00 UTC, told by Ada: compressor failed", "rooms", "notes"); strings.Contains(got, "painters") {
		t.Errorf("what was taken back is listed:\n%s", got)
	}
	fits(t, f(0, "painters (taken back by number 3)", "rooms", "notes", "--all"))
	f(0, "Ada: loft noted until "+to+"T08:00:00Z [note 1], from "+from+" 00:00 UTC; why: compressor failed", "audit")
	f(0, `"seq": 3`, "rooms", "notes", "--json")
}

func TestRoomUsage(t *testing.T) {
	f := func(want string, args ...string) {
		t.Helper()
		got, exit := call(t, append(args, "--url", "http://127.0.0.1:1")...)
		if exit != 2 || !strings.Contains(got, want) {
			t.Errorf("dryhold %s: exit %d, want 2 with %q:\n%s", strings.Join(args, " "), exit, want, got)
		}
	}
	f(`dryhold rooms has no command "nots"`, "rooms", "nots")
	f("rooms note needs --from", "rooms", "note", "loft", "x")
	f("rooms note", "rooms", "note", "loft")
	f(`--from: "once" is not a time`, "rooms", "note", "loft", "x", "--from", "once")
	f(`"one" is no number of a note`, "rooms", "revoke", "one", "--note", "x")
	f("rooms revoke needs --note", "rooms", "revoke", "1")
}
