package main

import (
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/alarm"
	"dryhold/internal/audit"
	"dryhold/internal/engine"
	"dryhold/internal/web"
)

func newAlarms() *cobra.Command {
	var from string
	c := &cobra.Command{
		Use: "alarms", Short: "List alarms, acknowledge, shelve and annotate them", Args: subcommand, RunE: help,
		Long: `List alarms and their history, and say what is to be done about one: that you
have seen it, that it is to be quiet for a while, that it is out of service, what
you know of it. These commands talk to the running daemon, which has it on disk
when they return.

ALARM is a key as ` + "`dryhold alarms list`" + ` shows it: warm/loft, silent/loft/loft-1,
quality/L-3, disk.`,
		Example: `  dryhold alarms list
  dryhold alarms ack warm/loft --by Mara --note "window shaded"
  dryhold alarms shelve warm/loft --for 8h --note "painters are in"
  dryhold alarms annotate warm/loft "compressor failed"`,
	}
	addURL(c, &from)
	c.AddCommand(newAlarmsList(&from), newAlarmsHistory(&from), newAlarmsReplay(&from))
	for _, a := range acts() {
		c.AddCommand(newAct(&from, a))
	}
	return c
}

// act is the command of one thing to do to an alarm.
type act struct {
	do, alias, args, short, long, example string
}

func acts() []act {
	return []act{
		{alarm.ActAcknowledge, "ack", "", "Say that you have seen an alarm",
			"It stops asking for attention. While its cause lasts it stays active; when its\ncause is over it is normal.",
			`  dryhold alarms acknowledge warm/loft --by Mara --note "window shaded"`},
		{alarm.ActShelve, "", "", "Have an alarm be quiet for a while",
			"It gives no notice until the time is over, at most 7 days, and is shown as\nshelved meanwhile. It goes on following the readings; if it is active by then, it\nis raised anew. Shelving a shelved alarm moves its end.",
			"  dryhold alarms shelve warm/loft --for 8h --note \"painters are in\"\n  dryhold alarms shelve damp/cellar --until 2026-11-14T08:00"},
		{alarm.ActUnshelve, "", "", "End shelving before its time",
			"If it is active by now, it is raised anew.", "  dryhold alarms unshelve warm/loft"},
		{alarm.ActOutOfService, "", "", "Take an alarm out of service, with a reason",
			"It gives no notice until somebody returns it to service, and is shown as out of\nservice. What takes a few days is better shelved: that ends by itself.",
			`  dryhold alarms out-of-service damp/cellar --note "the cellar is being dug up"`},
		{alarm.ActReturn, "return", "", "Return an alarm to service",
			"If it is active by now, it is raised anew.", "  dryhold alarms return damp/cellar"},
		{alarm.ActAnnotate, "", " TEXT", "Note what you know of an alarm",
			"The note is shown with the alarm, in its next notices, and in its history. Why a\nroom was as it was, for the review, `dryhold rooms note` keeps.",
			`  dryhold alarms annotate warm/loft "compressor failed"`},
	}
}

