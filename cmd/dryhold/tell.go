package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"dryhold/internal/nearest"
	"dryhold/internal/sensor"
	"dryhold/internal/unit"
	"dryhold/internal/web"
)

const boundsHelp = `A date stands for its midnight in this machine's zone; the end is excluded.`

// adjusting are the flags by which readings are adjusted.
type adjusting struct {
	quantity, offset   string
	gain               float64
	reference, reading []string
	from, to, note, by string
	asJSON             bool
}

// flags adds those that every edit of a sensor has, with why the note is
// wanted.
func (a *adjusting) flags(c *cobra.Command, note string) {
	c.Flags().StringVar(&a.note, "note", "", note)
	c.Flags().StringVar(&a.by, "by", "", "your name (default: the user's)")
	c.Flags().BoolVar(&a.asJSON, "json", false, "print JSON")
}

func (a *adjusting) quantityFlag(c *cobra.Command, usage string) {
	c.Flags().StringVar(&a.quantity, "quantity", "", usage)
	// The flag is the one just made, so this cannot fail.
	_ = c.RegisterFlagCompletionFunc("quantity", cobra.FixedCompletions(unit.QuantityNames(), cobra.ShellCompDirectiveNoFileComp))
}

func (a *adjusting) lineFlags(c *cobra.Command) {
	a.quantityFlag(c, "what is adjusted: temperature, humidity, illuminance or oxygen (required)")
	c.Flags().StringVar(&a.offset, "offset", "", "what is added to a reading, with its unit: -0.3K, -0.5F, 2%, 10lx")
	c.Flags().Float64Var(&a.gain, "gain", 0, "what a reading is multiplied by before, in °C, %, lx (default: 1)")
	c.Flags().StringArrayVar(&a.reference, "reference", nil, "what was true, with its unit: 0.0C, 32F, 75%; once for each comparison")
	c.Flags().StringArrayVar(&a.reading, "reading", nil, "what the sensor read then, with its unit; as often as --reference")
}

// parseQuantity gives the quantity named, nil when none is.
func (a *adjusting) parseQuantity() (*unit.Quantity, error) {
	if a.quantity == "" {
		return nil, nil
	}
	q, err := unit.ParseQuantity(a.quantity)
	if err != nil {
		return nil, usageError{fmt.Errorf("--quantity: unknown quantity %q%s", a.quantity, nearest.Hint(a.quantity, unit.QuantityNames()))}
	}
	return &q, nil
}

// parse gives the quantity and the adjustment, in canonical units.
func (a *adjusting) parse(c *cobra.Command) (*unit.Quantity, web.Adjustment, error) {
	var out web.Adjustment
	if err := required(c, "quantity"); err != nil {
		return nil, out, err
	}
	q, err := a.parseQuantity()
	if err != nil {
		return nil, out, err
	}
	if err := numbers(c, "gain"); err != nil {
		return nil, out, err
	}
	out.Unit, out.Gain = unit.Names(*q)[0], a.gain
	if a.offset != "" {
		v, u, err := unit.Split(*q, a.offset)
		if err != nil {
			return nil, out, usageError{fmt.Errorf("--offset: %w", err)}
		}
		out.Offset = u.Difference(v)
	}
	if len(a.reference) != len(a.reading) {
		return nil, out, usageError{fmt.Errorf("%d of --reference and %d of --reading: each comparison needs both", len(a.reference), len(a.reading))}
	}
	if len(a.reference) > 0 && (a.offset != "" || c.Flags().Changed("gain")) {
		return nil, out, usageError{fmt.Errorf("give --offset and --gain, or --reference and --reading from which they follow, not both")}
	}
	for i := range a.reference {
		var p sensor.Comparison
		if p.Reference, err = canonical(*q, "reference", a.reference[i]); err != nil {
			return nil, out, err
		}
		if p.Reading, err = canonical(*q, "reading", a.reading[i]); err != nil {
			return nil, out, err
		}
		out.Points = append(out.Points, p)
	}
	return q, out, nil
}

func canonical(q unit.Quantity, flag, text string) (float64, error) {
	v, u, err := unit.Split(q, text)
	if err != nil {
		return 0, usageError{fmt.Errorf("--%s: %w", flag, err)}
	}
	return u.Canonical(v), nil
}

