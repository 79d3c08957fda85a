package main

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/packing"
	"dryhold/internal/web"
)

// packFlags are the flags of the advice beside those of the question.
type packFlags struct {
	url, config, mass, volume, format string
	local, sources                    bool
}

func newPack() *cobra.Command {
	var x packFlags
	var q packing.Question
	c := &cobra.Command{
		Use: "pack FOOD CONTAINER", Short: "Say before packing whether it is right, and what it takes",
		Long: `Say, before a lot is packed, whether food, moisture and container are fit, how
many containers it takes, which absorber, what is to be done about insects, how
long it will likely last in each of your rooms, and what would extend that. The
daemon is asked for the rooms; without it all else is told. Where the answer is
"do not pack it so" the exit code is 1.

Low-oxygen packing is only for dry food, about 10 % moisture or less: botulism
poisoning may result from moist food packed without oxygen. It is about quality,
not safety; follow your local food-safety authority.`,
		Example: `  dryhold pack white-rice pet-2l --mass 20kg --moisture 9.5% --resin 1 --closure screw --held food
  dryhold pack dry-beans pet-4l --volume 5gal --salt loose --absorber 300cm3 --room cellar
  dryhold pack hard-wheat pail-20l-foil --mass 44lb --oven "100 90.5" --years 10
  dryhold pack clean --volume 4L --bleach 6%
  dryhold pack foods`,
		Args: exactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			q.Food, q.Container = args[0], args[1]
			if err := x.amount(&q); err != nil {
				return err
			}
			return x.advise(c, q)
		},
	}
	addURL(c, &x.url)
	c.PersistentFlags().StringVar(&x.format, "format", "text", "text or json")
	c.PersistentFlags().StringVar(&x.config, "config", "", "configuration file whose catalog is used where the daemon is not asked")
	f := c.Flags()
	f.StringVar(&x.mass, "mass", "", "mass at hand: 20kg or 44lb")
	f.StringVar(&x.volume, "volume", "", "or its volume: 10L, 12qt or 5gal (US)")
	f.StringVar(&q.Moisture, "moisture", "", "moisture by a meter, % of wet mass; \"13% d.b.\" for the dry basis")
	f.StringVar(&q.Oven, "oven", "", "oven test: net grams before and after, such as \"100 90.5\"")
	f.StringVar(&q.Salt, "salt", "", "salt-jar test: clumps or loose")
	f.StringVar(&q.Resin, "resin", "", "resin code in the triangle at the foot of the bottle, 1 to 7")
	f.StringVar(&q.Closure, "closure", "", strings.Join(packing.Closures(), ", "))
	f.StringVar(&q.Held, "held", "", "what it held before: "+strings.Join(packing.Contents(), ", "))
	f.StringVar(&q.Leak, "leak-test", "", "what it showed pressed under water, empty: held or leaked")
	f.StringVar(&q.Absorber, "absorber", "", "absorber at hand for each container, cm3")
	f.BoolVar(&q.MoistureActivated, "moisture-activated", false, "that absorber takes its water from the food (default: it brings its own)")
	f.StringVar(&q.Treatment, "treatment", "", "absorber, freeze-thaw or none (default: as advised)")
	f.StringVar(&q.Years, "years", "", "how long the absorber is to hold, years (default: 5)")
	f.StringVar(&q.Temperature, "temperature", "", "temperature for ingress and rates: 21C or 70F (default: 21C)")
	f.StringVar(&q.Room, "room", "", "this room alone (default: all of them)")
	f.StringVar(&q.Packed, "packed", "", "pack date: 2026-03-14 (default: today)")
	f.StringVar(&q.Override, "override", "", "go on where it is refused, for this reason")
	f.BoolVar(&x.local, "local", false, "do not ask the daemon: nothing is told of your rooms")
	f.BoolVar(&x.sources, "sources", false, "print the source of every line")
	c.AddCommand(newPackClean(&x), newPackFoods(&x))
	return c
}

func (x *packFlags) amount(q *packing.Question) error {
	switch {
	case x.mass != "" && x.volume != "":
		return usageError{errors.New("--mass and --volume are two amounts: give one")}
	case x.mass != "":
		if kg, _, err := packing.ParseAmount(x.mass); err != nil || kg == 0 {
			return usageError{fmt.Errorf("--mass %q is not a mass: write for example 20kg or 44lb", x.mass)}
		}
	case x.volume != "":
		if _, litres, err := packing.ParseAmount(x.volume); err != nil || litres == 0 {
			return usageError{fmt.Errorf("--volume %q is not a volume: write for example 10L or 5gal", x.volume)}
		}
	}
	q.Amount = x.mass + x.volume
	return x.checkFormat()
}

func (x *packFlags) checkFormat() error {
	if x.format != "text" && x.format != "json" {
		return usageError{fmt.Errorf("--format %q: it is text or json", x.format)}
	}
	return nil
}

