package main

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/store"
)

func newBackup() *cobra.Command {
	var data string
	var force bool
	c := &cobra.Command{
		Use: "backup [FILE]", Short: "Copy everything stored into one file, while the daemon runs or not", Args: atMostOneArg,
		Long: `Copy everything stored into one file: readings, lots and their changes, what
people did to alarms, alarm conditions and notices. The copy is of one instant.
The daemon may run meanwhile and goes on taking readings; if it runs as another
user, run this as that user or as root, on the same machine.

The copy is made as FILE.*.part, brought to disk, and checked: every page, every
packed day by its checksum, and the number of rows of every table against the
database. Only then it gets the name FILE, so that whatever has that name is
whole. A .part file that stays behind was broken off and can be deleted.

Without FILE it is named after the time, in the present folder. Keep backups on
another disk, and now and then restore one into an empty --data to see that it
works. Not in it: the configuration, files of passwords, and what the daemon's
own broker has not handed over yet.`,
		Example: `  dryhold backup
  dryhold backup /mnt/stick/larch-house.db --force
  dryhold backup --data /var/lib/dryhold "/mnt/stick/$(date +%F).db"`,
		RunE: func(c *cobra.Command, args []string) error {
			dir, file := dataDir(data), "dryhold-"+time.Now().UTC().Format("20060102T150405Z")+".db"
			if len(args) > 0 {
				file = args[0]
			}
			began := time.Now()
			got, err := store.Backup(c.Context(), dir, file, force, steps(c.ErrOrStderr()))
			if err != nil {
				return err
			}
			text := fmt.Sprintf("Backup of %s: %s, %s, made and checked in %s.\n", dir, absolute(file), bytesText(got.Bytes), time.Since(began).Round(100*time.Millisecond))
			_, err = io.WriteString(c.OutOrStdout(), text+contentsText(got))
			return err
		},
	}
	c.Flags().StringVar(&data, "data", "", "data directory of the daemon (default: the platform's place for state)")
	c.Flags().BoolVar(&force, "force", false, "replace FILE if it exists")
	return c
}

func atMostOneArg(c *cobra.Command, args []string) error {
	if len(args) > 1 {
		return usageError{fmt.Errorf("%d arguments, at most 1 wanted: %s", len(args), c.UseLine())}
	}
	return nil
}

// stepsEvery is how often a long step says how far it is.
const stepsEvery = 2 * time.Second

// steps prints how far long work is. What is done within stepsEvery is done in
// silence.
func steps(w io.Writer) store.Progress {
	began := time.Now()
	told, last := began, ""
	return func(step string, done, total int64) {
		if now := time.Now(); now.Sub(began) < stepsEvery || step == last && now.Sub(told) < stepsEvery {
			return
		}
		told, last = time.Now(), step
		if total > 0 {
			step += fmt.Sprintf(": %d %%", 100*done/total)
		}
		_, _ = fmt.Fprintln(w, step) // a screen that went away ends nothing
	}
}

// contentsText says what a database holds.
func contentsText(c store.Contents) string {
	text := fmt.Sprintf("  %d readings", c.Readings)
	if !c.First.IsZero() {
		text += fmt.Sprintf(", from %s to %s", c.First.Format(time.DateOnly), c.Last.Format(time.DateOnly))
	}
	text += "\n"
	var rest []string
	for _, t := range []struct{ table, name string }{
		{"lot_change", "changes of lots"}, {"operator_action", "actions on alarms"}, {"alarm_event", "events of alarms"}, {"condition", "alarm conditions"}, {"notice", "notices"},
	} {
		rest = append(rest, fmt.Sprintf("%d %s", c.Tables[t.table], t.name))
	}
	text += "  " + strings.Join(rest, ", ") + "\n"
	if n := c.Tables["quarantined_day"]; n > 0 {
		text += fmt.Sprintf("  %d damaged days, found earlier and set aside\n", n)
	}
	if len(c.Damaged) > 0 {
		text += fmt.Sprintf("  %d packed days cannot be read; the daemon will set them aside, and an older backup may hold them:\n", len(c.Damaged))
		for i, d := range c.Damaged {
			if i == 10 {
				text += fmt.Sprintf("    and %d more\n", len(c.Damaged)-i)
				break
			}
			text += "    " + d + "\n"
		}
	}
	return text
}

// bytesText is a size as people say it.
func bytesText(n int64) string {
	units := []string{"kB", "MB", "GB", "TB"}
	x, unit := float64(n)/1000, units[0]
	for _, next := range units[1:] {
		if x < 1000 {
			break
		}
		x, unit = x/1000, next
	}
	return fmt.Sprintf("%.3g %s", x, unit)
}

// absolute is a path that can be used from anywhere.
func absolute(path string) string {
	if full, err := filepath.Abs(path); err == nil {
		return full
	}
	return path
}

// shellWord is a path as it can be given to a shell.
func shellWord(path string) string {
	special := func(r rune) bool {
		plain := r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("/._-+=:,@", r)
		return !plain
	}
	if path != "" && !strings.ContainsFunc(path, special) {
		return path
	}
	return "'" + strings.ReplaceAll(path, "'", `'\''`) + "'"
}
