package store

import (
	"bytes"
	"context"
	"database/sql"
	"flag"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/room"
)

var update = flag.Bool("update", false, "write the dumps of schema steps that have none yet")

// goldenOf is a database as the dryhold of a schema step left it, as SQL. A dump
// is written once, with the step, and never again: what it holds is in the field.
func goldenOf(step int64) string {
	return filepath.Join("testdata", "upgrade", fmt.Sprintf("schema-%02d.sql", step))
}

// stepsKnown are the schema steps of this version, 1 to n.
func stepsKnown(t *testing.T) int64 {
	t.Helper()
	newest, err := newestStep()
	if err != nil {
		t.Fatal(err)
	}
	return newest
}

// oldDay is a day of readings that lies packed in every dump, and stillOpen are
// those of the day after.
func oldDay() (out []room.Reading) {
	for h := range 24 {
		out = append(out, reading("a", epoch.Add(time.Duration(h)*time.Hour+137*time.Millisecond), 18+float64(h%9)/4))
	}
	return out
}

func stillOpen() []room.Reading {
	return []room.Reading{reading("a", epoch.Add(25*time.Hour), 19.5), reading("a", epoch.Add(26*time.Hour), -2.25)}
}

// stepRows are the rows that each step brought room for, as its dryhold wrote them.
func stepRows(t *testing.T) map[int64]string {
	t.Helper()
	s := &Store{}
	if err := s.makeCodec(); err != nil {
		t.Fatal(err)
	}
	defer s.closeCodec()
	day, points := pointsOf(oldDay())
	delta := s.enc.EncodeAll(packDelta(day, points), nil)
	_, open := pointsOf(stillOpen())
	ms := epoch.UnixMilli()
	return map[int64]string{
		1: fmt.Sprintf(`INSERT INTO series (id, room, sensor, quantity) VALUES (1, 'loft', 'a', 1);
INSERT INTO packed_day (series, day, n, codec, data) VALUES (1, %d, %d, 1, x'%X');
INSERT INTO open_reading (series, at, steps) VALUES (1, %d, %d), (1, %d, %d);
INSERT INTO lot_change (lot, body) VALUES ('L-1', '{"kind":"added","lot":"L-1","at":"2026-07-01T00:00:00Z","recorded":"2026-07-01T00:00:00Z","packing":{"food":"white-rice","container":"pet-2l","count":12,"net_mass_kg":1.6,"packed_at":"2026-06-20T00:00:00Z","treatment":{"kind":"none"},"shading":"dark","room":"loft"}}');
INSERT INTO operator_action (at, action, key, by, note) VALUES (%d, 'acknowledge', 'warm/loft', 'mara', 'fan is on');
INSERT INTO condition (key, body) VALUES ('warm/loft', '{"key":{"kind":"warm","room":"loft"},"state":"normal","spell":0,"active":false,"peak":31.25,"gap_ns":0,"value":0,"unknown":true,"on":{"peak":0,"gap_ns":0}}');
INSERT INTO receipt (packet, digest, at) VALUES (7, x'01%062d', %d);
INSERT INTO notice (key, channel, body, queued, due, attempts, cause) VALUES ('k', 'mail', '{"key":"k","subject":"Loft too warm"}', %d, %d, 2, 'busy');`,
			day, len(points), delta, open[0].at, open[0].steps, open[1].at, open[1].steps, ms, 0, ms, ms, ms),
		2: `INSERT INTO delivered (only, packet) VALUES (1, 7);`,
		3: fmt.Sprintf(`INSERT INTO quarantined_day (series, day, n, codec, data, found, reason) VALUES (1, %d, 3, 1, x'00FF', %d, 'checksum');
INSERT INTO full_check (only, ended, took, days, faults) VALUES (1, %d, 1500, 1, '');`, day-1, ms, ms),
		4: `INSERT INTO sensor_change (seq, body) VALUES (1, '{"kind":"voided","seq":1,"room":"loft","sensor":"a","recorded":"2026-07-01T01:00:00Z","by":"mara","note":"hung in the sun","from":"2026-07-01T00:00:00Z","to":"2026-07-01T00:01:00Z"}');`,
		5: `INSERT INTO stated_interval (sensor, within) VALUES ('a', 600000);`,
		6: `INSERT INTO room_note (seq, body) VALUES (1, '{"kind":"noted","seq":1,"room":"loft","from":"2026-07-01T00:00:00Z","to":"2026-07-01T01:00:00Z","text":"compressor failed","by":"mara","recorded":"2026-07-01T01:00:00Z"}');`,
		7: `INSERT INTO told (recipient, key, body) VALUES ('mara', 'warm/loft', '{}');`,
		8: fmt.Sprintf(`INSERT INTO alarm_event (at, key, body) VALUES (%d, 'warm/loft', '{"key":{"kind":"warm","room":"loft"},"at":"2026-07-01T00:00:00Z","from":"normal","to":"normal"}');
INSERT INTO operator_action (at, action, key, by, note, until) VALUES (%d, 'shelve', 'warm/loft', 'mara', '', %d);
INSERT INTO done_once (id, at, what, by) VALUES ('x', %d, 'acknowledge', 'mara');
INSERT INTO own_key (name, value, made) VALUES ('links', x'%064d', %d);`, ms, ms, ms+1000, ms, 1, ms),
		9: fmt.Sprintf(`INSERT INTO import (at, by, source, stored, known, first, last) VALUES (%d, 'mara', 'old.csv', 24, 0, %d, %d);`, ms, ms, ms),
		10: fmt.Sprintf(`INSERT INTO export_day (day, series, since, again) VALUES (%d, 1, %d, NULL);
INSERT INTO export_hour (room, next, again) VALUES ('loft', %d, NULL);
INSERT INTO export_lot (at, body) VALUES (%d, '{}');
INSERT INTO export_state (only, target, alarm_seq, change_seq, lot_day, taken, dropped) VALUES (1, 'http://hearth.lan', 0, 1, %d, %d, 0);`, day, ms, ms, ms, day, ms),
		11: fmt.Sprintf(`INSERT INTO answered (id, digest, at, status, location, body) VALUES ('h', 'd', %d, 201, '/lots/L-1', '{}');`, ms),
		12: `INSERT INTO announced (topic) VALUES ('homeassistant/sensor/larch-house/config');`,
	}
}

