package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dryhold/internal/servertest"
)

// A lot in practice from the command line, and many registered by a table that
// is looked at, taken and taken back. Larch House is invented.
func TestLotsInPractice(t *testing.T) {
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
		return string(out)
	}
	runLarch(t, file, data)
	f(0, "L-1", "lots", "add", "white-rice", "pet-2l", "--count", "12", "--mass", "1.6", "--room", "cellar", "--price", "2.5")
	f(0, "L-2: 4 of L-1, in loft.", "lots", "split", "L-1", "4", "--room", "loft")
	f(0, "L-3 is open: it takes up the air of cellar now.", "lots", "open", "L-1")
	f(0, "Eaten; left of L-3: 1, 1.1 kg.", "lots", "eat", "L-3", "--kg", "0.5")
	f(0, "Eaten; left of L-1: 5, 8 kg.", "lots", "eat", "L-1", "2")
	f(2, "--reason", "lots", "discard", "L-1", "1")
	f(0, "Thrown out; left of L-1: 4, 6.4 kg.", "lots", "discard", "L-1", "1", "--reason", "bulging", "--by", "mara")
	f(0, "Taken back; left of L-1: 5, 8 kg.", "lots", "undo", "L-1")
	f(1, "there are 5", "lots", "eat", "L-1", "9")
	f(2, "say how much", "lots", "eat", "L-1")
	f(2, "is no number of containers", "lots", "eat", "L-1", "some")
	f(0, "in store 5 containers, 8 kg", "lots", "show", "L-1")
	f(0, "bought for 2.50 per kg, 20.00 on paper", "lots", "show", "L-1")
	f(0, "mara: L-1 threw out 1; before: 5 in store, 8 kg; why: bulging", "lots", "history", "L-1")
	f(1, `no lot "L-9"`, "lots", "history", "L-9")
	f(0, "nothing is left", "lots", "eat", "L-3", "1")

	f(0, "not looked through yet", "rounds")
	f(2, "say with --fine and --found", "rounds", "done", "cellar")
	f(1, "stands in loft, not in cellar", "rounds", "done", "cellar", "--fine", "rodents", "--failed", "L-2")
	f(1, "unknown question", "rounds", "done", "cellar", "--fine", "ghosts")
	f(1, "did you mean", "rounds", "done", "cellr", "--fine", "rodents")
	f(0, "Kept. Of bottles bulging or slack: name their lots as failed", "rounds", "done", "cellar", "--fine", "rodents,leaks,damp,sensor", "--found", "bottles", "--failed", "L-1", "--by", "mara")
	f(0, "!! found bottles bulging or slack", "rounds")
	f(0, "seal failed", "lots", "show", "L-1")
	f(0, "mara: cellar looked through, rodents fine", "audit")
	f(1, "there is none to complete", "lots", "treat", "L-1")
	f(0, "L-4", "lots", "add", "hard-wheat", "pail-20l", "--mass", "14", "--room", "cellar", "--treatment", "freeze-thaw", "--cycles", "2")
	f(0, "next step freeze it where a sensor measures for cold spell 1 of 2", "lots", "show", "L-4")
	f(0, "Recorded for L-4: freeze-thaw as the keeper says; no freezer was watched", "lots", "treat", "L-4", "--reason", "five days each at a friend's")
	f(0, "recorded the end of the treatment", "lots", "history", "L-4")
	f(0, "Taken back", "lots", "undo", "L-4")
	template := f(0, "food,container,count", "lots", "import", "--template")
	many := filepath.Join(dir, "lots.csv")
	write(many, template+"hard-wheat,pail-20l,2,14,2026-03-14,cellar,10.5,freeze-thaw,,boxed,,1.10,from the mill\n"+
		"sugar,pet-2l,6,1.7,2026-03-14,loft,,none,,boxed,,,\n")
	f(0, "2 lots, 8 containers, 38.2 kg. Nothing was registered, as asked.", "lots", "import", many, "--dry-run")
	f(0, "Nothing was registered. To do it", "lots", "import", many) // nobody says yes
	wrong := filepath.Join(dir, "wrong.csv")
	write(wrong, strings.ReplaceAll(template, "# white-rice,pet-2l,12,1.6,2026-03-14", "white-rice,pet-2l,12,1.6,1900-03-14")+"brown-rice,pet-2l,6,1.6,2026-03-14,attic,16,absorber,300,boxed,,,\n")
	said := f(1, "rows of wrong.csv cannot be used: nothing was registered", "lots", "import", wrong, "--yes")
	if !strings.Contains(said, "wrong.csv:4:1: pack date 1900-03-14 is before 1980") || !strings.Contains(said, "wrong.csv:6:1:") {
		t.Errorf("of a wrong table:\n%s", said)
	}
	f(0, "Registered 2 lots, L-5 to L-6, as import 1.", "lots", "import", many, "--yes")
	f(0, "L-6", "lots", "list")
	labels := filepath.Join(dir, "labels.pdf")
	f(0, "Written to", "lots", "labels", "--import", "1", "-o", labels)
	if pdf, err := os.ReadFile(labels); err != nil || !strings.HasPrefix(string(pdf), "%PDF-") {
		t.Errorf("labels: %.20q, %v", pdf, err)
	}
	f(0, "Written to", "lots", "labels", "L-1", "L-2", "--tape", "62mm", "-o", labels)
	f(2, "say with -o FILE", "lots", "labels", "L-1")
	f(1, "is finished: it needs no label", "lots", "labels", "L-3", "-o", labels)
	f(1, `there is no lot "L-9"`, "lots", "labels", "L-9", "-o", labels)
	f(1, "write columns and rows", "lots", "labels", "L-1", "--sheet", "many", "-o", labels)
	f(0, "Eaten", "lots", "eat", "L-6", "1")
	f(1, "L-6 was changed since", "lots", "import", "--undo", "1")
	f(0, "Taken back", "lots", "undo", "L-6")
	f(0, "Import 1 is taken back", "lots", "import", "--undo", "1")
	if left := f(0, "L-1", "lots", "list", "--all"); strings.Contains(left, "L-6") {
		t.Errorf("taken back, and still listed:\n%s", left)
	}
}
