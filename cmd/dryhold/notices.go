package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"dryhold/config"
	"dryhold/internal/nearest"
	"dryhold/internal/web"
)

func newNotices() *cobra.Command {
	var from, format string
	var undelivered bool
	var limit int
	c := &cobra.Command{
		Use: "notices", Short: "Show what was sent to whom, what waits and why; try the ways to people", Args: subcommand,
		Long: `Show the log of deliveries, the newest first: when a notice was queued, for whom,
on which channel, what has become of it, after how many attempts, and why it
failed last. One that waits is tried again by itself, after 5 seconds at first
and then ever more seldom, up to once an hour, for a month; one that was refused
is not. Those delivered or refused a year ago are deleted.`,
		Example: "  dryhold notices\n  dryhold notices --undelivered\n  dryhold notices --limit 1000 --format json",
		RunE: func(c *cobra.Command, _ []string) error {
			if err := oneOf("format", format, "text", "json"); err != nil {
				return err
			}
			q := url.Values{"limit": {strconv.Itoa(limit)}, "undelivered": {strconv.FormatBool(undelivered)}}
			var answer web.NoticesAnswer
			if err := newClient(from).do(c.Context(), http.MethodGet, "/api/v1/notices?"+q.Encode(), nil, &answer); err != nil {
				return err
			}
			if format == "json" {
				return printJSON(c.OutOrStdout(), answer)
			}
			return printNotices(c.OutOrStdout(), answer, undelivered)
		},
	}
	addURL(c, &from)
	c.Flags().BoolVar(&undelivered, "undelivered", false, "only what waits or was refused")
	c.Flags().IntVar(&limit, "limit", 50, "at most so many, 1 to 10000")
	c.Flags().StringVar(&format, "format", "text", "text or json")
	c.AddCommand(newNoticesShow(&from), newNoticesTest(&from), newNoticesDrill(&from), newNoticesSchema())
	return c
}

// oneOf refuses a flag that is none of the words.
func oneOf(flag, given string, words ...string) error {
	if slices.Contains(words, given) {
		return nil
	}
	return usageError{fmt.Errorf("--%s: unknown word %q%s", flag, given, nearest.Hint(given, words))}
}

