package openfiles

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"strconv"

	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// readingLines writes readings, of which there may be hundreds of millions,
// without looking at their type each time. What is the same for all of a series
// is written once.
type readingLines struct {
	heads map[room.Series][]byte
	last  room.Series
	head  []byte
	line  []byte
}

func (s *sheet) putReading(r *Reading) error {
	x := &s.readings
	if k := (room.Series{Room: r.Room, Sensor: r.Sensor, Quantity: r.Quantity}); k != x.last || x.head == nil {
		if x.heads == nil {
			x.heads = map[room.Series][]byte{}
		}
		if x.heads[k] == nil {
			head, err := readingHead(r, s.format)
			if err != nil {
				return err
			}
			x.heads[k] = head
		}
		x.last, x.head = k, x.heads[k]
	}
	x.line = append(x.line[:0], x.head...)
	if s.format == JSONL {
		x.line = appendReadingJSON(x.line, r)
	} else {
		x.line = appendReadingCSV(x.line, r)
	}
	_, err := s.out.Write(x.line)
	return err
}

// readingHead is a line of a series up to the instant.
func readingHead(r *Reading, f Format) ([]byte, error) {
	var b bytes.Buffer
	if f == CSV {
		w := csv.NewWriter(&b)
		err := w.Write([]string{r.Room, r.Sensor, r.Quantity.String(), r.Unit})
		w.Flush()
		return append(bytes.TrimSuffix(b.Bytes(), []byte("\n")), ','), err
	}
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	err := e.Encode(struct {
		Room     string        `json:"room"`
		Sensor   string        `json:"sensor"`
		Quantity unit.Quantity `json:"quantity"`
		Unit     string        `json:"unit"`
	}{r.Room, r.Sensor, r.Quantity, r.Unit})
	return append(bytes.TrimSuffix(b.Bytes(), []byte("}\n")), `,"at":"`...), err
}

func appendReadingCSV(b []byte, r *Reading) []byte {
	b = append(r.At.AppendFormat(b, instant), ',')
	b = append(appendNumber(b, r.Value), ',')
	b = append(strconv.AppendBool(b, r.Counts), ',')
	if r.AsCounted != nil {
		b = appendNumber(b, *r.AsCounted)
	}
	return append(b, "\r\n"...)
}

func appendReadingJSON(b []byte, r *Reading) []byte {
	b = append(r.At.AppendFormat(b, instant), `","value":`...)
	b = append(appendNumber(b, r.Value), `,"counts":`...)
	b = append(strconv.AppendBool(b, r.Counts), `,"value_as_counted":`...)
	if r.AsCounted != nil {
		b = appendNumber(b, *r.AsCounted)
	} else {
		b = append(b, "null"...)
	}
	return append(b, "}\n"...)
}

// appendNumber writes the shortest text that is read as the same number, which
// is JSON as well.
func appendNumber(b []byte, v float64) []byte { return strconv.AppendFloat(b, v, 'f', -1, 64) }
