// Package tabular reads tables of past readings: CSV as programs and devices
// write it (RFC 4180, and what is common beside it: semicolons, tabs, decimal
// commas, times without a zone). It is a codec: it reads from what it is given,
// looks at no clock, and no input makes it panic.
package tabular

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"dryhold/internal/nearest"
	"dryhold/internal/unit"
	"dryhold/internal/wire"
)

// Layout says how a table is read: which column is what.
type Layout struct {
	// Separator is ',', ';', '|' or a tab.
	Separator rune
	// DecimalComma reads 21,5 as 21.5.
	DecimalComma bool
	// Time is the column with the time of each row.
	Time string
	// Format is how times are written.
	Format Format
	// Zone is where times without an offset were written; never nil.
	Zone *time.Location
	// Room and Sensor are those of every row, where RoomColumn and
	// SensorColumn do not name the column that says it. A row without a sensor
	// is of a sensor named like its room.
	Room, Sensor             string
	RoomColumn, SensorColumn string
	// Values are the columns with values, at least one.
	Values []Value
}

// Value is one column with values.
type Value struct {
	Column   string
	Quantity unit.Quantity
	// Unit is that of the column; the zero Unit is the canonical one.
	Unit unit.Unit
	// Scale multiplies the number before its unit is converted; zero means 1.
	Scale float64
}

// Format is how the times of a table are written.
type Format string

// Formats. Those by the order of day, month and year take any of - / . between
// them, with or without seconds and fractions of a second.
const (
	ISO          Format = "iso" // 2026-07-01T13:05:00+02:00, 2026-07-01 13:05; RFC 3339 and its usual kin
	DayFirst     Format = "dmy" // 01.07.2026 13:05
	MonthFirst   Format = "mdy" // 07/01/2026 1:05 PM
	Seconds      Format = "s"   // since 1970, UTC
	Milliseconds Format = "ms"
)

// Formats lists them.
func Formats() []Format { return []Format{ISO, DayFirst, MonthFirst, Seconds, Milliseconds} }

// check reports what is wrong with a layout by itself, all of it at once.
func (l Layout) check() error {
	var errs []error
	add := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if !slices.Contains(separators(), l.Separator) {
		add("the separator %q is none of comma, semicolon, tab and |", l.Separator)
	}
	if l.DecimalComma && l.Separator == ',' {
		add("a comma can not both part the columns and stand in numbers")
	}
	if !slices.Contains(Formats(), l.Format) {
		add("the time format %q is none of %v", l.Format, Formats())
	}
	if l.Zone == nil {
		add("say in which zone times without an offset are written")
	}
	if l.Time == "" {
		add("say which column holds the time")
	}
	if (l.Room == "") == (l.RoomColumn == "") {
		add("say the room of the readings, or which column holds it")
	}
	if l.Sensor != "" && l.SensorColumn != "" {
		add("the sensor is given both for all rows and by a column: give one")
	}
	for _, name := range []string{l.Room, l.Sensor} {
		if name != "" {
			if err := wire.CheckName(name); err != nil {
				errs = append(errs, err)
			}
		}
	}
	if len(l.Values) == 0 {
		add("say which columns hold values")
	}
	for i, v := range l.Values {
		if _, err := unit.ParseQuantity(v.Quantity.String()); err != nil {
			add("column %q: %v", v.Column, err)
		}
		if slices.ContainsFunc(l.Values[:i], func(w Value) bool { return w.Column == v.Column || w.Quantity == v.Quantity }) {
			add("column %q is read twice, or its quantity is: each goes once", v.Column)
		}
	}
	return errors.Join(errs...)
}

func separators() []rune { return []rune{',', ';', '\t', '|'} }

// columns are the places of the columns of a layout in a header; -1 for none.
type columns struct {
	time, room, sensor int
	values             []int
}

// find looks the columns of a layout up in the header, whatever their case.
func (l Layout) find(header []string) (columns, error) {
	var errs []error
	names := make([]string, len(header))
	for i, h := range header {
		names[i] = strings.TrimSpace(h)
	}
	place := func(name string) int {
		if name == "" {
			return -1
		}
		at := -1
		for i, h := range names {
			if strings.EqualFold(h, strings.TrimSpace(name)) {
				if at >= 0 {
					errs = append(errs, fmt.Errorf("the header has two columns %q: give one another name", name))
					return at
				}
				at = i
			}
		}
		if at < 0 {
			errs = append(errs, fmt.Errorf("the header has no column %q%s", name, nearest.Hint(name, names)))
		}
		return at
	}
	c := columns{time: place(l.Time), room: place(l.RoomColumn), sensor: place(l.SensorColumn)}
	for _, v := range l.Values {
		c.values = append(c.values, place(v.Column))
	}
	return c, errors.Join(errs...)
}
