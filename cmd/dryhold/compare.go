package main

import (
	"cmp"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/review"
	"dryhold/internal/web"
)

// The most lots, seasons and years that are printed; --format json has them all.
const comparedLots, comparedSeasons, comparedYears = 30, 8, 5

func newRoomsCompare(url *string) *cobra.Command {
	var room, from, to, format string
	c := &cobra.Command{
		Use: "compare", Short: "Say where each lot keeps best by season, and whether rooms got better", Args: noArgs,
		Long: `Compare the rooms as they were measured. For each lot: how fast it ages in each
room by season (days at 21 C for each day), the best room of each, and what a
year of moves would gain in days of life against staying; less than a week is
not worth the carrying. A room that was not measured is never said to be better,
nor is one too damp for the container. For each room: season against season,
with cooling degree-days of the air outdoors above its warm limit, so that a
hotter summer can be told from a worse room.

It is about quality, not safety.`,
		Example: "  dryhold rooms compare\n  dryhold rooms compare --room loft --from 2025-06-01 --to 2026-08-31\n  dryhold rooms compare --format json",
		RunE: func(c *cobra.Command, _ []string) error {
			if err := textOrJSON(format); err != nil {
				return err
			}
			var x web.CompareAnswer
			if err := newClient(*url).do(c.Context(), http.MethodGet, "/api/v1/rooms/compare"+queryOf("room", room, "from", from, "to", to), nil, &x); err != nil {
				return err
			}
			if format == "json" {
				return printJSON(c.OutOrStdout(), x)
			}
			return printCompare(c.OutOrStdout(), x)
		},
	}
	f := c.Flags()
	f.StringVar(&room, "room", "", "the seasons of one room and the lots in it (default: all)")
	f.StringVar(&from, "from", "", "first day: 2025-06-01 (default: the first reading)")
	f.StringVar(&to, "to", "", "last day (default: today)")
	f.StringVar(&format, "format", "text", "text or json")
	return c
}

func textOrJSON(format string) error {
	if format != "text" && format != "json" {
		return usageError{fmt.Errorf("--format: %q is neither text nor json", format)}
	}
	return nil
}

func printCompare(w io.Writer, x web.CompareAnswer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "Measured from %s to %s.\n\nBest room by season, days at 21 °C for each day:\n", x.From, x.To)
	for _, l := range x.Lots[:min(len(x.Lots), comparedLots)] {
		b.WriteString(wrap(fmt.Sprintf("%s %s in %s, limited by %s: %s", l.Lot, l.Food, l.Room, l.Mode, l.Words), "  "))
		for _, s := range l.Seasons {
			b.WriteString("  " + wrap(fmt.Sprintf("%s: %s", s.Season, web.BestCell(s, l.Room)), "    "))
		}
	}
	if len(x.Lots) == 0 {
		b.WriteString("There is no lot in store.\n")
	}
	if n := len(x.Lots) - comparedLots; n > 0 {
		fmt.Fprintf(&b, "%d more lots: --format json has them all.\n", n)
	}
	if len(x.Rooms) > 0 {
		b.WriteString("\n" + wrap("Season against season: mean and mean kinetic temperature in °C, exposure of the air in days at 21 °C, what of it is beyond plan, hours above the limit, cooling degree-days outdoors, beyond plan for 100 of them, and the room against the same season a year before, under its weather.", ""))
	}
	for _, r := range x.Rooms {
		fmt.Fprintf(&b, "\n%s, warm limit and base of degree-days %.1f °C\n", r.Room, r.Limit)
		for _, s := range web.SeasonWords(r, x.Outdoors) {
			b.WriteString(wrap(s, ""))
		}
		if len(r.Seasons) == 0 {
			b.WriteString("Nothing was measured.\n")
			continue
		}
		t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', tabwriter.AlignRight)
		fmt.Fprintln(t, "MEASURED\tMEAN\tKINETIC\tDAYS\tBEYOND\tHOURS\tDEGREE-DAYS\tPER 100\tROOM\t  IN")
		seasons, years := r.Seasons[max(0, len(r.Seasons)-comparedSeasons):], r.Years[max(0, len(r.Years)-comparedYears):]
		for _, list := range [][]review.SeasonAir{seasons, years} {
			for i := range slices.Backward(list) {
				printSeason(t, &list[i])
			}
		}
		if err := t.Flush(); err != nil {
			return err
		}
	}
	b.WriteString("\n" + wrap(x.Caution, ""))
	_, err := io.WriteString(w, b.String())
	return err
}

// printSeason prints what is known; a dash is not known.
func printSeason(t io.Writer, x *review.SeasonAir) {
	row := web.SeasonRowOf(x)
	n := func(v *float64, times float64, decimals int) string {
		if v == nil {
			return "-"
		}
		return strconv.FormatFloat(zero(*v*times), 'f', decimals, 64)
	}
	verdict := cmp.Or(x.Verdict, "-")
	fmt.Fprintf(t, "%.0f %%\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t  %s\n", 100*x.Coverage, n(x.Mean, 1, 1), n(x.MeanKinetic, 1, 1), row.Exposure, row.Beyond, row.Above, n(x.DegreeDays, 1, 0), n(x.PerDegreeDay, 100, 1), verdict, row.Season)
}

