package app_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"dryhold/internal/app"
	"dryhold/internal/openfiles"
	"dryhold/internal/sensor"
	"dryhold/internal/unit"
)

func untold(string, int64, int64) {}

// A house leaves beside its running daemon and comes back elsewhere: the same
// state to the last bit, and what was worked out is what the daemon shows.
func TestExportComesBackAsTheSameHouse(t *testing.T) {
	h, clock := month(t)
	q := unit.Temperature
	_, err := h.app.ChangeSensor(t.Context(), sensor.Change{Kind: sensor.Voided, Room: "loft", Sensor: "loft", Quantity: &q, From: clock.Now().AddDate(0, 0, -3), To: clock.Now().AddDate(0, 0, -2), By: "mara", Note: "hung in the sun"})
	if err != nil {
		t.Fatal(err)
	}
	eventually(t, "the rooms folded again", func() bool {
		done, _ := refold(t, h.app)
		return done.Same
	})
	before := h.app.Snapshot()
	folder, back := filepath.Join(t.TempDir(), "larch-house"), filepath.Join(t.TempDir(), "data")
	m, err := app.Export(t.Context(), h.opts, folder, openfiles.Options{Readings: []openfiles.Format{openfiles.CSV, openfiles.JSONL}}, untold)
	if err != nil {
		t.Fatal(err)
	}
	readings := m.Lines("readings")
	if readings < 1000 || m.Lines("lots") != 2 || m.Lines("lot_changes") != 2 || m.Lines("sensor_changes") != 1 || m.Lines("hours") < (days-1)*24*2 || m.Lines("reviews") != 2 || m.Lines("alarm_events") == 0 {
		t.Errorf("exported: %d readings, %d lots, %d hours, %d reviews", readings, m.Lines("lots"), m.Lines("hours"), m.Lines("reviews"))
	}
	validate(t, folder)
	var lots []json.RawMessage
	for _, l := range before.Lots {
		b, err := json.Marshal(l)
		if err != nil {
			t.Fatal(err)
		}
		lots = append(lots, b)
	}
	body, err := os.ReadFile(filepath.Join(folder, "worked-out", "lots.jsonl"))
	if want := string(bytes.Join(rawBytes(lots), []byte("\n"))) + "\n"; err != nil || cmp.Diff(want, string(body)) != "" {
		t.Errorf("lots (-shown +exported): %v\n%.1500s", err, cmp.Diff(want, string(body)))
	}
	rows, err := os.ReadFile(filepath.Join(folder, "facts", "readings", fmt.Sprintf("loft-%d.csv", clock.Now().Year())))
	if n := bytes.Count(rows, []byte(",false,\r\n")); err != nil || n == 0 || n > 24 {
		t.Errorf("%d readings do not count: %v", n, err)
	}

	_, got, err := app.Refill(t.Context(), folder, back, untold)
	if err != nil || got.Readings != readings {
		t.Fatalf("came back: %+v %v", got, err)
	}
	opts := h.opts
	opts.DataDir = back
	own := *opts.Settings
	embedded := *own.Broker.Embedded
	embedded.Listen = "127.0.0.1:0"
	own.Broker.Embedded = &embedded
	opts.Settings = &own
	elsewhere := daemon(t, opts)
	if d := cmp.Diff(quietly(t, before), quietly(t, elsewhere.Snapshot())); d != "" {
		t.Errorf("elsewhere (-there +elsewhere):\n%.2000s", d)
	}
}

func rawBytes(all []json.RawMessage) (out [][]byte) {
	for _, r := range all {
		out = append(out, r)
	}
	return out
}

