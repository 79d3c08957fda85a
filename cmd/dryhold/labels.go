package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
)

func newLotsLabels(at *string) *cobra.Command {
	var room, sheet, paper, label, margin, gap, tape, out string
	var number, skip int
	c := &cobra.Command{
		Use: "labels [LOT ...]", Short: "Write labels as PDF, for sheets or tape",
		Long: `Write a label for each container in store of the lots named, of a room or of an
import, or of all: food, container n of m, net mass, pack date, treatment,
allergens, how it is cooked, a caution, and a code that a telephone reads.

The code holds the facts, so that it is read without the server. Where the
configuration has http.public_url, it opens the page of the lot.

Common sheets are known by their number of labels on a4 or letter; others by the
size of a label, with margins and gaps. Print at 100 %, not fitted to the page.`,
		Example: `  dryhold lots labels L-1 -o labels.pdf
  dryhold lots labels --room cellar --sheet 3x8 --paper a4 --skip 5 -o labels.pdf
  dryhold lots labels --import 1 --sheet 2x6 --label 95x45mm --margin 10,8 --gap 2,1 -o labels.pdf
  dryhold lots labels L-3 --tape 62mm -o label.pdf`,
		RunE: func(c *cobra.Command, args []string) error {
			if out == "" {
				return usageError{errors.New("a PDF is no text for a screen: say with -o FILE where it goes (-o - for the output)")}
			}
			text := func(n int) string {
				if n == 0 {
					return ""
				}
				return strconv.Itoa(n)
			}
			path := "/api/v1/labels" + queryOf("lots", strings.Join(args, ","), "room", room, "import", text(number), "sheet", sheet, "paper", paper,
				"label", label, "margin", margin, "gap", gap, "tape", tape, "skip", text(skip))
			return newClient(*at).send(c.Context(), "GET", path, nil, func(answer io.Reader) error {
				body, err := io.ReadAll(answer)
				if err != nil {
					return fmt.Errorf("cannot read the daemon's answer: %w", err)
				}
				if out == "-" {
					_, err = c.OutOrStdout().Write(body)
					return err
				}
				if err := os.WriteFile(out, body, 0o644); err != nil {
					return fmt.Errorf("cannot write the labels: %w", err)
				}
				_, err = fmt.Fprintf(c.OutOrStdout(), "Written to %s. Print it at 100 %%.\n", out)
				return err
			})
		},
	}
	f := c.Flags()
	f.StringVar(&room, "room", "", "only lots in this room")
	f.IntVar(&number, "import", 0, "only lots of this import")
	f.StringVar(&sheet, "sheet", "", "columns and rows of the sheet (default: 3x8 on a4, 2x5 on letter)")
	f.StringVar(&paper, "paper", "", "a4 or letter (default: a4)")
	f.StringVar(&label, "label", "", "size of a label: 70x37mm (default: that of the common sheet)")
	f.StringVar(&margin, "margin", "", "above and left of the first label, mm: 15.15,7.25")
	f.StringVar(&gap, "gap", "", "between labels, across and down, mm: 2.5,0")
	f.StringVar(&tape, "tape", "", "single labels on a tape of this width, instead of a sheet: 62mm")
	f.IntVar(&skip, "skip", 0, "places of the first sheet that are used already")
	f.StringVarP(&out, "output", "o", "", "file to write (required; - for the output)")
	return c
}
