package store

import (
	"context"
	"database/sql"
	"errors"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
	"dryhold/internal/audit"
	"dryhold/internal/lot"
	"dryhold/internal/note"
	"dryhold/internal/room"
	"dryhold/internal/sensor"
)

func silent(string, int64, int64) {}

// facts are all facts of a site that can be read back.
type facts struct {
	Readings   []room.Reading
	Lots       []lot.Change
	Sensors    []sensor.Change
	Acts       []audit.Act
	Conditions []alarm.Condition
	Due        []Queued
}

// factsOf opens a data directory and reads it whole.
func factsOf(t *testing.T, dir string) (f facts) {
	t.Helper()
	s := open(t, dir)
	var err error
	if f.Lots, err = s.LotChanges(t.Context()); err != nil {
		t.Fatal(err)
	}
	if f.Sensors, err = s.SensorChanges(t.Context()); err != nil {
		t.Fatal(err)
	}
	if f.Acts, err = s.Audit(t.Context(), audit.Filter{}, 1_000_000); err != nil {
		t.Fatal(err)
	}
	if f.Conditions, err = s.Conditions(t.Context()); err != nil {
		t.Fatal(err)
	}
	if f.Due, err = s.Due(t.Context(), epoch.AddDate(1, 0, 0), 1_000_000); err != nil {
		t.Fatal(err)
	}
	f.Readings, _ = all(t, s, time.UnixMilli(0))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return f
}

// furnish stores some of everything: packed and open readings, lots, alarms.
func furnish(t *testing.T, s *Store) {
	t.Helper()
	twoDays(t, s)
	out := Outcome{
		Lots:       []lot.Change{{Kind: lot.Added, Lot: "L-1", At: epoch, Recorded: epoch, Packing: &lot.Packing{Food: "white-rice", Room: "loft"}}},
		Sensors:    []sensor.Change{voided(1)},
		Notes:      []note.Change{noteOf(1)},
		Actions:    []Action{{At: epoch, Action: "acknowledge", Key: alarm.Key{Kind: alarm.Warm, Room: "loft"}, By: "Ada"}},
		Conditions: []alarm.Condition{alarm.New(alarm.Key{Kind: alarm.Warm, Room: "loft"})},
		Notices:    []alarm.Notice{{Key: "k", Subject: "Loft too warm"}},
	}
	commit(t, s, out, reading("a", epoch.AddDate(0, 0, 4), 22), reading("a", epoch.Add(time.Second), 23))
}

func TestBackupAndRestore(t *testing.T) {
	dir, away := t.TempDir(), t.TempDir()
	s := open(t, dir)
	furnish(t, s)
	file := filepath.Join(away, "copy.db")
	got, err := Backup(t.Context(), dir, file, false, silent) // the store is open
	if err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(file)
	if err != nil || got.Bytes != info.Size() || info.Mode().Perm() != 0o600 {
		t.Errorf("%d bytes told, on disk: %v %v", got.Bytes, info, err)
	}
	if got.Readings != 578 || got.Tables["packed_day"] != 4 || got.Tables["lot_change"] != 1 || got.Tables["sensor_change"] != 1 || got.Tables["notice"] != 2 || got.Tables["operator_action"] != 1 ||
		!got.First.Equal(epoch) || !got.Last.Equal(epoch.AddDate(0, 0, 4)) || len(got.Damaged) != 0 {
		t.Errorf("contents: %+v", got)
	}
	left(t, away, "copy.db")
	if _, err := Backup(t.Context(), dir, file, false, silent); err == nil || !strings.Contains(err.Error(), "--force") {
		t.Errorf("a second backup under the same name: %v", err)
	}
	commit(t, s, Outcome{}, reading("a", epoch.AddDate(0, 0, 5), 24))
	if again, err := Backup(t.Context(), dir, file, true, silent); err != nil || again.Readings != 579 {
		t.Errorf("a second backup by force: %+v %v", again, err)
	}
	left(t, away, "copy.db")
	if _, err := Backup(t.Context(), dir, filepath.Join(dir, File), true, silent); err == nil {
		t.Error("a backup over the database itself")
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}

	target := filepath.Join(t.TempDir(), "new", "data")
	r, err := Restore(t.Context(), file, target, false, epoch, silent)
	if err != nil || r.Aside != "" || r.Readings != 579 {
		t.Fatalf("restore: %+v %v", r, err)
	}
	left(t, target, File, "lock")
	if d := cmp.Diff(factsOf(t, dir), factsOf(t, target)); d != "" {
		t.Errorf("restored (-original +restored):\n%.1000s", d)
	}
}

// left demands that a directory holds these files and no others.
func left(t *testing.T, dir string, want ...string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range entries {
		got = append(got, e.Name())
	}
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("%s holds %v, want %v", dir, got, want)
	}
}

