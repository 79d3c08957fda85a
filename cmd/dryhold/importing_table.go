package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/past"
	"dryhold/internal/room"
	"dryhold/internal/tabular"
	"dryhold/internal/unit"
)

// table is a file with past readings, and what the flags say of it.
type table struct {
	path                             string
	room, sensor, time, format, zone string
	values                           []string

	layout tabular.Layout
	last   tabular.Report
}

// headBytes is how much of a table is looked at to guess its layout.
const headBytes = 64 << 10

// find guesses how the table is read, with what the flags say of it.
func (x *table) find(c *cobra.Command) error {
	f, err := os.Open(x.path)
	if err != nil {
		return err
	}
	defer f.Close()
	head, err := io.ReadAll(io.LimitReader(f, headBytes))
	if err != nil {
		return fmt.Errorf("cannot read %s: %w", x.path, err)
	}
	p, err := tabular.Propose(head)
	if err != nil {
		return fmt.Errorf("%s: %w", x.path, err)
	}
	if err := x.override(&p.Layout); err != nil {
		return err
	}
	if open := x.unanswered(p); len(open) > 0 {
		return usageError{fmt.Errorf("%s: the table does not say everything:\n  %s", x.path, strings.Join(open, "\n  "))}
	}
	x.layout = p.Layout
	_, err = io.WriteString(c.OutOrStdout(), layoutText(x.path, p.Layout))
	return err
}

// override puts the flags in the place of what was guessed.
func (x *table) override(l *tabular.Layout) error {
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
func (x *table) unanswered(p tabular.Proposal) []string {
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

func (x *table) name() string { return filepath.Base(x.path) }

// read implements source.
func (x *table) read(_ context.Context, visit func(share float64, rs []room.Reading) error) error {
	f, err := os.Open(x.path)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	in := &counted{r: f}
	x.last, err = tabular.Read(in, x.layout, time.Now(), func(rs []room.Reading) error {
		return visit(float64(in.n)/float64(max(1, info.Size())), rs)
	})
	if err != nil {
		return fmt.Errorf("%s: %w", x.path, err)
	}
	return nil
}

// report implements source.
func (x *table) report(*past.Survey) (string, error) { return reportText(x.path, x.last), nil }

// goOn implements source.
func (x *table) goOn(time.Time) string { return "run the same command again, and it goes on" }

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
