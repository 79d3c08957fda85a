package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/replay"
	"dryhold/internal/web"
)

func newAlarmsReplay(at *string) *cobra.Command {
	var from, to, with, format string
	c := &cobra.Command{
		Use: "replay", Short: "Play the alarms of the past again, with the present limits and with others", Args: noArgs,
		Long: `Play stored readings through the alarms again, in the running daemon, and tell
what would have been raised, when, how often, and what would have been said to
whom: with the limits as they are and, with --with, beside them with others. So
limits are tuned on the own past. Nothing is changed and nobody is told.

The file of --with has the part of a configuration that holds limits. What it
leaves out stays as it is:

  limits:               # every room
    damp: 60 %
  rooms:                # one room
    - name: loft
      limits:
        warm: {limit: 26 C, on_delay: 6h}

Days are those of the site. Alarms are judged from a week before the first day
on, uncounted, so that what stood by then is no news. It goes by what is known
today of sensors and lots; a lot counts from when it was packed. In a replay
nobody acknowledges, so that reminders go on for as long as an alarm stands. The
clock, the disk and the delivery of notices are not in stored readings, so their
alarms are not played. It takes some 5 seconds for each room and year, after the
time of a start; interrupted, it just ends.`,
		Example: "  dryhold alarms replay --from 2026-06-01 --to 2026-08-31 --with limits.yaml",
		RunE: func(c *cobra.Command, _ []string) error {
			if !slices.Contains([]string{"text", "json"}, format) {
				return usageError{fmt.Errorf("--format %q: use text or json", format)}
			}
			order := web.Replay{From: from, To: to}
			if with != "" {
				limits, err := os.ReadFile(with)
				if err != nil {
					return fmt.Errorf("cannot read the limits to try: %w", err)
				}
				order.File, order.Limits = with, string(limits)
			}
			answer, err := newClient(*at).replay(c.Context(), order, func(p web.Replaying) {
				doing := "playing"
				if p.Folding {
					doing = "folding what came before:"
				}
				_, _ = fmt.Fprintf(c.ErrOrStderr(), "%s limits: %s %s\n", p.Limits, doing, p.Day.Format(time.DateOnly))
			})
			switch {
			case err != nil:
				return err
			case format == "json":
				return printJSON(c.OutOrStdout(), answer)
			}
			return printReplay(c.OutOrStdout(), answer)
		},
	}
	f := c.Flags()
	f.StringVar(&from, "from", "", "first day: 2026-06-01 (default: 30 days back)")
	f.StringVar(&to, "to", "", "last day (default: today)")
	f.StringVar(&with, "with", "", "file with other limits (YAML)")
	f.StringVar(&format, "format", "text", "text or json")
	return c
}

// replay asks for a replay and waits for its end, however long it takes.
func (k client) replay(ctx context.Context, order web.Replay, tell func(web.Replaying)) (web.ReplayAnswer, error) {
	return follow[web.Replaying, web.ReplayAnswer](ctx, k, "/api/v1/alarms/replay", order, tell)
}

func printReplay(w io.Writer, a web.ReplayAnswer) error {
	if len(a.Runs) == 0 {
		return errors.New("the daemon has played nothing: is it of this version?")
	}
	zone, err := time.LoadLocation(a.Zone)
	if err != nil {
		zone = time.UTC
	}
	first := a.Runs[0]
	fmt.Fprintf(w, "Alarms of %s from %s to %s, played again from %d readings.\n\n", a.Site, minute(first.From, zone), minute(first.To, zone), first.Readings)
	t := tabwriter.NewWriter(w, 0, 0, 3, ' ', 0)
	sideBySide(t, a.Runs)
	if err := t.Flush(); err != nil {
		return err
	}
	for i, r := range a.Runs {
		whose := "of " + r.Limits
		if i == 0 {
			whose = "as they are"
		}
		fmt.Fprintf(w, "\nWith the limits %s:\n", whose)
		printSpells(w, r, zone)
	}
	_, err = io.WriteString(w, "\n"+wrap(guidance(), ""))
	return err
}

// guidance is what rates are to be held against.
func guidance() string {
	return fmt.Sprintf("The bar of a household (judgement): at most %d message a week to one person in a normal year, and %d a day in a hot week. "+
		"For an operator in a control room about %d alarms a day are manageable (EEMUA 191, ISA-18.2 / IEC 62682; from memory). "+
		"In a replay nobody acknowledges, so reminders go on.", replay.MostInWeek, replay.MostInDay, replay.ControlRoom)
}

