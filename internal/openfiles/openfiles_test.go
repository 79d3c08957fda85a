package openfiles

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/note"
	"dryhold/internal/unit"
)

var day = time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)

func stub(any) ([]byte, error) { return []byte("{}\n"), nil }

func everything() Options {
	return Options{Readings: []Format{CSV, JSONL}, FactsOnly: true, Schema: stub}
}

// some are rows of several kinds, in the order of Each.
func some() []any {
	v := 21.5
	reading := func(room string, at time.Time, q unit.Quantity, value float64) *Reading {
		return &Reading{Room: room, Sensor: room + "-1", Quantity: q, Unit: q.Symbol(), At: at, Value: value, Counts: true, AsCounted: &v}
	}
	return []any{
		&Series{Room: "loft", Sensor: "loft-1", Quantity: unit.Temperature, Unit: "°C"},
		reading("a/b \"x\",", day, unit.Temperature, -0.5),
		reading("loft", day.Add(-time.Millisecond), unit.Humidity, 0.55),
		reading("loft", day, unit.Temperature, 21.5),
		reading("Loft", day.AddDate(1, 0, 0), unit.Illuminance, 120000),
		&LotChange{Seq: 1, Change: lot.Change{Kind: lot.Moved, Lot: "L-1", At: day, Recorded: day, Room: "loft", Note: "said \"<so>\"\nand went"}},
		&note.Change{Kind: note.Noted, Seq: 1, Room: "loft", From: day, To: day.Add(time.Hour), Text: "painters", Recorded: day},
		&AlarmEvent{Seq: 4, Event: alarm.Event{Key: alarm.Key{Kind: alarm.Warm, Room: "loft"}, At: day, Value: 31}},
		&DamagedDay{Room: "loft", Sensor: "loft-1", Quantity: unit.Temperature, Day: day, Data: []byte{0, 255}, Found: day},
	}
}

// written writes a folder and gives its path.
func written(t testing.TB, o Options, rows []any) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "open")
	w, err := Create(dir, o)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		if err := w.Put(r); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := w.Close(Site{Name: "larch-house", Zone: "Europe/Berlin", AsOf: day, Dryhold: "test", Schema: 11}); err != nil {
		t.Fatal(err)
	}
	return dir
}

// read reads a folder whole.
func read(dir string) (rows []any, err error) {
	f, err := Open(dir)
	if err != nil {
		return nil, err
	}
	err = f.Each(context.Background(), func(int64, int64) {}, func(row any) error {
		copied := reflect.New(reflect.TypeOf(row).Elem())
		copied.Elem().Set(reflect.ValueOf(row).Elem())
		rows = append(rows, copied.Interface())
		return nil
	})
	return rows, err
}

func TestFolder(t *testing.T) {
	f := func(o Options) {
		t.Helper()
		got, err := read(written(t, o, some()))
		if err != nil {
			t.Error(err)
			return
		}
		want := some()
		for _, rows := range [][]any{want, got} {
			for _, row := range rows {
				if r, is := row.(*Reading); is {
					r.Counts, r.AsCounted = false, nil // not read back
				}
			}
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("-written +read:\n%s", d)
		}
	}
	o := everything()
	f(o)
	o.Readings = []Format{JSONL}
	f(o)
	o.Readings, o.Gzip = []Format{CSV}, true
	f(o)
}

