package main

import (
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/engine"
	"dryhold/internal/sensor"
	"dryhold/internal/web"
)

func newSensors() *cobra.Command {
	var url string
	var asJSON, all bool
	c := &cobra.Command{
		Use: "sensors", Short: "List sensors; tell of calibrations, wrong readings and new devices", Args: subcommand,
		Long: `List the sensors that are in use: when each was heard last, what it reads as it
counts, its battery and its calibration; then what is wrong with them, and what
people told of them, with the number by which that can be taken back.

Readings stay in the store as they came, for ever. What is told of a sensor is
kept beside them, with who told it, when and why; how a reading counts follows
from both. These commands talk to the running daemon.`,
		Example: `  dryhold sensors
  dryhold sensors calibrate cellar/cellar-1 --quantity temperature --reference 0.0C --reading 0.4C
  dryhold sensors void loft/loft-1 --from 2026-07-11 --to 2026-07-12 --note "hung in the sun"
  dryhold sensors swap loft/loft-1 loft-2
  dryhold sensors revoke 3 --note "it was the other one"`,
		RunE: func(c *cobra.Command, _ []string) error {
			var answer web.SensorsAnswer
			if err := newClient(url).do(c.Context(), http.MethodGet, "/api/v1/sensors", nil, &answer); err != nil {
				return err
			}
			if asJSON {
				return printJSON(c.OutOrStdout(), answer)
			}
			return printSensors(c.OutOrStdout(), answer, all)
		},
	}
	addURL(c, &url)
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	c.Flags().BoolVar(&all, "all", false, "with sensors that were replaced, and with what was taken back")
	c.AddCommand(newCalibrate(&url), newCorrect(&url), newVoid(&url), newSwap(&url), newRevoke(&url))
	return c
}

// The widest a sensor and what it reads may be for the table to fit the screen.
const sensorWide, readsWide = 26, 36

func printSensors(w io.Writer, s web.SensorsAnswer, all bool) error {
	shown := slices.DeleteFunc(slices.Clone(s.Sensors), func(v engine.SensorView) bool { return v.State == engine.Retired && !all })
	if len(shown) == 0 {
		fmt.Fprintln(w, "No sensors yet: one appears with its first reading.")
	} else {
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "SENSOR\tHEARD\tREADS NOW\tBATTERY\tCALIBRATED")
		for _, v := range shown {
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\n", cut(v.Room+"/"+v.Name, sensorWide), heard(v, s.At), reads(v), shownBattery(v.Battery), calibrated(v))
		}
		if err := t.Flush(); err != nil {
			return err
		}
	}
	for _, v := range shown {
		for _, f := range v.Faults {
			if _, err := io.WriteString(w, wrap(fmt.Sprintf("!! %s/%s %s since %s: %s", v.Room, v.Name, web.FaultWord(f.Kind), stamp(f.Since), f.Text), "   ")); err != nil {
				return err
			}
		}
		for _, k := range v.Calibrations {
			if k.Overdue {
				if _, err := io.WriteString(w, wrap(fmt.Sprintf("!  %s/%s %s is to be calibrated again since %s", v.Room, v.Name, k.Quantity, day10(k.Due)), "   ")); err != nil {
					return err
				}
			}
		}
	}
	if hidden := len(s.Sensors) - len(shown); hidden > 0 {
		fmt.Fprintf(w, "Replaced and not shown: %d; `dryhold sensors --all` shows them.\n", hidden)
	}
	return printTold(w, s.Changes, all)
}

// printTold lists what was told of sensors, each with its number.
func printTold(w io.Writer, changes []web.SensorChange, all bool) error {
	var text strings.Builder
	for _, c := range changes {
		if !all && (c.RevokedBy > 0 || c.Kind == sensor.Revoked) {
			continue
		}
		line := fmt.Sprintf("%d  ", c.Seq)
		if c.Kind != sensor.Revoked {
			line += c.Room + "/" + c.Sensor + " " + c.What + ", from " + stamp(c.From)
		} else {
			line += c.What
		}
		line += ", told by " + c.By
		if c.Note != "" {
			line += ": " + c.Note
		}
		if c.RevokedBy > 0 {
			line += fmt.Sprintf(" (taken back by change %d)", c.RevokedBy)
		}
		text.WriteString(wrap(line, "   "))
	}
	if text.Len() == 0 {
		return nil
	}
	_, err := io.WriteString(w, "\nTOLD, by number\n"+text.String())
	return err
}