func newCalibrate(url *string) *cobra.Command {
	var a adjusting
	var due string
	c := &cobra.Command{
		Use: "calibrate ROOM/SENSOR", Short: "Tell what a sensor showed beside something that is right", Args: exactArgs(1),
		Long: `Tell how the readings of a sensor are to be taken from an instant on: with an
offset, with a gain and an offset, or by comparisons with something that is
right, from which both follow. Comparisons that lie close together (within 5 K,
or 10 % of humidity) give an offset alone. Without any of them the sensor was
compared and found right. It holds until the next calibration of the quantity,
or until the device is swapped; with --due it is said when that day has come.

Ice water is 0.0 °C within 0.1 K: crushed ice, filled up with water, stirred,
the sensor in a bag in its middle for ten minutes (common practice, no source).
Over a wet paste of table salt in a closed jar the air comes to 75 % of humidity
at 5 to 35 °C, within hours (Greenspan 1977, J. Res. NBS 81A, 89).
` + boundsHelp,
		Example: `  dryhold sensors calibrate cellar/cellar-1 --quantity temperature --reference 0.0C --reading 0.4C \
      --due 2027-11-01 --note "ice water"
  dryhold sensors calibrate cellar/cellar-1 --quantity temperature --offset -0.3K --from 2026-07-01
  dryhold sensors calibrate loft/loft-1 --quantity temperature --reference 32F --reading 32.9F \
      --reference 98.6F --reading 99.9F
  dryhold sensors calibrate loft/loft-1 --quantity humidity --reference 75% --reading 71%`,
		RunE: func(c *cobra.Command, args []string) error {
			path, err := parseSensor(args[0])
			if err != nil {
				return err
			}
			body := web.CalibrateSensor{Note: a.note, By: who(a.by)}
			if body.Quantity, body.Adjustment, err = a.parse(c); err != nil {
				return err
			}
			if err := bound("from", a.from, &body.From); err != nil {
				return err
			}
			if due != "" {
				if body.Due, err = instant(due); err != nil { // noon: that day in any zone
					return usageError{fmt.Errorf("--due: %w", err)}
				}
			}
			return tell(c, *url, path+"/calibrate", body, a.asJSON)
		},
	}
	a.lineFlags(c)
	c.Flags().StringVar(&a.from, "from", "", "from when it holds: 2026-07-11 or 2026-07-11T09:30 (default: now)")
	c.Flags().StringVar(&due, "due", "", "when to calibrate again: 2027-11-01 (default: no date)")
	a.flags(c, "how it was compared")
	return c
}

func newCorrect(url *string) *cobra.Command {
	var a adjusting
	c := &cobra.Command{
		Use: "correct ROOM/SENSOR", Short: "Tell by how much a sensor was wrong for a while", Args: exactArgs(1),
		Long: `Tell how the readings of a sensor within a span are to be taken, on top of its
calibration. ` + boundsHelp,
		Example: `  dryhold sensors correct loft/loft-1 --quantity temperature --offset -1.5K \
      --from 2026-07-11 --to 2026-07-14T08:00 --note "hung by the chimney"`,
		RunE: func(c *cobra.Command, args []string) error {
			path, err := parseSensor(args[0])
			if err != nil {
				return err
			}
			if err := required(c, "from", "note"); err != nil {
				return err
			}
			body := web.CorrectSensor{Note: a.note, By: who(a.by)}
			if body.Quantity, body.Adjustment, err = a.parse(c); err != nil {
				return err
			}
			if body.Offset == 0 && body.Gain == 0 && len(body.Points) == 0 {
				return usageError{fmt.Errorf("%s needs --offset, --gain, or --reference and --reading (see %s --help)", c.CommandPath(), c.CommandPath())}
			}
			if err := a.span(&body.From, &body.To); err != nil {
				return err
			}
			return tell(c, *url, path+"/correct", body, a.asJSON)
		},
	}
	a.lineFlags(c)
	a.spanFlags(c)
	a.flags(c, "why (required)")
	return c
}

func newVoid(url *string) *cobra.Command {
	var a adjusting
	c := &cobra.Command{
		Use: "void ROOM/SENSOR", Short: "Tell that what a sensor sent for a while is wrong", Args: exactArgs(1),
		Long: `Tell that the readings of a sensor within a span do not count. They stay in the
store; their hours are taken from the other sensors of the room or estimated.
` + boundsHelp,
		Example: `  dryhold sensors void loft/loft-1 --from 2026-07-11 --to 2026-07-12 --note "hung in the sun"
  dryhold sensors void loft/loft-1 --quantity illuminance --from 2026-07-11T08:00 --note "a lamp beside it"`,
		RunE: func(c *cobra.Command, args []string) error {
			path, err := parseSensor(args[0])
			if err != nil {
				return err
			}
			if err := required(c, "from", "note"); err != nil {
				return err
			}
			body := web.VoidSensor{Note: a.note, By: who(a.by)}
			if body.Quantity, err = a.parseQuantity(); err != nil {
				return err
			}
			if err := a.span(&body.From, &body.To); err != nil {
				return err
			}
			return tell(c, *url, path+"/void", body, a.asJSON)
		},
	}
	a.quantityFlag(c, strings.Join(unit.QuantityNames(), ", ")+" (default: everything it sends)")
	a.spanFlags(c)
	a.flags(c, "why (required)")
	return c
}
