package influx

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"net/http"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/influxdata/influxdb-client-go/v2/api"
	influxhttp "github.com/influxdata/influxdb-client-go/v2/api/http"
	"github.com/influxdata/influxdb-client-go/v2/api/query"

	"dryhold/internal/past"
)

// Past says which points of a bucket are meant: one field of a measurement,
// where all the tags named have these values.
type Past struct {
	Measurement, Field string
	Tags               map[string]string
}

// Check reports what no query can ask for.
func (p Past) Check() error {
	var errs []error
	for _, x := range []struct{ what, text string }{{"measurement", p.Measurement}, {"field", p.Field}} {
		if x.text == "" {
			errs = append(errs, fmt.Errorf("say the %s", x.what))
		}
		errs = append(errs, checkText(x.what, x.text))
	}
	for _, name := range slices.Sorted(maps.Keys(p.Tags)) {
		if name == "" {
			errs = append(errs, errors.New("a tag has no name: write NAME=VALUE"))
		}
		errs = append(errs, checkText("tag "+name, name), checkText("tag "+name, p.Tags[name]))
	}
	return errors.Join(errs...)
}

// maxText is the longest name or value asked for, bytes: the store's own limit
// of a tag is 64 kB, and nobody writes such by hand.
const maxText = 4096

func checkText(what, text string) error {
	switch {
	case !utf8.ValidString(text):
		return fmt.Errorf("the %s is no UTF-8", what)
	case len(text) > maxText:
		return fmt.Errorf("the %s has %d bytes: %d are taken", what, len(text), maxText)
	}
	return nil
}

// Flux is the query for the points of a bucket from an instant to before
// another. It names no aggregate: every point is answered with its own time.
// Parameters of a query, which would need no escaping, are taken by the vendor's
// cloud alone.
func (p Past) Flux(bucket string, from, to time.Time) string {
	var b strings.Builder
	fmt.Fprintf(&b, "from(bucket: %s)\n", quote(bucket))
	fmt.Fprintf(&b, "  |> range(start: %s, stop: %s)\n", from.UTC().Format(time.RFC3339Nano), to.UTC().Format(time.RFC3339Nano))
	fmt.Fprintf(&b, "  |> filter(fn: (r) => r[\"_measurement\"] == %s and r[\"_field\"] == %s", quote(p.Measurement), quote(p.Field))
	for _, name := range slices.Sorted(maps.Keys(p.Tags)) {
		fmt.Fprintf(&b, " and r[%s] == %s", quote(name), quote(p.Tags[name]))
	}
	b.WriteString(")\n  |> drop(columns: [\"_start\", \"_stop\"])\n")
	return b.String()
}

// quote writes a text as a string of Flux. A dollar is never left as it is: in
// the vendor's scanner one before a backslash takes it in, so that an escaped
// quotation mark behind it would end the string (string_lit in scanner.rl of
// influxdata/flux).
func quote(text string) string {
	var b strings.Builder
	b.WriteByte('"')
	for i := 0; i < len(text); i++ {
		switch c := text[i]; {
		case c == '"' || c == '\\':
			b.WriteByte('\\')
			b.WriteByte(c)
		case c == '$' || c < ' ' || c == 0x7f:
			fmt.Fprintf(&b, `\x%02x`, c)
		default:
			b.WriteByte(c)
		}
	}
	b.WriteByte('"')
	return b.String()
}

// maxSamples is how many samples are taken from one answer.
const maxSamples = 2_000_000

// Samples gives every point from an instant to before another, by series, at
// milliseconds. Its errors are past.Troubles.
func (s *Server) Samples(ctx context.Context, p Past, from, to time.Time) ([]past.Series, error) {
	if err := s.connect(); err != nil {
		return nil, &past.Trouble{Err: err}
	}
	ctx, cancel := context.WithCancel(ctx)
	result, err := s.client.QueryAPI(s.cfg.Org).Query(ctx, p.Flux(s.cfg.Bucket, from, to))
	if err != nil {
		cancel()
		return nil, queryTrouble(err)
	}
	defer func() {
		cancel() // or what is left of the answer is read to its end
		_ = result.Close()
	}()
	found, err := read(result)
	for i := range found {
		// InfluxDB 1.8 gives those at the end of the stretch, too: they belong to
		// the next.
		found[i].Samples = slices.DeleteFunc(found[i].Samples, func(x past.Sample) bool { return x.At.Before(from) || !x.At.Before(to) })
	}
	return found, err
}