func newAct(from *string, a act) *cobra.Command {
	var by, note, span, until string
	n := 1
	if a.args != "" {
		n = 2
	}
	c := &cobra.Command{
		Use: a.do + " ALARM" + a.args, Short: a.short, Long: a.short + ".\n" + a.long, Example: a.example, Args: exactArgs(n),
		RunE: func(c *cobra.Command, args []string) error {
			key, err := alarm.ParseKey(args[0])
			if err != nil {
				return usageError{err}
			}
			body := web.OperateAlarm{Key: key, By: who(by), Note: note, For: span}
			if n == 2 {
				body.Note = args[1]
			}
			if a.do == alarm.ActShelve && (span == "") == (until == "") {
				return usageError{fmt.Errorf("%s needs one of --for and --until (see %s --help)", c.CommandPath(), c.CommandPath())}
			}
			if span != "" {
				if _, err := alarm.ShelveEnd(time.Now(), span); err != nil {
					return usageError{fmt.Errorf("--for: %w", err)}
				}
			}
			if err := bound("until", until, &body.Until); err != nil {
				return err
			}
			k := newClient(*from)
			if err := k.do(c.Context(), http.MethodPost, "/api/v1/alarms/"+a.do, body, nil); err != nil {
				return err
			}
			return saySo(c, k, a.do, body)
		},
	}
	if a.alias != "" {
		c.Aliases = []string{a.alias}
	}
	c.Flags().StringVar(&by, "by", "", "your name (default: the user's)")
	if n == 1 {
		c.Flags().StringVar(&note, "note", "", "what you did about it, or why")
	}
	if a.do == alarm.ActShelve {
		c.Flags().StringVar(&span, "for", "", "how long: 90m, 8h, 2d or 1w, at most 7 days")
		c.Flags().StringVar(&until, "until", "", "until when: 2026-07-11, 2026-07-11T09:30")
	}
	return c
}

// saySo says what was done, and until when, as the daemon has it now.
func saySo(c *cobra.Command, k client, do string, body web.OperateAlarm) error {
	until := ""
	if do == alarm.ActShelve {
		var now web.AlarmsAnswer
		if err := k.do(c.Context(), http.MethodGet, "/api/v1/alarms", nil, &now); err != nil {
			return fmt.Errorf("shelved, but the alarm cannot be shown: %w", err)
		}
		for _, a := range now.Alarms {
			if a.Key == body.Key && a.State == alarm.Shelved {
				until = " until " + stamp(a.ShelvedUntil)
			}
		}
	}
	_, err := fmt.Fprintf(c.OutOrStdout(), "%s is %s by %s%s.\n", body.Key, audit.AlarmWords(do, time.Time{}), body.By, until)
	return err
}

