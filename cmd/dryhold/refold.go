package main

import (
	"context"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/web"
)

func newRefold() *cobra.Command {
	var url, by string
	c := &cobra.Command{
		Use: "refold", Short: "Rebuild all that follows from the stored facts, in the running daemon", Args: noArgs,
		Long: `Rebuild, in the running daemon, all that follows from the stored facts: hours of
every room, exposure, lots and what they have left. The facts themselves stay as
they are. The result is that of a restart, without one, and it says whether it
is the state before, to the last bit. It should be; when it is not, please tell
the makers.

It takes as long as a start: about a minute for ten years of 8 rooms read each
minute. Meanwhile the page shows the state before; readings wait with the
broker, and edits wait too. Interrupted, it leaves the state as it was.`,
		Example: "  dryhold refold",
		RunE: func(c *cobra.Command, _ []string) error {
			done, err := newClient(url).refold(c.Context(), who(by), func(f web.Folding) {
				percent := int64(100)
				if f.Of > 0 {
					percent = min(100, 100*f.Readings/f.Of)
				}
				_, _ = fmt.Fprintf(c.ErrOrStderr(), "%s: at %s, %d of %d readings (%d %%)\n", f.Room, f.Day.Format(time.DateOnly), f.Readings, f.Of, percent)
			})
			if err != nil {
				return err
			}
			verdict := "The state is what it was before, to the last bit."
			if !done.Same {
				verdict = "The state is not what it was before: look at rooms and lots, and please tell the makers."
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "Rebuilt from %d readings of %d rooms, with %d lots, in %.1f s.\n%s\n", done.Readings, done.Rooms, done.Lots, done.Seconds, verdict)
			return err
		},
	}
	addURL(c, &url)
	c.Flags().StringVar(&by, "by", "", "your name, for the log (default: the user's)")
	return c
}

// refold asks for a rebuild and waits for its end, however long it takes.
func (k client) refold(ctx context.Context, by string, tell func(web.Folding)) (web.Folded, error) {
	return follow[web.Folding, web.Folded](ctx, k, "/api/v1/refold", web.Refold{By: by}, tell)
}
