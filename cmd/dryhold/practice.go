package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/web"
)

// use is a command by which a lot is used up.
type use struct {
	name, short, long, example string
	least, most                int // arguments, with the lot
	kg, room, reason, priced   bool
	// says tells what was done to a lot that is as given now.
	says func(id string, body web.UseLot, l lot.Lot) string
}

func uses() []use {
	left := func(l lot.Lot) string {
		if l.Finished() {
			return "nothing is left; the record of " + l.ID + " stays"
		}
		r := l.InStore()
		return fmt.Sprintf("left of %s: %d, %.6g kg", l.ID, r.Count, r.KG)
	}
	return []use{
		{name: "split LOT COUNT", short: "Make a lot of its own of some containers", least: 2, most: 2, room: true,
			long: `Make a lot of its own of some containers of a lot, in another room or where they
stand. It keeps the packing, the seal and the rooms they stood in. Rules of alarms
that the configuration names for the lot do not go with it.`,
			example: "  dryhold lots split L-1 4 --room loft",
			says: func(id string, b web.UseLot, l lot.Lot) string {
				return fmt.Sprintf("%s: %d of %s, in %s.", l.ID, b.Count, id, l.Room())
			}},
		{name: "open LOT [COUNT]", short: "Open one container, or so many", least: 1, most: 2,
			long: `Record that a container was opened, or so many. Where the lot has more of them,
those opened become a lot of their own. An opened container takes up the air of
its room from then on, and its absorber is spent.`,
			example: "  dryhold lots open L-1",
			says: func(_ string, _ web.UseLot, l lot.Lot) string {
				return fmt.Sprintf("%s is open: it takes up the air of %s now. Eat it first: dryhold lots eat %s --kg 0.5", l.ID, l.Room(), l.ID)
			}},
		{name: "eat LOT [COUNT]", short: "Record what was eaten", least: 1, most: 2, kg: true,
			long: `Record what was eaten, in containers or kilograms. A begun container is emptied
first. With the last of it the lot is finished.`,
			example: "  dryhold lots eat L-1 2\n  dryhold lots eat L-13 --kg 0.5",
			says:    func(_ string, _ web.UseLot, l lot.Lot) string { return "Eaten; " + left(l) + "." }},
		{name: "discard LOT [COUNT]", short: "Record what was thrown out, and why", least: 1, most: 2, kg: true, reason: true,
			long: `Record what was thrown out, in containers or kilograms, and why. When in doubt,
throw it out; what swells, smells or is mouldy is thrown out unopened, and nobody
tastes it. Follow your local food-safety authority.`,
			example: "  dryhold lots discard L-1 1 --reason \"bulging\"",
			says:    func(_ string, _ web.UseLot, l lot.Lot) string { return "Thrown out; " + left(l) + "." }},
		{name: "recount LOT COUNT", short: "Correct how many containers there are", least: 2, most: 2, reason: true,
			example: "  dryhold lots recount L-1 11 --reason \"one was given away\"",
			says:    func(_ string, _ web.UseLot, l lot.Lot) string { return "Counted; " + left(l) + "." }},
		{name: "price LOT PRICE", short: "Tell what a kilogram was bought for", least: 2, most: 2, priced: true,
			long:    "Tell what a kilogram was bought for, in your own currency. `dryhold lots show`\ntells then what is in store on paper.",
			example: "  dryhold lots price L-1 2.40",
			says: func(id string, b web.UseLot, _ lot.Lot) string {
				return fmt.Sprintf("%s was bought for %g per kg.", id, b.PricePerKG)
			}},
		{name: "treat LOT", short: "Record that the treatment is complete", least: 1, most: 1,
			long: `Record that the treatment against insects is complete. What the model knows of it
is kept as evidence: how much of the low-oxygen hold, or of the cold spells seen
at the core, is done, and since when. A treatment of which nothing was measured is
recorded as your word, and the model does not count it as done.`,
			example: "  dryhold lots treat L-1 --reason \"five days in the freezer\"",
			says: func(id string, _ web.UseLot, l lot.Lot) string {
				if l.Treated == nil {
					return "Recorded for " + id + "."
				}
				return fmt.Sprintf("Recorded for %s: %s.", id, l.Treated.Evidence.Words)
			}},
		{name: "undo LOT", short: "Take back the last change of a lot", least: 1, most: 1,
			long: `Take back the last change of a lot: a move, a note, what was eaten, opened, split
off, counted or finished. A lot that was only registered counts as never there.
Both stay in its history. A test is taken back by its own command, revoke-test.`,
			example: "  dryhold lots undo L-1",
			says: func(id string, _ web.UseLot, l lot.Lot) string {
				if l.Withdrawn {
					return id + " was taken back: it counts as never there."
				}
				return "Taken back; " + left(l) + "."
			}},
	}
}

