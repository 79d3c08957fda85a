package app_test

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/pressly/goose/v3"

	"dryhold/internal/crash"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/store"
	"dryhold/internal/unit"
)

// copying and restoring list the points of a backup and of a restore;
// elsewhere lists those that no running daemon comes to.
func copying() []crash.Point { return []crash.Point{crash.Copied, crash.Checked} }

func restoring() []crash.Point {
	return []crash.Point{crash.Fetched, crash.Ready, crash.KeptSafe, crash.Cleared}
}

func elsewhere() []crash.Point {
	return slices.Concat([]crash.Point{crash.Migrated}, copying(), restoring())
}

// chore does a backup or a restore in a process of its own, which ends itself
// at the point it is told.
func chore(task string) {
	what, rest, _ := strings.Cut(task, " ")
	from, to, _ := strings.Cut(rest, " ")
	point := os.Getenv("DRYHOLD_TEST_CRASH")
	ctx := context.WithValue(context.Background(), crash.Key{}, ending(point, 0))
	tell := func(string, int64, int64) {}
	var err error
	switch what {
	case "backup":
		_, err = store.Backup(ctx, from, to, false, tell)
	case "restore":
		_, err = store.Restore(ctx, from, to, true, time.Now(), tell)
	}
	fmt.Println("not ended:", err)
}

// ends runs this test program and reports whether it ended itself at a point.
func ends(t *testing.T, point crash.Point, env ...string) bool {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(append(os.Environ(), "DRYHOLD_TEST_CRASH="+string(point)), env...)
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	_ = cmd.Run() // killed
	if !strings.Contains(out.String(), marker) {
		t.Errorf("it never comes to the point %q:\n%s", point, out.String())
		return false
	}
	return true
}

// stocked makes a data directory with readings and a lot.
func stocked(t *testing.T, dir string, readings int) {
	t.Helper()
	db := opened(t, dir)
	b, c := stock(readings)
	err := db.Commit(t.Context(), b, nil, c.At, func([]room.Reading) (store.Outcome, error) {
		return store.Outcome{Lots: []lot.Change{c}}, nil
	})
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
}

func stock(readings int) (b store.Batch, c lot.Change) {
	begin := time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	for i := range readings {
		k := series("loft", unit.Temperature)
		b.Readings = append(b.Readings, room.Reading{Series: k, At: begin.Add(time.Duration(i) * time.Minute), Value: unit.Temperature.Round(20 + float64(i%50)/10)})
	}
	p := lotOf("loft").Packing
	p.PackedAt = begin
	return b, lot.Change{Lot: "L-1", Kind: lot.Added, At: begin, Recorded: begin, By: "Ada", Packing: &p}
}

// opened is the store of a daemon that does not run.
func opened(t testing.TB, dir string) (db *store.Store) {
	t.Helper()
	unlocked(t, func() (err error) {
		db, err = store.Open(context.Background(), dir, slog.New(slog.DiscardHandler))
		return err
	})
	return db
}

