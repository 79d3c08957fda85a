package main

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"dryhold/internal/servertest"
	"dryhold/internal/store"
)

// seen are the files below a folder, with what is in them.
func seen(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		body, err := os.ReadFile(path)
		out[path] = string(body)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// A drill says what a backup holds and whether it would work, and changes
// nothing, neither at the backup nor anywhere else.
func TestDrill(t *testing.T) {
	dir, temp := t.TempDir(), t.TempDir()
	t.Setenv("TMPDIR", temp)
	t.Setenv("XDG_STATE_HOME", filepath.Join(dir, "state"))
	file := filepath.Join(dir, "copy.db")
	f := func(code int, want string, args ...string) {
		t.Helper()
		before := seen(t, dir)
		got, exit := call(t, append([]string{"restore"}, args...)...)
		if exit != code || !strings.Contains(got, want) {
			t.Errorf("dryhold restore %s: exit %d, want %d with %q:\n%s", strings.Join(args, " "), exit, code, want, got)
		}
		if after := seen(t, dir); fmt.Sprint(before) != fmt.Sprint(after) {
			t.Errorf("dryhold restore %s changed something: %d files, then %d", strings.Join(args, " "), len(before), len(after))
		}
		if left, err := os.ReadDir(temp); err != nil || len(left) > 0 {
			t.Errorf("dryhold restore %s left %v, %v", strings.Join(args, " "), left, err)
		}
	}
	fill(t, filepath.Join(dir, "data"), 2000)
	if out, code := call(t, "backup", file, "--data", filepath.Join(dir, "data")); code != 0 {
		t.Fatal(out)
	}
	f(0, "it can be restored. Nothing was changed.", "--drill", file)
	f(0, "1 rooms, 0 lots, 0 of them not finished, newest reading 2026-07-01T00:33:19Z", "--drill", file)
	f(0, "2000 readings, from 2026-07-01 to 2026-07-01", file, "--drill")
	f(2, "--drill changes nothing, and takes neither --force nor --data", "--drill", file, "--force")
	f(2, "neither --force nor --data", "--drill", file, "--data", dir)
	f(2, "--config is for --drill", file, "--config", "x.yaml")
	f(1, "is a folder: give the file of a backup", "--drill", dir)
	f(1, "cannot read the backup", "--drill", filepath.Join(dir, "none.db"))
	f(1, "cannot read the configuration", "--drill", file, "--config", filepath.Join(dir, "none.yaml"))

	body, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	copy(body[3*4096:], make([]byte, 4096))
	if err := os.WriteFile(file, body, 0o600); err != nil {
		t.Fatal(err)
	}
	f(1, "is damaged, or no database", "--drill", file)
}

// literal gives the commands of a text in the order in which they stand.
func literal(t *testing.T, file string) (blocks []string) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile("(?ms)^```\n(.*?)^```$").FindAllStringSubmatch(string(text), -1) {
		blocks = append(blocks, m[1])
	}
	return blocks
}

// machine is one on which the commands of the manual run: a shell whose dryhold
// is that of this test and whose systemctl starts and stops it. Its own places
// stand for /etc/dryhold, /var/lib/dryhold and the disk.
type machine struct {
	t                      *testing.T
	dir, stick, page, path string
}

const systemctl = `#!/bin/sh
case "$1" in
start)
	dryhold run --config DIR/etc/dryhold.yaml --data DIR/data >>DIR/log 2>&1 &
	echo $! >DIR/pid
	for i in $(seq 600); do dryhold status >/dev/null 2>&1 && exit 0; sleep 0.1; done
	cat DIR/log; exit 1 ;;
stop)
	[ -f DIR/pid ] || exit 0
	kill "$(cat DIR/pid)"
	while kill -0 "$(cat DIR/pid)" 2>/dev/null; do sleep 0.05; done
	rm DIR/pid ;;
esac
`

