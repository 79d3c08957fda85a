package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/web"
)

func newLots() *cobra.Command {
	var url string
	c := &cobra.Command{
		Use: "lots", Short: "Register, list, move, split, open, eat and finish lots", Args: subcommand, RunE: help,
		Long: "A lot is one packing of one food in one container class. These commands talk to\nthe running daemon.",
		Example: `  dryhold lots add white-rice pet-2l --count 12 --mass 1.6 --room cellar
  dryhold lots list
  dryhold lots move L-1 loft
  dryhold lots note L-1 --seal verified "bottle buckled in: seal holding"`,
	}
	addURL(c, &url)
	for _, u := range uses() {
		c.AddCommand(newLotsUse(&url, u))
	}
	c.AddCommand(newLotsLabels(&url), newLotsImport(&url), newLotsHistory(&url), newLotsAdd(&url), newLotsList(&url), newLotsShow(&url), newLotsMove(&url), newLotsNote(&url), newLotsTest(&url), newLotsRevokeTest(&url), newLotsFinish(&url))
	return c
}

func newLotsAdd(url *string) *cobra.Command {
	p := lot.Packing{}
	var packed, treatment, shading, leak, by string
	var moisture float64
	var asJSON bool
	c := &cobra.Command{
		Use: "add FOOD CONTAINER", Short: "Register a lot",
		Long: `Register a lot: a food class and a container class of the catalog, how many
containers, the net mass in each, when and how it was packed, and where it
stands. Unknown classes are refused, with the nearest known one.

Low-oxygen packing is only for dry food, about 10 % moisture or less: botulism
poisoning may result from moist food packed without oxygen. Keep absorbers from
children. Follow your local food-safety authority. What may poison as it is
packed is refused, unless --override says why it is so; "dryhold pack" gives
advice before.`,
		Example: `  dryhold lots add white-rice pet-2l --count 12 --mass 1.6 --room cellar \
      --packed 2026-03-14 --treatment absorber --capacity 300 --moisture 11.5
  dryhold lots add hard-wheat pail-20l-foil --count 2 --mass 15 --room loft --treatment freeze-thaw`,
		Args: exactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			if err := required(c, "mass", "room"); err != nil {
				return err
			}
			p.Food, p.Container, p.LeakTest = args[0], args[1], lot.LeakTest(leak)
			p.Treatment.Kind, p.Shading, p.MoistureWB = lot.TreatmentKind(treatment), lot.Shading(shading), moisture/100
			at, err := instant(packed)
			if err != nil {
				return usageError{fmt.Errorf("--packed: %w", err)}
			}
			p.PackedAt = at
			if err := numbers(c, "mass", "capacity", "moisture", "price"); err != nil {
				return err
			}
			var added lot.Lot
			if err := newClient(*url).do(c.Context(), "POST", "/api/v1/lots", web.AddLot{Packing: p, By: who(by)}, &added); err != nil {
				return err
			}
			if asJSON {
				return printJSON(c.OutOrStdout(), added)
			}
			if _, err = fmt.Fprintf(c.OutOrStdout(), "Registered %s: %d x %g kg of %s in %s, in %s.\n", added.ID, p.Count, p.NetMassKG, p.Food, p.Container, p.Room); err != nil {
				return err
			}
			return printAdded(c, newClient(*url), added)
		},
	}
	f := c.Flags()
	f.IntVar(&p.Count, "count", 1, "number of containers")
	f.Float64Var(&p.NetMassKG, "mass", 0, "net mass in each container, kg (required)")
	f.StringVar(&packed, "packed", "", "when it was packed: 2026-03-14 or RFC 3339 (default: now)")
	f.StringVar(&treatment, "treatment", string(lot.NoTreatment), "none, absorber or freeze-thaw")
	f.Float64Var(&p.Treatment.CapacityCM3, "capacity", 0, "rated oxygen capacity of the absorber in each container, cm3")
	f.IntVar(&p.Treatment.Cycles, "cycles", 0, "cold spells of treatment freeze-thaw, with a thaw between them (default: one)")
	f.IntVar(&p.PerCarton, "carton", 0, "containers in one closed carton, which warms and cools as one block (default: they stand by themselves)")
	f.BoolVar(&p.Treatment.MoistureActivated, "moisture-activated", false, "the absorber takes its water from the food (default: it brings its own)")
	f.Float64Var(&moisture, "moisture", 0, "moisture at packing, % of wet mass, if it was measured")
	f.StringVar(&shading, "shading", string(lot.OpenShelf), "open-shelf, boxed or dark-room")
	f.StringVar(&p.Room, "room", "", "room it stands in (required)")
	f.StringVar(&leak, "leak-test", "", "what it showed pressed under water, empty: held (no bubbles) or leaked; it sets the state of the seal")
	f.StringVar(&p.Override, "override", "", "why it is packed so where the packing advice refuses it; kept with the lot")
	f.Float64Var(&p.PricePerKG, "price", 0, "what a kilogram was bought for, in your own currency")
	f.StringVar(&p.Note, "note", "", "anything worth knowing")
	f.StringVar(&by, "by", "", "your name (default: the user's)")
	f.BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