// The tables are as RFC 4180 has them, and say what the lines of JSON say.
func TestTables(t *testing.T) {
	dir := written(t, everything(), some())
	body, err := os.ReadFile(filepath.Join(dir, "facts", "readings", "loft-2026.csv"))
	if err != nil {
		t.Fatal(err)
	}
	want := "room,sensor,quantity,unit,at,value,counts,value_as_counted\r\nloft,loft-1,humidity,fraction,2026-06-30T23:59:59.999Z,0.55,true,21.5\r\nloft,loft-1,temperature,°C,2026-07-01T00:00:00.000Z,21.5,true,21.5\r\n"
	if d := cmp.Diff(want, string(body)); d != "" {
		t.Errorf("readings (-want +got):\n%s", d)
	}
	if body, err = os.ReadFile(filepath.Join(dir, "facts", "readings", "loft-2026.jsonl")); err != nil {
		t.Fatal(err)
	}
	first, _, _ := bytes.Cut(body, []byte("\n"))
	var r Reading
	if err := json.Unmarshal(first, &r); err != nil || !r.At.Equal(day.Add(-time.Millisecond)) || r.Value != 0.55 || !r.Counts || *r.AsCounted != 21.5 {
		t.Errorf("%s: %+v %v", first, r, err)
	}
	if _, err := os.Stat(filepath.Join(dir, "facts", "readings", "Loft~2-2027.csv")); err != nil { // not told apart on every disk
		t.Error(err)
	}
	for _, k := range Kinds() {
		if k.Split || !k.Fact {
			continue
		}
		in, err := os.Open(filepath.Join(dir, "facts", k.Name+".csv"))
		if err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(in).ReadAll()
		if err = errors.Join(err, in.Close()); err != nil {
			t.Errorf("%s: %v", k.Name, err)
		}
		if seen := map[string]bool{}; len(rows) == 0 || slices.ContainsFunc(rows[0], func(c string) bool { twice := seen[c]; seen[c] = true; return twice }) {
			t.Errorf("%s: columns %q", k.Name, rows)
		}
	}
}

// A table has the members of the JSON, under the same names.
func TestColumns(t *testing.T) {
	f := func(row any, want ...string) {
		t.Helper()
		var got []string
		for _, c := range columns(reflect.TypeOf(row)) {
			got = append(got, c.name)
		}
		for _, name := range want {
			if !slices.Contains(got, name) {
				t.Errorf("%T has no column %s: %q", row, name, got)
			}
		}
	}
	f(LotChange{}, "seq", "kind", "at", "packing.net_mass_kg", "packing.treatment.capacity_cm3", "seal", "evidence.oxygen_fraction", "answers")
	f(AlarmEvent{}, "seq", "key.kind", "key.room", "value")
	f(engine.LotView{}, "id", "remaining_quality.likely", "moisture.wet_basis_fraction.low", "modes", "projected_end")
	f(Hour{}, "temperature_mean_celsius", "exposure_days")
}

