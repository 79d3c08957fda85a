package store

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/room"
)

// openLogged is open with the log.
func openLogged(t testing.TB, dir string) (*Store, *bytes.Buffer) {
	t.Helper()
	var log bytes.Buffer
	s, err := Open(context.Background(), dir, slog.New(slog.NewTextHandler(&log, nil)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s, &log
}

// twoDays are readings of two sensors on the first two days, packed.
func twoDays(t testing.TB, s *Store) (all []room.Reading) {
	t.Helper()
	for m := range 2 * 24 * 6 {
		at := epoch.Add(time.Duration(10*m) * time.Minute)
		all = append(all, reading("a", at, 20+float64(m%7)), reading("b", at, 15+float64(m%5)))
	}
	commit(t, s, Outcome{}, all...)
	pack(t, s, epoch.AddDate(0, 0, 2))
	return all
}

func without(all []room.Reading, sensor string, day time.Time) []room.Reading {
	return slices.DeleteFunc(slices.Clone(all), func(r room.Reading) bool {
		return r.Sensor == sensor && r.At.Truncate(24*time.Hour).Equal(day)
	})
}

// spoil changes a byte of the packed bytes of sensor a's first day, as a
// failing disk does.
func spoil(t testing.TB, dir string) {
	t.Helper()
	db, err := sql.Open("sqlite", uri(filepath.Join(dir, File), pragmas))
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	}()
	const where = ` WHERE day = ? AND series = (SELECT id FROM series WHERE sensor = 'a')`
	var data []byte
	if err := db.QueryRow(`SELECT data FROM packed_day`+where, floorDay(epoch.UnixMilli())).Scan(&data); err != nil {
		t.Fatal(err)
	}
	data[len(data)/2] ^= 1
	if _, err := db.Exec(`UPDATE packed_day SET data = ?`+where, data, floorDay(epoch.UnixMilli())); err != nil {
		t.Fatal(err)
	}
}

func TestDamagedDayGoesToTheQuarantine(t *testing.T) {
	dir := t.TempDir()
	s, log := openLogged(t, dir)
	written := twoDays(t, s)
	spoil(t, dir)
	rest := without(written, "a", epoch)
	for range 2 {
		got, _ := all(t, s, epoch)
		if d := cmp.Diff(rest, got); d != "" {
			t.Fatalf("readings beside a damaged day (-want +got):\n%.1000s", d)
		}
	}
	q := s.Integrity().Quarantined
	if len(q) != 1 || q[0].Series != written[0].Series || !q[0].Day.Equal(epoch) || q[0].Readings != 144 || q[0].Reason == "" || time.Since(q[0].Found) > time.Hour {
		t.Fatalf("quarantine: %+v", q)
	}
	for _, want := range []string{"room=loft", "sensor=a", "day=2026-07-01", "readings=144"} {
		if !strings.Contains(log.String(), want) {
			t.Errorf("the log does not say %s:\n%s", want, log)
		}
	}
	if n := strings.Count(log.String(), "level=ERROR"); n != 1 {
		t.Errorf("reported %d times, want once:\n%s", n, log)
	}

	// What comes of that day counts, also what was in it.
	if got := commit(t, s, Outcome{}, written[0], reading("a", epoch.Add(time.Second), 9)); len(got) != 2 {
		t.Errorf("new after the damage: %v", got)
	}
	pack(t, s, epoch.AddDate(0, 0, 2))
	got, _ := all(t, s, epoch)
	if len(got) != len(rest)+2 {
		t.Errorf("%d readings, want %d beside the damaged day and 2 of it", len(got), len(rest))
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s, log = openLogged(t, dir)
	if d := cmp.Diff(q, s.Integrity().Quarantined); d != "" {
		t.Errorf("quarantine after reopening (-want +got):\n%s", d)
	}
	if strings.Contains(log.String(), "level=ERROR") {
		t.Errorf("reported again after a restart:\n%s", log)
	}
	var kept int
	if err := s.read.QueryRow(`SELECT length(data) FROM quarantined_day`).Scan(&kept); err != nil || kept < 20 {
		t.Errorf("the damaged bytes are not kept: %d %v", kept, err)
	}
}

// The damage is found where it is met first: by a late reading of that day,
// when that reading is packed, or by the full check.
func TestDamageFoundByWriting(t *testing.T) {
	late := reading("a", epoch.Add(time.Second), 30)
	f := func(name string, left []room.Reading, meet func(t *testing.T, s *Store, dir string)) {
		t.Helper()
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			s, _ := openLogged(t, dir)
			written := twoDays(t, s)
			meet(t, s, dir)
			if q := s.Integrity().Quarantined; len(q) != 1 {
				t.Errorf("quarantine: %v", q)
			}
			want := append(without(written, "a", epoch), left...)
			slices.SortStableFunc(want, func(a, b room.Reading) int { return a.At.Compare(b.At) })
			got, _ := all(t, s, epoch)
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("readings (-want +got):\n%.1000s", d)
			}
		})
	}
	f("late reading", []room.Reading{late}, func(t *testing.T, s *Store, dir string) {
		spoil(t, dir)
		if got := commit(t, s, Outcome{}, late); len(got) != 1 {
			t.Errorf("the late reading is not new: %v", got)
		}
	})
	f("packing", []room.Reading{late}, func(t *testing.T, s *Store, dir string) {
		commit(t, s, Outcome{}, late)
		spoil(t, dir)
		pack(t, s, epoch.AddDate(0, 0, 2))
	})
	f("full check", nil, func(t *testing.T, s *Store, dir string) {
		spoil(t, dir)
		if err := s.FullCheck(t.Context(), time.Now); err != nil {
			t.Error(err)
		}
		if c := s.Integrity(); len(c.Faults) > 0 || c.Days != 4 {
			t.Errorf("the file is whole, and 4 days are packed: %+v", c)
		}
	})
}

