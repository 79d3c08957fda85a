package main

import (
	"fmt"
	"io"
	"log/slog"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/app"
)

// drillWith tries whether a backup can be restored.
func drillWith(c *cobra.Command, file, configFile string) error {
	s, cat, err := load(configFile)
	if err != nil {
		return err
	}
	log := slog.New(slog.NewTextHandler(c.ErrOrStderr(), &slog.HandlerOptions{Level: slog.LevelError}))
	d, err := app.Drill(c.Context(), app.Options{Settings: s, Catalog: cat, Version: version(), Log: log}, file, steps(c.ErrOrStderr()))
	if err != nil && configFile == "" {
		err = fmt.Errorf("%w (without --config the shipped foods and the usual settings are taken)", err)
	}
	if err != nil {
		return fmt.Errorf("the drill failed, and nothing was changed: %w", err)
	}
	_, err = io.WriteString(c.OutOrStdout(), drillText(file, d))
	return err
}

// drillText says what a drill showed.
func drillText(file string, d app.Drilled) string {
	newest := "no reading in it"
	if !d.Newest.IsZero() {
		newest = "newest reading " + d.Newest.UTC().Format(time.RFC3339)
	}
	text := fmt.Sprintf("Drill with %s: it can be restored. Nothing was changed.\n", file)
	text += fmt.Sprintf("  restored and worked out in %s: %d rooms, %d lots, %d of them not finished, %s\n", d.Took.Round(100*time.Millisecond), d.Rooms, d.Lots, d.Left, newest)
	text += contentsText(d.Contents)
	if d.UpTo != d.Schema {
		text += fmt.Sprintf("  it is of an older dryhold (schema %d): a start of this one brings it to schema %d and keeps a copy as it was\n", d.Schema, d.UpTo)
	}
	if d.Newest.IsZero() || len(d.Damaged) > 0 {
		text += "Look whether that is what should be in it.\n"
	}
	return text
}
