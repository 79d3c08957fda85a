package main

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"

	"github.com/spf13/cobra"

	"dryhold/internal/engine"
)

func newExplain() *cobra.Command {
	var url string
	var asJSON bool
	c := &cobra.Command{
		Use: "explain LOT", Short: "Explain the numbers of one lot, and what would help it most", Args: exactArgs(1),
		Long: `Explain how the numbers of one lot come about, in plain words: what went in,
what it is like inside, every constant with its source, the arithmetic of each
mode in a line that a calculator can check, what limits the lot and what is
left, and what would help it most, in days gained.

It is about quality, not safety: when in doubt, throw it out.`,
		Example: "  dryhold explain L-1\n  dryhold explain L-1 --json",
		RunE: func(c *cobra.Command, args []string) error {
			var x engine.Explanation
			err := newClient(url).do(c.Context(), "GET", "/api/v1/lots/"+escape(args[0])+"/explanation", nil, &x)
			if no := (refusal{}); errors.As(err, &no) && no.status == http.StatusNotFound {
				return fmt.Errorf("%w; `dryhold lots list --all` lists them", err)
			} else if err != nil {
				return err
			}
			if asJSON {
				return printJSON(c.OutOrStdout(), x)
			}
			return printExplanation(c.OutOrStdout(), x)
		},
	}
	addURL(c, &url)
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

func printExplanation(w io.Writer, x engine.Explanation) error {
	var b strings.Builder
	b.WriteString(wrap(fmt.Sprintf("%s, %s, as of %s.", x.Lot, x.FoodName, x.AsOf.UTC().Format("2006-01-02 15:04 MST")), ""))
	b.WriteString(wrap(fmt.Sprintf("Quality left: %.1f %% (%.1f to %.1f %%), limited by %s.", 100*x.Remaining.Likely, 100*x.Remaining.Low, 100*x.Remaining.High, x.Limiting), ""))
	for _, s := range x.Sections {
		b.WriteString("\n" + wrap(strings.ToUpper(s.Title), ""))
		for _, l := range s.Lines {
			b.WriteString(wrap("- "+l.Text, "  "))
			if l.Source != "" {
				b.WriteString("  " + wrapTo(screen-2, "[source: "+l.Source+"]", "  "))
			}
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}
