package main

import (
	"fmt"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/web"
)

func (a *adjusting) spanFlags(c *cobra.Command) {
	c.Flags().StringVar(&a.from, "from", "", "when it began: 2026-07-11 or 2026-07-11T09:30 (required)")
	c.Flags().StringVar(&a.to, "to", "", "when it ended (default: now)")
}

func (a *adjusting) span(from, to *time.Time) error {
	if err := bound("from", a.from, from); err != nil {
		return err
	}
	return bound("to", a.to, to)
}

func newSwap(url *string) *cobra.Command {
	var a adjusting
	c := &cobra.Command{
		Use: "swap ROOM/OLD [NEW]", Short: "Tell that a sensor was replaced by another", Args: swapArgs,
		Long: `Tell that a sensor was replaced. The history of the room goes on. The old one is
no longer expected to speak, and what it sends from a drawer does not count; the
new one is expected from now on. Its calibration begins anew. Leave NEW out when
the new device speaks under the old name. ` + boundsHelp,
		Example: `  dryhold sensors swap loft/loft-1 loft-2
  dryhold sensors swap loft/loft-1 --at 2026-07-11T09:30 --note "battery leaked"`,
		RunE: func(c *cobra.Command, args []string) error {
			path, err := parseSensor(args[0])
			if err != nil {
				return err
			}
			body := web.SwapSensor{Note: a.note, By: who(a.by)}
			if len(args) > 1 {
				body.New = args[1]
			}
			if err := bound("at", a.from, &body.At); err != nil {
				return err
			}
			return tell(c, *url, path+"/swap", body, a.asJSON)
		},
	}
	c.Flags().StringVar(&a.from, "at", "", "when it was replaced: 2026-07-11T09:30 (default: now)")
	a.flags(c, "why")
	return c
}

// swapArgs takes a sensor and a name, which may be left out.
func swapArgs(c *cobra.Command, args []string) error {
	if len(args) < 1 || len(args) > 2 {
		return usageError{fmt.Errorf("1 or 2 arguments wanted, %d given: %s", len(args), c.UseLine())}
	}
	return nil
}

func newRevoke(url *string) *cobra.Command {
	var a adjusting
	c := &cobra.Command{
		Use: "revoke NUMBER", Short: "Take back what was told of a sensor", Args: exactArgs(1),
		Long: `Take back what was told of a sensor, by the number that "dryhold sensors" shows.
Both stay on record; readings count as if it had not been told.`,
		Example: `  dryhold sensors revoke 3 --note "it was the other one"`,
		RunE: func(c *cobra.Command, args []string) error {
			n, err := strconv.Atoi(args[0])
			if err != nil || n < 1 {
				return usageError{fmt.Errorf("%q is no number of a change: `dryhold sensors` shows them", args[0])}
			}
			if err := required(c, "note"); err != nil {
				return err
			}
			return tell(c, *url, "/api/v1/sensors/changes/"+strconv.Itoa(n)+"/revoke", web.RevokeSensor{Note: a.note, By: who(a.by)}, a.asJSON)
		},
	}
	a.flags(c, "why (required)")
	return c
}
