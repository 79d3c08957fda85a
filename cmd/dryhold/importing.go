package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/past"
	"dryhold/internal/room"
	"dryhold/internal/web"
)

// importing is what every import is told, wherever its readings come from.
type importing struct {
	url, by     string
	dryRun, yes bool
}

// source is where past readings come from. It is read twice: to be shown, and
// to be stored.
type source interface {
	// name goes on record.
	name() string
	// read hands over the readings, and how much of the source is behind them:
	// 0 to 1.
	read(ctx context.Context, visit func(share float64, rs []room.Reading) error) error
	// report says what was found by the last read beside the readings. The error
	// is what must be said before any are stored.
	report(*past.Survey) (string, error)
	// goOn says how an import is taken up again that broke off at a reading of
	// this time.
	goOn(at time.Time) string
}

func newImport() *cobra.Command {
	var x importing
	var t table
	c := &cobra.Command{
		Use: "import FILE", Short: "Import past readings from a CSV table, or from another store", Args: exactArgs(1),
		Long: `Import past readings of rooms from a CSV table, so that lots packed before dryhold
came have their history. What each column is, is guessed from the header; what
the table does not say is asked for. First it shows how the table is read, what
was found, and what of it cannot be used; nothing is stored before you agree.

From a server that kept them: dryhold import prometheus, dryhold import influx.

A reading that is there already, of the same room, sensor, quantity and time, is
not stored again: an import that broke off is begun again as it was. Imported
readings move no alarm. To take some back, void them: dryhold sensors void.

Local times of the hour that comes twice in autumn go by the order of the rows:
before the times go back they are summer time.

This command talks to the running daemon.`,
		Example: `  dryhold import loft-2025.csv --dry-run
  dryhold import loft-2025.csv --room loft --sensor loft-1 --zone Europe/Berlin
  dryhold import log.csv --room cellar --time when --format dmy --zone UTC --value "T=temperature:F" --value "H=humidity:%" --yes`,
		RunE: func(c *cobra.Command, args []string) error {
			t.path = args[0]
			if err := t.find(c); err != nil {
				return err
			}
			return x.run(c, &t)
		},
	}
	addURL(c, &x.url)
	p := c.PersistentFlags()
	p.BoolVar(&x.dryRun, "dry-run", false, "only show what was found")
	p.BoolVar(&x.yes, "yes", false, "do not ask")
	p.StringVar(&x.by, "by", "", "your name (default: the user's)")
	f := c.Flags()
	f.StringVar(&t.room, "room", "", "room of all readings, where no column names it")
	f.StringVar(&t.sensor, "sensor", "", "sensor of all readings (default: a column, else the room's name)")
	f.StringVar(&t.time, "time", "", "column with the time (default: guessed)")
	f.StringVar(&t.format, "format", "", "how times are written: iso, dmy, mdy, s or ms (default: guessed)")
	f.StringVar(&t.zone, "zone", "", "zone of times that do not say it: Europe/Berlin, UTC")
	f.StringArrayVar(&t.values, "value", nil, `a column with values: "COLUMN=temperature:F"; once for each (default: guessed)`)
	c.AddCommand(newImportPrometheus(&x), newImportInflux(&x))
	return c
}

// run shows what a source holds, asks, and stores it.
func (x *importing) run(c *cobra.Command, from source) error {
	var seen past.Survey
	tell := telling(c)
	err := from.read(c.Context(), func(share float64, rs []room.Reading) error {
		seen.Add(rs)
		tell("%.0f %%: %d readings found", 100*share, seen.Readings)
		return nil
	})
	if err != nil {
		return err
	}
	text, open := from.report(&seen)
	out := c.OutOrStdout()
	if _, err := io.WriteString(out, text+surveyText(&seen)); err != nil {
		return err
	}
	switch {
	case open != nil:
		return open
	case seen.Readings == 0:
		return errors.New("there is nothing to import: see above")
	case x.dryRun:
		_, err := fmt.Fprintln(out, "Nothing was imported, as asked.")
		return err
	case !x.yes && !agreed(c, fmt.Sprintf("Import %d readings? [y/N] ", seen.Readings)):
		_, err := fmt.Fprintln(out, "Nothing was imported. To do it without being asked: --yes")
		return err
	}
	return x.send(c, from, &seen)
}

// agreed asks a question; no answer is no.
func agreed(c *cobra.Command, question string) bool {
	_, _ = fmt.Fprint(c.ErrOrStderr(), question)
	line, _ := bufio.NewReader(io.LimitReader(c.InOrStdin(), 1<<10)).ReadString('\n')
	answer := strings.ToLower(strings.TrimSpace(line))
	return answer == "y" || answer == "yes"
}