// Whatever is wrong with a folder is told with where and what to do.
func TestDamagedFolder(t *testing.T) {
	whole := os.DirFS(written(t, everything(), some()))
	f := func(file, old, changed, want string, vouched bool) {
		t.Helper()
		dir := t.TempDir()
		if err := os.CopyFS(dir, whole); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(dir, filepath.FromSlash(file))
		body, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		spoilt := strings.Replace(string(body), old, changed, 1)
		if spoilt == string(body) {
			t.Fatalf("%s has no %q:\n%s", file, old, body)
		}
		if err := os.WriteFile(path, []byte(spoilt), 0o600); err != nil {
			t.Fatal(err)
		}
		if vouched {
			vouch(t, dir, file, []byte(spoilt))
		}
		_, err = read(dir)
		if err == nil || !strings.Contains(filepath.ToSlash(err.Error()), want) {
			t.Errorf("%q wanted: %v", want, err)
		}
	}
	const rows, changes = "facts/readings/loft-2026.csv", "facts/lot_changes.jsonl"
	f(rows, "21.5,true,21.5\r\n", "21.6,true,21.5\r\n", "it was changed; take another copy", false)
	f(rows, "\r\n", "", "the manifest says", false)
	f(rows, "21.5,true,21.5\r\n", "2x,true,21.5\r\n", rows+":3:54: \"2x\" is no number", true)
	f(rows, "humidity", "moisture", rows+":2:13: unknown quantity", true)
	f(rows, "fraction", "%", rows+":2:22: humidity in \"%\": it is kept in fraction", true)
	f(rows, ",0.55,", ",55,", "a fraction, not a percentage", true)
	f(rows, ",0.55,", ",0.5500001,", "finer than what is kept", true)
	f(rows, "2026-06-30T23:59:59.999Z", "30.6.2026", rows+":2:31: \"30.6.2026\" is no instant", true)
	f(rows, "59.999Z", "59.9991Z", "finer than a millisecond", true)
	f(rows, "loft,loft-1,humidity", ",loft-1,humidity", rows+":2:1: the room is empty", true)
	f(rows, "loft,loft-1", "loft;loft-1", rows+":2:", true)
	f(rows, "loft,loft-1", "\"loft,loft-1", rows+":3:", true)
	f(rows, "room,", "rooms,", "the header is", true)
	f(changes, `"seq":1`, `"seq":"one"`, changes+":1:", true)
	f(changes, `"lot":"L-1"`, `"lots":"L-1"`, changes+":1:25: json: unknown field", true)
	f(changes, `"lot":"L-1",`, ``, "lot is missing", true)
	f(changes, `"lot":"L-1"`, `"lot":null`, "lot is missing", true)
	f(changes, "}\n", "", changes+":1:", true)
	f(changes, "}\n", "} {}\n", "there is more behind", true)
	f(changes, "}\n", "}\n\n", changes+":2:1", true)
	const objects = "facts/readings/loft-2026.jsonl"
	only := everything()
	only.Readings = []Format{JSONL}
	whole = os.DirFS(written(t, only, some()))
	f(objects, `"value":0.55`, `"value":"0.55"`, objects+":1:", true)
	f(objects, `"value":0.55`, `"value":55`, "a fraction, not a percentage", true)
	f(objects, `"value":0.55,`, ``, "value is missing", true)
	f(objects, `"quantity":"humidity"`, `"quantity":"moisture"`, "unknown quantity", true)
	whole = os.DirFS(written(t, everything(), some()))
	f("manifest.json", `"layout": 1`, `"layout": 2`, "layout 2, this dryhold reads 1", false)
	f("manifest.json", `"layout": 1`, `"layout": 1,,`, "manifest.json:2:15", false)
	f("manifest.json", `"path": "facts/series.csv"`, `"path": "../series.csv"`, "no path within", false)
	f("manifest.json", `"path": "facts/series.csv"`, `"path": "facts/told.csv"`, "stands there twice", false)
	f("manifest.json", `"kind": "series"`, `"kind": "seriez"`, "unknown to this version", false)
	f("manifest.json", `"kind": "told",
      "format": "jsonl"`, `"kind": "told",
      "format": "csv"`, "no file of told", false)
	f("manifest.json", `"lines": 2`, `"lines": 3`, "has 2 lines, the manifest says 3", false)
}

func vouch(t testing.TB, dir, file string, body []byte) {
	t.Helper()
	m, err := readManifest(dir)
	if err != nil {
		t.Fatal(err)
	}
	for i := range m.Files {
		if m.Files[i].Path == file {
			m.Files[i].Bytes, m.Files[i].SHA256 = int64(len(body)), fmt.Sprintf("%x", sha256.Sum256(body))
		}
	}
	text, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, manifestName), text, 0o600); err != nil {
		t.Fatal(err)
	}
}

// An export that is not complete is no export, and one that is abandoned leaves
// nothing; a folder with anything in it is not touched.
func TestUnfinished(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a", "open")
	w, err := Create(dir, everything())
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range some() {
		if err := w.Put(r); err != nil {
			t.Fatal(err)
		}
	}
	if err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if done := filepath.Base(path); err == nil && !d.IsDir() && strings.HasPrefix(done, "told") {
			t.Errorf("%s has its name", path)
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(dir); err == nil || !strings.Contains(err.Error(), "broken off; export again") {
		t.Errorf("opened: %v", err)
	}
	if _, err := Create(dir, everything()); err == nil || !strings.Contains(err.Error(), "is not empty") {
		t.Errorf("begun anew: %v", err)
	}
	if err := w.Abandon(); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(dir); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("left behind: %v", err)
	}
	own := t.TempDir()
	if w, err = Create(own, everything()); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(w.Put(some()[0]), w.Abandon()); err != nil {
		t.Error(err)
	}
	if left, err := os.ReadDir(own); err != nil || len(left) > 0 {
		t.Errorf("an empty folder that was there has %v %v", left, err)
	}
	if _, err := Create(filepath.Join(written(t, everything(), nil), readmeName), everything()); err == nil {
		t.Error("a file taken for a folder")
	}
}

