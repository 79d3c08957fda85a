package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/room"
	"dryhold/internal/tabular"
	"dryhold/internal/unit"
	"dryhold/internal/web"
)

// importing is the command line of an import.
type importing struct {
	url, by, room, sensor, time, format, zone string
	values                                    []string
	dryRun, yes                               bool
}

func newImport() *cobra.Command {
	var x importing
	c := &cobra.Command{
		Use: "import FILE", Short: "Import past readings from a CSV table", Args: exactArgs(1),
		Long: `Import past readings of rooms from a CSV table, so that lots packed before dryhold
came have their history. What each column is, is guessed from the header; what
the table does not say is asked for. First it shows how the table is read and
what of it cannot be used; nothing is stored before you agree.

A reading that is there already, of the same room, sensor, quantity and time, is
not stored again: an import that broke off is begun again as it was. Imported
readings move no alarm. To take some back, void them: dryhold sensors void.

Local times of the hour that comes twice in autumn go by the order of the rows:
before the times go back they are summer time.

This command talks to the running daemon.`,
		Example: `  dryhold import loft-2025.csv --dry-run
  dryhold import loft-2025.csv --room loft --sensor loft-1 --zone Europe/Berlin
  dryhold import log.csv --room cellar --time when --format dmy --zone UTC --value "T=temperature:F" --value "H=humidity:%" --yes`,
		RunE: func(c *cobra.Command, args []string) error { return x.run(c, args[0]) },
	}
	addURL(c, &x.url)
	f := c.Flags()
	f.StringVar(&x.room, "room", "", "room of all readings, where no column names it")
	f.StringVar(&x.sensor, "sensor", "", "sensor of all readings (default: a column, else the room's name)")
	f.StringVar(&x.time, "time", "", "column with the time (default: guessed)")
	f.StringVar(&x.format, "format", "", "how times are written: iso, dmy, mdy, s or ms (default: guessed)")
	f.StringVar(&x.zone, "zone", "", "zone of times that do not say it: Europe/Berlin, UTC")
	f.StringArrayVar(&x.values, "value", nil, `a column with values: "COLUMN=temperature:F"; once for each (default: guessed)`)
	f.BoolVar(&x.dryRun, "dry-run", false, "only show how the table is read")
	f.BoolVar(&x.yes, "yes", false, "do not ask")
	f.StringVar(&x.by, "by", "", "your name (default: the user's)")
	return c
}

// headBytes is how much of a table is looked at to guess its layout.
const headBytes = 64 << 10

func (x *importing) run(c *cobra.Command, path string) error {
	layout, err := x.layout(c, path)
	if err != nil {
		return err
	}
	report, err := x.read(path, layout, nil, func([]room.Reading) error { return nil })
	if err != nil {
		return err
	}
	out := c.OutOrStdout()
	if _, err := io.WriteString(out, reportText(path, report)); err != nil {
		return err
	}
	switch {
	case report.Readings == 0:
		return errors.New("there is nothing to import: see above")
	case x.dryRun:
		_, err := fmt.Fprintln(out, "Nothing was imported, as asked.")
		return err
	case !x.yes && !agreed(c, fmt.Sprintf("Import %d readings? [y/N] ", report.Readings)):
		_, err := fmt.Fprintln(out, "Nothing was imported. To do it without being asked: --yes")
		return err
	}
	return x.send(c, path, layout, report)
}

// agreed asks a question; no answer is no.
func agreed(c *cobra.Command, question string) bool {
	_, _ = fmt.Fprint(c.ErrOrStderr(), question)
	line, _ := bufio.NewReader(io.LimitReader(c.InOrStdin(), 1<<10)).ReadString('\n')
	answer := strings.ToLower(strings.TrimSpace(line))
	return answer == "y" || answer == "yes"
}

// layout guesses how the table is read, with what the flags say of it.
func (x *importing) layout(c *cobra.Command, path string) (tabular.Layout, error) {
	f, err := os.Open(path)
	if err != nil {
		return tabular.Layout{}, err
	}
	defer f.Close()
	head, err := io.ReadAll(io.LimitReader(f, headBytes))
	if err != nil {
		return tabular.Layout{}, fmt.Errorf("cannot read %s: %w", path, err)
	}
	p, err := tabular.Propose(head)
	if err != nil {
		return tabular.Layout{}, fmt.Errorf("%s: %w", path, err)
	}
	if err := x.override(&p.Layout); err != nil {
		return tabular.Layout{}, err
	}
	if open := x.unanswered(p); len(open) > 0 {
		return tabular.Layout{}, usageError{fmt.Errorf("%s: the table does not say everything:\n  %s", path, strings.Join(open, "\n  "))}
	}
	_, err = io.WriteString(c.OutOrStdout(), layoutText(path, p.Layout))
	return p.Layout, err
}

// override puts the flags in the place of what was guessed.
func (x *importing) override(l *tabular.Layout) error {
	if x.room != "" {
		l.Room, l.RoomColumn = x.room, ""
	}
	if x.sensor != "" {
		l.Sensor, l.SensorColumn = x.sensor, ""
	}
	if x.time != "" {
		l.Time = x.time
	}
	if x.format != "" {
		l.Format = tabular.Format(x.format)
	}
	if x.zone != "" {
		zone, err := time.LoadLocation(x.zone)
		if err != nil {
			return usageError{fmt.Errorf("--zone: %w: write it as Europe/Berlin or UTC", err)}
		}
		l.Zone = zone
	}
	if len(x.values) > 0 {
		l.Values = nil
	}
	for _, text := range x.values {
		v, err := valueColumn(text)
		if err != nil {
			return usageError{fmt.Errorf("--value %q: %w", text, err)}
		}
		l.Values = append(l.Values, v)
	}
	return nil
}

