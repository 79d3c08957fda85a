package main

import (
	"fmt"
	"io"
	"log/slog"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/app"
	"dryhold/internal/nearest"
	"dryhold/internal/openfiles"
	"dryhold/internal/store"
)

func newExport() *cobra.Command {
	var configFile, data string
	var readings []string
	var o openfiles.Options
	c := &cobra.Command{
		Use: "export FOLDER", Short: "Write everything into a folder of open files, while the daemon runs or not", Args: exactArgs(1),
		Long: `Write everything that is stored into a folder of open files, CSV and JSON Lines:
every reading with its room, sensor, quantity, unit, time and whether it counts;
changes of lots and sensors, notes, rounds, acts of people, events and states of
alarms, notices. Beside these facts it writes what was worked out of them: hours
of every room, rooms, lots with what is left of them, and what the past has cost
them. For that it wants the configuration of the daemon, since limits and own
food classes stand there; --facts-only does without.

README.txt in the folder says what each file is, schema/ describes each line
(JSON Schema), and manifest.json, which is written last, has the number of lines
and the SHA-256 of each file: a folder without it was broken off. FOLDER must be
new or empty. "dryhold restore FOLDER" makes of it what it came from.

All is of one instant. The daemon may run meanwhile and goes on taking readings;
only its log grows until the export is done. If it runs as another user, run
this as that user or as root, on the same machine.

Ten years of 8 rooms read each minute are 84 million readings: about 6 GB as
CSV and 14 GB as JSON Lines, some 0.9 GB each with --gzip.

It is about quality, not safety.`,
		Example: `  dryhold export larch-house
  dryhold export /mnt/stick/larch-house --config /etc/dryhold/dryhold.yaml --data /var/lib/dryhold
  dryhold export larch-house --readings csv --gzip     as small as it gets
  dryhold restore larch-house --data /tmp/trial        look whether it is whole`,
		RunE: func(c *cobra.Command, args []string) error {
			for _, f := range readings {
				if f := openfiles.Format(f); f != openfiles.CSV && f != openfiles.JSONL {
					return usageError{fmt.Errorf("--readings: unknown format %q%s: give csv, jsonl or csv,jsonl", f, nearest.Hint(string(f), []string{"csv", "jsonl"}))}
				}
				if !slices.Contains(o.Readings, openfiles.Format(f)) {
					o.Readings = append(o.Readings, openfiles.Format(f))
				}
			}
			if len(o.Readings) == 0 {
				return usageError{fmt.Errorf("--readings: no format: give csv, jsonl or csv,jsonl")}
			}
			s, cat, err := load(configFile)
			if err != nil {
				return err
			}
			began := time.Now()
			log := slog.New(slog.NewTextHandler(c.ErrOrStderr(), &slog.HandlerOptions{Level: slog.LevelWarn}))
			m, err := app.Export(c.Context(), app.Options{Settings: s, Catalog: cat, DataDir: dataDir(data), Version: version(), Log: log},
				args[0], o, steps(c.ErrOrStderr()))
			if err != nil {
				return err
			}
			text := fmt.Sprintf("Exported to %s: %s in %d files, as of %s, in %s.\n", absolute(args[0]), bytesText(m.Bytes()), len(m.Files), m.AsOf.Format(time.RFC3339), time.Since(began).Round(100*time.Millisecond))
			if configFile == "" && !o.FactsOnly {
				text += "  worked out without a configuration: with the usual limits and the shipped foods (--config)\n"
			}
			_, err = io.WriteString(c.OutOrStdout(), text+linesText(m))
			return err
		},
	}
	f := c.Flags()
	f.StringVar(&configFile, "config", "", "configuration file of the daemon (YAML), for what is worked out")
	f.StringVar(&data, "data", "", "data directory of the daemon (default: the platform's place for state)")
	f.StringSliceVar(&readings, "readings", []string{"csv", "jsonl"}, "formats of readings and hours; all else is written in both")
	f.BoolVar(&o.Gzip, "gzip", false, "compress readings and hours")
	f.BoolVar(&o.FactsOnly, "facts-only", false, "leave out what was worked out")
	return c
}

// linesText says how much of what an export holds.
func linesText(m openfiles.Manifest) string {
	text := fmt.Sprintf("  %d readings\n", m.Lines("readings"))
	var rest []string
	for _, k := range []struct{ kind, name string }{
		{"lot_changes", "changes of lots"}, {"sensor_changes", "of sensors"}, {"room_notes", "notes of rooms"},
		{"operator_actions", "actions on alarms"}, {"alarm_events", "events of alarms"}, {"notices", "notices"},
	} {
		rest = append(rest, fmt.Sprintf("%d %s", m.Lines(k.kind), k.name))
	}
	text += "  " + strings.Join(rest, ", ") + "\n"
	if n := m.Lines("damaged_days"); n > 0 {
		text += fmt.Sprintf("  %d days of readings are damaged on disk: they are in facts/damaged_days and not among the readings; an older backup may hold them\n", n)
	}
	return text + "README.txt there says what each file is. Quality is not safety.\n"
}

// refillFrom makes a data directory of an export.
func refillFrom(c *cobra.Command, folder, dir string, tell store.Progress) error {
	m, got, err := app.Refill(c.Context(), folder, dir, tell)
	if err != nil {
		return fmt.Errorf("nothing was restored: %w", err)
	}
	text := fmt.Sprintf("Restored the export %s of site %s, as of %s, into %s, %s, checked.\n", folder, m.Name, m.AsOf.Format(time.RFC3339), dir, bytesText(got.Bytes)) + contentsText(got)
	_, err = io.WriteString(c.OutOrStdout(), text+"Give the daemon the configuration it had; the export has none.\n")
	return err
}
