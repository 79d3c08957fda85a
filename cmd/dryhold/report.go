package main

import (
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"
)

func newReport() *cobra.Command {
	var at, from, to, room, lotID, format, out string
	c := &cobra.Command{
		Use: "report", Short: "Write the storage review of a year, for print or for programs", Args: noArgs,
		Long: `Write the storage review: a page for each room with its climate, its excursions
and what they have cost, the lots, what to use first and the plan. Formats are
text, json, csv, html and pdf, with the same numbers in each. Without --from and
--to it is the twelve months up to today, in days of the site's zone.

It is about quality, not safety.`,
		Example: "  dryhold report --format pdf -o review.pdf\n  dryhold report --from 2026-01-01 --to 2026-12-31 --room loft",
		RunE: func(c *cobra.Command, _ []string) error {
			if format == "pdf" && out == "" {
				return usageError{fmt.Errorf("a PDF is no text for a screen: say with -o FILE where it goes (-o - for the output)")}
			}
			path := "/api/v1/report" + queryOf("from", from, "to", to, "room", room, "lot", lotID, "format", format)
			return newClient(at).send(c.Context(), "GET", path, nil, func(answer io.Reader) error {
				body, err := io.ReadAll(answer)
				if err != nil {
					return fmt.Errorf("cannot read the daemon's answer: %w", err)
				}
				if out == "" || out == "-" {
					_, err = c.OutOrStdout().Write(body)
					return err
				}
				if err := os.WriteFile(out, body, 0o644); err != nil {
					return fmt.Errorf("cannot write the report: %w", err)
				}
				_, err = fmt.Fprintf(c.OutOrStdout(), "Written to %s.\n", out)
				return err
			})
		},
	}
	addURL(c, &at)
	f := c.Flags()
	f.StringVar(&from, "from", "", "first day: 2026-01-01")
	f.StringVar(&to, "to", "", "last day")
	f.StringVar(&room, "room", "", "one room (default: all)")
	f.StringVar(&lotID, "lot", "", "one lot (default: all)")
	f.StringVar(&format, "format", "text", "text, json, csv, html or pdf")
	f.StringVarP(&out, "output", "o", "", "file to write (default: the output)")
	return c
}