// valueColumn reads COLUMN=QUANTITY:UNIT.
func valueColumn(text string) (tabular.Value, error) {
	i := strings.LastIndex(text, "=")
	if i <= 0 {
		return tabular.Value{}, errors.New(`write COLUMN=QUANTITY:UNIT, as "T=temperature:C"`)
	}
	name, symbol, _ := strings.Cut(text[i+1:], ":")
	q, err := unit.ParseQuantity(name)
	if err != nil {
		return tabular.Value{}, err
	}
	v := tabular.Value{Column: text[:i], Quantity: q}
	if symbol == "" {
		return v, fmt.Errorf("say its unit, as %s=%s:%s", v.Column, q, q.Symbol())
	}
	v.Unit, err = unit.Parse(q, symbol)
	return v, err
}

// unanswered leaves the questions that no flag answers.
func (x *importing) unanswered(p tabular.Proposal) []string {
	var open []string
	for _, q := range p.Open {
		answered := false
		for flag, given := range map[string]bool{"--room": x.room != "", "--time": x.time != "", "--format": x.format != "", "--zone": x.zone != "", "--value": len(x.values) > 0} {
			answered = answered || given && strings.Contains(q, flag)
		}
		if x.time != "" && strings.Contains(q, "the times of column") {
			answered = x.format != "" && (x.zone != "" || !strings.Contains(q, "--zone"))
		}
		if !answered {
			open = append(open, q)
		}
	}
	return open
}

// read reads the whole table, and tells how far it is.
func (x *importing) read(path string, l tabular.Layout, tell func(share float64), visit func([]room.Reading) error) (tabular.Report, error) {
	f, err := os.Open(path)
	if err != nil {
		return tabular.Report{}, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return tabular.Report{}, err
	}
	in := &counted{r: f}
	report, err := tabular.Read(in, l, time.Now(), func(rs []room.Reading) error {
		if tell != nil {
			tell(float64(in.n) / float64(max(1, info.Size())))
		}
		return visit(rs)
	})
	if err != nil {
		return report, fmt.Errorf("%s: %w", path, err)
	}
	return report, nil
}

// counted counts the bytes read.
type counted struct {
	r io.Reader
	n int64
}

func (c *counted) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.n += int64(n)
	return n, err
}

// importChunk is how many readings go in one request: some 100 kB.
const importChunk = 5000

// send brings the readings to the daemon.
func (x *importing) send(c *cobra.Command, path string, l tabular.Layout, report tabular.Report) error {
	k := newClient(x.url)
	k.http = &http.Client{} // folding years of readings takes a while
	var total web.ImportAnswer
	var chunk []room.Reading
	flush := func() error {
		answer, err := k.importReadings(c.Context(), chunk)
		total.Stored += answer.Stored
		total.Known += answer.Known
		chunk = chunk[:0]
		return err
	}
	told := time.Now()
	_, err := x.read(path, l, func(share float64) {
		if time.Since(told) > 2*time.Second {
			told = time.Now()
			_, _ = fmt.Fprintf(c.ErrOrStderr(), "%.0f %%: %d readings stored, %d known\n", 100*share, total.Stored, total.Known)
		}
	}, func(rs []room.Reading) error {
		if chunk = append(chunk, rs...); len(chunk) < importChunk {
			return nil
		}
		return flush()
	})
	if err == nil && len(chunk) > 0 {
		err = flush()
	}
	if err != nil {
		return fmt.Errorf("broke off after %d readings were stored; run the same command again, and it goes on: %w", total.Stored, err)
	}
	_, _ = fmt.Fprintln(c.ErrOrStderr(), "Working out what the rooms and lots went through ...")
	done := web.ImportDone{By: who(x.by), Source: filepath.Base(path), Stored: total.Stored, Known: total.Known, From: report.First, To: report.Last}
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

// layoutText says how a table is read.
func layoutText(path string, l tabular.Layout) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s is read so:\n", filepath.Base(path))
	zone := ""
	if l.Zone != nil && l.Format != tabular.Seconds && l.Format != tabular.Milliseconds {
		zone = ", those without an offset in " + l.Zone.String()
	}
	fmt.Fprintf(&b, "  time         column %q, format %s%s\n", l.Time, l.Format, zone)
	of := func(what, column, fixed, none string) {
		switch {
		case column != "":
			fmt.Fprintf(&b, "  %-12s column %q\n", what, column)
		case fixed != "":
			fmt.Fprintf(&b, "  %-12s %s\n", what, fixed)
		default:
			fmt.Fprintf(&b, "  %-12s %s\n", what, none)
		}
	}
	of("room", l.RoomColumn, l.Room, "")
	of("sensor", l.SensorColumn, l.Sensor, "named like the room")
	for _, v := range l.Values {
		fmt.Fprintf(&b, "  %-12s column %q in %s\n", v.Quantity, v.Column, v.Unit.Name)
	}
	return b.String()
}

// reportText says what of a table can be used.
func reportText(path string, r tabular.Report) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d rows with %d readings", r.Rows, r.Readings)
	if r.Readings > 0 {
		fmt.Fprintf(&b, ", from %s to %s", stamp(r.First), stamp(r.Last))
	}
	fmt.Fprintf(&b, "; %d cells are empty, %d rows or cells cannot be used.\n", r.Blank, r.Refused)
	if r.Twice > 0 {
		fmt.Fprintf(&b, "%d rows are of an hour that came twice: their order says which.\n", r.Twice)
	}
	for _, p := range r.Problems {
		fmt.Fprintf(&b, "  %s:%s\n", filepath.Base(path), p)
	}
	if more := r.Refused - len(r.Problems); more > 0 {
		fmt.Fprintf(&b, "  and %d more\n", more)
	}
	return b.String()
}