func newMachine(t *testing.T, stick string) *machine {
	t.Helper()
	m := &machine{t: t, dir: t.TempDir(), stick: stick, page: servertest.FreeAddr(t)}
	m.path = filepath.Join(m.dir, "bin")
	for _, dir := range []string{m.path, filepath.Join(m.dir, "etc"), filepath.Join(m.dir, "data")} {
		if err := os.Mkdir(dir, 0o700); err != nil {
			t.Fatal(err)
		}
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{
		"dryhold":   "#!/bin/sh\nDRYHOLD_TEST_COMMAND=1 exec " + self + " \"$@\"\n",
		"systemctl": strings.ReplaceAll(systemctl, "DIR", m.dir),
		"chgrp":     "#!/bin/sh\n", // there is no such group here
	} {
		if err := os.WriteFile(filepath.Join(m.path, name), []byte(text), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	t.Cleanup(func() { m.run("systemctl stop dryhold") })
	return m
}

// run runs commands of the manual and gives what they print.
func (m *machine) run(commands string) string {
	m.t.Helper()
	text := strings.NewReplacer("/etc/dryhold", filepath.Join(m.dir, "etc"), "/var/lib/dryhold", filepath.Join(m.dir, "data"), "/mnt/stick", m.stick).Replace(commands)
	c := exec.Command("sh", "-e", "-u", "-c", text)
	c.Env = append(os.Environ(), "PATH="+m.path+":"+os.Getenv("PATH"), "DRYHOLD_URL=http://"+m.page, "USER=mara")
	var out bytes.Buffer
	c.Stdout, c.Stderr = &out, &out
	if err := c.Run(); err != nil {
		m.t.Fatalf("%v:\n%s\n%s", err, commands, out.String())
	}
	return out.String()
}

// The steps of the manual for a new machine, as they stand there.
func TestNewMachine(t *testing.T) {
	if _, err := exec.LookPath("sh"); err != nil {
		t.Skip("no shell here")
	}
	steps := literal(t, "../../config/manual/newmachine.md")
	if len(steps) != 7 {
		t.Fatalf("%d blocks of commands", len(steps))
	}
	stick := t.TempDir()
	old := newMachine(t, stick)
	fill(t, filepath.Join(old.dir, "data"), 2000)
	config := fmt.Sprintf("site: larch-house\nbroker: {embedded: {listen: \"127.0.0.1:0\"}}\nhttp: {listen: %q}\nrooms: [{name: cellar}, {name: loft}]\nbackup: {folder: %s/dryhold, same_disk: true}\n", old.page, stick)
	if err := os.WriteFile(filepath.Join(old.dir, "etc", "dryhold.yaml"), []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	old.run("systemctl start dryhold; dryhold lots add white-rice pet-2l --mass 1.6 --room cellar; mkdir /mnt/stick/dryhold")
	backups := func(m *machine, want int) {
		t.Helper()
		for deadline := time.Now().Add(time.Minute); ; time.Sleep(100 * time.Millisecond) {
			made, err := filepath.Glob(filepath.Join(stick, "dryhold", "dryhold-timed-*.db"))
			if err != nil {
				t.Fatal(err)
			}
			if len(made) == want {
				return
			}
			if time.Now().After(deadline) {
				t.Fatalf("backups: %v, want %d\n%s", made, want, m.run("dryhold status; cat "+m.dir+"/log"))
			}
		}
	}
	old.run("systemctl stop dryhold; systemctl start dryhold") // it looks for its folder at once
	backups(old, 1)
	old.run(steps[0])
	old.run(`kill -9 "$(cat ` + filepath.Join(old.dir, "pid") + `)"; rm ` + filepath.Join(old.dir, "pid"))

	m := newMachine(t, stick)
	m.page = old.page
	fresh := filepath.Join(m.dir, "data")
	fill(t, fresh, 0) // as the first start after the installation leaves it
	m.run(steps[1])
	if got := m.run(steps[2]); strings.Count(got, "dryhold-timed-") != 1 {
		t.Errorf("the disk shows:\n%s", got)
	}
	if got := m.run(steps[3]); !strings.Contains(got, "it can be restored") || !strings.Contains(got, "1 lots") {
		t.Errorf("the drill says:\n%s", got)
	}
	m.run(steps[4])
	if got := m.run(steps[5]); !strings.Contains(got, "2000 readings") {
		t.Errorf("the restore says:\n%s", got)
	}
	if got := m.run(steps[6]); !strings.Contains(got, "L-1") || !strings.Contains(got, "White rice") {
		t.Errorf("the new machine shows:\n%s", got)
	}
	backups(m, 2) // it goes on in the same folder
	if known, err := store.ReadTimed(fresh); err != nil || known.Readings != 2000 {
		t.Errorf("known of backups: %+v, %v", known, err)
	}
}
