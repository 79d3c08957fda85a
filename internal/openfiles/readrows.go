package openfiles

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"reflect"
	"slices"
	"strconv"
	"time"

	"dryhold/internal/unit"
)

// eachReadingRow reads a table of readings.
func eachReadingRow(from io.Reader, at func(line, column int, err error) error, visit func(row any) error) error {
	r := csv.NewReader(from)
	r.ReuseRecord = true
	var wanted []string
	for _, c := range columns(reflect.TypeFor[Reading]()) {
		wanted = append(wanted, c.name)
	}
	for first := true; ; first = false {
		fields, err := r.Read()
		if e := (*csv.ParseError)(nil); errors.As(err, &e) {
			return at(e.Line, e.Column, damage("%w", e.Err))
		}
		switch {
		case errors.Is(err, io.EOF) && first:
			return at(1, 1, damage("the header is missing"))
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return fmt.Errorf("cannot read the export: %w", err)
		}
		position := func(i int, err error) error {
			line, column := r.FieldPos(i)
			return at(line, column, err)
		}
		if first {
			if !slices.Equal(fields, wanted) {
				return position(0, damage("the header is %q, wanted %q", fields, wanted))
			}
			continue
		}
		var x Reading
		if i, err := x.fromRow(fields); err != nil {
			return position(i, damage("%w", err))
		}
		if err := visit(&x); err != nil {
			return position(0, err)
		}
	}
}

// fromRow reads a row; i is the field that is wrong.
func (r *Reading) fromRow(fields []string) (i int, err error) {
	r.Room, r.Sensor, r.Unit = fields[0], fields[1], fields[3]
	if r.Quantity, err = unit.ParseQuantity(fields[2]); err != nil {
		return 2, err
	}
	if r.At, err = time.Parse(time.RFC3339, fields[4]); err != nil {
		return 4, fmt.Errorf("%q is no instant as %s", fields[4], instant)
	}
	if r.Value, err = strconv.ParseFloat(fields[5], 64); err != nil {
		return 5, fmt.Errorf("%q is no number", fields[5])
	}
	return r.check([]int{0, 1, 2, 3, 4, 5})
}

// check reports what is wrong with a reading, and in which of the columns given
// for room, sensor, quantity, unit, instant and value.
func (r *Reading) check(columns []int) (column int, err error) {
	ms := r.At.UnixMilli()
	switch {
	case r.Room == "":
		return columns[0], errors.New("the room is empty")
	case r.Sensor == "":
		return columns[1], errors.New("the sensor is empty")
	case r.Unit != r.Quantity.Symbol():
		return columns[3], fmt.Errorf("%s in %q: it is kept in %s", r.Quantity, r.Unit, r.Quantity.Symbol())
	case !time.UnixMilli(ms).Equal(r.At):
		return columns[4], fmt.Errorf("%s is finer than a millisecond", r.At.Format(time.RFC3339Nano))
	case ms < 0 || r.At.Year() > lastYear:
		return columns[4], fmt.Errorf("%s is not between 1970 and %d", r.At.Format(time.RFC3339), lastYear)
	}
	if err := r.Quantity.Plausible(r.Value); err != nil {
		return columns[5], err
	}
	if whole := r.Quantity.Round(r.Value); whole != r.Value {
		return columns[5], fmt.Errorf("%v is finer than what is kept, which would be %v", r.Value, whole)
	}
	r.At = r.At.UTC()
	return 0, nil
}

// lastYear is the last of a reading that is taken.
const lastYear = 9999
