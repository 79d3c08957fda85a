package main

import (
	"fmt"
	"io"
	"net/url"
	"slices"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/engine"
	"dryhold/internal/web"
)

func newStatus() *cobra.Command {
	var from string
	var asJSON bool
	c := &cobra.Command{
		Use: "status", Short: "Show rooms, mould, alarms, warnings and lots now", Args: noArgs,
		Long: `Show what the running daemon knows now: every room with the mould index of its
surfaces, alarms, what wants a person about a lot, and the lots with what is
left of them. In front of words, ! is past the line that wants attention, !!
past the line at which food is lost or mould grows, ? not known or not sure.`,
		Example: "  dryhold status\n  dryhold status --json",
		RunE: func(c *cobra.Command, _ []string) error {
			var s web.StatusAnswer
			if err := newClient(from).do(c.Context(), "GET", "/api/v1/status", nil, &s); err != nil {
				return err
			}
			if asJSON {
				return printJSON(c.OutOrStdout(), s)
			}
			return printStatus(c.OutOrStdout(), s)
		},
	}
	addURL(c, &from)
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

func printStatus(w io.Writer, s web.StatusAnswer) error {
	snap := s.Snapshot
	fmt.Fprintf(w, "%s, %s\n", snap.Site, snap.At.Local().Format("Mon 2 Jan 2006 15:04:05 MST"))
	for _, c := range s.Health.Checks {
		if !c.OK {
			fmt.Fprintf(w, "NOT WELL  %s: %s\n", c.Title, c.Text)
		}
	}
	fmt.Fprintln(w)
	if len(snap.Rooms) == 0 {
		fmt.Fprintln(w, "No rooms yet: a room opens with its first reading.")
	} else {
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "ROOM\tTEMPERATURE\tHUMIDITY\tLIGHT\tDEW POINT\tAGEING\tLOTS\tLAST READING")
		for _, r := range snap.Rooms {
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%d\t%s\n", r.Name,
				shown(r.Temperature, "%.1f °C", 1), shown(r.Humidity, "%.0f %% RH", 100), shown(r.Illuminance, "%.0f lx", 1),
				shown(r.DewPoint, "%.1f °C", 1), shown(r.Acceleration, "%.2f x plan", 1), r.LotCount, age(newest(r), snap.At))
		}
		if err := t.Flush(); err != nil {
			return err
		}
		if err := printMould(w, snap.Rooms); err != nil {
			return err
		}
	}
	fmt.Fprintln(w)
	if err := printAlarms(w, snap.Alarms); err != nil {
		return err
	}
	fmt.Fprintln(w)
	lots := slices.DeleteFunc(slices.Clone(snap.Lots), func(l engine.LotView) bool { return l.Finished() })
	if err := printWarnings(w, lots); err != nil {
		return err
	}
	return printLots(w, lots, len(snap.Lots)-len(lots))
}

// printMould shows the mould index of the surfaces of every room, with what
// must stand beside it.
func printMould(w io.Writer, rooms []engine.RoomView) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "\nROOM\tMOULD ON\tINDEX\tMEANS")
	for _, r := range rooms {
		surfaces, opinion := web.Mould(r)
		for _, s := range surfaces {
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", r.Name, s.Name, s.Index, marked(s.Words))
		}
		fmt.Fprintf(t, "%s\tsecond opinion\t\t%s\n", r.Name, opinion)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := io.WriteString(w, wrap("The index goes from 0 to 6. "+engine.MouldCaveat, ""))
	return err
}

// shown writes a value, or unknown with the last known one.
func shown(v engine.Value, format string, scale float64) string {
	switch text := fmt.Sprintf(format, v.Value*scale); {
	case v.Known:
		return text
	case v.At.IsZero():
		return "unknown"
	default:
		return "unknown (was " + text + ")"
	}
}

// newest is when the room was last heard of.
func newest(r engine.RoomView) time.Time {
	at := r.Temperature.At
	for _, v := range []engine.Value{r.Humidity, r.Illuminance} {
		if v.At.After(at) {
			at = v.At
		}
	}
	return at
}

// age is how long ago an instant was, in one unit that tells enough.
func age(at, now time.Time) string {
	switch d := max(0, now.Sub(at)); {
	case at.IsZero():
		return "never"
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s ago", d.Truncate(time.Second).Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min ago", d/time.Minute)
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h ago", d/time.Hour)
	default:
		return fmt.Sprintf("%d days ago", d/(24*time.Hour))
	}
}

func printAlarms(w io.Writer, alarms []engine.AlarmView) error {
	if len(alarms) == 0 {
		_, err := fmt.Fprintln(w, "No alarms.")
		return err
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "ALARM\tSTATE\tPRIORITY\tSINCE\tWHAT")
	for _, a := range alarms {
		state := string(a.State)
		if a.By != "" {
			state += " by " + a.By
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\n", a.Key, state, a.Priority, a.Since.Local().Format("2006-01-02 15:04"), a.Text)
	}
	return t.Flush()
}

func escape(s string) string { return url.PathEscape(s) }
