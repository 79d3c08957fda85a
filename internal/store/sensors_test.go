package store

import (
	"context"
	"database/sql"
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
	"dryhold/internal/audit"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/sensor"
	"dryhold/internal/unit"
)

// voided is a change of that number.
func voided(seq int) sensor.Change {
	return sensor.Change{Kind: sensor.Voided, Seq: seq, Room: "loft", Sensor: "a", Recorded: epoch.Add(time.Duration(seq) * time.Hour), By: "Ada",
		Note: "hung in the sun", From: epoch, To: epoch.Add(time.Minute)}
}

// refused commits what must not be taken.
func refused(t *testing.T, s *Store, out Outcome, readings ...room.Reading) {
	t.Helper()
	err := s.Commit(t.Context(), Batch{Readings: readings}, nil, epoch, func([]room.Reading) (Outcome, error) { return out, nil })
	if err == nil {
		t.Errorf("taken: %+v", out)
	}
}

// What was told about sensors outlives the process, in order, to the last bit,
// and nothing of a commit that fails stays.
func TestSensorChanges(t *testing.T) {
	dir, q := t.TempDir(), unit.Temperature
	s := open(t, dir)
	want := []sensor.Change{
		{Kind: sensor.Calibrated, Seq: 1, Room: "loft", Sensor: "a", Recorded: epoch, By: "Ada", Quantity: &q, From: epoch, Gain: 1.02, Offset: -1.0 / 3, Due: epoch.AddDate(1, 0, 0)},
		voided(2),
		{Kind: sensor.Revoked, Seq: 3, Recorded: epoch.Add(3 * time.Hour), By: "Bea", Note: "it was the other one", Revokes: 2},
	}
	commit(t, s, Outcome{Sensors: want[:1]}, reading("a", epoch, 20))
	commit(t, s, Outcome{Sensors: want[1:]})
	refused(t, s, Outcome{Sensors: []sensor.Change{voided(4), voided(2)}}, reading("a", epoch.Add(time.Minute), 20)) // the number is taken
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	got, err := s.SensorChanges(t.Context())
	if d := cmp.Diff(want, got); d != "" || err != nil {
		t.Errorf("%v (-want +got):\n%s", err, d)
	}
	if rs, _ := all(t, s, time.UnixMilli(0)); len(rs) != 1 {
		t.Errorf("%d readings, want the one: voiding takes none away, and a commit that failed leaves none", len(rs))
	}
}

func TestAudit(t *testing.T) {
	s := open(t, t.TempDir())
	at := func(h int) time.Time { return epoch.Add(time.Duration(h) * time.Hour) }
	key := alarm.Key{Kind: alarm.Warm, Room: "loft"}
	packing := &lot.Packing{Food: "white-rice", Container: "pet-2l", Count: 2, NetMassKG: 1.6, Room: "loft", PackedAt: epoch}
	commit(t, s, Outcome{Lots: []lot.Change{{Kind: lot.Added, Lot: "L-1", At: epoch, Recorded: at(1), By: "Ada", Packing: packing}}})
	commit(t, s, Outcome{Actions: []Action{{At: at(2), Action: "acknowledge", Key: key, By: "Bea", Note: "window shaded"}}})
	commit(t, s, Outcome{Lots: []lot.Change{{Kind: lot.Moved, Lot: "L-1", At: epoch, Recorded: at(3), By: "Ada", Room: "cellar"}}})
	commit(t, s, Outcome{Sensors: []sensor.Change{voided(1), voided(4)}})
	want := []audit.Act{
		{Told: at(4), At: epoch, By: "Ada", Kind: audit.Sensor, Of: "loft/a", What: "voided everything it measures until 2026-07-01T00:01:00Z", Why: "hung in the sun", Change: 4},
		{Told: at(3), At: epoch, By: "Ada", Kind: audit.Lot, Of: "L-1", What: "moved to cellar", Old: "in loft"},
		{Told: at(2), At: at(2), By: "Bea", Kind: audit.Alarm, Of: "warm/loft", What: "acknowledged", Why: "window shaded"},
		{Told: at(1), At: epoch, By: "Ada", Kind: audit.Sensor, Of: "loft/a", What: "voided everything it measures until 2026-07-01T00:01:00Z", Why: "hung in the sun", Change: 1},
		{Told: at(1), At: epoch, By: "Ada", Kind: audit.Lot, Of: "L-1", What: "packed 2 x 1.6 kg of white-rice in pet-2l, in loft"},
	}
	slices.SortStableFunc(want, func(a, b audit.Act) int { return b.Told.Compare(a.Told) })
	f := func(name string, filter audit.Filter, limit int, want []audit.Act) {
		t.Helper()
		byText := cmp.Transformer("order", func(a []audit.Act) []audit.Act {
			a = slices.Clone(a)
			slices.SortFunc(a, func(x, y audit.Act) int { return strings.Compare(x.What+x.Told.String(), y.What+y.Told.String()) })
			return a
		})
		got, err := s.Audit(t.Context(), filter, limit)
		if d := cmp.Diff(want, got, byText); d != "" || err != nil {
			t.Errorf("%s: %v (-want +got):\n%s", name, err, d)
		}
	}
	f("all", audit.Filter{}, 100, want)
	f("the newest two", audit.Filter{}, 2, want[:2])
	f("since", audit.Filter{Since: at(2)}, 100, want[:3])
	f("none so late", audit.Filter{Since: at(5)}, 100, []audit.Act{})
}