func TestFailedCommitReportsNoDamage(t *testing.T) {
	dir := t.TempDir()
	s, log := openLogged(t, dir)
	twoDays(t, s)
	spoil(t, dir)
	err := s.Commit(t.Context(), Batch{Readings: []room.Reading{reading("a", epoch.Add(time.Second), 30)}}, nil, epoch,
		func([]room.Reading) (Outcome, error) { return Outcome{}, errors.New("broken") })
	if err == nil || len(s.Integrity().Quarantined) != 0 || strings.Contains(log.String(), "damaged") {
		t.Errorf("error %v, quarantine %v, log %s", err, s.Integrity().Quarantined, log)
	}
	all(t, s, epoch)
	if q := s.Integrity().Quarantined; len(q) != 1 {
		t.Errorf("found later: %v", q)
	}
}

// Every single flipped bit of a packed day is found, or changes nothing.
func TestFlippedBitIsFound(t *testing.T) {
	s := open(t, t.TempDir())
	var points []point
	for _, r := range sensorDay(rand.New(rand.NewPCG(1, 2)), 0)[:200] {
		points = append(points, point{r.At.UnixMilli(), r.Quantity.Steps(r.Value)})
	}
	day := floorDay(points[0].at)
	frame := s.pack(day, points)
	for bit := range 8 * len(frame) {
		flipped := bytes.Clone(frame)
		flipped[bit/8] ^= 1 << (bit % 8)
		got, err := s.unpackWhole(day, int64(len(points)), codecColumns, flipped)
		if err == nil && !slices.Equal(got, points) {
			t.Errorf("bit %d of %d flipped gives other readings and no error", bit, 8*len(frame))
		}
	}
	f := func(day, n, codec int64) {
		t.Helper()
		if _, err := s.unpackWhole(day, n, codec, frame); err == nil {
			t.Errorf("taken with day %d, %d readings, codec %d", day, n, codec)
		}
	}
	n := int64(len(points))
	f(day, n+1, codecColumns)
	f(day, n, codecDelta)
	f(day, n, 99)
	for cut := range frame {
		if _, err := s.unpackWhole(day, n, codecColumns, frame[:cut]); err == nil {
			t.Errorf("taken when cut to %d of %d bytes", cut, len(frame))
		}
	}
}

