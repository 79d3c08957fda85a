package tabular

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/lot"
	"dryhold/internal/nearest"
)

// LotRow is one lot of a table of lots.
type LotRow struct {
	Line    int // in the file, from 1
	Packing lot.Packing
}

// maxLotRows bounds a table of lots (judgement).
const maxLotRows = 10_000

// poundKG is a pound, by definition.
const poundKG = 0.45359237

// LotColumns lists the columns that a table of lots may have, in the order of
// the template. Food, container, count, packed, room and one of the masses must
// be there.
func LotColumns() []string {
	return []string{
		"food", "container", "count", "mass_kg", "mass_lb", "packed", "room", "moisture", "treatment", "absorber", "shading", "leak_test",
		"per_carton", "price_per_kg", "override", "note",
	}
}

// LotTemplate is a table of lots to begin with. Its rows are invented, and are
// not read, since they begin with #.
func LotTemplate() string {
	columns := slices.DeleteFunc(LotColumns(), func(c string) bool { return c == "mass_lb" || c == "per_carton" || c == "override" })
	return strings.Join(columns, ",") + `
# mass_kg is net, of each container (or mass_lb); moisture in % of wet mass; absorber in cm3 of each container.
# treatment: none; absorber; freeze-thaw. shading: open-shelf; boxed; dark-room. leak_test: held; leaked. Lines with # are not read.
# white-rice,pet-2l,12,1.6,2026-03-14,cellar,11.5,absorber,300,boxed,held,2.40,from the mill
# sugar,pet-2l,6,1.7,2026-03-14,north-pantry,,none,,boxed,,,
`
}

// ReadLots reads a table of lots: CSV with a header, parted by comma, semicolon
// or tab; beside the latter two a number may have a decimal comma. Every cell
// that cannot be read is a problem, of which the first are kept word by word;
// refused counts them all. The error is of the table as a whole.
func ReadLots(r io.Reader) (rows []LotRow, problems []Problem, refused int, err error) {
	buffered := bufio.NewReaderSize(r, 4096)
	head, _ := buffered.Peek(4096)
	t := newTable(buffered, lotSeparator(string(head)))
	header, err := t.next()
	if errors.Is(err, io.EOF) {
		return nil, nil, 0, errors.New("the table is empty: it needs a header and rows; dryhold lots import --template shows one")
	} else if err != nil {
		return nil, nil, 0, err
	}
	x := lotReader{table: t, width: len(header)}
	if x.at, err = lotHeader(header); err != nil {
		return nil, nil, 0, err
	}
	for {
		cells, err := t.next()
		if errors.Is(err, io.EOF) {
			return rows, x.problems, x.refused, nil
		}
		if err != nil {
			return nil, nil, 0, err
		}
		if first := strings.TrimSpace(cells[0]); strings.HasPrefix(first, "#") || first == "" && len(cells) == 1 {
			continue
		}
		if len(rows) >= maxLotRows || x.refused >= maxLotRows {
			return nil, nil, 0, fmt.Errorf("more than %d lots in one table: part it", maxLotRows)
		}
		line, _ := t.csv.FieldPos(0)
		rows = append(rows, LotRow{line, x.row(cells)})
	}
}

// lotSeparator is the one that the first line has most of.
func lotSeparator(head string) rune {
	line, _, _ := strings.Cut(head, "\n")
	best := ','
	for _, s := range []rune{';', '\t'} {
		if strings.Count(line, string(s)) > strings.Count(line, string(best)) {
			best = s
		}
	}
	return best
}

// lotHeader finds the columns, and refuses those that are not known.
func lotHeader(header []string) (map[string]int, error) {
	at := map[string]int{}
	var errs []error
	for i, h := range header {
		name := strings.ReplaceAll(strings.ToLower(strings.TrimSpace(h)), " ", "_")
		switch _, twice := at[name]; {
		case !slices.Contains(LotColumns(), name):
			errs = append(errs, fmt.Errorf("the header has a column %s, which is none of a lot%s", quote(h), nearest.Hint(name, LotColumns())))
		case twice:
			errs = append(errs, fmt.Errorf("the header has the column %q twice", name))
		default:
			at[name] = i
		}
	}
	for _, name := range []string{"food", "container", "count", "packed", "room"} {
		if _, ok := at[name]; !ok {
			errs = append(errs, fmt.Errorf("the header has no column %q: every lot needs it", name))
		}
	}
	_, kg := at["mass_kg"]
	if _, lb := at["mass_lb"]; kg == lb {
		errs = append(errs, errors.New(`the header needs one of the columns "mass_kg" and "mass_lb": the net mass of each container`))
	}
	return at, errors.Join(errs...)
}

