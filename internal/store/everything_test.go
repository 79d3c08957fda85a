package store

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/alarm"
	"dryhold/internal/barrier"
	"dryhold/internal/dispatch"
	"dryhold/internal/lot"
	"dryhold/internal/note"
	"dryhold/internal/openfiles"
	"dryhold/internal/room"
	"dryhold/internal/sensor"
	"dryhold/internal/unit"
)

// exportTo writes the facts of a data directory into a folder.
func exportTo(ctx context.Context, data, folder string, o openfiles.Options) (m openfiles.Manifest, err error) {
	s, err := Look(ctx, data, slog.New(slog.DiscardHandler))
	if err != nil {
		return m, err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	o.FactsOnly, o.Schema = true, func(any) ([]byte, error) { return []byte("{}\n"), nil }
	w, err := openfiles.Create(folder, o)
	if err != nil {
		return m, err
	}
	rooms, err := s.Rooms(ctx)
	if err != nil {
		return m, err
	}
	for _, name := range rooms {
		err := s.EachDay(ctx, name, time.UnixMilli(0), func(day []room.Reading) error {
			for _, r := range day {
				line := openfiles.Reading{Room: r.Room, Sensor: r.Sensor, Quantity: r.Quantity, Unit: r.Quantity.Symbol(), At: r.At, Value: r.Value}
				if err := w.Put(&line); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return m, err
		}
	}
	if err := errors.Join(s.EachFact(ctx, epoch, w.Put), s.Seen(ctx)); err != nil {
		return m, err
	}
	return w.Close(openfiles.Site{Name: "larch-house", Zone: "UTC", AsOf: epoch.AddDate(0, 0, 5)})
}

// importFrom fills a data directory from a folder.
func importFrom(ctx context.Context, folder, data string) (Contents, error) {
	f, err := openfiles.Open(folder)
	if err != nil {
		return Contents{}, err
	}
	return Fill(ctx, data, f.AsOf, func(put func(row any) error) error {
		return f.Each(ctx, func(int64, int64) {}, put)
	}, silent)
}

// dump is every row of every table of facts as text, and every reading.
func dump(ctx context.Context, dir string) (out map[string][]string, err error) {
	s, err := Look(ctx, dir, slog.New(slog.DiscardHandler))
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	out = map[string][]string{}
	tables, err := countRows(ctx, s.read)
	for table := range tables {
		if _, not := notExported()[table]; not || err != nil {
			continue
		}
		err = scan(ctx, s.read, `SELECT * FROM "`+table+`" ORDER BY 1, 2`, nil, func(r *sql.Rows) error {
			names, err := r.Columns()
			if err != nil {
				return err
			}
			row := make([]any, len(names))
			for i := range row {
				row[i] = new(any)
			}
			if err := r.Scan(row...); err != nil {
				return err
			}
			text := ""
			for i := range row {
				text += fmt.Sprintf("%s=%v ", names[i], *row[i].(*any))
			}
			if table == "notice" {
				text = withoutLinks(text)
			}
			out[table] = append(out[table], text)
			return nil
		})
	}
	if err != nil {
		return nil, err
	}
	rooms, err := s.Rooms(ctx)
	for _, name := range rooms {
		if err != nil {
			break
		}
		err = s.EachDay(ctx, name, time.UnixMilli(0), func(day []room.Reading) error {
			for _, r := range day {
				out["readings"] = append(out["readings"], fmt.Sprintf("%q %d %d", r.Series, r.At.UnixMilli(), r.Quantity.Steps(r.Value)))
			}
			return nil
		})
	}
	return out, err
}

// withoutLinks takes the links out of a notice, which are not exported.
func withoutLinks(row string) string {
	if i := strings.Index(row, `,"links":[`); i >= 0 {
		row = row[:i] + row[i+strings.Index(row[i:], "]")+1:]
	}
	return row
}

// houseOf draws a store of any kind.
type houseOf struct {
	s     *Store
	names []string
}

// text draws what a person may have called or written something.
func text() *rapid.Generator[string] {
	return rapid.OneOf(
		rapid.SampledFrom([]string{"cellar", "Cellar", "north pantry", "..", ".hidden", "a/b", `a"b,c`, "Küche", "=1+1", "loft\t2", "<b>&amp;", "con:*?"}),
		rapid.StringN(1, 12, 40).Filter(func(s string) bool { return !strings.ContainsAny(s, "\r\x00") }),
	)
}

func instantAfter(t *rapid.T) time.Time {
	return epoch.Add(time.Duration(rapid.Int64Range(0, 6*24*3600*1000).Draw(t, "ms")) * time.Millisecond)
}

func (h houseOf) readings(t *rapid.T) (out []room.Reading) {
	for range rapid.IntRange(0, 40).Draw(t, "readings") {
		q := rapid.SampledFrom(unit.Quantities()).Draw(t, "quantity")
		low, high := map[unit.Quantity]float64{unit.Temperature: -60, unit.Link: -150}[q], map[unit.Quantity]float64{unit.Temperature: 100, unit.Illuminance: 200_000, unit.Link: 20}[q]
		if high == 0 {
			high = 1
		}
		name := rapid.SampledFrom(h.names)
		out = append(out, room.Reading{
			Series: room.Series{Room: name.Draw(t, "room"), Sensor: name.Draw(t, "sensor"), Quantity: q},
			At:     instantAfter(t), Value: q.Round(rapid.Float64Range(low, high).Draw(t, "value")),
		})
	}
	return out
}

func (h houseOf) outcome(t *rapid.T, sensors, notes *int) (out Outcome) {
	some := rapid.IntRange(0, 2)
	say := func() string { return text().Draw(t, "text") }
	value := func() float64 { return rapid.Float64Range(-1e3, 1e3).Draw(t, "value") }
	key := alarm.Key{Kind: rapid.SampledFrom([]alarm.Kind{alarm.Warm, alarm.Damp}).Draw(t, "kind"), Room: say()}
	for range some.Draw(t, "lots") {
		failed := barrier.Failed
		c := lot.Change{Kind: lot.Noted, Lot: "L-1", At: instantAfter(t).In(time.FixedZone("", 7200)), Recorded: instantAfter(t).Add(1234 * time.Nanosecond), By: say(), Note: say(), Seal: &failed}
		if rapid.Bool().Draw(t, "added") {
			c = lot.Change{
				Kind: lot.Added, Lot: say(), At: epoch, Recorded: epoch, KG: value(),
				Packing: &lot.Packing{Food: "white-rice", NetMassKG: value(), Treatment: lot.Treatment{Kind: lot.Absorber, CapacityCM3: 300}, Room: say(), PackedAt: epoch},
				Answers: []lot.RoundAnswer{{Question: "damp", Answer: say()}}, Evidence: &lot.Evidence{AsOf: epoch, Share: value()},
			}
		}
		out.Lots = append(out.Lots, c)
	}
	for range some.Draw(t, "sensors") {
		*sensors++
		q := unit.Humidity
		out.Sensors = append(out.Sensors, sensor.Change{Kind: sensor.Calibrated, Seq: *sensors, Room: say(), Sensor: say(), Recorded: epoch, Quantity: &q, From: instantAfter(t), Gain: value(), Offset: value()})
	}
	for range some.Draw(t, "notes") {
		*notes++
		out.Notes = append(out.Notes, note.Change{Kind: note.Noted, Seq: *notes, Room: say(), From: epoch, To: instantAfter(t), Text: say(), Recorded: epoch})
	}
	for range some.Draw(t, "alarms") {
		out.Actions = append(out.Actions, Action{At: instantAfter(t), Action: alarm.ActShelve, Key: key, By: say(), Note: say(), Until: instantAfter(t)}, Action{At: epoch, Action: alarm.ActAcknowledge, Key: key})
		out.Transitions = append(out.Transitions, alarm.Event{Key: key, To: "unacknowledged", At: instantAfter(t), Value: value(), Peak: value(), Spell: 3, Note: say()})
		out.Conditions = append(out.Conditions, alarm.Condition{Key: key, Active: true, Peak: value(), Since: instantAfter(t), Gap: time.Duration(rapid.Int64().Draw(t, "gap"))})
		out.Told = append(out.Told, dispatch.Told{To: say(), Key: key, Reminders: 2, Past: []dispatch.Episode{{Began: epoch}}, Diary: &dispatch.Diary{Messages: 4}}, dispatch.Told{To: say()})
		out.Notices = append(out.Notices, alarm.Notice{Key: say(), Subject: say(), At: instantAfter(t), Links: []alarm.Link{{Text: "Acknowledge", URL: "https://hearth.lan/a/secret"}}})
		out.Once = append(out.Once, Once{ID: rand.Text(), At: instantAfter(t), What: say(), By: say()})
	}
	return out
}

// furnishAny fills a store with any facts at all.
func furnishAny(ctx context.Context, t *rapid.T, s *Store) error {
	h := houseOf{s, rapid.SliceOfNDistinct(text(), 1, 4, rapid.ID[string]).Draw(t, "names")}
	sensors, notes := 0, 0
	for range rapid.IntRange(1, 4).Draw(t, "commits") {
		b := Batch{Readings: h.readings(t), Intervals: []Interval{{h.names[0], time.Duration(rapid.IntRange(0, 1e6).Draw(t, "within")) * time.Millisecond}}}
		out := h.outcome(t, &sensors, &notes)
		if err := s.Commit(ctx, b, []string{"log", "mqtt"}, instantAfter(t), func([]room.Reading) (Outcome, error) { return out, nil }); err != nil {
			return err
		}
		if rapid.Bool().Draw(t, "pack") {
			for more := true; more; {
				var err error
				if more, err = s.Pack(ctx, instantAfter(t)); err != nil {
					return err
				}
			}
		}
	}
	due, err := s.Due(ctx, epoch.AddDate(1, 0, 0), 100)
	for i, n := range due {
		switch {
		case err == nil && i%3 == 0:
			err = s.Delivered(ctx, n.ID, epoch)
		case err == nil && i%3 == 1:
			err = s.Failed(ctx, n.ID, epoch, epoch.Add(time.Hour), "refused: "+h.names[0], i%2 == 0)
		}
	}
	return errors.Join(err, s.RecordImport(ctx, Import{At: epoch, By: h.names[0], Source: "loft.csv", Stored: 3, From: epoch, To: epoch.Add(time.Hour)}, nil))
}

// What leaves is what comes back, whatever it is, in every row and reading.
func TestExportedComesBack(t *testing.T) {
	ctx := t.Context()
	base, n := t.TempDir(), 0
	rapid.Check(t, func(t *rapid.T) {
		n++
		dir, folder, back := filepath.Join(base, fmt.Sprint(n), "data"), filepath.Join(base, fmt.Sprint(n), "open"), filepath.Join(base, fmt.Sprint(n), "back")
		defer func() { _ = os.RemoveAll(filepath.Dir(dir)) }()
		s, err := Open(ctx, dir, slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		err = furnishAny(ctx, t, s)
		if err != nil {
			t.Fatal(errors.Join(err, s.Close()))
		}
		o := openfiles.Options{Readings: rapid.SampledFrom([][]openfiles.Format{{openfiles.CSV}, {openfiles.JSONL}, {openfiles.JSONL, openfiles.CSV}}).Draw(t, "formats"), Gzip: rapid.Bool().Draw(t, "gzip")}
		_, err = exportTo(ctx, dir, folder, o) // the store is open
		if err = errors.Join(err, s.Close()); err != nil {
			t.Fatal(err)
		}
		if _, err := importFrom(ctx, folder, back); err != nil {
			t.Fatal(err)
		}
		want, err := dump(ctx, dir)
		if err != nil {
			t.Fatal(err)
		}
		got, err := dump(ctx, back)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Fatalf("what came back (-stored +back):\n%.2000s", d)
		}
	})
}

// Every table is exported or named as holding no facts: a new one is looked at.
func TestNothingIsForgotten(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	tables, err := countRows(t.Context(), s.read)
	if err != nil {
		t.Fatal(err)
	}
	exported := []string{"series", "lot_change", "sensor_change", "room_note", "operator_action", "alarm_event", "import", "condition", "told", "notice", "stated_interval", "done_once", "quarantined_day"}
	not := notExported()
	for table := range tables {
		if _, named := not[table]; named == slices.Contains(exported, table) {
			t.Errorf("table %s: is it exported by EachFact and filled by Fill (then name it in this test), or does it hold no facts (then name it in notExported)?", table)
		}
	}
	for _, table := range append(exported, slices.Collect(maps.Keys(not))...) {
		if _, there := tables[table]; !there {
			t.Errorf("there is no table %s", table)
		}
	}
}

// A damaged day leaves as what it is, and is in the quarantine where it comes
// back; what is looked at stays as it was.
func TestDamagedDayLeavesAsDamaged(t *testing.T) {
	dir, folder, back := t.TempDir(), filepath.Join(t.TempDir(), "open"), t.TempDir()
	s := open(t, dir)
	furnish(t, s)
	if _, err := s.write.ExecContext(t.Context(), `UPDATE packed_day SET data = x'00112233' WHERE series = 1 AND day = (SELECT min(day) FROM packed_day)`); err != nil {
		t.Fatal(err)
	}
	m, err := exportTo(t.Context(), dir, folder, openfiles.Options{Readings: []openfiles.Format{openfiles.CSV}})
	if err != nil {
		t.Fatal(err)
	}
	if n := m.Lines("damaged_days"); n != 1 {
		t.Errorf("%d damaged days told", n)
	}
	if n := len(s.Integrity().Quarantined); n != 0 {
		t.Errorf("the export moved %d days", n)
	}
	if _, err := importFrom(t.Context(), folder, back); err != nil {
		t.Fatal(err)
	}
	got := open(t, back).Integrity().Quarantined
	if len(got) != 1 || got[0].Readings != 144 || got[0].Reason == "" || !got[0].Day.Equal(epoch) {
		t.Errorf("in the quarantine: %+v", got)
	}
}

// An export is of one instant: what is committed and packed meanwhile is not in
// it, and is not held up.
func TestExportBesideCommits(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	furnish(t, s)
	before, err := dump(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	look, err := Look(t.Context(), dir, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = look.Close() }()
	commit(t, s, Outcome{Notes: []note.Change{noteOf(2)}}, reading("c", epoch.Add(time.Hour), 3), reading("a", epoch.AddDate(0, 0, 3), 3))
	pack(t, s, epoch.AddDate(0, 0, 9))
	n := 0
	if err := look.EachFact(t.Context(), epoch, func(row any) error {
		if _, is := row.(*note.Change); is {
			n++
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	readings := 0
	if err := look.EachDay(t.Context(), "loft", time.UnixMilli(0), func(day []room.Reading) error {
		readings += len(day)
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if n != 1 || readings != len(before["readings"]) {
		t.Errorf("seen: %d notes and %d readings of %d", n, readings, len(before["readings"]))
	}
	if err := look.Seen(t.Context()); err != nil {
		t.Error(err)
	}
	if err := look.Seen(t.Context()); err == nil {
		t.Error("a look that was over was of one instant")
	}
}

// What is there is never written over, and what cannot be read changes nothing.
func TestFillRefuses(t *testing.T) {
	dir, folder := t.TempDir(), filepath.Join(t.TempDir(), "open")
	s := open(t, dir)
	furnish(t, s)
	if _, err := exportTo(t.Context(), dir, folder, openfiles.Options{Readings: []openfiles.Format{openfiles.CSV}}); err != nil {
		t.Fatal(err)
	}
	f := func(data, want string) {
		t.Helper()
		if _, err := importFrom(t.Context(), folder, data); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q wanted: %v", want, err)
		}
	}
	f(dir, "in use by another dryhold")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	f(dir, "give an empty --data")
	back := filepath.Join(t.TempDir(), "new", "data")
	file := filepath.Join(folder, "facts", "readings", "loft-2026.csv")
	whole, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	lines := bytes.SplitAfter(whole, []byte("\n"))
	spoil := func(want string, change func(lines [][]byte) [][]byte) {
		t.Helper()
		body := bytes.Join(change(slices.Clone(lines)), nil)
		if err := os.WriteFile(file, body, 0o600); err != nil {
			t.Fatal(err)
		}
		vouch(t, folder, "facts/readings/loft-2026.csv", body)
		f(back, want)
		left(t, back, "lock")
	}
	spoil("sort the file by time", func(l [][]byte) [][]byte { l[3], l[9] = l[9], l[3]; return l })
	spoil("sort the file by time", func(l [][]byte) [][]byte { return append(l[:2:2], l[1:]...) })
	spoil("each day in one file", func(l [][]byte) [][]byte { return append(l[:len(l):len(l)], l[5]) })
	spoil("loft-2026.csv:4:", func(l [][]byte) [][]byte {
		l[3] = bytes.Replace(l[3], []byte("temperature"), []byte("heat"), 1)
		return l
	})
}

// vouch puts a file as it is now into the manifest of a folder.
func vouch(t *testing.T, folder, path string, body []byte) {
	t.Helper()
	name := filepath.Join(folder, "manifest.json")
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	var m openfiles.Manifest
	if err := json.Unmarshal(text, &m); err != nil {
		t.Fatal(err)
	}
	for i := range m.Files {
		if m.Files[i].Path == path {
			m.Files[i].Bytes, m.Files[i].SHA256 = int64(len(body)), sum(body)
			m.Files[i].Lines = int64(bytes.Count(body, []byte("\n"))) - 1
		}
	}
	if text, err = json.Marshal(m); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, text, 0o600); err != nil {
		t.Fatal(err)
	}
}

func sum(body []byte) string { return fmt.Sprintf("%x", sha256.Sum256(body)) }
