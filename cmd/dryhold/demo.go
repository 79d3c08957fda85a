package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/demo"
)

func newDemo() *cobra.Command {
	var o demo.Options
	c := &cobra.Command{
		Use: "demo", Short: "Play an invented year and a hot week through a real daemon", Args: noArgs,
		Long: `Play Larch House: an invented, seeded year of three rooms, published by a real
MQTT client through the embedded broker into a real daemon, within a minute;
then a hot week at a pace you can follow on the page. At the end a table says
what each lot has left and what the hot week cost it.

It leaves nothing behind unless --data is given.`,
		Example: "  dryhold demo\n  dryhold demo --hot-week 5m --stay\n  dryhold demo --data /tmp/larch-house",
		RunE: func(c *cobra.Command, _ []string) error {
			cat, err := loadCatalog(nil)
			if err != nil {
				return err
			}
			o.Catalog, o.Version, o.Out = cat, version(), c.OutOrStdout()
			o.Log = slog.New(slog.NewTextHandler(c.ErrOrStderr(), &slog.HandlerOptions{Level: slog.LevelError}))
			err = demo.Run(c.Context(), o)
			if errors.Is(err, context.Canceled) {
				fmt.Fprintln(c.OutOrStdout(), "\nInterrupted.")
				return nil
			}
			return err
		},
	}
	c.Flags().StringVar(&o.Data, "data", "", "directory to keep the demo's data in (default: none is kept)")
	c.Flags().Uint64Var(&o.Seed, "seed", 1, "seed of the invented weather")
	c.Flags().DurationVar(&o.HotWeek, "hot-week", 45*time.Second, "how long the hot week takes to watch; 0 for as fast as it goes")
	c.Flags().BoolVar(&o.Stay, "stay", false, "keep the page up after the hot week, until interrupted")
	return c
}