// numbers refuses flags of which JSON has no number.
func numbers(c *cobra.Command, flags ...string) error {
	for _, name := range flags {
		if v, err := c.Flags().GetFloat64(name); err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return usageError{fmt.Errorf("--%s %v is not an amount: write a number such as 1.6", name, v)}
		}
	}
	return nil
}

// printAdded says what a keeper should know of a lot while the containers are
// still at hand: an absorber that will not do, and cautions.
func printAdded(c *cobra.Command, k client, added lot.Lot) error {
	var l engine.LotView
	if err := k.do(c.Context(), "GET", "/api/v1/lots/"+escape(added.ID), nil, &l); err != nil {
		return fmt.Errorf("%s is registered, but cannot be shown: %w", added.ID, err)
	}
	text := ""
	if l.Packing.Treatment.Kind == lot.Absorber {
		// Not what is inside: of a lot packed just now that is still air.
		text += fmt.Sprintf("Inside: %s.\n", l.Oxygen.Note)
	}
	if l.Caution != "" {
		text += "Caution: " + l.Caution + "\n"
	}
	_, err := io.WriteString(c.OutOrStdout(), text)
	return err
}

// instant reads a date (its noon, UTC, so that it is that day in any zone) or
// a full time; empty is now.
func instant(s string) (time.Time, error) {
	if s == "" {
		return time.Now().UTC().Truncate(time.Second), nil
	}
	if d, err := time.Parse(time.DateOnly, s); err == nil {
		return d.Add(12 * time.Hour), nil
	}
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		return t, fmt.Errorf("%q is not a time: write 2026-03-14 or 2026-03-14T09:00:00Z", s)
	}
	return t.UTC(), nil
}

