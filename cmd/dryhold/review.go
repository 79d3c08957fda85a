package main

import (
	"fmt"
	"io"
	"net/url"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/review"
	"dryhold/internal/web"
)

func newReview() *cobra.Command {
	var at, lotID, room string
	var byMonth, byYear, asJSON bool
	c := &cobra.Command{
		Use: "review", Short: "Say what storage has cost the lots, and by what", Args: noArgs,
		Long: `Say what storage has cost the lots beyond plan storage, in days of life and in
kilograms of food, split by cause (heat, moisture, oxygen, light): by room, by
year or month, by event, by move and by lot. Below zero is life gained. With
--room it is the cost of the time in that room. Finished lots are among them.

This is the whole, by all causes; "lost to heat" of "dryhold lots show" is that
of heat alone. It is about quality, not safety.`,
		Example: "  dryhold review\n  dryhold review --room loft --month\n  dryhold review --lot L-1 --json",
		RunE: func(c *cobra.Command, _ []string) error {
			if byMonth && byYear {
				return usageError{fmt.Errorf("--month and --year: choose one")}
			}
			var x web.ReviewAnswer
			if err := newClient(at).do(c.Context(), "GET", "/api/v1/review"+queryOf("lot", lotID, "room", room), nil, &x); err != nil {
				return err
			}
			if asJSON {
				return printJSON(c.OutOrStdout(), x)
			}
			return printReview(c.OutOrStdout(), x, byMonth)
		},
	}
	addURL(c, &at)
	f := c.Flags()
	f.StringVar(&lotID, "lot", "", "one lot (default: all)")
	f.StringVar(&room, "room", "", "the time in one room (default: all)")
	f.BoolVar(&byMonth, "month", false, "by month")
	f.BoolVar(&byYear, "year", false, "by year (default)")
	f.BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

// queryOf makes a query of names and values, leaving out what is empty.
func queryOf(pairs ...string) string {
	q := url.Values{}
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i+1] != "" {
			q.Set(pairs[i], pairs[i+1])
		}
	}
	if len(q) == 0 {
		return ""
	}
	return "?" + q.Encode()
}

// The most that is printed; --json has it all.
const worstShown, lotsShown = 10, 30

func printReview(w io.Writer, x web.ReviewAnswer, byMonth bool) error {
	var b strings.Builder
	for _, s := range web.ReviewWords(x) {
		b.WriteString(wrap(s, ""))
	}
	h := &x.House
	if h.Lots == 0 {
		_, err := io.WriteString(w, b.String())
		return err
	}
	b.WriteString("\n")
	t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', tabwriter.AlignRight)
	row := func(name string, d, kg review.Cost) {
		l := d.Lost
		fmt.Fprintf(t, "%.1f\t%.1f\t%.1f\t%.1f\t%.1f\t%.2f\t  %s\n", zero(l.Heat), zero(l.Moisture), zero(l.Oxygen), zero(l.Light), zero(l.Sum()), zero(kg.Lost.Sum()), name)
	}
	fmt.Fprintln(t, "HEAT\tMOISTURE\tOXYGEN\tLIGHT\tDAYS\tKG\t  OF")
	row("all", h.Cost.Days, h.Cost.KG)
	for _, r := range h.Rooms {
		row("room "+r.Room, r.Cost.Days, r.Cost.KG)
	}
	spans, layout := h.Years, "2006"
	if byMonth {
		spans, layout = h.Months, "2006-01"
	}
	for _, s := range spans {
		row(time.Date(s.Year, max(1, s.Month), 1, 0, 0, 0, 0, time.UTC).Format(layout), s.Cost.Days, s.Cost.KG)
	}
	for _, l := range x.Lots[:min(len(x.Lots), lotsShown)] {
		row(l.Lot+" "+cut(l.FoodName, foodWide), l.Days, l.Mass)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	if n := len(x.Lots) - lotsShown; n > 0 {
		fmt.Fprintf(&b, "%d more lots: --json has them all.\n", n)
	}
	if len(h.Events) > 0 {
		b.WriteString("\nWhat lost most:\n")
	}
	for _, e := range h.Events[:min(len(h.Events), worstShown)] {
		b.WriteString(wrap(fmt.Sprintf("- %s: %.1f days, %.2f kg, lots: %d", web.SpellWords(e.Spell, time.UTC), zero(e.Cost.Days.Lost.Sum()), zero(e.Cost.KG.Lost.Sum()), e.Lots), "  "))
	}
	if len(h.Moves) > 0 {
		b.WriteString("\nMoves, beside excursions and gaps:\n")
	}
	for _, m := range h.Moves {
		b.WriteString(wrap(fmt.Sprintf("- %s, %s: %.1f days", m.Lot, web.SpellWords(m.Spell, time.UTC), zero(m.Days)), "  "))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// zero is v without a minus before what is shown as nothing, to one decimal.
func zero(v float64) float64 {
	if v > -0.05 && v < 0 {
		return 0
	}
	return v
}
