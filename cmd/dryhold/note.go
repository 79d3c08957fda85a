package main

import (
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/barrier"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/nearest"
	"dryhold/internal/web"
)

func newLotsNote(url *string) *cobra.Command {
	var at, by, seal string
	var words []string
	for _, s := range barrier.Seals() {
		words = append(words, s.String())
	}
	c := &cobra.Command{
		Use: "note LOT [TEXT]", Short: "Note what was seen of a lot, above all of its seal",
		Long: `Note what was seen of a lot: a line of text, the state of its seal, or both.

  assumed   closed with care, not verified; so is every lot until it is noted
  verified  tested, or seen to hold, as a bottle that buckled in
  failed    seen to leak, or oxygen measured inside

The state counts for every container of the lot and for the whole time since
packing: a seal found leaking is taken to have leaked from the start. The note
of the latest date counts; a wrong one is put right by another.

A seal that holds keeps quality, it does not make food safe. Do not taste from
a container that bulges, spurts or leaks: throw it out, and follow your local
food-safety authority.`,
		Example: `  dryhold lots note L-1 --seal verified "bottle buckled in: seal holding"
  dryhold lots note L-1 --seal failed --at 2026-07-14
  dryhold lots note L-1 "label faded, written anew"`,
		Args: noteArgs,
		RunE: func(c *cobra.Command, args []string) error {
			body := web.NoteLot{By: who(by)}
			if len(args) > 1 {
				body.Note = args[1]
			}
			if c.Flags().Changed("seal") {
				s, err := barrier.ParseSeal(seal)
				if err != nil {
					return usageError{fmt.Errorf("--seal: unknown state %q%s", seal, nearest.Hint(seal, words))}
				}
				body.Seal = &s
			}
			if body.Seal == nil && strings.TrimSpace(body.Note) == "" {
				return usageError{fmt.Errorf("%s needs a TEXT or --seal (see %s --help)", c.CommandPath(), c.CommandPath())}
			}
			if err := optionalInstant(at, &body.At); err != nil {
				return err
			}
			k := newClient(*url)
			if err := k.do(c.Context(), "POST", "/api/v1/lots/"+escape(args[0])+"/note", body, nil); err != nil {
				return err
			}
			// A note of an earlier date may not be the one that counts.
			var l engine.LotView
			if err := k.do(c.Context(), "GET", "/api/v1/lots/"+escape(args[0]), nil, &l); err != nil {
				return fmt.Errorf("noted, but %s cannot be shown: %w", args[0], err)
			}
			_, err := fmt.Fprintf(c.OutOrStdout(), "Noted of %s; its seal: %s.\n", args[0], sealText(l.Lot))
			return err
		},
	}
	c.Flags().StringVar(&seal, "seal", "", "what is known of the seal: assumed, verified or failed")
	c.Flags().StringVar(&at, "at", "", "when it was seen (default: now)")
	c.Flags().StringVar(&by, "by", "", "your name (default: the user's)")
	// The flag is the one just made, so this cannot fail.
	_ = c.RegisterFlagCompletionFunc("seal", cobra.FixedCompletions(words, cobra.ShellCompDirectiveNoFileComp))
	return c
}

// noteArgs takes a lot and a text, which may be left out.
func noteArgs(c *cobra.Command, args []string) error {
	switch {
	case len(args) < 1:
		return usageError{fmt.Errorf("which lot? %s", c.UseLine())}
	case len(args) > 2:
		return usageError{fmt.Errorf("%d arguments, at most 2 wanted: put the text in quotes: %s", len(args), c.UseLine())}
	}
	return nil
}

// sealText is the state of a lot's seal, and by which note.
func sealText(l lot.Lot) string {
	n, any := l.SealNote()
	switch {
	case !any && l.Packing.LeakTest != lot.LeakNotTried:
		return l.Seal.String() + ", by the leak test at packing"
	case !any:
		return l.Seal.String() + ", no note of it"
	}
	return fmt.Sprintf("%s, noted for %s", l.Seal, n.At.Format(time.DateOnly))
}