// sideBySide writes the numbers of all runs, a column for each.
func sideBySide(w io.Writer, runs []web.ReplayRun) {
	row := func(name string, cell func(s *replay.Summary) string) {
		fmt.Fprint(w, name)
		for i := range runs {
			fmt.Fprint(w, "\t", cell(&runs[i].Summary))
		}
		fmt.Fprintln(w)
	}
	fmt.Fprint(w, "LIMITS")
	for _, r := range runs {
		fmt.Fprint(w, "\t", r.Limits)
	}
	fmt.Fprintln(w)
	row("stood at the start", func(s *replay.Summary) string { return strconv.Itoa(len(s.Stood)) })
	row("alarms raised", func(s *replay.Summary) string { return strconv.Itoa(s.Raised) })
	row("  a day", func(s *replay.Summary) string { return fmt.Sprintf("%.2f", s.PerDay) })
	row("  on the busiest day", func(s *replay.Summary) string { return busy(s.Busiest) })
	for _, l := range linesOf(runs) {
		name := "  " + string(l.Kind)
		if l.Room != "" {
			name += " in " + l.Room
		}
		row(name, func(s *replay.Summary) string {
			i := slices.IndexFunc(s.Alarms, func(x replay.Line) bool { return x.Kind == l.Kind && x.Room == l.Room })
			if i < 0 {
				return "-"
			}
			return fmt.Sprintf("%d, %s", s.Alarms[i].Raised, lasting(time.Duration(s.Alarms[i].Seconds*float64(time.Second))))
		})
	}
	row("longest", func(s *replay.Summary) string {
		if s.Longest == nil {
			return "-"
		}
		return lasting(s.Length(*s.Longest)) + ", " + s.Longest.Alarm
	})
	for _, name := range namesOf(runs) {
		of := func(cell func(p replay.Person) string) func(s *replay.Summary) string {
			return func(s *replay.Summary) string {
				i := slices.IndexFunc(s.People, func(p replay.Person) bool { return p.Name == name })
				if i < 0 {
					return "-"
				}
				return cell(s.People[i])
			}
		}
		row("messages to "+name, of(func(p replay.Person) string { return strconv.Itoa(p.Messages) }))
		row("  of them reminders", of(func(p replay.Person) string { return strconv.Itoa(p.Reminders) }))
		row("  a week", of(func(p replay.Person) string { return fmt.Sprintf("%.1f", p.PerWeek) }))
		row("  on the busiest day", of(func(p replay.Person) string { return busy(p.Busiest) }))
		row("  digests and drills", of(func(p replay.Person) string { return strconv.Itoa(p.Digests) }))
	}
	for i, week := range runs[0].Weeks {
		row("week from "+week.From.Format(time.DateOnly), func(s *replay.Summary) string {
			if i >= len(s.Weeks) {
				return "-"
			}
			return fmt.Sprintf("%d raised, %d told", s.Weeks[i].Raised, s.Weeks[i].Messages)
		})
	}
}

func busy(b replay.Busy) string {
	if b.Count == 0 {
		return "-"
	}
	return fmt.Sprintf("%d, %s", b.Count, b.Day)
}

// linesOf lists what any of the runs has counted, in order of the first.
func linesOf(runs []web.ReplayRun) (out []replay.Line) {
	for _, r := range runs {
		for _, l := range r.Alarms {
			if !slices.ContainsFunc(out, func(x replay.Line) bool { return x.Kind == l.Kind && x.Room == l.Room }) {
				out = append(out, l)
			}
		}
	}
	return out
}

func namesOf(runs []web.ReplayRun) (out []string) {
	for _, r := range runs {
		for _, p := range r.People {
			if !slices.Contains(out, p.Name) {
				out = append(out, p.Name)
			}
		}
	}
	return out
}

// printSpells lists when what was raised, and what was said.
func printSpells(w io.Writer, r web.ReplayRun, zone *time.Location) {
	if len(r.Spells)+len(r.Told) == 0 {
		fmt.Fprintln(w, "  nothing")
		return
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, x := range r.Spells {
		end := "stands"
		if !x.To.IsZero() {
			end = "until " + minute(x.To, zone)
		}
		fmt.Fprintf(t, "  %s\t%s\t%s\t%s\n", minute(x.From, zone), x.Alarm, end, lasting(r.Length(x)))
	}
	_ = t.Flush() // of a writer whose errors the next write shows
	if len(r.Told) == 0 {
		return
	}
	fmt.Fprintln(w, " Messages:")
	for _, m := range r.Told {
		fmt.Fprintf(t, "  %s\t%s\t%s\t%s\n", minute(m.At, zone), m.To, m.Event, m.Subject)
	}
	_ = t.Flush()
}

func minute(at time.Time, zone *time.Location) string { return at.In(zone).Format("2006-01-02 15:04") }

// lasting is a span of time in two units at most.
func lasting(d time.Duration) string {
	switch d = d.Round(time.Minute); {
	case d < time.Hour:
		return fmt.Sprintf("%d min", d/time.Minute)
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h %d min", d/time.Hour, d%time.Hour/time.Minute)
	default:
		return fmt.Sprintf("%d d %d h", d/(24*time.Hour), d%(24*time.Hour)/time.Hour)
	}
}