func newLotsUse(url *string, u use) *cobra.Command {
	var at, by, reason string
	body := web.UseLot{}
	c := &cobra.Command{
		Use: u.name, Short: u.short, Long: u.long, Example: u.example,
		Args: func(c *cobra.Command, args []string) error {
			if len(args) < u.least || len(args) > u.most {
				return usageError{fmt.Errorf("write: %s", c.UseLine())}
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) > 1 && u.priced {
				v, err := strconv.ParseFloat(args[1], 64)
				if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
					return usageError{fmt.Errorf("%q is no price: write a number such as 2.40", args[1])}
				}
				body.PricePerKG = v
			} else if len(args) > 1 {
				n, err := strconv.Atoi(args[1])
				if err != nil || n < 1 {
					return usageError{fmt.Errorf("%q is no number of containers: write a whole number such as 2", args[1])}
				}
				body.Count = n
			}
			if u.kg {
				if err := numbers(c, "kg"); err != nil {
					return err
				}
				if (body.Count > 0) == (body.KG != 0) {
					return usageError{fmt.Errorf("say how much: a number of containers, or --kg")}
				}
			}
			if u.reason {
				if err := required(c, "reason"); err != nil {
					return err
				}
			}
			body.Note, body.By = reason, who(by)
			if err := optionalInstant(at, &body.At); err != nil {
				return err
			}
			var l lot.Lot
			if err := newClient(*url).do(c.Context(), "POST", "/api/v1/lots/"+escape(args[0])+"/"+c.Name(), body, &l); err != nil {
				return err
			}
			_, err := fmt.Fprintln(c.OutOrStdout(), u.says(args[0], body, l))
			return err
		},
	}
	f := c.Flags()
	if u.kg {
		f.Float64Var(&body.KG, "kg", 0, "kilograms, instead of a number of containers")
	}
	if u.room {
		f.StringVar(&body.Room, "room", "", "the room it goes to (default: it stays)")
	}
	wanted := ""
	if u.reason {
		wanted = " (required)"
	}
	f.StringVar(&reason, "reason", "", "why, kept with the change"+wanted)
	f.StringVar(&at, "at", "", "when it was done: 2026-07-14 or RFC 3339 (default: now)")
	f.StringVar(&by, "by", "", "your name (default: the user's)")
	return c
}

func newLotsHistory(url *string) *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use: "history LOT", Short: "Show what was done to a lot, by whom and why", Args: exactArgs(1),
		Example: "  dryhold lots history L-1",
		RunE: func(c *cobra.Command, args []string) error {
			var answer web.AuditAnswer
			if err := newClient(*url).do(c.Context(), "GET", "/api/v1/lots/"+escape(args[0])+"/history", nil, &answer); err != nil {
				return err
			}
			if asJSON {
				return printJSON(c.OutOrStdout(), answer)
			}
			return printAudit(c.OutOrStdout(), answer)
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

// store is what there is of a lot, where that is not all that was packed.
func (s sheet) store(l engine.LotView) {
	if l.Rest != nil || !l.OpenedAt.IsZero() || l.SplitFrom != "" || l.Packing.PricePerKG > 0 {
		s.row("in store", "%s", web.StoreWords(l))
	}
	if text := web.WorthWords(l); text != "" {
		s.row("price", "%s", text)
	}
	if l.SplitFrom != "" {
		s.row("split off", "%s", l.SplitFrom)
	}
	if !l.OpenedAt.IsZero() {
		s.row("opened", "%s: it takes up the air of its room; insects can come in", l.OpenedAt.Format("2006-01-02"))
	}
	if l.Insects != nil && l.Insects.Next != "" && !l.Finished() {
		s.row("next step", "%s", l.Insects.Next)
	}
	if x := l.Treated; x != nil {
		s.row("treated", "%s, %s: %s%s", x.At.Format("2006-01-02"), x.By, x.Evidence.Words, strings.TrimSuffix("; "+x.Note, "; "))
	}
	if l.Import > 0 {
		s.row("import", "number %d", l.Import)
	}
}
