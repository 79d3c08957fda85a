// Package past makes readings of what other stores kept: samples of series,
// told apart by labels, each at its own time. It says what was found before it
// is believed, and counts what cannot be used. It is a codec: it asks nobody,
// looks at no clock, and nothing in a series makes it panic.
package past

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/room"
	"dryhold/internal/unit"
	"dryhold/internal/wire"
)

// Sample is one value as a store holds it, at the time it was taken.
type Sample struct {
	At    time.Time
	Value float64 // in the unit of the store; NaN where it says that there is none
}

// Series is what a store holds of one thing.
type Series struct {
	Labels  map[string]string
	Samples []Sample // in any order
	Other   int      // samples that are no numbers: texts, truth values, histograms
}

// Plan says what readings series are.
type Plan struct {
	Quantity unit.Quantity
	// Unit is that of the samples. The zero Unit is not known: nothing is taken,
	// and Question says what each unit would make of the numbers.
	Unit unit.Unit
	// Room and Sensor are those of all series, where RoomLabel and SensorLabel
	// do not name the label that says it. A series without a sensor is of one
	// named like its room.
	Room, Sensor           string
	RoomLabel, SensorLabel string
}

// Check reports what is wrong with a plan by itself, all of it at once.
func (p Plan) Check() error {
	var errs []error
	add := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if _, err := unit.ParseQuantity(p.Quantity.String()); err != nil {
		add("%w", err)
	}
	if p.Unit.Name != "" && p.Unit.Quantity != p.Quantity {
		add("%s is no unit of %s", p.Unit.Name, p.Quantity)
	}
	if (p.Room == "") == (p.RoomLabel == "") {
		add("say the room of the readings, or which label holds it")
	}
	if p.Sensor != "" && p.SensorLabel != "" {
		add("the sensor is given both for all series and by a label: give one")
	}
	for _, name := range []string{p.Room, p.Sensor} {
		if name != "" {
			if err := wire.CheckName(name); err != nil {
				errs = append(errs, err)
			}
		}
	}
	return errors.Join(errs...)
}

// Canonical brings a number from its unit to that in which readings are kept,
// at the resolution of the quantity. The zero Unit is the canonical one. The
// error says why it cannot be a value of the quantity.
func Canonical(q unit.Quantity, u unit.Unit, v float64) (float64, error) {
	if u.Name != "" {
		v = u.Canonical(v)
	}
	if err := q.Plausible(v); err != nil {
		return 0, err
	}
	return q.Round(v), nil
}

// FirstYear is that of the earliest reading taken, as over MQTT.
const FirstYear = 2000

// CheckTime reports a time at which no reading can have been taken.
func CheckTime(at, now time.Time) error {
	switch {
	case at.After(now.Add(wire.MaxAhead)):
		return fmt.Errorf("%s lies ahead of now: is the format or the zone right?", at.Format(time.RFC3339))
	case at.Year() < FirstYear:
		return fmt.Errorf("%s is before %d: a clock that was never set", at.Format(time.RFC3339), FirstYear)
	}
	return nil
}

// maxSeries bounds the series of one import (judgement).
const maxSeries = 10_000

// Refusal counts the samples that cannot be used for one reason.
type Refusal struct {
	Reason string
	N      int
	First  string // the first of them
}

// Reader makes readings of series, window by window.
type Reader struct {
	plan    Plan
	now     time.Time
	blank   int
	refused []Refusal
	seen    map[string]*span // by the labels of a series
	numbers
}

// span is where a series went, and from when to when it reaches.
type span struct {
	stream      room.Series
	first, last time.Time
}

// numbers are the samples as the store wrote them.
type numbers struct {
	n              int
	least, highest float64
	names          map[string]bool // of what the samples are, as the store calls it
}

// NewReader makes a reader; samples after now are refused.
func NewReader(p Plan, now time.Time) (*Reader, error) {
	if err := p.Check(); err != nil {
		return nil, err
	}
	return &Reader{plan: p, now: now, seen: map[string]*span{}, numbers: numbers{names: map[string]bool{}}}, nil
}