// telling gives what tells how far something is, every other second.
func telling(c *cobra.Command) func(format string, args ...any) {
	told := time.Now()
	return func(format string, args ...any) {
		if time.Since(told) > 2*time.Second {
			told = time.Now()
			_, _ = fmt.Fprintf(c.ErrOrStderr(), format+"\n", args...)
		}
	}
}

// importChunk is how many readings go in one request: some 100 kB.
const importChunk = 5000

// send brings the readings to the daemon.
func (x *importing) send(c *cobra.Command, from source, seen *past.Survey) error {
	k := newClient(x.url)
	k.http = &http.Client{} // folding years of readings takes a while
	var total web.ImportAnswer
	var chunk []room.Reading
	reached := seen.First
	flush := func() error {
		if len(chunk) == 0 {
			return nil
		}
		reached = chunk[0].At
		answer, err := k.importReadings(c.Context(), chunk)
		total.Stored += answer.Stored
		total.Known += answer.Known
		if err == nil {
			reached, chunk = chunk[len(chunk)-1].At, chunk[:0]
		}
		return err
	}
	tell := telling(c)
	err := from.read(c.Context(), func(share float64, rs []room.Reading) error {
		for _, r := range rs {
			if chunk = append(chunk, r); len(chunk) == importChunk {
				if err := flush(); err != nil {
					return err
				}
			}
		}
		tell("%.0f %%: %d readings stored, %d known", 100*share, total.Stored, total.Known)
		return nil
	})
	if err == nil {
		err = flush()
	}
	if err != nil {
		if len(chunk) > 0 {
			reached = chunk[0].At
		}
		return fmt.Errorf("broke off after %d readings were stored; %s: %w", total.Stored, from.goOn(reached), err)
	}
	_, _ = fmt.Fprintln(c.ErrOrStderr(), "Working out what the rooms and lots went through ...")
	done := web.ImportDone{By: who(x.by), Source: from.name(), Stored: total.Stored, Known: total.Known, From: seen.First, To: seen.Last}
	if err := k.do(c.Context(), http.MethodPost, "/api/v1/readings/imported", done, nil); err != nil {
		return fmt.Errorf("the readings are stored, but it is not known whether the rooms were worked out: %w", err)
	}
	_, err = fmt.Fprintf(c.OutOrStdout(), "Imported: %d readings stored, %d were there before.\n", total.Stored, total.Known)
	return err
}

// importReadings sends one chunk.
func (k client) importReadings(ctx context.Context, chunk []room.Reading) (web.ImportAnswer, error) {
	var body web.Import
	at := map[room.Series]int{}
	for _, r := range chunk {
		i, any := at[r.Series]
		if !any {
			i = len(body.Series)
			at[r.Series] = i
			body.Series = append(body.Series, web.ImportSeries{Room: r.Room, Sensor: r.Sensor, Quantity: r.Quantity})
		}
		s := &body.Series[i]
		s.AtMS, s.Values = append(s.AtMS, r.At.UnixMilli()), append(s.Values, r.Value)
	}
	var answer web.ImportAnswer
	err := k.do(ctx, http.MethodPost, "/api/v1/readings", body, &answer)
	return answer, err
}

// mostStreams is how many sensors are listed one by one.
const mostStreams = 40

// surveyText lists what the readings say, sensor by sensor, and what of it a
// keeper should look at twice.
func surveyText(seen *past.Survey) string {
	streams := seen.Streams()
	if len(streams) == 0 {
		return ""
	}
	var b, doubts strings.Builder
	t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	_, _ = fmt.Fprintf(t, "SENSOR\tREADINGS\tFROM\tTO\tLEAST\tMEAN\tHIGHEST\tGAPS OVER %.0f H\n", past.GapOver.Hours())
	for i, s := range streams {
		if doubt := s.Doubt(); doubt != "" {
			fmt.Fprintf(&doubts, "Look twice: %s: %s\n", s.Series, doubt)
		}
		if s.Twice > 0 {
			fmt.Fprintf(&doubts, "%s: %d readings have the time of the one before; the first of them counts.\n", s.Series, s.Twice)
		}
		if i >= mostStreams {
			continue
		}
		gaps := "none"
		if s.Gaps > 0 {
			gaps = fmt.Sprintf("%d, the longest of %.3g h from %s", s.Gaps, s.Longest.Hours(), stamp(s.LongestFrom))
		}
		_, _ = fmt.Fprintf(t, "%s\t%d\t%s\t%s\t%s\t%s\t%s\t%s\n", s.Series, s.N, stamp(s.First), stamp(s.Last),
			past.Amount(s.Quantity, s.Least), past.Amount(s.Quantity, s.Mean()), past.Amount(s.Quantity, s.Highest), gaps)
	}
	_ = t.Flush()
	if more := len(streams) - mostStreams; more > 0 {
		fmt.Fprintf(&b, "and %d more\n", more)
	}
	return b.String() + doubts.String()
}
