package main

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/lot"
	"dryhold/internal/web"
)

func newRounds() *cobra.Command {
	var at string
	var asJSON bool
	c := &cobra.Command{
		Use: "rounds", Short: "Inspection rounds: what to look for in each room, and when", Args: noArgs,
		Long: `Show the checklist of an inspection round and, for each room with food in it, when
it was last looked through, what was found, and when the next is due: a month
later. An overdue round is told in the weekly digest.`,
		Example: "  dryhold rounds\n  dryhold rounds done cellar --fine rodents,bottles,leaks,damp,sensor",
		RunE: func(c *cobra.Command, _ []string) error {
			var a web.RoundsAnswer
			if err := newClient(at).do(c.Context(), http.MethodGet, "/api/v1/rounds", nil, &a); err != nil {
				return err
			}
			if asJSON {
				return printJSON(c.OutOrStdout(), a)
			}
			return printRounds(c.OutOrStdout(), a)
		},
	}
	addURL(c, &at)
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	c.AddCommand(newRoundsDone(&at))
	return c
}

func printRounds(w io.Writer, a web.RoundsAnswer) error {
	var b strings.Builder
	for _, q := range a.Questions {
		b.WriteString(wrap(fmt.Sprintf("%-8s %s", q.ID, q.Text), "         "))
	}
	any := false
	for _, r := range a.Rooms {
		if len(r.Lots) == 0 {
			continue
		}
		any = true
		line := r.Room + ": "
		if line += "not looked through yet"; r.Last != nil {
			line = r.Room + ": looked through on " + r.Last.At.Format(time.DateOnly)
		}
		due := ", due again on "
		if r.Overdue {
			due = ", DUE since "
		}
		b.WriteString(wrap(line+due+r.Due.Format(time.DateOnly)+"; lots "+strings.Join(r.Lots, ", "), "  "))
		if r.Last != nil {
			for _, q := range r.Last.Found() {
				b.WriteString(wrap("  !! found "+q.Found+": "+q.Act, "     "))
			}
		}
	}
	if !any {
		b.WriteString("No room has food in it.\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func newRoundsDone(at *string) *cobra.Command {
	var fine, found, failed, holding []string
	var when, note, by string
	c := &cobra.Command{
		Use: "done ROOM", Short: "Record a round through a room", Args: exactArgs(1),
		Long: `Record a round through a room: the points at which all was fine, those at which
something was found, and the lots whose seal was seen to fail or to hold. Points
that are not named were not looked at.`,
		Example: `  dryhold rounds done cellar --fine rodents,leaks,damp,sensor --found bottles --failed L-3`,
		RunE: func(c *cobra.Command, args []string) error {
			body := web.RoundDone{Failed: failed, Holding: holding, Note: note, By: who(by)}
			for _, q := range fine {
				body.Answers = append(body.Answers, lot.RoundAnswer{Question: q, Answer: lot.RoundFine})
			}
			for _, q := range found {
				body.Answers = append(body.Answers, lot.RoundAnswer{Question: q, Answer: lot.RoundFound})
			}
			if len(body.Answers) == 0 {
				return usageError{errors.New("say with --fine and --found what was looked at; dryhold rounds lists the points")}
			}
			if err := optionalInstant(when, &body.At); err != nil {
				return err
			}
			if err := newClient(*at).do(c.Context(), http.MethodPost, "/api/v1/rounds/"+escape(args[0]), body, nil); err != nil {
				return err
			}
			text := "Kept."
			for _, q := range lot.RoundQuestions() {
				if slices.Contains(found, q.ID) {
					text += " Of " + q.Found + ": " + q.Act + "."
				}
			}
			_, err := io.WriteString(c.OutOrStdout(), wrap(text, ""))
			return err
		},
	}
	f := c.Flags()
	f.StringSliceVar(&fine, "fine", nil, "points at which nothing was found")
	f.StringSliceVar(&found, "found", nil, "points at which something was found")
	f.StringSliceVar(&failed, "failed", nil, "lots whose seal was seen to fail")
	f.StringSliceVar(&holding, "holding", nil, "lots whose seal was seen to hold")
	f.StringVar(&note, "note", "", "anything else worth knowing")
	f.StringVar(&when, "at", "", "when it was (default: now)")
	f.StringVar(&by, "by", "", "your name (default: the user's)")
	return c
}