// A full check outlives the process, and finds what a check at start does not
// look for: an index that does not agree with its table.
func TestFullCheck(t *testing.T) {
	dir := t.TempDir()
	s, _ := openLogged(t, dir)
	twoDays(t, s)
	now := epoch.AddDate(0, 0, 10)
	if err := s.FullCheck(t.Context(), func() time.Time { return now }); err != nil {
		t.Fatal(err)
	}
	want := s.Integrity()
	want.Took = want.Took.Truncate(time.Millisecond)
	if !want.Checked.Equal(now) || want.Days != 4 || len(want.Faults) != 0 {
		t.Fatalf("check of a whole database: %+v", want)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	if d := cmp.Diff(want, s.Integrity()); d != "" {
		t.Errorf("after reopening (-want +got):\n%s", d)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	disagree(t, dir)
	s, log := openLogged(t, dir) // quick_check does not compare indexes
	if err := s.FullCheck(t.Context(), time.Now); err != nil {
		t.Fatal(err)
	}
	if c := s.Integrity(); len(c.Faults) == 0 || !strings.Contains(log.String(), "restore a backup") {
		t.Errorf("check of a database whose index disagrees: %+v\n%s", c, log)
	}
}

// disagree changes the day of a packed day in its table and not in its index.
func disagree(t *testing.T, dir string) {
	t.Helper()
	db, err := sql.Open("sqlite", filepath.Join(dir, File)+"?_pragma=writable_schema(1)")
	if err != nil {
		t.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	for _, q := range []string{
		// Another table on the same pages, without the index.
		`INSERT INTO sqlite_schema (type, name, tbl_name, rootpage, sql)
			SELECT 'table', 'loose', 'loose', rootpage, 'CREATE TABLE loose (series INTEGER, day INTEGER, n INTEGER, codec INTEGER, data BLOB)'
			FROM sqlite_schema WHERE name = 'packed_day'`,
		`PRAGMA writable_schema = RESET`,
		`UPDATE loose SET day = day + 1 WHERE rowid = 1`,
		`PRAGMA writable_schema = 1`,
		`DELETE FROM sqlite_schema WHERE name = 'loose'`,
	} {
		if _, err := db.Exec(q); err != nil {
			t.Fatal(q, err)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

// A damaged file refuses to open, says how to go on, and stays as it is.
func TestDamagedFileIsLeftAlone(t *testing.T) {
	f := func(name, why string, damage func(t *testing.T, path string)) {
		t.Helper()
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			s := open(t, dir)
			twoDays(t, s)
			commit(t, s, Outcome{}, sensorDay(rand.New(rand.NewPCG(1, 2)), 5)...)
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			path := filepath.Join(dir, File)
			damage(t, path)
			before := contentsOf(t, dir)
			_, err := Open(context.Background(), dir, slog.New(slog.DiscardHandler))
			if d := (*DamagedError)(nil); !errors.As(err, &d) {
				t.Fatalf("opened, or failed otherwise: %v", err)
			}
			for _, want := range []string{path, why, "dryhold restore BACKUP --data " + dir + " --force"} {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("the error does not say %q: %v", want, err)
				}
			}
			if d := cmp.Diff(before, contentsOf(t, dir)); d != "" {
				t.Errorf("the directory was changed: %.300s", d)
			}
		})
	}
	truncate := func(n func(size int64) int64) func(t *testing.T, path string) {
		return func(t *testing.T, path string) {
			info, err := os.Stat(path)
			if err == nil {
				err = os.Truncate(path, n(info.Size()))
			}
			if err != nil {
				t.Fatal(err)
			}
		}
	}
	f("empty", "it is empty", truncate(func(int64) int64 { return 0 }))
	f("half", "malformed", truncate(func(size int64) int64 { return size / 2 }))
	f("less a page", "", truncate(func(size int64) int64 { return size - 4096 }))
	f("a few bytes", "", truncate(func(int64) int64 { return 40 }))
	f("no database", "not a database", func(t *testing.T, path string) { overwrite(t, path, 0, 16) })
	f("every page spoilt", "", func(t *testing.T, path string) {
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		for at := int64(4096); at < info.Size(); at += 4096 {
			overwrite(t, path, at, 100)
		}
	})
	f("half, with a log", "malformed", func(t *testing.T, path string) {
		killed(t, filepath.Dir(path))
		truncate(func(size int64) int64 { return size / 2 })(t, path)
	})
	f("gone, with its log left", "it is missing", func(t *testing.T, path string) {
		if err := os.Rename(path, path+"-wal"); err != nil {
			t.Fatal(err)
		}
	})
}

// killed makes of a data directory what a killed process leaves: the newest
// commit is in the log alone.
func killed(t *testing.T, dir string) {
	t.Helper()
	s, err := Open(t.Context(), dir, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	commit(t, s, Outcome{}, reading("a", epoch.AddDate(0, 0, 9), 20))
	left := contentsOf(t, dir)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{File, File + "-wal"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(left[name]), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// contentsOf are the files of a data directory, without the lock.
func contentsOf(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		b, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		if filepath.Ext(e.Name()) != ".db-shm" { // the index of the log, made when it is read
			out[e.Name()] = string(b)
		}
	}
	return out
}

// overwrite flips n bytes of a file.
func overwrite(t *testing.T, path string, at int64, n int) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	b := make([]byte, n)
	k, err := f.ReadAt(b, at)
	for i := range b[:k] {
		b[i] ^= 0xff
	}
	if k > 0 {
		_, err = f.WriteAt(b[:k], at)
	}
	if err := errors.Join(err, f.Close()); err != nil {
		t.Fatal(err)
	}
}

// A change of a lot that cannot be read says which, and how to go on.
func TestDamagedChangeOfALot(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	furnish(t, s)
	execute(t, filepath.Join(dir, File), `UPDATE lot_change SET body = substr(body, 1, 20)`)
	if _, err := s.LotChanges(t.Context()); err == nil || !strings.Contains(err.Error(), "change 1, of lot L-1, is damaged") || !strings.Contains(err.Error(), "dryhold restore") {
		t.Errorf("error: %v", err)
	}
}

// tenYears fills a store with that many packed days of series, all as large as
// a usual one.
func tenYears(b *testing.B, s *Store, series, days int) {
	b.Helper()
	rng := rand.New(rand.NewPCG(1, 2))
	var points []point
	for _, r := range sensorDay(rng, 0) {
		points = append(points, point{r.At.UnixMilli() % dayMS, r.Quantity.Steps(r.Value)})
	}
	tx, err := s.write.Begin()
	if err != nil {
		b.Fatal(err)
	}
	for i := range series {
		if _, err := tx.Exec(`INSERT INTO series (id, room, sensor, quantity) VALUES (?, 'loft', ?, 1)`, i+1, fmt.Sprint("s", i)); err != nil {
			b.Fatal(err)
		}
	}
	for day := range days {
		shifted := slices.Clone(points)
		for i := range shifted {
			shifted[i].at += int64(day) * dayMS
		}
		data := s.pack(int64(day), shifted)
		for i := range series {
			if _, err := tx.Exec(`INSERT INTO packed_day (series, day, n, codec, data) VALUES (?, ?, ?, ?, ?)`, i+1, day, len(points), codecColumns, data); err != nil {
				b.Fatal(err)
			}
		}
	}
	if err := tx.Commit(); err != nil {
		b.Fatal(err)
	}
}

// BenchmarkChecks times the check at start, the full check, and a backup, of
// ten years of 8 rooms with two quantities each minute. The full check rests
// three quarters of its time.
func BenchmarkChecks(b *testing.B) {
	dir := b.TempDir()
	s := open(b, dir)
	tenYears(b, s, 16, 3652)
	path := filepath.Join(dir, File)
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	info, err := os.Stat(path)
	if err != nil {
		b.Fatal(err)
	}
	megabytes := float64(info.Size()) / 1e6
	b.Run("start", func(b *testing.B) {
		for b.Loop() {
			if faults, err := check(b.Context(), path, "quick_check"); err != nil || len(faults) > 0 {
				b.Fatal(faults, err)
			}
		}
		b.ReportMetric(megabytes, "MB")
	})
	s = open(b, dir)
	b.Run("full", func(b *testing.B) {
		for b.Loop() {
			if err := s.FullCheck(b.Context(), time.Now); err != nil {
				b.Fatal(err)
			}
		}
	})
	commits := func(b *testing.B, stop func() bool) {
		var took []time.Duration
		for i := 0; !stop(); i++ {
			began := time.Now()
			commit(b, s, Outcome{}, reading("s0", epoch.AddDate(20, 0, 0).Add(time.Duration(b.N*1_000_000+i)*time.Second), 20))
			took = append(took, time.Since(began))
			time.Sleep(2 * time.Millisecond)
		}
		slices.Sort(took)
		b.ReportMetric(float64(took[len(took)/2].Microseconds()), "µs-median")
		b.ReportMetric(float64(took[len(took)*99/100].Microseconds()), "µs-p99")
		b.ReportMetric(float64(took[len(took)-1].Microseconds()), "µs-max")
	}
	b.Run("commits/alone", func(b *testing.B) {
		until := time.Now().Add(5 * time.Second)
		commits(b, func() bool { return time.Now().After(until) })
	})
	b.Run("commits/full", func(b *testing.B) {
		done := make(chan error, 1)
		go func() { done <- s.FullCheck(b.Context(), time.Now) }()
		commits(b, func() bool { return len(done) > 0 })
		if err := <-done; err != nil {
			b.Fatal(err)
		}
	})
	b.Run("backup", func(b *testing.B) {
		file := filepath.Join(b.TempDir(), "copy.db")
		for b.Loop() {
			if _, err := Backup(b.Context(), dir, file, true, func(string, int64, int64) {}); err != nil {
				b.Fatal(err)
			}
		}
	})
}