// validate holds every line of JSON against the schema of its kind.
func validate(t *testing.T, folder string) {
	t.Helper()
	checked := map[string]int{}
	err := filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
		if err != nil || filepath.Ext(path) != ".jsonl" {
			return err
		}
		kind := strings.TrimSuffix(d.Name(), ".jsonl")
		if parent := filepath.Base(filepath.Dir(path)); parent == "readings" || parent == "hours" {
			kind = parent
		}
		schema, err := jsonschema.NewCompiler().Compile(filepath.Join(folder, "schema", kind+".schema.json"))
		if err != nil {
			return err
		}
		body, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		for line := range bytes.Lines(body) {
			v, err := jsonschema.UnmarshalJSON(bytes.NewReader(line))
			if err == nil {
				err = schema.Validate(v)
			}
			if err != nil {
				return fmt.Errorf("%s: %w: %s", path, err, line)
			}
			checked[kind]++
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	for _, kind := range []string{"readings", "hours", "lots", "rooms", "sensors", "reviews", "acts", "lot_changes", "sensor_changes", "alarm_events", "alarm_conditions", "notices", "series"} {
		if checked[kind] == 0 {
			t.Errorf("no line of %s was held against its schema", kind)
		}
	}
}

// An export that is given up, or cannot be worked out, leaves nothing.
func TestExportGivenUp(t *testing.T) {
	h, _ := month(t)
	folder := filepath.Join(t.TempDir(), "larch-house")
	o := openfiles.Options{Readings: []openfiles.Format{openfiles.CSV}}
	ctx, cancel := context.WithCancel(t.Context())
	_, err := app.Export(ctx, h.opts, folder, o, func(step string, _, _ int64) {
		if strings.HasPrefix(step, "exporting readings of loft") {
			cancel()
		}
	})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("given up: %v", err)
	}
	empty := *h.opts.Catalog
	empty.Foods = slices.Clip(empty.Foods[:0])
	opts := h.opts
	opts.Catalog = &empty
	if _, err := app.Export(t.Context(), opts, folder, o, untold); err == nil || !strings.Contains(err.Error(), "--facts-only leaves them out") {
		t.Errorf("of foods that are not known: %v", err)
	}
	if _, err := os.Stat(folder); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("left behind: %v", err)
	}
	o.FactsOnly = true
	if m, err := app.Export(t.Context(), opts, folder, o, untold); err != nil || m.Lines("lot_changes") != 2 {
		t.Errorf("facts only: %v", err)
	}
	old := h.opts
	old.DataDir = t.TempDir()
	if _, err := app.Export(t.Context(), old, folder+"2", o, untold); err == nil || !strings.Contains(err.Error(), "there is no database in") {
		t.Errorf("of nothing: %v", err)
	}
}

// The whole demo year leaves, comes back, and leaves again as the same to the
// byte, with all that was worked out of it.
func TestYearComesBack(t *testing.T) {
	year := os.Getenv("DRYHOLD_TEST_YEAR")
	if year == "" {
		t.Skip("DRYHOLD_TEST_YEAR names no year that dryhold demo --hot-week 0s --data has played; TestExportComesBackAsTheSameHouse does a fortnight")
	}
	now := time.Date(2027, 1, 1, 12, 0, 0, 0, time.UTC)
	opts := app.Options{Settings: local(""), Catalog: shipped(t), DataDir: year, Now: func() time.Time { return now }}
	o := openfiles.Options{Readings: []openfiles.Format{openfiles.CSV, openfiles.JSONL}}
	first, second := filepath.Join(t.TempDir(), "open"), filepath.Join(t.TempDir(), "open")
	before, err := app.Export(t.Context(), opts, first, o, untold)
	if err != nil {
		t.Fatal(err)
	}
	opts.DataDir = filepath.Join(t.TempDir(), "data")
	if _, _, err := app.Refill(t.Context(), first, opts.DataDir, untold); err != nil {
		t.Fatal(err)
	}
	after, err := app.Export(t.Context(), opts, second, o, untold)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(before.Files, after.Files); d != "" || before.Lines("readings") < 100_000 {
		t.Errorf("%d readings (-before +after):\n%s", before.Lines("readings"), d)
	}
}