func newRoomsMap(url *string) *cobra.Command {
	var room, format string
	c := &cobra.Command{
		Use: "map", Short: "Say which place of a room is hottest, coldest, driest, dampest", Args: noArgs,
		Long: `Say what a sensor that was carried from place to place ("dryhold rooms place") has
found: how much warmer and damper each place is than the sensors that stay in
the room, in the same hours, with a 95 % interval; how fast food ages there; and
how many degrees to add to what the room's sensors read. A place wants three
whole days; a week is better; of a stay longer than 60 days the last 60 count.`,
		Example: "  dryhold rooms map\n  dryhold rooms map --room loft --format json",
		RunE: func(c *cobra.Command, _ []string) error {
			if err := textOrJSON(format); err != nil {
				return err
			}
			var m web.MapAnswer
			if err := newClient(*url).do(c.Context(), http.MethodGet, "/api/v1/rooms/map"+queryOf("room", room), nil, &m); err != nil {
				return err
			}
			if format == "json" {
				return printJSON(c.OutOrStdout(), m)
			}
			return printMap(c.OutOrStdout(), m)
		},
	}
	c.Flags().StringVar(&room, "room", "", "one room (default: all that have places)")
	c.Flags().StringVar(&format, "format", "text", "text or json")
	return c
}

func printMap(w io.Writer, m web.MapAnswer) error {
	var b strings.Builder
	if len(m.Rooms) == 0 {
		b.WriteString(wrap("No place was mapped yet: carry a sensor about, a week at each place, and say where it stands with \"dryhold rooms place\".", ""))
	}
	for i, r := range m.Rooms {
		if i > 0 {
			b.WriteString("\n")
		}
		b.WriteString(r.Room + "\n")
		for _, s := range r.Words {
			b.WriteString(wrap(s, ""))
		}
		for j := range r.Places {
			p := web.PlaceRowOf(&r.Places[j], r.Limit, time.UTC)
			b.WriteString(wrap(fmt.Sprintf("- %s: warmer by %s, damper by %s, ages %s, %s (%s)", p.Place, p.Warmer, p.Damper, p.Ageing, p.Limit, p.When), "  "))
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func newRoomsPlace(url *string) *cobra.Command {
	var sensor, reports, from, to, note, by string
	var back, asJSON bool
	c := &cobra.Command{
		Use: "place ROOM [PLACE]", Short: "Say at which place of a room a sensor stands that is carried about",
		Long: `Say at which place of a room a sensor stands. Until the next place, or until --to,
or until it is said to be --back, what it reads is of that place: it does not
count for the room and raises no alarm, so leave the sensors in place that watch
the room. With --reports-as it may be one that reports as a sensor of another
room. Stretches may be told afterwards, and taken back with "dryhold sensors
revoke". ` + boundsHelp,
		Example: `  dryhold rooms place loft "top shelf by the window" --sensor roamer
  dryhold rooms place loft "floor" --sensor roamer --from 2026-07-01 --to 2026-07-08
  dryhold rooms place cellar "behind the door" --sensor roamer --reports-as loft
  dryhold rooms place loft --sensor roamer --back`,
		Args: placeArgs,
		RunE: func(c *cobra.Command, args []string) error {
			if err := required(c, "sensor"); err != nil {
				return err
			}
			body := web.PlaceSensor{Note: note, By: who(by)}
			home := args[0]
			switch {
			case back && (len(args) > 1 || to != ""):
				return usageError{fmt.Errorf("--back goes without PLACE and --to (see %s --help)", c.CommandPath())}
			case !back && len(args) < 2:
				return usageError{fmt.Errorf("%s needs a PLACE or --back (see %s --help)", c.CommandPath(), c.CommandPath())}
			case !back:
				body.Place = args[1]
			}
			if reports != "" && reports != home {
				if !back {
					body.In = home
				}
				home = reports
			}
			if err := bound("from", from, &body.From); err != nil {
				return err
			}
			if err := bound("to", to, &body.To); err != nil {
				return err
			}
			return tell(c, *url, "/api/v1/sensors/"+escape(home)+"/"+escape(sensor)+"/place", body, asJSON)
		},
	}
	f := c.Flags()
	f.StringVar(&sensor, "sensor", "", "the sensor that is carried about (required)")
	f.StringVar(&reports, "reports-as", "", "the room as whose sensor it reports (default: ROOM)")
	f.BoolVar(&back, "back", false, "it is back in its place and counts again")
	f.StringVar(&from, "from", "", "since when: 2026-07-11 or 2026-07-11T09:30 (default: now)")
	f.StringVar(&to, "to", "", "up to when (default: until it is told anew)")
	f.StringVar(&note, "note", "", "what else there is to say")
	f.StringVar(&by, "by", "", "your name (default: the user's)")
	f.BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

// placeArgs takes a room and a place, which may be left out.
func placeArgs(c *cobra.Command, args []string) error {
	if len(args) < 1 || len(args) > 2 {
		return usageError{fmt.Errorf("1 or 2 arguments wanted, %d given: %s", len(args), c.UseLine())}
	}
	return nil
}
