package app

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
	"dryhold/internal/note"
	"dryhold/internal/openfiles"
	"dryhold/internal/room"
	"dryhold/internal/sensor"
	"dryhold/internal/settings"
	"dryhold/internal/store"
	"dryhold/internal/unit"
)

// houseFacts draws a few days of a house with lots, in which sensors were
// corrected and things were noted.
func houseFacts(t *rapid.T, begin time.Time) (readings []room.Reading, out store.Outcome) {
	rooms := []string{"cellar", "loft"}
	at := func(name string, hours int) time.Time {
		return begin.Add(time.Duration(rapid.IntRange(0, hours*3600*1000).Draw(t, name)) * time.Millisecond)
	}
	for _, name := range rooms {
		for s := range rapid.IntRange(1, 2).Draw(t, "sensors") {
			step := time.Duration(rapid.IntRange(5, 90).Draw(t, "minutes")) * time.Minute
			level := rapid.Float64Range(5, 35).Draw(t, "level")
			for when := at("first", 24); when.Before(begin.AddDate(0, 0, 5)); when = when.Add(step + time.Duration(rapid.IntRange(0, 999).Draw(t, "jitter"))*time.Millisecond) {
				k := room.Series{Room: name, Sensor: fmt.Sprint(name, "-", s), Quantity: unit.Temperature}
				readings = append(readings, room.Reading{Series: k, At: when, Value: unit.Temperature.Round(level + float64(when.Hour()))})
				k.Quantity = unit.Humidity
				readings = append(readings, room.Reading{Series: k, At: when, Value: unit.Humidity.Round(0.4 + float64(when.Hour())/100)})
			}
		}
	}
	for i := range rapid.IntRange(1, 2).Draw(t, "lots") {
		food := rapid.SampledFrom([]string{"white-rice", "brown-rice", "hard-wheat"}).Draw(t, "food")
		id := fmt.Sprintf("L-%d", i+1)
		out.Lots = append(out.Lots, lot.Change{Kind: lot.Added, Lot: id, At: begin, Recorded: begin, By: "mara", Packing: &lot.Packing{
			Food: food, Container: "pet-2l", Count: rapid.IntRange(1, 20).Draw(t, "count"), NetMassKG: 1.6, PackedAt: at("packed", 1), Room: rooms[i],
			Treatment: lot.Treatment{Kind: lot.NoTreatment}, Shading: lot.Boxed,
		}})
		if rapid.Bool().Draw(t, "moved") {
			moved := begin.Add(50 * time.Hour)
			out.Lots = append(out.Lots, lot.Change{Kind: lot.Moved, Lot: id, At: moved, Recorded: moved, Room: rooms[1-i]})
		}
	}
	q := unit.Temperature
	out.Sensors = append(out.Sensors, sensor.Change{Kind: sensor.Calibrated, Seq: 1, Room: "loft", Sensor: "loft-0", Quantity: &q, From: at("calibrated", 96), Gain: 1, Offset: rapid.Float64Range(-2, 2).Draw(t, "offset"), Recorded: begin.AddDate(0, 0, 4)})
	from := at("voided", 90)
	out.Sensors = append(out.Sensors, sensor.Change{Kind: sensor.Voided, Seq: 2, Room: "cellar", Sensor: "cellar-0", From: from, To: from.Add(3 * time.Hour), Note: "in the sun", Recorded: begin.AddDate(0, 0, 4)})
	out.Notes = append(out.Notes, note.Change{Kind: note.Noted, Seq: 1, Room: "loft", From: from, To: from.Add(5 * time.Hour), Text: "painters", Recorded: begin.AddDate(0, 0, 5)})
	warm := alarm.New(alarm.Key{Kind: alarm.Warm, Room: "loft"})
	warm.Peak, warm.Spell = rapid.Float64Range(20, 50).Draw(t, "peak"), 2
	out.Conditions = append(out.Conditions, warm)
	return readings, out
}

// stateOf is the state that a daemon starts with on a data directory.
func stateOf(ctx context.Context, opts Options) (text string, err error) {
	a, err := New(opts)
	if err != nil {
		return "", err
	}
	if a.store, err = store.Look(ctx, opts.DataDir, a.log); err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, a.store.Close()) }()
	if _, err := a.startEngine(ctx); err != nil {
		return "", err
	}
	reviews, err := a.engine.Review(a.now())
	if err != nil {
		return "", err
	}
	body, err := json.MarshalIndent([]any{a.Snapshot(), reviews}, "", " ")
	return string(body), err
}

// Whatever a house went through, the state that is folded from what came back
// is the state folded from what left, to the last bit.
func TestAnyHouseComesBackBitEqual(t *testing.T) {
	cat, err := settings.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	begin := time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	if f := flag.Lookup("rapid.checks"); f.Value.String() == f.DefValue { // each takes half a second
		if err := flag.Set(f.Name, "20"); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = flag.Set(f.Name, f.DefValue) })
	}
	base, n, ctx := t.TempDir(), 0, t.Context()
	rapid.Check(t, func(t *rapid.T) {
		n++
		dir := filepath.Join(base, fmt.Sprint(n))
		defer func() { _ = os.RemoveAll(dir) }()
		now := begin.Add(time.Duration(rapid.IntRange(100, 200).Draw(t, "now")) * time.Hour)
		opts := Options{Settings: settings.Default(), Catalog: cat, DataDir: filepath.Join(dir, "data"), Now: func() time.Time { return now }, Futures: 8}
		s, err := store.Open(ctx, opts.DataDir, slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		readings, out := houseFacts(t, begin)
		err = s.Commit(ctx, store.Batch{Readings: readings}, nil, begin, func([]room.Reading) (store.Outcome, error) { return out, nil })
		for more := err == nil; more && err == nil; {
			more, err = s.Pack(ctx, now.AddDate(0, 0, -1))
		}
		if err = errors.Join(err, s.Close()); err != nil {
			t.Fatal(err)
		}
		want, err := stateOf(ctx, opts)
		if err != nil {
			t.Fatal(err)
		}
		folder := filepath.Join(dir, "open")
		formats := []openfiles.Format{rapid.SampledFrom([]openfiles.Format{openfiles.CSV, openfiles.JSONL}).Draw(t, "format")}
		if _, err := Export(ctx, opts, folder, openfiles.Options{Readings: formats, FactsOnly: true}, func(string, int64, int64) {}); err != nil {
			t.Fatal(err)
		}
		opts.DataDir = filepath.Join(dir, "back")
		if _, _, err := Refill(ctx, folder, opts.DataDir, func(string, int64, int64) {}); err != nil {
			t.Fatal(err)
		}
		got, err := stateOf(ctx, opts)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Fatalf("-left +came back:\n%.2000s", d)
		}
	})
}