func heard(v engine.SensorView, now time.Time) string {
	switch {
	case v.State == engine.Retired:
		return "replaced"
	case v.LastSeen.IsZero():
		return "not yet"
	case v.Silent:
		return "? " + age(v.LastSeen, now)
	}
	return age(v.LastSeen, now)
}

// reads is what a sensor reads now, or that it is old.
func reads(v engine.SensorView) string {
	if v.Place != "" && v.State != engine.Retired {
		return cut("at "+v.Place+" in "+v.PlaceRoom, readsWide)
	}
	var out []string
	for _, f := range web.SensorValues(v) {
		text := f.Text()
		if !f.Value.Known {
			text = "was " + text
		}
		out = append(out, text)
	}
	return cut(strings.Join(out, ", "), readsWide)
}

func shownBattery(v engine.Value) string {
	if v.At.IsZero() {
		return ""
	}
	return fmt.Sprintf("%.0f %%", 100*v.Value)
}

// calibrated is when the quantities of a sensor were calibrated last; of
// several the one longest ago.
func calibrated(v engine.SensorView) string {
	if len(v.Calibrations) == 0 {
		return "never"
	}
	oldest := slices.MinFunc(v.Calibrations, func(a, b engine.CalibrationView) int { return a.From.Compare(b.From) })
	return day10(oldest.From)
}

// day10 is a date of this machine's zone, stamp a time.
func day10(t time.Time) string { return t.Local().Format(time.DateOnly) }
func stamp(t time.Time) string { return t.Local().Format("2006-01-02 15:04 MST") }

// parseSensor reads ROOM/SENSOR.
func parseSensor(s string) (path string, err error) {
	room, name, ok := strings.Cut(s, "/")
	if !ok || room == "" || name == "" {
		return "", usageError{fmt.Errorf("%q is not a sensor: write ROOM/SENSOR, as `dryhold sensors` lists them", s)}
	}
	return "/api/v1/sensors/" + escape(room) + "/" + escape(name), nil
}

// bound reads an instant at which something begins or ends: a date is its
// midnight in this machine's zone. Empty is zero.
func bound(flag, s string, to *time.Time) error {
	if s == "" {
		return nil
	}
	for _, layout := range []string{time.DateOnly, "2006-01-02T15:04", "2006-01-02 15:04"} {
		if t, err := time.ParseInLocation(layout, s, time.Local); err == nil {
			*to = t.UTC()
			return nil
		}
	}
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		return usageError{fmt.Errorf("--%s: %q is not a time: write 2026-07-11, 2026-07-11T09:30 or 2026-07-11T09:30:00+02:00", flag, s)}
	}
	*to = t.UTC()
	return nil
}

// tell sends a change, which may take a while to be folded in, and says what it
// did.
func tell(c *cobra.Command, url, path string, body any, asJSON bool) error {
	k := newClient(url)
	k.http = &http.Client{} // without a limit of time
	var done web.SensorChanged
	if err := k.do(c.Context(), http.MethodPost, path, body, &done); err != nil {
		return err
	}
	if asJSON {
		return printJSON(c.OutOrStdout(), done)
	}
	text := fmt.Sprintf("Kept as change %d: %s %s", done.Change.Seq, done.Of, done.What)
	if done.Change.Kind != sensor.Revoked {
		text += ", from " + stamp(done.Change.From)
	}
	text = wrap(text+".", "  ")
	for _, f := range done.Refold {
		text += wrap(fmt.Sprintf("%s is folded again, %s since %s: its hours, lots and alarms go by the readings as they count now. The readings themselves stay as they came.", f.Room, daysOf(f.Days), day10(f.Since)), "  ")
	}
	if done.Change.Kind != sensor.Revoked {
		text += wrap(fmt.Sprintf("To take it back: dryhold sensors revoke %d --note WHY", done.Change.Seq), "  ")
	}
	_, err := io.WriteString(c.OutOrStdout(), text)
	return err
}

func daysOf(n int) string {
	if n == 1 {
		return "1 day"
	}
	return fmt.Sprintf("%d days", n)
}
