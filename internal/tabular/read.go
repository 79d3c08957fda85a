package tabular

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/past"
	"dryhold/internal/room"
	"dryhold/internal/wire"
)

const (
	// maxRow is the longest row read, bytes: one quote left open would
	// otherwise take the whole file for one cell.
	maxRow = 1 << 20
	// maxProblems is how many refusals are kept word by word; all are counted.
	maxProblems = 20
	// maxStreams bounds the rooms and sensors of one table (judgement).
	maxStreams = 10_000
)

// Report is what came of a table.
type Report struct {
	Rows     int // below the header
	Readings int
	Blank    int // cells without a value: empty, null, nan, unknown, unavailable
	Refused  int // cells, or rows by their time, room or sensor
	Problems []Problem
	// Twice is how many rows have a local time that came twice, in the hour
	// set back; which pass they are of follows from the order of the rows.
	Twice       int
	First, Last time.Time // of the readings
}

// Problem is one refusal.
type Problem struct {
	Line, Column int // column of the text, from 1
	Text         string
}

func (p Problem) String() string { return fmt.Sprintf("%d:%d: %s", p.Line, p.Column, p.Text) }

// Read reads a table row by row and hands the readings of each row to visit,
// whose error ends it. Times after now or before 2000 are refused like
// any other cell that cannot be used: a refusal never ends the reading. The
// error is of the table as a whole.
func Read(r io.Reader, l Layout, now time.Time, visit func([]room.Reading) error) (Report, error) {
	if err := l.check(); err != nil {
		return Report{}, err
	}
	t := newTable(r, l.Separator)
	header, err := t.next()
	if errors.Is(err, io.EOF) {
		return Report{}, errors.New("the table is empty: it needs a header and rows")
	} else if err != nil {
		return Report{}, err
	}
	at, err := l.find(header)
	if err != nil {
		return Report{}, err
	}
	x := reader{Layout: l, table: t, at: at, now: now, clock: clock{l.Format, l.Zone, map[string]time.Time{}, 0}, width: len(header)}
	for {
		row, err := t.next()
		if errors.Is(err, io.EOF) {
			x.report.Twice = x.clock.twice
			return x.report, nil
		}
		if err != nil {
			return x.report, err
		}
		if readings := x.row(row); len(readings) > 0 {
			if err := visit(readings); err != nil {
				return x.report, err
			}
		}
	}
}

// reader is one table under way.
type reader struct {
	Layout
	table  *table
	at     columns
	now    time.Time
	clock  clock
	width  int
	report Report
}

// row gives the readings of one row.
func (x *reader) row(cells []string) []room.Reading {
	if len(cells) == 1 && strings.TrimSpace(cells[0]) == "" {
		return nil
	}
	x.report.Rows++
	if len(cells) != x.width {
		x.refuse(0, "the row has %d cells, the header %d", len(cells), x.width)
		return nil
	}
	in, sensor, ok := x.place(cells)
	if !ok {
		return nil
	}
	at, err := x.clock.read(cells[x.at.time], in+"/"+sensor)
	if err != nil {
		x.refuse(x.at.time, "%v", err)
		return nil
	}
	at = at.Truncate(time.Millisecond)
	if err := past.CheckTime(at, x.now); err != nil {
		x.refuse(x.at.time, "%v", err)
		return nil
	}
	var out []room.Reading
	for i, v := range x.Values {
		value, found, err := x.value(cells[x.at.values[i]], v)
		switch {
		case err != nil:
			x.refuse(x.at.values[i], "column %q: %v", v.Column, err)
		case !found:
			x.report.Blank++
		default:
			out = append(out, room.Reading{Series: room.Series{Room: in, Sensor: sensor, Quantity: v.Quantity}, At: at, Value: value})
		}
	}
	x.count(out, at)
	return out
}

func (x *reader) count(out []room.Reading, at time.Time) {
	if len(out) == 0 {
		return
	}
	x.report.Readings += len(out)
	if x.report.First.IsZero() || at.Before(x.report.First) {
		x.report.First = at
	}
	if at.After(x.report.Last) {
		x.report.Last = at
	}
}

