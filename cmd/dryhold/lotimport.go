package main

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/lot"
	"dryhold/internal/tabular"
	"dryhold/internal/web"
)

// lotImport is the command line of an import of lots.
type lotImport struct {
	url                   *string
	dryRun, yes, template bool
	undo                  int
	by, reason            string
}

func newLotsImport(url *string) *cobra.Command {
	x := lotImport{url: url}
	c := &cobra.Command{
		Use: "import FILE", Short: "Register many lots from a CSV table",
		Long: `Register many lots from a CSV table with a header: food, container, count, mass_kg
(or mass_lb), packed, room, and, where they are known, moisture, treatment,
absorber, shading, leak_test, per_carton, price_per_kg, override and note. First it
shows what it read; nothing is stored before you agree, and with one wrong row
nothing is. What may poison as it is packed is refused, unless the row says with
override why it is so.

--undo takes an import back by its number, while none of its lots was changed
since. --template prints a table to begin with.`,
		Example: `  dryhold lots import --template > lots.csv
  dryhold lots import lots.csv --dry-run
  dryhold lots import lots.csv --yes
  dryhold lots import --undo 1`,
		Args: func(_ *cobra.Command, args []string) error {
			if want := !x.template && x.undo == 0; len(args) > 1 || want != (len(args) == 1) {
				return usageError{errors.New("give one file, or --template, or --undo with the number of an import")}
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			switch {
			case x.template:
				_, err := io.WriteString(c.OutOrStdout(), tabular.LotTemplate())
				return err
			case x.undo != 0:
				return x.takeBack(c)
			}
			return x.run(c, args[0])
		},
	}
	f := c.Flags()
	f.BoolVar(&x.dryRun, "dry-run", false, "only show what would be registered")
	f.BoolVar(&x.yes, "yes", false, "do not ask")
	f.BoolVar(&x.template, "template", false, "print a table to begin with")
	f.IntVar(&x.undo, "undo", 0, "take back the import of this number")
	f.StringVar(&x.reason, "reason", "", "why it is taken back, kept with the change")
	f.StringVar(&x.by, "by", "", "your name (default: the user's)")
	return c
}

func (x *lotImport) takeBack(c *cobra.Command) error {
	body := web.UndoImport{Note: x.reason, By: who(x.by)}
	if err := newClient(*x.url).do(c.Context(), http.MethodPost, fmt.Sprintf("/api/v1/imports/lots/%d/undo", x.undo), body, nil); err != nil {
		return err
	}
	_, err := fmt.Fprintf(c.OutOrStdout(), "Import %d is taken back: its lots count as never there.\n", x.undo)
	return err
}

func (x *lotImport) run(c *cobra.Command, path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	name, out := filepath.Base(path), c.OutOrStdout()
	rows, problems, refused, err := tabular.ReadLots(f)
	switch {
	case err != nil:
		return fmt.Errorf("%s: %w", name, err)
	case refused > 0:
		for _, p := range problems {
			_, _ = fmt.Fprintf(out, "%s:%s\n", name, p)
		}
		return fmt.Errorf("%d cells of %s cannot be used: nothing was registered", refused, name)
	case len(rows) == 0 || len(rows) > web.MostImported:
		return fmt.Errorf("%s has %d lots: give 1 to %d in one table", name, len(rows), web.MostImported)
	}
	body := web.ImportLots{DryRun: true, By: who(x.by)}
	for _, r := range rows {
		body.Lots = append(body.Lots, r.Packing)
	}
	k := newClient(*x.url)
	var seen web.ImportedLots
	if err := k.do(c.Context(), http.MethodPost, "/api/v1/imports/lots", body, &seen); err != nil {
		return err
	}
	if err := showLots(out, rows); err != nil {
		return err
	}
	faults := func(list []web.LotFault, before string) {
		for _, p := range list {
			if p.Index >= 0 && p.Index < len(rows) {
				_, _ = io.WriteString(out, wrap(fmt.Sprintf("%s%s:%d:1: %s", before, name, rows[p.Index].Line, p.Text), "  "))
			}
		}
	}
	faults(seen.Cautions, "Caution: ")
	faults(seen.Problems, "")
	switch {
	case len(seen.Problems) > 0:
		return fmt.Errorf("%d rows of %s cannot be used: nothing was registered", len(seen.Problems), name)
	case x.dryRun:
		_, err = fmt.Fprintln(out, "Nothing was registered, as asked.")
		return err
	case !x.yes && !agreed(c, fmt.Sprintf("Register %d lots? [y/N] ", len(rows))):
		_, err = fmt.Fprintln(out, "Nothing was registered. To do it without being asked: --yes")
		return err
	}
	body.DryRun = false
	var done web.ImportedLots
	if err := k.do(c.Context(), http.MethodPost, "/api/v1/imports/lots", body, &done); err != nil {
		return err
	}
	if done.Number == 0 || len(done.Lots) == 0 { // something changed since it was looked at
		faults(done.Problems, "")
		return errors.New("nothing was registered: look again with --dry-run")
	}
	_, err = fmt.Fprintf(out, "Registered %d lots, %s to %s, as import %d. To take it back: dryhold lots import --undo %d\nLabels: dryhold lots labels --import %d -o labels.pdf\n",
		len(done.Lots), done.Lots[0].ID, done.Lots[len(done.Lots)-1].ID, done.Number, done.Number, done.Number)
	return err
}

// showLots lists what was read.
func showLots(w io.Writer, rows []tabular.LotRow) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "LINE\tFOOD\tCONTAINER\tCOUNT\tNET KG\tPACKED\tROOM\tMOISTURE\tTREATMENT")
	kg, containers := 0.0, 0
	for _, r := range rows {
		p := r.Packing
		moisture := "-"
		if p.MoistureWB > 0 {
			moisture = fmt.Sprintf("%.4g %%", 100*p.MoistureWB)
		}
		treatment := string(p.Treatment.Kind)
		if p.Treatment.Kind == lot.Absorber {
			treatment += fmt.Sprintf(" %g cm3", p.Treatment.CapacityCM3)
		}
		fmt.Fprintf(t, "%d\t%s\t%s\t%d\t%.4g\t%s\t%s\t%s\t%s\n", r.Line, cut(p.Food, 20), cut(p.Container, 20), p.Count, p.NetMassKG, p.PackedAt.Format(time.DateOnly), cut(p.Room, roomWide+4), moisture, treatment)
		kg, containers = kg+float64(float64(p.Count)*p.NetMassKG), containers+p.Count
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintln(w, strings.TrimSpace(fmt.Sprintf("%d lots, %d containers, %.6g kg.", len(rows), containers, kg)))
	return err
}
