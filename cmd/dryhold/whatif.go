package main

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/engine"
	"dryhold/internal/web"
)

func newWhatIf() *cobra.Command {
	var at string
	var body web.WhatIf
	var all, asJSON bool
	c := &cobra.Command{
		Use: "what-if", Short: "Say how many days of life another way of keeping would gain", Args: noArgs,
		Long: `Say how many days of life another way of keeping would gain or lose, lot by lot
and together, with a band of 10 to 90 %. Nothing is changed. Each lot is held
against its projected end under the forecast of its room. What does not go with
a lot is said with the reason.

One more sensor gains no days: with --sensor it is said how much narrower the
bands of the projected ends would be today, had it hung there for a year.

Low-oxygen packing is only for dry food: botulism poisoning may result from
moist food packed without oxygen. It is about quality, not safety.`,
		Example: `  dryhold what-if --all --at-most 18C
  dryhold what-if --lot L-1 --lot L-2 --room cellar
  dryhold what-if --all --repack foil-pouch-4l --absorber 300 --since-packing
  dryhold what-if --all --sensor outdoors`,
		RunE: func(c *cobra.Command, _ []string) error {
			switch {
			case all == (len(body.Lots) > 0):
				return usageError{fmt.Errorf("say of which lots: --lot L-1 (may be repeated) or --all")}
			case body.Room == "" && body.AtMost == "" && body.Damp == "" && !body.Boxed && body.Repack == "" && body.Absorber == 0 && body.Sensor == "":
				return usageError{fmt.Errorf("say what is to be tried: --room, --at-most, --at-most-rh, --boxed, --repack, --absorber or --sensor (see %s --help)", c.CommandPath())}
			}
			if err := numbers(c, "absorber"); err != nil {
				return err
			}
			var x engine.WhatIf
			if err := newClient(at).do(c.Context(), "POST", "/api/v1/what-if", body, &x); err != nil {
				return err
			}
			if asJSON {
				return printJSON(c.OutOrStdout(), x)
			}
			return printWhatIf(c.OutOrStdout(), body, x)
		},
	}
	addURL(c, &at)
	f := c.Flags()
	f.StringArrayVar(&body.Lots, "lot", nil, "a lot; may be repeated")
	f.BoolVar(&all, "all", false, "all lots in store")
	f.StringVar(&body.Room, "room", "", "move them to this room")
	f.StringVar(&body.AtMost, "at-most", "", "the room is never warmer than this: 18C or 64F")
	f.StringVar(&body.Damp, "at-most-rh", "", "the room is never damper than this: 55%")
	f.BoolVar(&body.Boxed, "boxed", false, "boxed from light")
	f.StringVar(&body.Repack, "repack", "", "repack them into this container class")
	f.Float64Var(&body.Absorber, "absorber", 0, "a fresh absorber in each container, cm3")
	f.StringVar(&body.Sensor, "sensor", "", "one more sensor in this room, or outdoors; asked of alone")
	f.BoolVar(&body.SincePacking, "since-packing", false, "as if it had been so since packing (default: from now on)")
	f.BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

func printWhatIf(w io.Writer, asked web.WhatIf, x engine.WhatIf) error {
	var b strings.Builder
	b.WriteString(wrap("What if: "+asked.Words()+".", ""))
	for _, g := range x.Lots {
		text := fmt.Sprintf("%s %s in %s: ", g.Lot, g.Food, g.Room)
		if g.Not != "" {
			text += "does not go: " + g.Why + "."
		} else if n := g.Band; n != nil {
			text += fmt.Sprintf("band of %.0f days, with it %.0f: %s; likely end %s.", n.Now, n.Then, web.Narrower(*n), web.GainEnds(g, time.UTC))
		} else {
			text += fmt.Sprintf("%s (%.0f to %.0f), likely end %s.", web.Gained(g.Days.Likely), math.Round(g.Days.Low)+0, math.Round(g.Days.High)+0, web.GainEnds(g, time.UTC))
		}
		b.WriteString(wrap("- "+text, "  "))
	}
	b.WriteString(wrap(web.GainTotal(x), ""))
	for _, line := range web.Climates(x) {
		b.WriteString(wrap(line, ""))
	}
	_, err := io.WriteString(w, b.String())
	return err
}