// queryTrouble says what to do about an answer that is none.
func queryTrouble(err error) *past.Trouble {
	var refused *influxhttp.Error
	if !errors.As(err, &refused) || refused.StatusCode == 0 {
		return past.OfNetwork(err)
	}
	why := ""
	switch code := refused.StatusCode; {
	case code == http.StatusUnauthorized, code == http.StatusForbidden:
		why = ", so it does not know the token, or the token may not read the bucket"
	case code == http.StatusNotFound:
		why = ", so it has no such bucket or organisation, or is no InfluxDB v2"
	case code/100 == 3:
		why = " and points elsewhere, which is not followed: give that address if you trust it"
	}
	text := strings.Join(strings.Fields(strings.ToValidUTF8(refused.Message, "?")), " ")
	if r := []rune(text); len(r) > 300 {
		text = string(r[:300]) + " ..."
	}
	return past.OfStatus(refused.StatusCode, time.Duration(refused.RetryAfter)*time.Second, fmt.Errorf("the server answers %d%s: %s", refused.StatusCode, why, text))
}

// read takes an answer in annotated CSV apart.
func read(result *api.QueryTableResult) ([]past.Series, error) {
	var out []past.Series
	at := map[string]int{} // by the labels
	var before *query.FluxRecord
	var of *query.FluxTableMetadata
	place, table, samples := -1, -1, 0
	for result.Next() {
		r := result.Record()
		if r == nil || r == before { // the client goes on over a row it cannot read
			return nil, unreadable("a row that is neither a record nor an annotation")
		}
		before = r
		if place < 0 || of != result.TableMetadata() || table != r.Table() {
			of, table = result.TableMetadata(), r.Table()
			labels := labelsOf(of, r)
			key, known := past.Key(labels), false
			if place, known = at[key]; !known {
				place = len(out)
				at[key] = place
				out = append(out, past.Series{Labels: labels})
			}
		}
		if samples++; samples > maxSamples {
			return nil, &past.Trouble{Err: fmt.Errorf("the answer has more than %d points", maxSamples), Less: true}
		}
		if r.Time().IsZero() {
			return nil, unreadable("a record without a time")
		}
		value, numeric := number(r.Value())
		if !numeric {
			out[place].Other++
			continue
		}
		out[place].Samples = append(out[place].Samples, past.Sample{At: r.Time().UTC(), Value: value})
	}
	if err := result.Err(); err != nil {
		// Of a query that failed under way, or an answer that was cut off.
		return nil, &past.Trouble{Err: fmt.Errorf("the answer broke off: %w", err), Again: true, Less: true}
	}
	return out, nil
}

func unreadable(what string) *past.Trouble {
	return &past.Trouble{Err: fmt.Errorf("the answer holds %s: is that address an InfluxDB v2?", what)}
}

// number is a value as a number; NaN where there is none.
func number(v any) (value float64, numeric bool) {
	switch x := v.(type) {
	case nil:
		return math.NaN(), true
	case float64:
		return x, true
	case int64:
		return float64(x), true
	case uint64:
		return float64(x), true
	}
	return 0, false
}

// labelsOf are what tells the series of a record from others: its group key.
func labelsOf(table *query.FluxTableMetadata, r *query.FluxRecord) map[string]string {
	labels := map[string]string{}
	for _, c := range table.Columns() {
		if text, ok := r.ValueByKey(c.Name()).(string); ok && c.IsGroup() {
			labels[c.Name()] = text
		}
	}
	return labels
}
