package main

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"dryhold/internal/servertest"
)

// A keeper's past brought in: shown first, stored once, folded into what a lot
// packed before it went through, on record, and the same after a restart.
func TestImportCommand(t *testing.T) {
	dir, page := t.TempDir(), servertest.FreeAddr(t)
	file, data := filepath.Join(dir, "dryhold.yaml"), filepath.Join(dir, "data")
	write := func(path, text string) {
		t.Helper()
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(file, fmt.Sprintf("site: larch-house\nbroker: {embedded: {listen: 127.0.0.1:0}}\nhttp: {listen: %q}\nrooms: [{name: cellar}, {name: loft}]\n", page))
	f := func(code int, want string, args ...string) string {
		t.Helper()
		c := command(append(args, "--url", "http://"+page)...)
		c.Env = append(c.Env, "TZ=UTC")
		out, _ := c.CombinedOutput()
		got := strings.Join(strings.Fields(string(out)), " ")
		if exit := c.ProcessState.ExitCode(); exit != code || !strings.Contains(got, want) {
			t.Errorf("dryhold %s: exit %d, want %d with %q:\n%s", strings.Join(args, " "), exit, code, want, out)
		}
		return got
	}
	l := runLarch(t, file, data)
	start := time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, -60)
	f(0, "L-1", "lots", "add", "white-rice", "pet-2l", "--count", "12", "--mass", "1.6", "--room", "loft", "--packed", start.Format(time.DateOnly))
	// Packed at noon: 59.5 to 60.5 days, whatever the time of day.
	_, rest, _ := strings.Cut(f(0, `"unknown_days": `, "lots", "show", "L-1", "--json"), `"unknown_days": `)
	if unknown, err := strconv.ParseFloat(rest[:strings.IndexAny(rest, ",} ")], 64); err != nil || unknown < 59 || unknown > 61 {
		t.Errorf("%v days unknown before the import, want all 60 (%v)", unknown, err)
	}

	// Invented: 58 days of a loft at 30 °C, every ten minutes, in US habits.
	var table strings.Builder
	table.WriteString("When,Temp,RH\n")
	rows := 58 * 144
	for i := range rows {
		at := start.Add(time.Duration(i) * 10 * time.Minute)
		fmt.Fprintf(&table, "%s,%.1f,50\n", at.Format("01/02/2006 3:04 PM"), 86+math.Sin(float64(i)))
	}
	table.WriteString("soon,86,50\n")
	past := filepath.Join(dir, "loft.csv")
	write(past, table.String())

	f(2, "the table does not say everything", "import", past)
	args := []string{"import", past, "--room", "loft", "--sensor", "loft-1", "--zone", "UTC", "--format", "mdy", "--value", "Temp=temperature:F", "--value", "RH=humidity:%", "--by", "mara"}
	seen := fmt.Sprintf("%d rows with %d readings", rows+1, 2*rows)
	f(0, "Nothing was imported, as asked.", append(args, "--dry-run")...)
	f(0, seen, append(args, "--dry-run")...)
	f(0, "Nothing was imported.", args...) // nobody says yes
	f(0, fmt.Sprintf(`loft.csv:%d:1: "soon" is no date of the format mdy`, rows+2), append(args, "--dry-run")...)
	f(0, fmt.Sprintf("Imported: %d readings stored, 0 were there before.", 2*rows), append(args, "--yes")...)
	f(0, fmt.Sprintf("Imported: 0 readings stored, %d were there before.", 2*rows), append(args, "--yes")...)
	f(1, `room "attic" is not listed`, "import", past, "--room", "attic", "--zone", "UTC", "--format", "mdy", "--value", "Temp=temperature:F", "--yes")
	f(0, "mara: loft.csv imported "+fmt.Sprint(2*rows)+" readings", "audit")

	after := f(0, `"unknown_days": 0,`, "lots", "show", "L-1", "--json")
	if err := l.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = l.Wait()
	runLarch(t, file, data)
	if again := f(0, `"id": "L-1"`, "lots", "show", "L-1", "--json"); remaining(t, again) != remaining(t, after) {
		t.Errorf("remaining quality %s after a restart, %s before", remaining(t, again), remaining(t, after))
	}
}

// remaining is the remaining quality in what `lots show --json` says.
func remaining(t *testing.T, text string) string {
	t.Helper()
	_, rest, ok := strings.Cut(text, `"remaining_quality": `)
	if !ok {
		t.Fatalf("no remaining quality in %s", text)
	}
	value, _, _ := strings.Cut(rest, "}")
	return value
}