// holds reports whether a data directory opens and has what stocked put there.
func holds(t *testing.T, dir string, readings int) (ok bool, why error) {
	t.Helper()
	db, err := store.Open(t.Context(), dir, slog.New(slog.DiscardHandler))
	if err != nil {
		return false, err
	}
	defer func() {
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	}()
	n, err := db.CountReadings(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	changes, err := db.LotChanges(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return n == int64(readings) && len(changes) == 1, nil
}

// A backup that is killed at a point leaves nothing under its name, and one
// that follows is whole.
func TestBackupKilledAtEachPoint(t *testing.T) {
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	stocked(t, data, 3000)
	for i, point := range copying() {
		file := filepath.Join(dir, fmt.Sprintf("copy-%d.db", i))
		ends(t, point, "DRYHOLD_TEST_CHORE=backup "+data+" "+file)
		if _, err := os.Stat(file); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("killed at %q, there is a file: %v", point, err)
		}
		c, err := store.Backup(t.Context(), data, file, false, func(string, int64, int64) {})
		if err != nil || c.Readings != 3000 {
			t.Errorf("after a kill at %q: %d readings, %v", point, c.Readings, err)
		}
	}
}

// A restore that is killed at a point leaves the old database whole or a
// directory that says to run it again, and run again it restores.
func TestRestoreKilledAtEachPoint(t *testing.T) {
	dir := t.TempDir()
	data, file := filepath.Join(dir, "data"), filepath.Join(dir, "copy.db")
	stocked(t, data, 3000)
	if _, err := store.Backup(t.Context(), data, file, false, func(string, int64, int64) {}); err != nil {
		t.Fatal(err)
	}
	for i, point := range restoring() {
		target := filepath.Join(dir, fmt.Sprint(i))
		stocked(t, target, 7)
		ends(t, point, "DRYHOLD_TEST_CHORE=restore "+file+" "+target)
		old, err := holds(t, target, 7)
		if !old && (err == nil || !strings.Contains(err.Error(), "run it again")) {
			t.Errorf("killed at %q: the old database is not there, and no word of it: %v", point, err)
		}
		if _, err := store.Restore(t.Context(), file, target, true, time.Now(), func(string, int64, int64) {}); err != nil {
			t.Errorf("run again after a kill at %q: %v", point, err)
		}
		if now, err := holds(t, target, 3000); !now {
			t.Errorf("after a kill at %q and a restore, what was restored is not there: %v", point, err)
		}
	}
}

// A daemon that is killed between any two migrations of a database of the
// first version goes on with them at the next start, and keeps what was there.
func TestMigrationKilledAtEachStep(t *testing.T) {
	dir := t.TempDir()
	versions := first(t, dir)
	if len(versions) < 3 {
		t.Fatalf("only %d migrations: this says nothing", len(versions))
	}
	for range versions[1:] {
		before := schema(t, dir)
		ends(t, crash.Migrated, "DRYHOLD_TEST_DAEMON="+dir)
		if now := schema(t, dir); now != before+1 {
			t.Errorf("from schema %d a killed daemon came to %d", before, now)
		}
	}
	if ok, err := holds(t, dir, 3000); !ok {
		t.Errorf("after all migrations, each killed, what was there is gone: %v", err)
	}
	if now := schema(t, dir); now != versions[len(versions)-1] {
		t.Errorf("schema %d, want %d", now, versions[len(versions)-1])
	}
}

// first makes a database of the first version with readings and a lot, and
// gives the versions there are.
func first(t *testing.T, dir string) (versions []int64) {
	t.Helper()
	db := database(t, dir)
	p, err := goose.NewProvider(goose.DialectSQLite3, db, os.DirFS("../store/migrations"))
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range p.ListSources() {
		versions = append(versions, m.Version)
	}
	if _, err := p.UpTo(t.Context(), versions[0]); err != nil {
		t.Fatal(err)
	}
	b, c := stock(3000)
	run := func(query string, args ...any) {
		t.Helper()
		if _, err := db.Exec(query, args...); err != nil {
			t.Fatal(err)
		}
	}
	run(`BEGIN`)
	run(`INSERT INTO series (id, room, sensor, quantity) VALUES (1, 'loft', 'loft', ?)`, unit.Temperature)
	for _, r := range b.Readings {
		run(`INSERT INTO open_reading (series, at, steps) VALUES (1, ?, ?)`, r.At.UnixMilli(), r.Quantity.Steps(r.Value))
	}
	run(`INSERT INTO lot_change (lot, body) VALUES ('L-1', ?)`, asJSON(t, c))
	run(`COMMIT`)
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	return versions
}

func schema(t *testing.T, dir string) (version int64) {
	t.Helper()
	rows(t, dir, `SELECT max(version_id) FROM goose_db_version WHERE is_applied`, func(r *sql.Rows) error { return r.Scan(&version) })
	return version
}