// lotReader is one table of lots under way.
type lotReader struct {
	table    *table
	at       map[string]int
	width    int
	problems []Problem
	refused  int
}

func (x *lotReader) refuse(cell int, format string, args ...any) {
	x.refused++
	if len(x.problems) < maxProblems {
		line, column := x.table.csv.FieldPos(cell)
		x.problems = append(x.problems, Problem{line, column, fmt.Sprintf(format, args...)})
	}
}

// row reads one lot. What cannot be read is a problem and left at zero.
func (x *lotReader) row(cells []string) (p lot.Packing) {
	if len(cells) != x.width {
		x.refuse(0, "the row has %d cells, the header %d", len(cells), x.width)
		return p
	}
	get := func(name string) string {
		if i, ok := x.at[name]; ok {
			return strings.TrimSpace(cells[i])
		}
		return ""
	}
	number := func(name, example string) float64 {
		text := get(name)
		if text == "" {
			return 0
		}
		v, ok := lotNumber(text, x.table.csv.Comma != ',')
		if !ok {
			x.refuse(x.at[name], "%s: %s is not a number above 0: write %s", name, quote(text), example)
		}
		return v
	}
	whole := func(name string) int {
		v := number(name, "12")
		if v != math.Trunc(v) || v > 1e6 {
			x.refuse(x.at[name], "%s: %s is not a whole number: write 12", name, quote(get(name)))
			return 0
		}
		return int(v)
	}
	p.Food, p.Container, p.Room, p.Note, p.Override = get("food"), get("container"), get("room"), get("note"), get("override")
	p.Count, p.PerCarton = whole("count"), whole("per_carton")
	p.NetMassKG = number("mass_kg", "1.6") + float64(number("mass_lb", "3.5")*poundKG)
	p.MoistureWB, p.PricePerKG = number("moisture", "11.5")/100, number("price_per_kg", "2.40")
	p.Treatment = lot.Treatment{Kind: lot.TreatmentKind(get("treatment")), CapacityCM3: number("absorber", "300")}
	if p.Treatment.Kind == "" {
		if p.Treatment.Kind = lot.NoTreatment; p.Treatment.CapacityCM3 > 0 {
			p.Treatment.Kind = lot.Absorber
		}
	}
	p.Shading, p.LeakTest = lot.Shading(get("shading")), lot.LeakTest(get("leak_test"))
	if p.Shading == "" {
		p.Shading = lot.OpenShelf
	}
	for _, name := range []string{"food", "container", "count", "packed", "room"} {
		if get(name) == "" {
			x.refuse(x.at[name], "%s is empty: every lot needs it", name)
		}
	}
	var err error
	if p.PackedAt, err = lotDate(get("packed")); err != nil {
		x.refuse(x.at["packed"], "packed: %v", err)
	}
	return p
}

// lotNumber reads a number of 0 or more, with or without a sign of percent or a
// unit that the column has.
func lotNumber(text string, decimalComma bool) (float64, bool) {
	for _, unit := range []string{"%", "cm3", "cm³", "kg", "lb"} {
		text = strings.TrimSpace(strings.TrimSuffix(text, unit))
	}
	if decimalComma {
		text = strings.Replace(text, ",", ".", 1)
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || len(text) > 64 || strings.ContainsAny(text, "xX_pP") || !(v >= 0) || math.IsInf(v, 0) {
		return 0, false
	}
	return v, true
}

// lotDate reads a day, which stands for its noon, UTC, so that it is that day
// in any zone, or a full time.
func lotDate(text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil // told already
	}
	if d, err := time.Parse(time.DateOnly, text); err == nil {
		return d.Add(12 * time.Hour), nil
	}
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return time.Time{}, fmt.Errorf("%s is not a date: write 2026-03-14", quote(text))
	}
	return t.UTC(), nil
}