func newLotsList(url *string) *cobra.Command {
	var asJSON, all bool
	c := &cobra.Command{
		Use: "list", Short: "List lots, the one with the least quality left first", Args: noArgs,
		Long: `List lots, the one with the least quality left first: what is left, when the
lot ends if kept at plan storage from now on, its water activity (AW) and the
oxygen inside, with ranges from low to high (10 to 90 %), then every warning.
"dryhold lots show" shows one lot in full.`,
		Example: "  dryhold lots list\n  dryhold lots list --all --json",
		RunE: func(c *cobra.Command, _ []string) error {
			var answer web.StatusAnswer
			if err := newClient(*url).do(c.Context(), "GET", "/api/v1/status", nil, &answer); err != nil {
				return err
			}
			snap, lots := answer.Snapshot, []engine.LotView{}
			for _, l := range snap.Lots {
				if all || !l.Finished() {
					lots = append(lots, l)
				}
			}
			if asJSON {
				return printJSON(c.OutOrStdout(), lots)
			}
			if err := printLots(c.OutOrStdout(), lots, len(snap.Lots)-len(lots)); err != nil {
				return err
			}
			return printWarnings(c.OutOrStdout(), lots)
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	c.Flags().BoolVar(&all, "all", false, "with lots that are finished")
	return c
}

// The widest a name may be for the table of lots to fit 100 characters.
const foodWide, roomWide = 16, 10

// printLots tells of finished lots that are left out only where there are no
// others.
func printLots(w io.Writer, lots []engine.LotView, finished int) error {
	switch {
	case len(lots) == 0 && finished > 0:
		_, err := fmt.Fprintf(w, "No lots in store; `dryhold lots list --all` shows the finished ones (%d).\n", finished)
		return err
	case len(lots) == 0:
		_, err := fmt.Fprintln(w, "No lots yet. Register one with `dryhold lots add FOOD CONTAINER --mass KG --room ROOM`.")
		return err
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "LOT\tFOOD\tROOM\tQUALITY LEFT\tPROJECTED END\tAW\tOXYGEN")
	for _, l := range lots {
		aw, _ := web.Activity(l.Moisture.Activity)
		if aw == unknown {
			aw = ""
		}
		oxygen, _ := web.Oxygen(l.Oxygen.Fraction)
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", l.ID, cut(l.FoodName, foodWide), cut(l.Room(), roomWide),
			left(l.Remaining), ending(l), strings.TrimSpace(aw+" "+mark(web.Water(l))), brief(oxygen))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintln(w, "AW is water activity: ! past amber, !! past red, ? not sure. Ranges are 10 to 90 %.")
	return err
}

// printWarnings says what wants a person, and nothing when nothing does.
func printWarnings(w io.Writer, lots []engine.LotView) error {
	for _, l := range lots {
		for _, text := range l.Warnings {
			if _, err := io.WriteString(w, wrap("!! "+l.ID+" "+l.FoodName+": "+text, "   ")); err != nil {
				return err
			}
		}
	}
	return nil
}

func newLotsShow(url *string) *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use: "show LOT", Short: "Show one lot in full", Args: exactArgs(1),
		Long: `Show one lot in full: its packing, seal and notes; its warnings; what is left
of every mode and nutrient; the projected end; moisture, water activity, oxygen,
absorber, insects, seed and light inside. Ranges are from low to high (10 to
90 %). In front of words, ! is past the line that wants attention, !! past the
line at which food is lost, ? not known or not sure.`,
		Example: "  dryhold lots show L-1",
		RunE: func(c *cobra.Command, args []string) error {
			var l engine.LotView
			err := newClient(*url).do(c.Context(), "GET", "/api/v1/lots/"+escape(args[0]), nil, &l)
			if no := (refusal{}); errors.As(err, &no) && no.status == http.StatusNotFound {
				return fmt.Errorf("there is no lot %q: `dryhold lots list --all` lists them", args[0])
			} else if err != nil {
				return err
			}
			if asJSON {
				return printJSON(c.OutOrStdout(), l)
			}
			return printLot(c.OutOrStdout(), l)
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

func newLotsMove(url *string) *cobra.Command {
	var at, by string
	c := &cobra.Command{
		Use: "move LOT ROOM", Short: "Record that a lot was moved to another room", Args: exactArgs(2),
		Example: "  dryhold lots move L-3 cellar\n  dryhold lots move L-3 cellar --at 2026-07-14",
		RunE: func(c *cobra.Command, args []string) error {
			body := web.MoveLot{Room: args[1], By: who(by)}
			if err := optionalInstant(at, &body.At); err != nil {
				return err
			}
			if err := newClient(*url).do(c.Context(), "POST", "/api/v1/lots/"+escape(args[0])+"/move", body, nil); err != nil {
				return err
			}
			_, err := fmt.Fprintf(c.OutOrStdout(), "%s stands in %s now.\n", args[0], args[1])
			return err
		},
	}
	c.Flags().StringVar(&at, "at", "", "when it was moved (default: now)")
	c.Flags().StringVar(&by, "by", "", "your name (default: the user's)")
	return c
}

func newLotsFinish(url *string) *cobra.Command {
	var at, by, note string
	c := &cobra.Command{
		Use: "finish LOT", Short: "Record that a lot was eaten, given away or thrown out", Args: exactArgs(1),
		Example: "  dryhold lots finish L-3 --note \"eaten\"",
		RunE: func(c *cobra.Command, args []string) error {
			body := web.FinishLot{Note: note, By: who(by)}
			if err := optionalInstant(at, &body.At); err != nil {
				return err
			}
			if err := newClient(*url).do(c.Context(), "POST", "/api/v1/lots/"+escape(args[0])+"/finish", body, nil); err != nil {
				return err
			}
			_, err := fmt.Fprintf(c.OutOrStdout(), "%s is finished; its record stays.\n", args[0])
			return err
		},
	}
	c.Flags().StringVar(&note, "note", "", "what became of it")
	c.Flags().StringVar(&at, "at", "", "when it was finished (default: now)")
	c.Flags().StringVar(&by, "by", "", "your name (default: the user's)")
	return c
}

func optionalInstant(s string, to *time.Time) error {
	if s == "" {
		return nil
	}
	t, err := instant(s)
	if err != nil {
		return usageError{fmt.Errorf("--at: %w", err)}
	}
	*to = t
	return nil
}