// Take gives the readings of one window in the order of time.
func (r *Reader) Take(series []Series) []room.Reading {
	var out []room.Reading
	for _, s := range series {
		if s.Other > 0 {
			r.refuse("no number", s.Other, Key(s.Labels))
		}
		if len(s.Samples) == 0 {
			continue
		}
		stream, ok := r.place(s)
		if !ok {
			continue
		}
		key := Key(s.Labels)
		for _, x := range s.Samples {
			if reading, ok := r.sample(stream, key, x); ok {
				out = append(out, reading)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b room.Reading) int {
		return cmp.Or(a.At.Compare(b.At), strings.Compare(a.Room, b.Room), strings.Compare(a.Sensor, b.Sensor))
	})
	return out
}

// place is the room and the sensor of a series.
func (r *Reader) place(s Series) (stream room.Series, ok bool) {
	stream = room.Series{Room: r.plan.Room, Sensor: r.plan.Sensor, Quantity: r.plan.Quantity}
	for _, l := range []struct {
		label, what string
		into        *string
	}{{r.plan.RoomLabel, "room", &stream.Room}, {r.plan.SensorLabel, "sensor", &stream.Sensor}} {
		if l.label == "" {
			continue
		}
		*l.into = s.Labels[l.label]
		if err := wire.CheckName(*l.into); err != nil {
			r.refuse(fmt.Sprintf("label %q is no name of a %s", l.label, l.what), len(s.Samples), fmt.Sprintf("%s: %v", Key(s.Labels), err))
			return room.Series{}, false
		}
	}
	if stream.Sensor == "" {
		stream.Sensor = stream.Room
	}
	key := Key(s.Labels)
	if r.seen[key] == nil {
		if len(r.seen) >= maxSeries {
			r.refuse(fmt.Sprintf("more than %d series", maxSeries), len(s.Samples), key)
			return room.Series{}, false
		}
		r.seen[key] = &span{stream: stream}
	}
	for _, name := range []string{s.Labels["__name__"], s.Labels["_field"]} {
		if name != "" {
			r.names[name] = true
		}
	}
	return stream, true
}

// sample makes a reading of one sample.
func (r *Reader) sample(stream room.Series, key string, x Sample) (room.Reading, bool) {
	at := x.At.UTC().Truncate(time.Millisecond)
	if math.IsNaN(x.Value) {
		r.blank++
		return room.Reading{}, false
	}
	if err := CheckTime(at, r.now); err != nil {
		r.refuse("no time of a reading", 1, fmt.Sprintf("%s: %v", key, err))
		return room.Reading{}, false
	}
	if !math.IsInf(x.Value, 0) {
		if r.n == 0 {
			r.least, r.highest = x.Value, x.Value
		}
		r.n++
		r.least, r.highest = min(r.least, x.Value), max(r.highest, x.Value)
	}
	if r.plan.Unit.Name == "" {
		return room.Reading{}, false
	}
	v, err := Canonical(stream.Quantity, r.plan.Unit, x.Value)
	if err != nil {
		r.refuse("no value of "+stream.Quantity.String(), 1, fmt.Sprintf("%s at %s: %v", key, at.Format(time.RFC3339), err))
		return room.Reading{}, false
	}
	reach := r.seen[key]
	if reach.first.IsZero() || at.Before(reach.first) {
		reach.first = at
	}
	if at.After(reach.last) {
		reach.last = at
	}
	return room.Reading{Series: stream, At: at, Value: v}, true
}

func (r *Reader) refuse(reason string, n int, example string) {
	if i := slices.IndexFunc(r.refused, func(x Refusal) bool { return x.Reason == reason }); i >= 0 {
		r.refused[i].N += n
		return
	}
	r.refused = append(r.refused, Refusal{reason, n, example})
}

// Blank is how many samples say that there was no value.
func (r *Reader) Blank() int { return r.blank }

// Refused lists what could not be used, in the order in which it was found.
func (r *Reader) Refused() []Refusal { return slices.Clone(r.refused) }

// Series is how many series gave readings or refusals of their samples.
func (r *Reader) Series() int { return len(r.seen) }

// Clashes reports series that run beside each other and would become one
// sensor: two instruments are not one. A series that begins after another ends
// is the same sensor under new labels.
func (r *Reader) Clashes() error {
	by := map[room.Series][]string{}
	for key, s := range r.seen {
		if !s.first.IsZero() {
			by[s.stream] = append(by[s.stream], key)
		}
	}
	var errs []error
	for _, stream := range slices.SortedFunc(maps.Keys(by), func(a, b room.Series) int { return strings.Compare(a.String(), b.String()) }) {
		keys := by[stream]
		slices.SortFunc(keys, func(a, b string) int {
			return cmp.Or(r.seen[a].first.Compare(r.seen[b].first), strings.Compare(a, b))
		})
		widest := keys[0]
		for _, key := range keys[1:] {
			if !r.seen[key].first.After(r.seen[widest].last) {
				errs = append(errs, fmt.Errorf("%s would be two at the same time, %s and %s: ask for one of them, or name the label that tells the sensors apart", stream, widest, key))
				break
			}
			widest = key
		}
	}
	return errors.Join(errs...)
}

// Key writes labels in one way, as {room="loft"}.
func Key(labels map[string]string) string {
	var b strings.Builder
	b.WriteString("{")
	for i, name := range slices.Sorted(maps.Keys(labels)) {
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(name + "=" + strconv.Quote(strings.ToValidUTF8(labels[name], "\uFFFD")))
	}
	return b.String() + "}"
}
