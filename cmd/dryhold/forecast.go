package main

import (
	"fmt"
	"io"
	"net/http"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"dryhold/internal/forecast"
	"dryhold/internal/web"
)

func newForecast() *cobra.Command {
	var from, room string
	var asJSON bool
	c := &cobra.Command{
		Use: "forecast --backtest ROOM", Short: "Tell how good the forecasts of a room have been", Args: noArgs,
		Long: `Tell how good the forecasts of a room would have been in its own past. From
days within it a forecast is made of the days before alone, and is held against
what came. BAND is the share of what came that lay within the 10 to 90 % band:
80 % is right. ERROR is the mean error that the forecast with its band is worth
(continuous ranked probability score), less is better; beside it that of the
same days in past years (CLIMATE) and of staying as it is (AS IS).`,
		Example: "  dryhold forecast --backtest cellar",
		RunE: func(c *cobra.Command, _ []string) error {
			if err := required(c, "backtest"); err != nil {
				return err
			}
			var b web.Backtest
			if err := newClient(from).do(c.Context(), http.MethodGet, "/api/v1/rooms/"+escape(room)+"/backtest", nil, &b); err != nil {
				return err
			}
			if asJSON {
				return printJSON(c.OutOrStdout(), b)
			}
			return printBacktest(c.OutOrStdout(), b)
		},
	}
	addURL(c, &from)
	c.Flags().StringVar(&room, "backtest", "", "the room whose past to forecast")
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

func printBacktest(w io.Writer, b web.Backtest) error {
	if b.Wants > 0 {
		_, err := fmt.Fprintf(w, "%s has %d days of history; a back-test wants %d days more.\n", b.Room, b.Days, b.Wants)
		return err
	}
	if b.Note != "" {
		_, err := fmt.Fprintln(w, b.Note)
		return err
	}
	fmt.Fprintf(w, "%s: %d days known, %d forecasts, one every %d days, each learned from up to %d days before it.\n",
		b.Room, b.Days, b.Origins, b.Every, b.TrainDays)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "OF\tAHEAD\tCASES\tBAND\tERROR\tCLIMATE\tAS IS")
	for _, l := range b.Lines {
		fmt.Fprintf(t, "%s\t%s\t%d\t%.0f %%\t%.3g\t%s\t%s\n", l.Of, l.Lead, l.Own.N, 100*l.Own.Cover, l.Own.CRPS, errorOf(l.Climatology), errorOf(l.Persistence))
	}
	return t.Flush()
}

func errorOf(s forecast.Score) string {
	if s.N == 0 {
		return "?" // no past year, or no such change, to go by
	}
	return fmt.Sprintf("%.3g", s.CRPS)
}
