package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/store"
)

func newRestore() *cobra.Command {
	var data, configFile string
	var force, drill bool
	c := &cobra.Command{
		Use: "restore FILE|FOLDER", Short: "Put a backup in the place of what is stored, or read an export back", Args: exactArgs(1),
		Long: `Put a backup made by "dryhold backup" in the place of what is stored. Stop the
daemon first: a data directory in use is refused.

The backup is copied into the data directory and checked there, every page and
every packed day, before anything else is touched; a backup that is not whole
changes nothing. Where there is a database already, --force is needed: the old
one is kept beside the new one, under the name that is printed, and can be
restored in its turn. Delete it once you are content.

A restore that is broken off leaves the old database in place or, in its last
moments, a directory on which no daemon starts until the restore is run again.

What was measured after the backup is not in it; those hours are estimated from
the days around them, or unknown.

--drill tries a backup: it restores it into a temporary folder, works everything
out as a start of the daemon does, says what is there, and takes it away again.
Nothing else is read or changed, and the daemon may run. Do it now and then: a
backup that was never restored is a hope. The configuration, if it is given,
says which foods and rooms there are.

A FOLDER is one that "dryhold export" wrote. It is read into a data directory
that has no database yet, and never takes the place of one. Every line and the
checksum of every file are looked at; a folder that is not whole restores
nothing, and says in which file, line and column it is not.`,
		Example: `  dryhold restore /mnt/stick/larch-house.db --force
  dryhold restore --drill larch-house.db               try whether a backup works
  dryhold restore larch-house/ --data /var/lib/dryhold read an export into an empty directory`,
		RunE: func(c *cobra.Command, args []string) error {
			dir := dataDir(data)
			if drill {
				if force || data != "" {
					return usageError{errors.New("--drill changes nothing, and takes neither --force nor --data")}
				}
				return drillWith(c, args[0], configFile)
			}
			if configFile != "" {
				return usageError{errors.New("--config is for --drill: a restore puts back what was stored, whatever the configuration says")}
			}
			if info, err := os.Stat(args[0]); err == nil && info.IsDir() {
				if force {
					return usageError{errors.New("--force is for a backup: an export never takes the place of a database; give an empty --data")}
				}
				return refillFrom(c, args[0], dir, steps(c.ErrOrStderr()))
			}
			got, err := store.Restore(c.Context(), args[0], dir, force, time.Now(), steps(c.ErrOrStderr()))
			if err != nil {
				return err
			}
			text := fmt.Sprintf("Restored %s into %s, %s, checked.\n", args[0], dir, bytesText(got.Bytes)) + contentsText(got.Contents)
			if got.Aside != "" {
				text += fmt.Sprintf("The database that was there is kept as %s. To have it back:\n  dryhold restore %s --data %s --force\n", got.Aside, shellWord(got.Aside), shellWord(dir))
			}
			_, err = io.WriteString(c.OutOrStdout(), text)
			return err
		},
	}
	c.Flags().StringVar(&data, "data", "", "data directory to restore into (default: the platform's place for state)")
	c.Flags().BoolVar(&drill, "drill", false, "only try whether FILE can be restored, and say what it holds")
	c.Flags().StringVar(&configFile, "config", "", "configuration file of the daemon (YAML), for --drill")
	c.Flags().BoolVar(&force, "force", false, "take the place of a database that is there, which is kept beside it")
	return c
}