func newAlarmsList(from *string) *cobra.Command {
	var asJSON, all bool
	c := &cobra.Command{
		Use: "list", Short: "List alarms that are not normal", Args: noArgs,
		Long:    "List the alarms that are not normal, the worst first: their state, since when,\nwhat it has cost so far, who acted on them and what was noted. With --all also\nwhat is watched and normal.",
		Example: "  dryhold alarms list\n  dryhold alarms list --all",
		RunE: func(c *cobra.Command, _ []string) error {
			path := "/api/v1/alarms"
			if all {
				path += "?all=true"
			}
			var a web.AlarmsAnswer
			if err := newClient(*from).do(c.Context(), http.MethodGet, path, nil, &a); err != nil {
				return err
			}
			switch {
			case asJSON && all:
				return printJSON(c.OutOrStdout(), a)
			case asJSON:
				return printJSON(c.OutOrStdout(), a.Alarms)
			}
			return printStanding(c.OutOrStdout(), a)
		},
	}
	c.Flags().BoolVar(&all, "all", false, "those that are normal too")
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

func printStanding(w io.Writer, a web.AlarmsAnswer) error {
	text := ""
	for _, x := range a.Alarms {
		text += wrap(fmt.Sprintf("%s: %s, %s priority, since %s", x.Key, x.State, x.Priority, stamp(x.Since)), "    ")
		for _, line := range standingLines(x) {
			text += "    " + wrapTo(screen-4, line, "    ")
		}
	}
	if len(a.Alarms) == 0 {
		text = "No alarms.\n"
	}
	for i, c := range a.Normal {
		if i == 0 {
			text += "Normal:\n"
		}
		state := ""
		if c.Unknown {
			state = "  no reading now"
		}
		text += fmt.Sprintf("  %s%s\n", c.Key, state)
	}
	_, err := io.WriteString(w, text)
	return err
}

// standingLines are what is told of an alarm below its state.
func standingLines(x engine.AlarmView) (out []string) {
	out = append(out, x.Text)
	if x.Unknown {
		out = append(out, "there is no reading now; the state is held until readings come again")
	}
	now := "normal"
	if x.Active {
		now = "active"
	}
	switch {
	case x.State == alarm.Shelved:
		out = append(out, fmt.Sprintf("shelved by %s until %s; by its readings it is %s", x.AsideBy, stamp(x.ShelvedUntil), now))
	case x.State == alarm.OutOfService:
		out = append(out, fmt.Sprintf("taken out of service by %s; by its readings it is %s", x.AsideBy, now))
	case x.By != "":
		out = append(out, "acknowledged by "+x.By)
	}
	if len(x.Costs) > 0 {
		sum := 0.0
		for _, c := range x.Costs {
			sum += c.Days
		}
		out = append(out, fmt.Sprintf("%.1f days of life lost so far in %s", sum, lotsOf(len(x.Costs))))
	}
	if x.Note != "" {
		out = append(out, fmt.Sprintf("%s, %s: %s", x.NoteBy, stamp(x.NoteAt), x.Note))
	}
	return out
}

func lotsOf(n int) string {
	if n == 1 {
		return "1 lot"
	}
	return strconv.Itoa(n) + " lots"
}

func newAlarmsHistory(url *string) *cobra.Command {
	var from, to string
	var limit int
	var asJSON bool
	c := &cobra.Command{
		Use: "history [ALARM]", Short: "Show what the alarms went through", Args: cobra.MaximumNArgs(1),
		Long:    "Show what the alarms went through, or one of them, the newest first: raised,\nreturned, and what people did, with name and note. It is kept for the life of\nthe store. A date stands for its midnight in this machine's zone.",
		Example: "  dryhold alarms history\n  dryhold alarms history warm/loft --from 2026-07-01",
		RunE: func(c *cobra.Command, args []string) error {
			q, err := historyQuery(args, from, to, limit)
			if err != nil {
				return err
			}
			var a web.AlarmHistoryAnswer
			if err := newClient(*url).do(c.Context(), http.MethodGet, "/api/v1/alarms/history?"+q.Encode(), nil, &a); err != nil {
				return err
			}
			if asJSON {
				return printJSON(c.OutOrStdout(), a)
			}
			return printHistory(c.OutOrStdout(), a)
		},
	}
	c.Flags().StringVar(&from, "from", "", "only what happened since: 2026-07-01 or 2026-07-01T09:30 (default: all)")
	c.Flags().StringVar(&to, "to", "", "only what happened before (default: now)")
	c.Flags().IntVar(&limit, "limit", 100, "at most so many, 1 to 10000")
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

func historyQuery(args []string, from, to string, limit int) (url.Values, error) {
	q := url.Values{"limit": {strconv.Itoa(limit)}}
	if len(args) > 0 {
		key, err := alarm.ParseKey(args[0])
		if err != nil {
			return q, usageError{err}
		}
		q.Set("alarm", key.String())
	}
	for name, text := range map[string]string{"from": from, "to": to} {
		var at time.Time
		if err := bound(name, text, &at); err != nil {
			return q, err
		}
		if !at.IsZero() {
			q.Set(name, at.Format(time.RFC3339))
		}
	}
	return q, nil
}

func printHistory(w io.Writer, a web.AlarmHistoryAnswer) error {
	text := ""
	for _, ev := range a.Events {
		line := fmt.Sprintf("%s  %s %s", stamp(ev.At), ev.Key, web.EventWords(ev, time.Local))
		if ev.By != "" {
			line += ", by " + ev.By
		}
		if ev.Note != "" {
			line += ": " + ev.Note
		}
		text += wrap(line, "    ")
	}
	switch {
	case len(a.Events) == 0:
		text = "Nothing has happened.\n"
	case a.More:
		text += fmt.Sprintf("There are older ones: `dryhold alarms history --limit %d` shows more.\n", 10*len(a.Events))
	}
	_, err := io.WriteString(w, text)
	return err
}
