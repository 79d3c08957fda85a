package main

import (
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/audit"
	"dryhold/internal/web"
)

func newAudit() *cobra.Command {
	var from, since string
	var limit int
	var asJSON bool
	c := &cobra.Command{
		Use: "audit", Short: "Show who did what, when and why", Args: noArgs,
		Long: `Show what people did, the newest first: lots packed, moved, noted and finished,
alarms acknowledged, and what was told of sensors and rooms. Each says when it
was told, by whom, what it is of, from when it counts, what was there before, and
why. Nothing of it is ever changed or deleted. A date stands for its midnight in
this machine's zone.`,
		Example: "  dryhold audit\n  dryhold audit --since 2026-07-01\n  dryhold audit --limit 100000 --json",
		RunE: func(c *cobra.Command, _ []string) error {
			q := url.Values{"limit": {strconv.Itoa(limit)}}
			var at time.Time
			if err := bound("since", since, &at); err != nil {
				return err
			}
			if !at.IsZero() {
				q.Set("since", at.Format(time.RFC3339))
			}
			var answer web.AuditAnswer
			if err := newClient(from).do(c.Context(), http.MethodGet, "/api/v1/audit?"+q.Encode(), nil, &answer); err != nil {
				return err
			}
			if asJSON {
				return printJSON(c.OutOrStdout(), answer)
			}
			return printAudit(c.OutOrStdout(), answer)
		},
	}
	addURL(c, &from)
	c.Flags().StringVar(&since, "since", "", "only what was told since: 2026-07-01 or 2026-07-01T09:30 (default: all)")
	c.Flags().IntVar(&limit, "limit", 200, "at most so many, 1 to 100000")
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

func printAudit(w io.Writer, a web.AuditAnswer) error {
	if len(a.Acts) == 0 {
		_, err := fmt.Fprintln(w, "Nothing was done.")
		return err
	}
	for _, act := range a.Acts {
		if _, err := io.WriteString(w, wrap(actLine(act), "    ")); err != nil {
			return err
		}
	}
	if a.More {
		_, err := fmt.Fprintf(w, "There are older ones: `dryhold audit --limit %d` shows more.\n", 10*len(a.Acts))
		return err
	}
	return nil
}

// actLine is one act in words.
func actLine(a audit.Act) string {
	by := a.By
	if by == "" {
		by = "somebody"
	}
	text := fmt.Sprintf("%s  %s: %s %s", stamp(a.Told), by, a.Of, a.What)
	if a.Change > 0 {
		what := "change"
		if a.Kind == audit.Room {
			what = "note"
		}
		text += fmt.Sprintf(" [%s %d]", what, a.Change)
	}
	if d := a.Told.Sub(a.At); d >= time.Minute || d <= -time.Minute {
		text += ", from " + stamp(a.At)
	}
	if a.Old != "" {
		text += "; before: " + a.Old
	}
	if a.Why != "" {
		text += "; why: " + a.Why
	}
	return text
}