// madeAt makes a database at a schema step, with rows in every table, and gives
// its dump.
func madeAt(t *testing.T, step int64) string {
	t.Helper()
	db := bare(t, filepath.Join(t.TempDir(), File))
	p, err := steps(db)
	if err != nil {
		t.Fatal(err)
	}
	rows := stepRows(t)
	for at := int64(1); at <= step; at++ {
		if _, err := p.UpTo(t.Context(), at); err != nil {
			t.Fatal(err)
		}
		if rows[at] == "" {
			t.Fatalf("schema step %d has no rows in this test: add some, and run it with -update", at)
		}
		if _, err := db.Exec(rows[at]); err != nil {
			t.Fatalf("rows of step %d: %v", at, err)
		}
	}
	if _, err := db.Exec(`UPDATE goose_db_version SET tstamp = '2026-07-01 00:00:00'`); err != nil {
		t.Fatal(err)
	}
	return "-- A database as dryhold left it at schema " + fmt.Sprint(step) + ". Never changed: see upgrade_test.go.\n" + sqlOf(t, db)
}

// bare opens a database that dryhold does not look after.
func bare(t *testing.T, path string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", uri(path, pragmas))
	if err != nil {
		t.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	t.Cleanup(func() { _ = db.Close() })
	return db
}

// sqlOf writes a database as SQL, as far as a test of it needs.
func sqlOf(t *testing.T, db *sql.DB) string {
	t.Helper()
	var b strings.Builder
	b.WriteString(schemaText(t, db))
	for _, table := range tablesOf(t, db) {
		columns := columnsOf(t, db, table)
		for _, row := range rowsOf(t, db, table, columns) {
			fmt.Fprintf(&b, "INSERT INTO %s (%s) VALUES (%s);\n", table, strings.Join(columns, ", "), row)
		}
	}
	return b.String()
}

func texts(t *testing.T, db *sql.DB, query string, args ...any) (out []string) {
	t.Helper()
	err := scan(t.Context(), db, query, args, func(r *sql.Rows) error {
		var text string
		err := r.Scan(&text)
		out = append(out, text)
		return err
	})
	if err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	return out
}

// schemaText is every table and index, in the order in which they were made.
func schemaText(t *testing.T, db *sql.DB) string {
	t.Helper()
	return strings.Join(texts(t, db, `SELECT sql || ';' || char(10) FROM sqlite_schema WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite_%' ORDER BY rowid`), "")
}

func tablesOf(t *testing.T, db *sql.DB) []string {
	t.Helper()
	return texts(t, db, `SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY rowid`)
}

func columnsOf(t *testing.T, db *sql.DB, table string) []string {
	t.Helper()
	return texts(t, db, `SELECT name FROM pragma_table_info(?) ORDER BY cid`, table)
}

// rowsOf gives the rows of a table, in order, each as its values in SQL.
func rowsOf(t *testing.T, db *sql.DB, table string, columns []string) []string {
	t.Helper()
	return texts(t, db, "SELECT quote("+strings.Join(columns, ") || ', ' || quote(")+") AS row FROM "+table+" ORDER BY row")
}

// rowsKept are all rows of a database by table, in the columns given.
func rowsKept(t *testing.T, db *sql.DB, tables map[string][]string) map[string][]string {
	t.Helper()
	out := map[string][]string{}
	for table, columns := range tables {
		out[table] = rowsOf(t, db, table, columns)
	}
	return out
}

// loaded makes a data directory with the database of a dump, as a daemon that
// was stopped left it, and gives the columns of its tables and their rows.
func loaded(t *testing.T, step int64) (dir string, tables, rows map[string][]string) {
	t.Helper()
	text, err := os.ReadFile(goldenOf(step))
	if err != nil {
		t.Fatal(err)
	}
	dir = t.TempDir()
	db := bare(t, filepath.Join(dir, File))
	if _, err := db.Exec(string(text)); err != nil {
		t.Fatalf("%s: %v", goldenOf(step), err)
	}
	tables = map[string][]string{}
	for _, table := range tablesOf(t, db) {
		if table != "goose_db_version" {
			tables[table] = columnsOf(t, db, table)
		}
	}
	rows = rowsKept(t, db, tables)
	for table, have := range rows {
		if len(have) == 0 {
			t.Errorf("schema %d: the dump has no row of %s, so that it shows nothing of it", step, table)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	return dir, tables, rows
}

// The steps still make what they made when they were released: an edited one
// would leave two kinds of stores in the field.
func TestStepsMakeWhatTheyMade(t *testing.T) {
	for step := int64(1); step <= stepsKnown(t); step++ {
		made := madeAt(t, step)
		golden, err := os.ReadFile(goldenOf(step))
		if os.IsNotExist(err) && *update {
			golden, err = []byte(made), os.WriteFile(goldenOf(step), []byte(made), 0o644)
		}
		if err != nil {
			t.Errorf("%v (a new step: run with -update)", err)
			continue
		}
		if d := cmp.Diff(unpacked(string(golden)), unpacked(made)); d != "" {
			t.Errorf("step %d makes something else than when it was released (-then +now):\n%.2000s", step, d)
		}
	}
}

// unpacked leaves out packed days, whose bytes depend on the release of zstd.
func unpacked(dump string) string {
	var b strings.Builder
	for line := range strings.Lines(dump) {
		if !strings.HasPrefix(line, "INSERT INTO packed_day") {
			b.WriteString(line)
		}
	}
	return b.String()
}

// A store of every earlier schema, with something in every table, is opened by
// this version: every row is there as it was, facts are read from them, the
// schema is that of a new store, and a copy of what was is kept and can be
// restored.
func TestUpgradeFromEverySchema(t *testing.T) {
	newest := stepsKnown(t)
	fresh := t.TempDir()
	if err := open(t, fresh).Close(); err != nil {
		t.Fatal(err)
	}
	want := schemaText(t, bare(t, filepath.Join(fresh, File)))
	for step := int64(1); step <= newest; step++ {
		t.Run(fmt.Sprint(step), func(t *testing.T) {
			dir, tables, before := loaded(t, step)
			s := open(t, dir)
			if d := cmp.Diff(before, rowsKept(t, s.write, tables)); d != "" {
				t.Errorf("rows (-before +after):\n%.2000s", d)
			}
			if d := cmp.Diff(want, schemaText(t, s.write)); d != "" {
				t.Errorf("schema (-new store +upgraded):\n%s", d)
			}
			if err := s.FullCheck(t.Context(), func() time.Time { return epoch }); err != nil || len(s.Integrity().Faults) > 0 {
				t.Errorf("full check: %v, %v", err, s.Integrity().Faults)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			facts := factsOf(t, dir)
			same(t, step, facts)
			kept := filepath.Join(dir, keptSchema+fmt.Sprint(step))
			if step == newest {
				left(t, dir, File, "lock")
				return
			}
			left(t, dir, File, "lock", filepath.Base(kept))
			if info, err := os.Stat(kept); err != nil || info.Mode().Perm() != 0o600 {
				t.Errorf("the copy: %v, %v", info, err)
			}
			restored(t, kept, step, facts, tables, before)
		})
	}
}

// same demands the facts that every dump holds, and those of later steps.
func same(t *testing.T, step int64, f facts) {
	t.Helper()
	if d := cmp.Diff(append(oldDay(), stillOpen()...), f.Readings); d != "" {
		t.Errorf("readings (-want +got):\n%.1000s", d)
	}
	if len(f.Lots) != 1 || f.Lots[0].Packing == nil || f.Lots[0].Packing.Food != "white-rice" || f.Lots[0].Packing.NetMassKG != 1.6 {
		t.Errorf("lots: %+v", f.Lots)
	}
	if len(f.Conditions) != 1 || f.Conditions[0].Peak != 31.25 || len(f.Due) != 1 || f.Due[0].Attempts != 2 || f.Due[0].Notice.Subject != "Loft too warm" {
		t.Errorf("conditions %+v, notices %+v", f.Conditions, f.Due)
	}
	if voided := len(f.Sensors) == 1; voided != (step >= 4) {
		t.Errorf("what was said of sensors: %+v", f.Sensors)
	}
	if len(f.Acts) == 0 {
		t.Error("no act of a person is left")
	}
}

// restored demands that a copy is as it was, and can be restored and brought up
// to date in its turn.
func restored(t *testing.T, kept string, step int64, want facts, tables, before map[string][]string) {
	t.Helper()
	if d := cmp.Diff(before, rowsKept(t, bare(t, kept), tables)); d != "" {
		t.Errorf("rows of the copy (-before +copy):\n%.2000s", d)
	}
	other := t.TempDir()
	r, err := Restore(t.Context(), kept, other, false, epoch, silent)
	if err != nil || r.Schema != step {
		t.Fatalf("restore of the copy: schema %d, %v", r.Schema, err)
	}
	if d := cmp.Diff(want, factsOf(t, other)); d != "" {
		t.Errorf("facts of the restored copy (-want +got):\n%.1000s", d)
	}
}

// An upgrade that has no room for a copy says so and goes on: a daemon that does
// not start watches nothing.
func TestUpgradeWithoutRoom(t *testing.T) {
	dir, _, _ := loaded(t, 3)
	var log bytes.Buffer
	s := &Store{log: slog.New(slog.NewTextHandler(&log, nil)), space: func(string) (uint64, bool) { return upgradeSpare, true }}
	if err := s.beforeUpgrade(t.Context(), filepath.Join(dir, File)); err != nil || !strings.Contains(log.String(), "for want of room") {
		t.Errorf("%v; log: %s", err, log.String())
	}
	if entries, _ := filepath.Glob(filepath.Join(dir, "*schema*")); len(entries) > 0 {
		t.Errorf("left: %v", entries)
	}
	s.space = func(string) (uint64, bool) { return 1 << 40, true }
	if err := s.beforeUpgrade(t.Context(), filepath.Join(dir, File)); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(filepath.Join(dir, keptSchema+"3")); err != nil {
		t.Error(err)
	}
}

// A copy that cannot be made leaves the database as it is, for the older
// dryhold.
func TestUpgradeWithoutCopy(t *testing.T) {
	dir, tables, before := loaded(t, 3)
	if err := os.Mkdir(filepath.Join(dir, keptSchema+"3"), 0o700); err != nil { // its name is taken
		t.Fatal(err)
	}
	s, err := Open(t.Context(), dir, slog.New(slog.DiscardHandler))
	if err == nil {
		_ = s.Close()
	}
	if err == nil || !strings.Contains(err.Error(), "cannot keep a copy of the database") {
		t.Errorf("opened: %v", err)
	}
	db := bare(t, filepath.Join(dir, File))
	if d := cmp.Diff(before, rowsKept(t, db, tables)); d != "" || slices.Contains(tablesOf(t, db), "sensor_change") {
		t.Errorf("it was changed: %s", d)
	}
}

// A store of a newer dryhold is refused before anything is written to it, with
// the way back, and that way leads back.
func TestDowngrade(t *testing.T) {
	dir, _, _ := loaded(t, 3)
	path := filepath.Join(dir, File)
	if err := open(t, dir).Close(); err != nil { // leaves dryhold.db.schema-3
		t.Fatal(err)
	}
	db := bare(t, path)
	if _, err := db.Exec(`INSERT INTO goose_db_version (version_id, is_applied) VALUES (9999, 1)`); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	refused := func(want string) {
		t.Helper()
		s, err := Open(context.Background(), dir, slog.New(slog.DiscardHandler))
		if err == nil {
			_ = s.Close()
		}
		if err == nil || !strings.Contains(err.Error(), "newer dryhold (schema 9999") || !strings.Contains(err.Error(), want) {
			t.Errorf("opened: %v\nwant %s", err, want)
		}
	}
	kept := filepath.Join(dir, keptSchema+"3")
	refused("dryhold restore " + kept + " --data " + dir + " --force")
	if after, err := os.ReadFile(path); err != nil || !bytes.Equal(before, after) {
		t.Errorf("a refused database was written to (%v)", err)
	}
	if _, err := Restore(t.Context(), kept, dir, true, epoch, silent); err != nil {
		t.Fatal(err)
	}
	same(t, 3, factsOf(t, dir))

	if err := os.Remove(kept); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, before, 0o600); err != nil {
		t.Fatal(err)
	}
	refused("dryhold restore BACKUP")
}