// advise asks the daemon, and where none answers works it out here.
func (x *packFlags) advise(c *cobra.Command, q packing.Question) error {
	var a packing.Advice
	here := x.local
	if !here {
		err := newClient(x.url).do(c.Context(), "POST", "/api/v1/packing/advice", q, &a)
		switch {
		case err == nil:
		case errors.As(err, new(refusal)), errors.As(err, new(usageError)), c.Context().Err() != nil:
			return err
		case q.Room != "":
			return fmt.Errorf("nothing is known of room %q without the daemon: %w", q.Room, err)
		default:
			here = true
			fmt.Fprintf(c.ErrOrStderr(), "No daemon at %s: nothing is told of your rooms.\n", newClient(x.url).url)
		}
	}
	if here {
		_, cat, err := load(x.config)
		if err != nil {
			return err
		}
		r, err := q.Request(time.Now().UTC())
		if err != nil {
			return err
		}
		if a, err = packing.Advise(r, cat, nil); err != nil {
			return err
		}
	}
	if err := x.print(c.OutOrStdout(), a); err != nil {
		return err
	}
	if a.Refused && a.Override == "" {
		return fmt.Errorf("refused: %s", a.Reasons[0])
	}
	return nil
}

func (x *packFlags) print(w io.Writer, a packing.Advice) error {
	if x.format == "json" {
		return printJSON(w, a)
	}
	head := wrap(a.Summary(), "")
	if open := a.Open(); open != "" {
		head += wrap(open, "")
	}
	_, err := io.WriteString(w, head+sectionText(a.Sections, x.sources))
	return err
}

// sectionText prints sections. What is refused or has a price always shows its
// source.
func sectionText(sections []packing.Section, sources bool) string {
	var b strings.Builder
	for _, s := range sections {
		b.WriteString("\n" + s.Title + "\n")
		for _, l := range s.Lines {
			text := "- "
			if word := web.LevelWord(l.Level); word != "" {
				text += strings.ToUpper(word) + ": "
			}
			text += l.Text
			if l.Source != "" && (sources || l.Level == packing.Refused || l.Level == packing.Amber) {
				text += " [" + l.Source + "]"
			}
			b.WriteString(wrap(text, "  "))
		}
	}
	return b.String()
}

func newPackClean(x *packFlags) *cobra.Command {
	var volume, bleach string
	c := &cobra.Command{
		Use: "clean", Short: "Say how to wash and sanitise containers, with the dilution of bleach", Args: noArgs,
		Long: `Say how containers are washed, sanitised and dried before they are filled, and
how much bleach goes into a solution of 200 mg/L (ppm) of available chlorine.
Never mix bleach with acids, ammonia or other cleaners.`,
		Example: "  dryhold pack clean --volume 4L --bleach 6%\n  dryhold pack clean --volume 1gal --bleach 8.25%",
		RunE: func(c *cobra.Command, _ []string) error {
			if err := x.checkFormat(); err != nil {
				return err
			}
			a, err := packing.CleanAsked(volume, bleach)
			if err != nil {
				return usageError{err}
			}
			if x.format == "json" {
				return printJSON(c.OutOrStdout(), a)
			}
			_, err = io.WriteString(c.OutOrStdout(), strings.TrimPrefix(sectionText(a.Sections, true), "\n"))
			return err
		},
	}
	c.Flags().StringVar(&volume, "volume", "4L", "how much solution: 4L or 1gal (US)")
	c.Flags().StringVar(&bleach, "bleach", "6%", "sodium hypochlorite on the label of plain, unscented bleach, % by weight")
	return c
}

func newPackFoods(x *packFlags) *cobra.Command {
	return &cobra.Command{
		Use: "foods", Short: "List foods and whether they are fit for packing", Args: noArgs,
		Long: `List the foods that have a verdict: fit, short-lived, unfit or hazardous, with
the reason and its source. Those of the catalog have numbers as well.`,
		Example: "  dryhold pack foods\n  dryhold pack foods --format json",
		RunE: func(c *cobra.Command, _ []string) error {
			if err := x.checkFormat(); err != nil {
				return err
			}
			_, cat, err := load(x.config)
			if err != nil {
				return err
			}
			foods := packing.Foods(cat)
			if x.format == "json" {
				return printJSON(c.OutOrStdout(), foods)
			}
			t := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
			for _, j := range foods {
				fmt.Fprintf(t, "%s\t%s\n", j.ID, j.Verdict)
			}
			if err := t.Flush(); err != nil {
				return err
			}
			var b strings.Builder
			b.WriteByte('\n')
			for _, j := range foods {
				also := ""
				if len(j.Also) > 0 {
					also = " (" + strings.Join(j.Also, ", ") + ")"
				}
				b.WriteString(wrap(fmt.Sprintf("%s%s: %s. [%s]", j.ID, also, j.Why, j.Source), "  "))
			}
			b.WriteString("\n" + wrap("Quality is not safety: when in doubt, throw it out, and follow your local food-safety authority.", ""))
			_, err = io.WriteString(c.OutOrStdout(), b.String())
			return err
		},
	}
}
