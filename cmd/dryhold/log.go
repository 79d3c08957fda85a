package main

import (
	"fmt"
	"io"
	"net/http"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/settings"
	"dryhold/internal/web"
)

func newLog() *cobra.Command {
	var from, format, by string
	var within time.Duration
	var back bool
	c := &cobra.Command{
		Use: "log [LEVELS]", Short: "Show what goes to the daemon's log, or have it say more for a time",
		Long: `Show the least level of what each part of the daemon says in its log: debug, info,
warn or error. With levels, change them for a time, after which they go back by
themselves: info,intake=debug has every part at info and the intake at debug; a
part that is not named stays as it is unless there is a level without a part. A
change outlives a loading anew of the configuration and ends with the daemon.

The parts are ` + strings.Join(settings.LogParts(), ", ") + `.

To change them needs a token of the scope admin, or nobody is asked at all.`,
		Example: `  dryhold log
  dryhold log intake=debug --for 10m      # what each message is read as
  dryhold log --back`,
		Args: func(_ *cobra.Command, args []string) error {
			switch {
			case len(args) > 1:
				return usageError{fmt.Errorf("one argument wanted, %d given: write the levels without spaces, as in info,intake=debug", len(args))}
			case len(args) == 1 && back:
				return usageError{fmt.Errorf("--back ends every change: leave %q out", args[0])}
			case within < time.Second:
				return usageError{fmt.Errorf("--for %s is shorter than a second", within)}
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			if err := oneOf("format", format, "text", "json"); err != nil {
				return err
			}
			k := newClient(from)
			if len(args) == 1 || back {
				change := web.ChangeLog{ForSeconds: within.Seconds(), By: who(by)}
				if len(args) == 1 {
					if _, err := settings.ParseLog(args[0]); err != nil {
						return usageError{err}
					}
					change.Levels = args[0]
				}
				if err := k.do(c.Context(), http.MethodPost, "/api/v1/log", change, nil); err != nil {
					return err
				}
			}
			var answer web.LogAnswer
			if err := k.do(c.Context(), http.MethodGet, "/api/v1/log", nil, &answer); err != nil {
				return err
			}
			if format == "json" {
				return printJSON(c.OutOrStdout(), answer)
			}
			return printLog(c.OutOrStdout(), answer)
		},
	}
	addURL(c, &from)
	c.Flags().DurationVar(&within, "for", time.Hour, "so long, at most 168h; then it is as usual again")
	c.Flags().BoolVar(&back, "back", false, "end every change now")
	c.Flags().StringVar(&by, "by", "", "your name (default: the user's)")
	c.Flags().StringVar(&format, "format", "text", "text or json")
	return c
}

func printLog(w io.Writer, a web.LogAnswer) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "PART\tLEVEL\tUSUAL\tUNTIL")
	for _, p := range a.Parts {
		until := "-"
		if !p.Until.IsZero() {
			until = stamp(p.Until)
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", p.Part, p.Level, p.Usual, until)
	}
	return t.Flush()
}
