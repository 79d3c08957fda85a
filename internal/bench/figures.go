package bench

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Figures are what was measured, as testdata/figures.json keeps it.
type Figures struct {
	// Machines says, by the name that figures give, on what they were measured.
	Machines map[string]string `json:"machines"`
	Figures  []Figure          `json:"figures"`
}

// Figure is one row of the table: what was measured, and how to do it again.
type Figure struct {
	Name string `json:"name"` // of the design's bar, or a short one of its own
	What string `json:"what"`
	// Command measures it again: of go test, or a whole command line in
	// backticks.
	Command string  `json:"command"`
	Values  []Value `json:"values,omitempty"`
	// Open says why there is no value yet.
	Open    string `json:"open,omitempty"`
	Machine string `json:"machine"`
	Date    string `json:"date"` // year-month-day
	// Beside is the yardstick: what somebody would use instead, or the limit
	// that physics sets.
	Beside string `json:"beside,omitempty"`
}

// Value is one number of a figure.
type Value struct {
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
	Of    string  `json:"of,omitempty"` // which of several it is
	// AtMost or AtLeast is the bar, in the same unit.
	AtMost  *float64 `json:"at_most,omitempty"`
	AtLeast *float64 `json:"at_least,omitempty"`
	// Benchmark is the line of go test -bench that it comes from, package, name
	// and unit parted by blanks; Scale brings that to Unit, 0 is 1.
	Benchmark string  `json:"benchmark,omitempty"`
	Scale     float64 `json:"scale,omitempty"`
}

// Met reports whether a value keeps its bar; one without a bar does.
func (v Value) Met() bool {
	return (v.AtMost == nil || v.Value <= *v.AtMost) && (v.AtLeast == nil || v.Value >= *v.AtLeast)
}

// ReadFigures reads the file. A key that is not known, a figure without a name,
// a command, a date, a known machine or a value is an error.
func ReadFigures(data []byte) (out Figures, err error) {
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&out); err != nil {
		return out, fmt.Errorf("cannot read the figures: %w", err)
	}
	for i, f := range out.Figures {
		switch {
		case f.Name == "" || f.What == "" || f.Command == "" || f.Date == "":
			return out, fmt.Errorf("figure %d (%q): name, what, command and date must all be given", i+1, f.Name)
		case out.Machines[f.Machine] == "":
			return out, fmt.Errorf("figure %d (%q): machine %q is not among the machines", i+1, f.Name, f.Machine)
		case (len(f.Values) == 0) == (f.Open == ""):
			return out, fmt.Errorf("figure %d (%q) must have a value, or say why it is open", i+1, f.Name)
		}
	}
	return out, nil
}

// Record puts the least of each benchmark that was run in the place of the values
// that name it, with the date and the machine, and gives how many those were.
func (f *Figures) Record(r Results, machine, date string) (n int) {
	least := map[string]float64{}
	for _, line := range r.Lines {
		for unit, v := range line.Values {
			key := line.Package + " " + line.Name + " " + unit
			if known, any := least[key]; !any || v < known {
				least[key] = v
			}
		}
	}
	for i := range f.Figures {
		row := &f.Figures[i]
		for k := range row.Values {
			v := &row.Values[k]
			got, any := least[v.Benchmark]
			if !any {
				continue
			}
			if v.Scale != 0 {
				got *= v.Scale
			}
			v.Value = significant(got)
			row.Machine, row.Date, n = machine, date, n+1
		}
	}
	return n
}

// significant rounds to three figures: no more of a time comes again.
func significant(v float64) float64 {
	s, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 3, 64), 64)
	return s
}

// Table is the figures in Markdown, with the machines below.
func (f Figures) Table() string {
	var b strings.Builder
	b.WriteString("| what | figure | bar | yardstick beside it | measured |\n|---|---|---|---|---|\n")
	for _, row := range f.Figures {
		var values, bars []string
		for _, v := range row.Values {
			values = append(values, v.text())
			if bar := v.bar(); bar != "" {
				bars = append(bars, bar)
			}
		}
		if row.Open != "" {
			values = []string{row.Open}
		}
		command := row.Command
		if !strings.Contains(command, "`") {
			command = "`" + command + "`"
		}
		fmt.Fprintf(&b, "| %s (%s) | %s | %s | %s | %s, %s |\n", row.What, strings.ReplaceAll(command, "|", `\|`),
			strings.Join(values, "; "), strings.Join(slices.Compact(bars), "; "), row.Beside, row.Date, row.Machine)
	}
	b.WriteString("\nMachines:")
	sep := " "
	for _, name := range slices.Sorted(maps.Keys(f.Machines)) {
		b.WriteString(sep + name + ", " + f.Machines[name])
		sep = "; "
	}
	b.WriteString(".\n")
	return b.String()
}

func (v Value) text() string {
	out := number(v.Value) + " " + v.Unit
	if v.Of != "" {
		out = v.Of + ": " + out
	}
	return out
}

// bar says what is wanted and whether it is so.
func (v Value) bar() string {
	var out string
	switch {
	case v.AtMost != nil:
		out = "at most " + number(*v.AtMost) + " " + v.Unit
	case v.AtLeast != nil:
		out = "at least " + number(*v.AtLeast) + " " + v.Unit
	default:
		return ""
	}
	if v.Met() {
		return out
	}
	return out + ": **missed**"
}

// number writes a number with thousands parted.
func number(v float64) string {
	if math.Abs(v) < 1000 {
		return strconv.FormatFloat(v, 'g', -1, 64)
	}
	text := strconv.FormatFloat(v, 'f', -1, 64)
	whole, rest, _ := strings.Cut(text, ".")
	for i := len(whole) - 3; i > 0 && whole[i-1] != '-'; i -= 3 {
		whole = whole[:i] + "," + whole[i:]
	}
	if rest != "" {
		return whole + "." + rest
	}
	return whole
}