// place is the room and the sensor of a row.
func (x *reader) place(cells []string) (in, sensor string, ok bool) {
	in, sensor = x.Room, x.Sensor
	for _, c := range []struct {
		at   int
		into *string
		what string
	}{{x.at.room, &in, "room"}, {x.at.sensor, &sensor, "sensor"}} {
		if c.at < 0 {
			continue
		}
		*c.into = strings.TrimSpace(cells[c.at])
		if err := wire.CheckName(*c.into); err != nil {
			x.refuse(c.at, "%s: %v", c.what, err)
			return "", "", false
		}
	}
	if sensor == "" {
		sensor = in
	}
	if _, known := x.clock.last[in+"/"+sensor]; !known {
		if len(x.clock.last) >= maxStreams {
			x.refuse(0, "more than %d rooms and sensors in one table", maxStreams)
			return "", "", false
		}
		x.clock.last[in+"/"+sensor] = time.Time{}
	}
	return in, sensor, true
}

// value reads a cell; found is false for one that says that there is none.
func (x *reader) value(text string, v Value) (value float64, found bool, err error) {
	text = strings.TrimSpace(text)
	switch strings.ToLower(text) {
	case "", "-", "null", "none", "nan", "na", "n/a", "unknown", "unavailable":
		return 0, false, nil
	}
	number := text
	if x.DecimalComma {
		number = strings.Replace(text, ",", ".", 1)
	}
	raw, err := strconv.ParseFloat(number, 64)
	if err != nil || len(text) > 64 || strings.ContainsAny(text, "xX_pP") || math.IsInf(raw, 0) || math.IsNaN(raw) {
		return 0, false, fmt.Errorf("%s is not a decimal number", quote(text))
	}
	if v.Scale != 0 {
		raw *= v.Scale
	}
	value, err = past.Canonical(v.Quantity, v.Unit, raw)
	return value, err == nil, err
}

// refuse counts a cell, or a whole row, that cannot be used.
func (x *reader) refuse(cell int, format string, args ...any) {
	x.report.Refused++
	if len(x.report.Problems) < maxProblems {
		line, column := x.table.csv.FieldPos(cell)
		x.report.Problems = append(x.report.Problems, Problem{line, column, fmt.Sprintf(format, args...)})
	}
}

func quote(text string) string {
	if len(text) > 40 {
		text = text[:40] + "..."
	}
	return strconv.Quote(strings.ToValidUTF8(text, "\uFFFD"))
}

// table gives the rows of a CSV file, each of bounded length.
type table struct {
	csv  *csv.Reader
	from *bounded
}

func newTable(r io.Reader, separator rune) *table {
	from := &bounded{r: r}
	t := &table{csv.NewReader(from), from}
	t.csv.Comma, t.csv.FieldsPerRecord, t.csv.ReuseRecord = separator, -1, true
	t.csv.LazyQuotes = true // as 21" in a name
	return t
}

// next is the next row, io.EOF behind the last.
func (t *table) next() ([]string, error) {
	t.from.row = t.csv.InputOffset()
	row, err := t.csv.Read()
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("cannot read the table: %w", err)
	}
	return row, err
}

// bounded passes bytes on until a row grows too long. It drops a byte order
// mark and refuses what is not UTF-8 at its very start, as UTF-16 is.
type bounded struct {
	r     io.Reader
	row   int64 // where the present row begins
	given int64
	begun bool
	head  []byte
}

func (b *bounded) Read(p []byte) (int, error) {
	if !b.begun {
		b.begun = true
		head := make([]byte, 4)
		n, err := io.ReadFull(b.r, head)
		if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) && !errors.Is(err, io.EOF) {
			return 0, err
		}
		if b.head = head[:n]; bytes.HasPrefix(b.head, []byte{0xFF, 0xFE}) || bytes.HasPrefix(b.head, []byte{0xFE, 0xFF}) || bytes.IndexByte(b.head, 0) >= 0 {
			return 0, errors.New("it is not UTF-8 text: save it as CSV in UTF-8")
		}
		b.head = bytes.TrimPrefix(b.head, []byte("\uFEFF"))
	}
	if b.given-b.row > maxRow {
		return 0, fmt.Errorf("a row is longer than %d bytes: a quote that is not closed?", maxRow)
	}
	if len(b.head) > 0 {
		n := copy(p, b.head)
		b.head = b.head[n:]
		b.given += int64(n)
		return n, nil
	}
	n, err := b.r.Read(p)
	b.given += int64(n)
	return n, err
}