// A backup is of one instant, while commits and packing go on: it holds
// exactly the readings up to one of the commits.
func TestBackupBesideCommits(t *testing.T) {
	dir, away := t.TempDir(), t.TempDir()
	s := open(t, dir)
	var days []room.Reading
	rng := rand.New(rand.NewPCG(3, 4))
	for day := range 40 {
		days = append(days, sensorDay(rng, day)...)
	}
	quit, ended := make(chan struct{}), make(chan error, 1)
	started := make(chan struct{})
	go func() {
		var once bool
		for i := 0; i < len(days); i += 100 {
			select {
			case <-quit:
				ended <- nil
				return
			default:
			}
			out := Outcome{Lots: []lot.Change{{Kind: lot.Noted, Lot: "L-1", At: epoch.Add(time.Duration(i))}}}
			err := s.Commit(context.Background(), Batch{Readings: days[i:min(i+100, len(days))]}, nil, epoch, func([]room.Reading) (Outcome, error) { return out, nil })
			if err == nil && i%1000 == 0 {
				_, err = s.Pack(context.Background(), days[i].At.Add(-24*time.Hour))
			}
			if err != nil {
				ended <- err
				return
			}
			if !once && i > 2000 {
				once = true
				close(started)
			}
		}
		ended <- nil
	}()
	<-started
	for i := range 5 {
		file := filepath.Join(away, "copy.db")
		c, err := Backup(t.Context(), dir, file, i > 0, silent)
		if err != nil {
			t.Fatal(err)
		}
		target := t.TempDir()
		if _, err := Restore(t.Context(), file, target, false, epoch, silent); err != nil {
			t.Fatal(err)
		}
		f := factsOf(t, target)
		n := len(f.Readings)
		if n == 0 || int64(n) != c.Readings || !slices.Equal(f.Readings, days[:n]) {
			t.Errorf("backup %d: %d readings told, %d there, equal to the first ones written: %v", i, c.Readings, n, slices.Equal(f.Readings, days[:n]))
		}
		if want := (n + 99) / 100; len(f.Lots) != want {
			t.Errorf("backup %d: %d readings of 100 a commit with %d changes of lots", i, n, len(f.Lots))
		}
	}
	close(quit)
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
}