// A damaged fact is told with its number; it is not left out in silence.
func TestDamagedChangeOfASensor(t *testing.T) {
	f := func(name, body, want string) {
		t.Helper()
		dir := t.TempDir()
		s := open(t, dir)
		commit(t, s, Outcome{Sensors: []sensor.Change{voided(1)}})
		if _, err := s.write.ExecContext(t.Context(), `UPDATE sensor_change SET body = ?`, body); err != nil {
			t.Fatal(err)
		}
		if _, err := s.SensorChanges(t.Context()); err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "dryhold restore") {
			t.Errorf("%s: %v, want %q and what to do", name, err, want)
		}
		if _, err := s.Audit(t.Context(), audit.Filter{}, 10); err == nil {
			t.Errorf("%s: the audit leaves it out", name)
		}
	}
	f("no JSON", `{"seq":`, "change 1 of a sensor is damaged")
	f("another number", `{"seq":7}`, "it says it is number 7")
	f("unknown quantity", `{"seq":1,"quantity":"charm"}`, "change 1 of a sensor is damaged")
}

// A database of the version before, with something of everything, is brought
// up to date: all that was in it is there, and a change can be told.
func TestUpgrade(t *testing.T) {
	for _, before := range []int64{1, 2, 3} {
		dir := t.TempDir()
		older(t, dir, before)
		s := open(t, dir)
		if rs, _ := all(t, s, time.UnixMilli(0)); len(rs) != 1 || rs[0] != reading("a", epoch, 20) {
			t.Errorf("schema %d: readings %v", before, rs)
		}
		lots, err := s.LotChanges(t.Context())
		if err != nil || len(lots) != 1 || lots[0].Lot != "L-1" {
			t.Errorf("schema %d: lots %v %v", before, lots, err)
		}
		if got, err := s.SensorChanges(t.Context()); err != nil || len(got) != 0 {
			t.Errorf("schema %d: changes of sensors %v %v", before, got, err)
		}
		commit(t, s, Outcome{Sensors: []sensor.Change{voided(1)}}, reading("a", epoch.Add(time.Minute), 21))
		acts, err := s.Audit(t.Context(), audit.Filter{}, 10)
		if err != nil || len(acts) != 3 {
			t.Errorf("schema %d: audit %v %v", before, acts, err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		if f := factsOf(t, dir); len(f.Sensors) != 1 || len(f.Readings) != 2 {
			t.Errorf("schema %d: opened again: %+v", before, f)
		}
	}
}

// A backup of the version before is restored and brought up to date.
func TestRestoreOfAnOlderBackup(t *testing.T) {
	from, to := t.TempDir(), filepath.Join(t.TempDir(), "data")
	older(t, from, 3)
	if _, err := Restore(t.Context(), filepath.Join(from, File), to, false, epoch, silent); err != nil {
		t.Fatal(err)
	}
	if f := factsOf(t, to); len(f.Readings) != 1 || len(f.Lots) != 1 || len(f.Acts) != 2 {
		t.Errorf("restored: %+v", f)
	}
}

// older makes a database of an earlier schema with a reading, a lot and an
// action in it.
func older(t *testing.T, dir string, schema int64) {
	t.Helper()
	db, err := sql.Open("sqlite", uri(filepath.Join(dir, File), pragmas))
	if err != nil {
		t.Fatal(err)
	}
	p, err := steps(db)
	if err == nil {
		_, err = p.UpTo(t.Context(), schema)
	}
	for _, q := range []struct {
		text string
		args []any
	}{
		{`INSERT INTO series (id, room, sensor, quantity) VALUES (1, 'loft', 'a', 1)`, nil},
		{`INSERT INTO open_reading (series, at, steps) VALUES (1, ?, 20000)`, []any{epoch.UnixMilli()}},
		{`INSERT INTO lot_change (lot, body) VALUES ('L-1', '{"kind":"added","lot":"L-1","at":"2026-07-01T00:00:00Z","recorded":"2026-07-01T00:00:00Z","packing":{"food":"white-rice","room":"loft"}}')`, nil},
		{`INSERT INTO operator_action (at, action, key, by, note) VALUES (?, 'acknowledge', 'warm/loft', 'Ada', '')`, []any{epoch.UnixMilli()}},
	} {
		if err == nil {
			_, err = db.ExecContext(context.Background(), q.text, q.args...)
		}
	}
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
}

func TestFirst(t *testing.T) {
	s := open(t, t.TempDir())
	f := func(name, in string, want time.Time) {
		t.Helper()
		if got, err := s.First(t.Context(), in); err != nil || !got.Equal(want) {
			t.Errorf("%s: %v %v, want %v", name, got, err, want)
		}
	}
	f("no reading", "loft", time.Time{})
	commit(t, s, Outcome{}, reading("a", epoch.AddDate(0, 0, 5).Add(time.Hour), 20), reading("b", epoch.AddDate(0, 0, 3).Add(time.Hour), 20))
	f("of two sensors", "loft", epoch.AddDate(0, 0, 3))
	f("another room", "cellar", time.Time{})
	pack(t, s, epoch.AddDate(0, 0, 30))
	f("packed", "loft", epoch.AddDate(0, 0, 3))
	commit(t, s, Outcome{}, reading("a", epoch.Add(time.Hour), 20))
	f("a late one before them", "loft", epoch)
}