func printNotices(w io.Writer, a web.NoticesAnswer, undelivered bool) error {
	if len(a.Notices) == 0 {
		text := "No notice was queued yet."
		if undelivered {
			text = "Nothing waits, and nothing was refused."
		}
		_, err := fmt.Fprintln(w, text)
		return err
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "QUEUED\tTO\tCHANNEL\tSTATE\tATTEMPTS\tSUBJECT")
	for _, n := range a.Notices {
		to := n.To
		if to == "" {
			to = "-"
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%d\t%s\n", stamp(n.Queued), to, n.Channel, n.State, n.Attempts, n.Subject)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for _, n := range a.Notices {
		if n.State == web.NoticeDelivered {
			continue
		}
		if _, err := io.WriteString(w, "\n"+wrap(undeliveredLine(n), "    ")); err != nil {
			return err
		}
	}
	if a.More {
		_, err := fmt.Fprintf(w, "\nThere are older ones: `dryhold notices --limit %d` shows more.\n", 10*len(a.Notices))
		return err
	}
	return nil
}

// undeliveredLine says of what waits or was refused which one it is and why.
func undeliveredLine(n web.NoticeView) string {
	text := n.Key + " on " + n.Channel
	switch {
	case n.State == web.NoticeRefused:
		text += " was refused on " + stamp(n.Refused)
	case n.Attempts == 0:
		return text + " has not been tried yet"
	default:
		text += " is tried again on " + stamp(n.Due)
	}
	if n.Cause != "" {
		text += ": " + n.Cause
	}
	return text
}

func newNoticesShow(from *string) *cobra.Command {
	return &cobra.Command{
		Use: "show KEY", Short: "Print one notice in full", Args: exactArgs(1),
		Long: `Print the text of a notice and what has become of it on each channel. Its key
stands in the log, in the header Idempotency-Key and in the JSON of each notice.`,
		Example: "  dryhold notices show test/20260714T090000.000Z",
		RunE: func(c *cobra.Command, args []string) error {
			var answer web.NoticesAnswer
			path := "/api/v1/notices?" + url.Values{"key": {args[0]}}.Encode()
			if err := newClient(*from).do(c.Context(), http.MethodGet, path, nil, &answer); err != nil {
				return err
			}
			if len(answer.Notices) == 0 {
				return fmt.Errorf("there is no notice %q", args[0])
			}
			if err := printNotices(c.OutOrStdout(), answer, false); err != nil {
				return err
			}
			_, err := fmt.Fprintf(c.OutOrStdout(), "\n%s\n\n%s", answer.Notices[0].Subject, answer.Notices[0].Body)
			return err
		},
	}
}

// testEvery is how often the outcome of a test is asked for.
const testEvery = 300 * time.Millisecond

func newNoticesTest(from *string) *cobra.Command {
	var channel, to, by, format string
	var patience time.Duration
	c := &cobra.Command{
		Use: "test", Short: "Send a test notice and say what becomes of it", Args: noArgs,
		Long: `Send a notice that says it is a test, by the same way as every other, and wait
until each channel has taken it, refused it or failed once. Without --channel
and --to it goes on every way to people. The exit code is 1 unless all took it.`,
		Example: "  dryhold notices test\n  dryhold notices test --to mara\n  dryhold notices test --channel phone",
		RunE: func(c *cobra.Command, _ []string) error {
			if err := oneOf("format", format, "text", "json"); err != nil {
				return err
			}
			if channel != "" && to != "" {
				return usageError{errors.New("give --channel or --to, not both")}
			}
			k := newClient(*from)
			var queued web.TestQueued
			err := k.do(c.Context(), http.MethodPost, "/api/v1/notices/test", web.TestNotice{Channel: channel, To: to, By: who(by)}, &queued)
			if err != nil {
				return err
			}
			answer, err := outcome(c.Context(), k, queued.Key, patience)
			if err != nil {
				return fmt.Errorf("the test %s is queued, but what became of it is not known: %w", queued.Key, err)
			}
			if format == "json" {
				err = printJSON(c.OutOrStdout(), answer)
			} else {
				err = printNotices(c.OutOrStdout(), answer, false)
			}
			failed := slices.ContainsFunc(answer.Notices, func(n web.NoticeView) bool { return n.State != web.NoticeDelivered })
			if err == nil && failed {
				err = errors.New("not every channel took the test notice; `dryhold notices --undelivered` shows what waits")
			}
			return err
		},
	}
	c.Flags().StringVar(&channel, "channel", "", "only this channel: of notify.channels, mail, mqtt or log")
	c.Flags().StringVar(&to, "to", "", "only the channels of this recipient")
	c.Flags().StringVar(&by, "by", "", "your name (default: the user's)")
	c.Flags().DurationVar(&patience, "wait", 75*time.Second, "at most so long; one attempt may take a minute")
	c.Flags().StringVar(&format, "format", "text", "text or json")
	return c
}

// outcome asks for a notice until each channel has been tried, or patience ends.
func outcome(ctx context.Context, k client, key string, patience time.Duration) (answer web.NoticesAnswer, err error) {
	path := "/api/v1/notices?" + url.Values{"key": {key}}.Encode()
	for began := time.Now(); ; {
		answer = web.NoticesAnswer{}
		if err := k.do(ctx, http.MethodGet, path, nil, &answer); err != nil {
			return answer, err
		}
		untried := slices.ContainsFunc(answer.Notices, func(n web.NoticeView) bool { return n.State == web.NoticeWaiting && n.Attempts == 0 })
		if !untried || time.Since(began) > patience {
			return answer, nil
		}
		select {
		case <-ctx.Done():
			return answer, ctx.Err()
		case <-time.After(testEvery):
		}
	}
}

func newNoticesDrill(from *string) *cobra.Command {
	var by string
	c := &cobra.Command{
		Use: "drill RECIPIENT", Short: "Acknowledge the yearly drill", Args: exactArgs(1),
		Long: `Say that the yearly drill has reached a recipient: it comes again each week until
then. The day of it is "drill" of the recipient in the configuration.`,
		Example: "  dryhold notices drill mara",
		RunE: func(c *cobra.Command, args []string) error {
			if err := newClient(*from).do(c.Context(), http.MethodPost, "/api/v1/notices/drill", web.DrillDone{To: args[0], By: who(by)}, nil); err != nil {
				return err
			}
			_, err := fmt.Fprintf(c.OutOrStdout(), "The drill of %s is acknowledged until next year.\n", args[0])
			return err
		},
	}
	c.Flags().StringVar(&by, "by", "", "your name (default: the user's)")
	return c
}

func newNoticesSchema() *cobra.Command {
	return &cobra.Command{
		Use: "schema", Short: "Print the JSON Schema of notices", Args: noArgs,
		Long:    `Print the schema (JSON Schema 2020-12) of what webhooks and the MQTT topic get.`,
		Example: "  dryhold notices schema > notice.schema.json",
		RunE: func(c *cobra.Command, _ []string) error {
			_, err := io.WriteString(c.OutOrStdout(), config.NoticeSchema())
			return err
		},
	}
}