// The README names every kind, the units and the caution.
func TestReadme(t *testing.T) {
	body, err := os.ReadFile(filepath.Join(written(t, everything(), some()), readmeName))
	if err != nil {
		t.Fatal(err)
	}
	want := []string{"LARCH-HOUSE", "Quality is not safety", "throw it out", "local food-safety authority", "RFC 4180", "fraction (0 to 1, not percent)", "facts/readings/ROOM-YEAR  (4 lines)", "dryhold restore", "Europe/Berlin"}
	for _, k := range Kinds() {
		if k.Fact && !k.Split {
			want = append(want, "facts/"+k.Name+"  (")
		}
	}
	for _, w := range want {
		if !strings.Contains(strings.ToUpper(string(body)), strings.ToUpper(w)) {
			t.Errorf("no %q in:\n%s", w, body)
		}
	}
	for line := range strings.Lines(string(body)) {
		if len(line) > 81 {
			t.Errorf("a long line: %s", line)
		}
	}
}

// No bytes make the reader panic, and what it takes it takes as the same again.
func FuzzFolder(f *testing.F) {
	for _, name := range []string{"facts/lot_changes.jsonl", "facts/readings/loft-2026.csv", "facts/readings/loft-2026.jsonl", manifestName} {
		body, err := os.ReadFile(filepath.Join(written(f, everything(), some()), filepath.FromSlash(name)))
		if err != nil {
			f.Fatal(err)
		}
		for i := range 4 {
			f.Add(uint8(i), body)
		}
	}
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	_, err := z.Write([]byte("room,sensor,quantity,unit,at,value,counts,value_as_counted\r\nloft,loft-1,temperature,°C,2026-07-01T00:00:00.000Z,21.5,true,21.5\r\n"))
	if err = errors.Join(err, z.Close()); err != nil {
		f.Fatal(err)
	}
	f.Add(uint8(4), packed.Bytes())
	dir := f.TempDir()
	f.Fuzz(func(t *testing.T, which uint8, body []byte) {
		k := Kinds()[int(which/5)%len(Kinds())]
		file := File{Path: "x", Kind: k.Name, Format: JSONL, Bytes: int64(len(body)), SHA256: fmt.Sprintf("%x", sha256.Sum256(body))}
		switch which % 5 {
		case 0:
			file.Kind, file.Format = "readings", CSV
		case 1:
			file.Kind = "readings"
		case 2:
			file.Kind = "lot_changes"
		case 3:
			if err := os.WriteFile(filepath.Join(dir, manifestName), body, 0o600); err != nil {
				t.Fatal(err)
			}
			_, _ = Open(dir)
			return
		case 4:
			file.Kind, file.Format, file.Gzip = "readings", CSV, true
		}
		if k, _ := kindOf(file.Kind); !k.Fact {
			return
		}
		if err := os.WriteFile(filepath.Join(dir, "x"), body, 0o600); err != nil {
			t.Fatal(err)
		}
		folder := &Folder{dir: dir, facts: []File{file}}
		err := folder.Each(t.Context(), func(int64, int64) {}, func(row any) error {
			if r, is := row.(*Reading); is && (r.Quantity.Plausible(r.Value) != nil || r.Quantity.Round(r.Value) != r.Value || r.Room == "") {
				t.Errorf("taken: %+v", r)
			}
			return nil
		})
		if err == nil && len(body) > 0 && file.Lines == 0 && bytes.Count(body, []byte("\n")) > 1 && file.Format == JSONL {
			t.Errorf("%d bytes taken for none", len(body))
		}
	})
}