func TestBackupOfDamage(t *testing.T) {
	dir, away := t.TempDir(), t.TempDir()
	s := open(t, dir)
	written := twoDays(t, s)
	spoil(t, dir)
	file := filepath.Join(away, "copy.db")
	c, err := Backup(t.Context(), dir, file, false, silent)
	if err != nil || len(c.Damaged) != 1 || !strings.Contains(c.Damaged[0], "2026-07-01") || c.Readings != int64(len(written)-144) {
		t.Errorf("a damaged day is told, and all else is saved: %+v %v", c, err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	target := t.TempDir()
	if _, err := Restore(t.Context(), file, target, false, epoch, silent); err != nil {
		t.Fatal(err)
	}
	if got := factsOf(t, target).Readings; !slices.Equal(got, without(written, "a", epoch)) {
		t.Errorf("%d readings restored of %d, 144 of them damaged", len(got), len(written))
	}

	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	overwrite(t, filepath.Join(dir, File), 5*4096, 4096)
	if _, err := Backup(t.Context(), dir, file, false, silent); !errors.As(err, new(*DamagedError)) {
		t.Errorf("backup of a damaged file: %v", err)
	}
	left(t, away)
	if _, err := Backup(t.Context(), t.TempDir(), file, false, silent); err == nil || !strings.Contains(err.Error(), "no database") {
		t.Errorf("backup of nothing: %v", err)
	}
}

func TestRestoreRefuses(t *testing.T) {
	dir, away := t.TempDir(), t.TempDir()
	s := open(t, dir)
	furnish(t, s)
	good := filepath.Join(away, "good.db")
	if _, err := Backup(t.Context(), dir, good, false, silent); err != nil {
		t.Fatal(err)
	}
	f := func(want, file string, force bool) {
		t.Helper()
		before := contentsOf(t, dir)
		_, err := Restore(t.Context(), file, dir, force, epoch, silent)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("restore of %s by force %v: %v, want %q", filepath.Base(file), force, err, want)
		}
		if d := cmp.Diff(before, contentsOf(t, dir)); d != "" {
			t.Errorf("restore of %s changed the directory: %.300s", filepath.Base(file), d)
		}
	}
	f("in use by another dryhold", good, true)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	f("--force", good, false)
	f("no such file", filepath.Join(away, "none.db"), true)
	f("is the database of", filepath.Join(dir, File), true)
	spoilt := func(name string, damage func(path string)) string {
		path := filepath.Join(away, name)
		if err := copyFile(good, path); err != nil {
			t.Fatal(err)
		}
		damage(path)
		return path
	}
	f("is damaged", spoilt("half.db", func(path string) {
		if err := os.Truncate(path, 5*4096); err != nil {
			t.Fatal(err)
		}
	}), true)
	f("is damaged", spoilt("page.db", func(path string) { overwrite(t, path, 5*4096, 4096) }), true)
	f("no database of dryhold", spoilt("empty.db", func(path string) {
		if err := os.Truncate(path, 0); err != nil {
			t.Fatal(err)
		}
	}), true)
	f("or no database", spoilt("text.db", func(path string) {
		if err := os.WriteFile(path, []byte(strings.Repeat("Larch House, invented\n", 500)), 0o600); err != nil {
			t.Fatal(err)
		}
	}), true)
	f("newer dryhold", spoilt("newer.db", func(path string) {
		execute(t, path, `INSERT INTO goose_db_version (version_id, is_applied) VALUES (9999, 1)`)
	}), true)
	left(t, dir, File, backupNote, "lock")
}

// The database that was there is kept, with what its log alone holds, and can
// be restored in its turn.
func TestRestoreKeepsTheOldOne(t *testing.T) {
	dir, other := t.TempDir(), t.TempDir()
	s := open(t, dir)
	furnish(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	killed(t, dir)
	copies := t.TempDir() // to know what it holds
	for _, end := range []string{"", "-wal"} {
		if err := copyFile(filepath.Join(dir, File)+end, filepath.Join(copies, File)+end); err != nil {
			t.Fatal(err)
		}
	}
	old := factsOf(t, copies)
	if n := len(old.Readings); n == 0 || !old.Readings[n-1].At.Equal(epoch.AddDate(0, 0, 9)) {
		t.Fatalf("the log's own reading is not among %d", n)
	}

	s = open(t, other)
	commit(t, s, Outcome{}, reading("z", epoch, 1))
	file := filepath.Join(t.TempDir(), "copy.db")
	if _, err := Backup(t.Context(), other, file, false, silent); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "dryhold.db.123.part"), []byte("of a restore broken off"), 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := Restore(t.Context(), file, dir, true, epoch, silent)
	if err != nil {
		t.Fatal(err)
	}
	if want := filepath.Join(dir, "dryhold.db.before-20260701T000000.000Z"); r.Aside != want {
		t.Errorf("kept as %q, want %q", r.Aside, want)
	}
	left(t, dir, File, filepath.Base(r.Aside), filepath.Base(r.Aside)+"-wal", "lock")
	if got := factsOf(t, dir).Readings; len(got) != 1 || got[0].Sensor != "z" {
		t.Errorf("restored: %v", got)
	}
	back := t.TempDir()
	if _, err := Restore(t.Context(), r.Aside, back, false, epoch, silent); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(old, factsOf(t, back)); d != "" {
		t.Errorf("the old one restored (-old +restored):\n%.1000s", d)
	}
}

// A restore broken off in its last moments keeps every daemon out until it is
// run again.
func TestRestoreBrokenOff(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	furnish(t, s)
	file := filepath.Join(t.TempDir(), "copy.db")
	if _, err := Backup(t.Context(), dir, file, false, silent); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	want := factsOf(t, dir)
	if err := copyFile(file, filepath.Join(dir, restoring)); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(dir, File)); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(t.Context(), dir, s.log); err == nil || !strings.Contains(err.Error(), "run it again") {
		t.Errorf("opened in the middle of a restore: %v", err)
	}
	if _, err := Restore(t.Context(), file, dir, true, epoch, silent); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, factsOf(t, dir)); d != "" {
		t.Errorf("restored at the second attempt (-want +got):\n%.1000s", d)
	}
}

// A folder may be named as it likes.
func TestOddNames(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "larch house? 100%20 #1 & é")
	s := open(t, dir)
	furnish(t, s)
	file := filepath.Join(dir, "copy?mode=ro.db")
	if _, err := Backup(t.Context(), dir, file, false, silent); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	left(t, dir, "copy?mode=ro.db", File, backupNote, "lock")
	target := filepath.Join(dir, "a:b?c")
	if _, err := Restore(t.Context(), file, target, false, epoch, silent); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(factsOf(t, dir), factsOf(t, target)); d != "" {
		t.Errorf("restored (-original +restored):\n%.1000s", d)
	}
}

// A backup given up leaves nothing.
func TestBackupGivenUp(t *testing.T) {
	dir, away := t.TempDir(), t.TempDir()
	s := open(t, dir)
	furnish(t, s)
	ctx, cancel := context.WithCancel(t.Context())
	_, err := Backup(ctx, dir, filepath.Join(away, "copy.db"), false, func(step string, _, _ int64) {
		if step == "checking the file" {
			cancel()
		}
	})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("error: %v", err)
	}
	left(t, away)
}

// execute runs a statement on a database file.
func execute(t *testing.T, path, query string) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	_, err = db.Exec(query)
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
}

// Every table of the schema is counted.
func TestContentsCountsEveryTable(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	furnish(t, s)
	rows, err := countRows(t.Context(), s.read)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"series", "open_reading", "packed_day", "lot_change", "operator_action", "condition", "receipt", "delivered", "notice", "quarantined_day", "full_check", "sensor_change", "room_note"} {
		if _, there := rows[name]; !there {
			t.Errorf("table %s is not counted: %v", name, slices.Sorted(maps.Keys(rows)))
		}
	}
}
