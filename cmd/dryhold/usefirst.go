package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/web"
)

func newUseFirst() *cobra.Command {
	var at string
	var asJSON bool
	c := &cobra.Command{
		Use: "use-first", Short: "Say what to eat first and why, and how long the store lasts", Args: noArgs,
		Long: `Say what to eat first: lots in the order of the low edge of their projected end,
with the reasons. What is eaten a month ("eating" in the configuration) gives a
plan: what will be eaten in time, what will not, what to buy or repack and
when; "persons" gives the days the store lasts.

It is about quality, not safety: when in doubt, throw it out.`,
		Example: "  dryhold use-first\n  dryhold use-first --json",
		RunE: func(c *cobra.Command, _ []string) error {
			var x web.UseFirstAnswer
			if err := newClient(at).do(c.Context(), "GET", "/api/v1/use-first", nil, &x); err != nil {
				return err
			}
			if asJSON {
				return printJSON(c.OutOrStdout(), x)
			}
			return printUseFirst(c.OutOrStdout(), x)
		},
	}
	addURL(c, &at)
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

func printUseFirst(w io.Writer, x web.UseFirstAnswer) error {
	var b strings.Builder
	if len(x.Lots) == 0 {
		b.WriteString("There is no lot in store.\n")
	}
	for i, l := range x.Lots {
		b.WriteString(wrap(fmt.Sprintf("%d. %s %s, %.1f kg, in %s: low edge %s, likely %s. %s.", i+1, l.Lot, l.FoodName, l.KG, l.Room,
			web.EndDay(l.Early, time.UTC), web.EndDay(l.Likely, time.UTC), strings.Join(l.Words, "; ")), "   "))
	}
	b.WriteString("\n")
	for _, s := range x.Words {
		b.WriteString(wrap(s, ""))
	}
	for _, p := range x.Plans {
		if p.KGPerMonth > 0 {
			b.WriteString(wrap(fmt.Sprintf("%s, %.1f kg a month: %.1f kg eaten in time, %.1f kg not.", p.FoodName, p.KGPerMonth, p.InTime, p.Late), ""))
		}
		for _, s := range p.Words {
			b.WriteString(wrap("- "+s, "  "))
		}
	}
	b.WriteString("\n" + wrap(x.Caution, ""))
	_, err := io.WriteString(w, b.String())
	return err
}
