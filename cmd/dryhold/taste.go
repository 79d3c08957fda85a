package main

import (
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"dryhold/internal/engine"
	"dryhold/internal/web"
)

func newLotsTest(url *string) *cobra.Command {
	var at, by, note, smell, germinated string
	var taste int
	c := &cobra.Command{
		Use: "test LOT", Short: "Tell how some of a lot tasted, smelled or sprouted", Args: exactArgs(1),
		Long: `Tell how some of a lot tasted, whether it smelled off, and how many seeds of it
sprouted. What is left of the lot, and of others of the same food, is then worked
out by the constants that agree with it; "dryhold explain" shows before and after.

  --taste       1 dislike extremely, 5 neither like nor dislike, 9 like extremely
  --off-smell   yes or no: rancid, painty, musty
  --germinated  83/100: how many of the seeds sown have sprouted

Quality is not safety: no taste, smell or sprout tells whether food is safe. Do
not taste what smells off, or comes from a container that bulges, spurts or leaks:
throw it out, and follow your local food-safety authority.`,
		Example: `  dryhold lots test L-1 --taste 6 --off-smell no
  dryhold lots test L-3 --germinated 83/100 --at 2026-07-14
  dryhold lots revoke-test L-1 2 --note "it was another jar"`,
		RunE: func(c *cobra.Command, args []string) error {
			body := web.TestLot{Note: note, By: who(by)}
			if c.Flags().Changed("taste") {
				if taste < 1 || taste > 9 {
					return usageError{fmt.Errorf("--taste: %d is not on the scale: write 1 to 9", taste)}
				}
				body.Taste = taste
			}
			if c.Flags().Changed("off-smell") {
				off := smell == "yes"
				if !off && smell != "no" {
					return usageError{fmt.Errorf("--off-smell: %q: write yes or no", smell)}
				}
				body.OffSmell = &off
			}
			if c.Flags().Changed("germinated") {
				k, n, ok := strings.Cut(germinated, "/")
				var err1, err2 error
				body.Sprouted, err1 = strconv.Atoi(k)
				body.Seeds, err2 = strconv.Atoi(n)
				if !ok || err1 != nil || err2 != nil || body.Seeds < 1 || body.Sprouted < 0 || body.Sprouted > body.Seeds {
					return usageError{fmt.Errorf("--germinated: %q: write how many sprouted of how many sown, as 83/100", germinated)}
				}
			}
			if body.Taste == 0 && body.OffSmell == nil && body.Seeds == 0 {
				return usageError{fmt.Errorf("%s needs --taste, --off-smell or --germinated (see %s --help)", c.CommandPath(), c.CommandPath())}
			}
			if err := optionalInstant(at, &body.At); err != nil {
				return err
			}
			if err := newClient(*url).do(c.Context(), http.MethodPost, "/api/v1/lots/"+escape(args[0])+"/test", body, nil); err != nil {
				return err
			}
			return printTested(c, *url, args[0], "Kept: "+body.String()+".")
		},
	}
	c.Flags().IntVar(&taste, "taste", 0, "score, 1 to 9")
	c.Flags().StringVar(&smell, "off-smell", "", "yes or no")
	c.Flags().StringVar(&germinated, "germinated", "", "sprouted of sown: 83/100")
	c.Flags().StringVar(&at, "at", "", "when it was done (default: now)")
	c.Flags().StringVar(&note, "note", "", "a line of text")
	c.Flags().StringVar(&by, "by", "", "your name (default: the user's)")
	return c
}

func newLotsRevokeTest(url *string) *cobra.Command {
	var by, note string
	c := &cobra.Command{
		Use: "revoke-test LOT NUMBER", Short: "Take back a test of a lot", Args: exactArgs(2),
		Long: `Take back a test of a lot, by the number that "dryhold explain" shows. Both stay
on record; the lot is worked out as if it had not been told.`,
		Example: `  dryhold lots revoke-test L-1 2 --note "it was another jar"`,
		RunE: func(c *cobra.Command, args []string) error {
			n, err := strconv.Atoi(args[1])
			if err != nil || n < 1 {
				return usageError{fmt.Errorf("%q is no number of a test: `dryhold explain %s` shows them", args[1], args[0])}
			}
			if err := required(c, "note"); err != nil {
				return err
			}
			path := "/api/v1/lots/" + escape(args[0]) + "/tests/" + strconv.Itoa(n) + "/revoke"
			if err := newClient(*url).do(c.Context(), http.MethodPost, path, web.RevokeTest{Note: note, By: who(by)}, nil); err != nil {
				return err
			}
			return printTested(c, *url, args[0], fmt.Sprintf("Test %d of %s is taken back.", n, args[0]))
		},
	}
	c.Flags().StringVar(&note, "note", "", "why (required)")
	c.Flags().StringVar(&by, "by", "", "your name (default: the user's)")
	return c
}

// printTested says what a test, or its being taken back, has made of a lot.
func printTested(c *cobra.Command, url, id, kept string) error {
	var l engine.LotView
	if err := newClient(url).do(c.Context(), http.MethodGet, "/api/v1/lots/"+escape(id), nil, &l); err != nil {
		return fmt.Errorf("kept, but %s cannot be shown: %w", id, err)
	}
	left := func(e engine.Estimate) string {
		return fmt.Sprintf("%.0f %% (%.0f to %.0f)", 100*e.Likely, 100*e.Low, 100*e.High)
	}
	last := 0
	for _, t := range l.Tests {
		last = max(last, t.Number)
	}
	text := wrap(kept, "  ")
	if v := l.Tested; v == nil {
		text += wrap("No test counts for "+id+": remaining quality "+left(l.Remaining)+".", "  ")
	} else {
		text += wrap(fmt.Sprintf("Remaining quality of %s before all tests %s, after them %s; on %.0f of %d sets of constants.", id, left(v.Remaining), left(l.Remaining), v.Effective, v.Draws), "  ")
		if v.Viable != nil && l.Viable != nil {
			text += wrap("Seed that sprouts before "+left(*v.Viable)+", after "+left(*l.Viable)+".", "  ")
		}
	}
	if strings.HasPrefix(kept, "Kept") {
		text += wrap(fmt.Sprintf("To take it back: dryhold lots revoke-test %s %d --note WHY", id, last), "  ")
	}
	for _, w := range l.Warnings {
		text += wrap("!! "+w, "   ")
	}
	_, err := io.WriteString(c.OutOrStdout(), text)
	return err
}
