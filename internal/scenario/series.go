package scenario

import (
	"cmp"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"dryhold/internal/room"
)

// Series is what an invented sensor sends of one quantity.
type Series struct {
	room.Series
	Every time.Duration // between readings, above 0
	Shape Shape
	// Noise is the standard deviation of what is added to each reading, in the
	// canonical unit; normal, the same for the same seed.
	Noise float64
	// Stuck are stretches in which the last value before them is sent on and
	// on, Gaps those in which nothing is sent.
	Stuck, Gaps []Span
}

// Span is from one instant on and before another.
type Span struct{ From, To time.Time }

// Has reports whether an instant is in a span.
func (s Span) Has(at time.Time) bool { return !at.Before(s.From) && at.Before(s.To) }

// within says of instants in order whether they are in one of some spans.
func within(spans []Span) func(at time.Time) bool {
	spans = slices.Clone(spans)
	slices.SortFunc(spans, func(a, b Span) int { return a.From.Compare(b.From) })
	return func(at time.Time) bool {
		for len(spans) > 0 && !at.Before(spans[0].To) {
			spans = spans[1:]
		}
		return len(spans) > 0 && spans[0].Has(at)
	}
}

// Shape is the course of a value over time, in the canonical unit.
type Shape interface {
	At(at time.Time) float64
}

// Constant is one value.
type Constant float64

// At implements Shape.
func (c Constant) At(time.Time) float64 { return float64(c) }

// Sine swings about a mean, and is highest at an instant and each period from it.
type Sine struct {
	Mean, Swing float64 // Swing is half of highest less lowest
	Highest     time.Time
	Period      time.Duration
}

// At implements Shape.
func (s Sine) At(at time.Time) float64 {
	return s.Mean + float64(s.Swing*math.Cos(2*math.Pi*at.Sub(s.Highest).Seconds()/s.Period.Seconds()))
}

// Point is a value at an instant.
type Point struct {
	At    time.Time
	Value float64
}

// Points are values at instants, in order, at least one. Between two of them the
// value goes straight, or, with Steps, stays that of the first; before the first
// and after the last it is theirs.
type Points struct {
	Points []Point
	Steps  bool
}

// At implements Shape.
func (p Points) At(at time.Time) float64 {
	n, _ := slices.BinarySearchFunc(p.Points, at, func(x Point, at time.Time) int {
		if x.At.After(at) {
			return 1
		}
		return -1
	})
	switch {
	case n == 0:
		return p.Points[0].Value
	case n == len(p.Points) || p.Steps:
		return p.Points[n-1].Value
	}
	a, b := p.Points[n-1], p.Points[n]
	return a.Value + float64((b.Value-a.Value)*(at.Sub(a.At).Seconds()/b.At.Sub(a.At).Seconds()))
}

// List is one value after the other, Every apart from Start on, and then from
// the first again; at least one.
type List struct {
	Start  time.Time
	Every  time.Duration
	Values []float64
}

// At implements Shape.
func (l List) At(at time.Time) float64 {
	return l.Values[max(0, int(at.Sub(l.Start)/l.Every))%len(l.Values)]
}

// Readings are those of all series from one instant on and before another, in
// order of time.
func Readings(series []Series, from, to time.Time, seed uint64) (out []room.Reading) {
	for _, s := range series {
		out = append(out, s.readings(from, to, seed)...)
	}
	slices.SortStableFunc(out, func(a, b room.Reading) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Room, b.Room), cmp.Compare(a.Sensor, b.Sensor), cmp.Compare(a.Quantity, b.Quantity))
	})
	return out
}

func (s Series) readings(from, to time.Time, seed uint64) (out []room.Reading) {
	name := fnv.New64a()
	_, _ = name.Write([]byte(s.Room + "\x00" + s.Sensor + "\x00" + s.Quantity.String()))
	rng := rand.New(rand.NewPCG(seed, name.Sum64()))
	last, stuck, gap := s.Shape.At(from), within(s.Stuck), within(s.Gaps)
	for at := from; at.Before(to); at = at.Add(s.Every) {
		noise := s.Noise * rng.NormFloat64() // drawn always, so that a gap changes nothing after it
		if !stuck(at) {
			last = s.Quantity.Round(s.Quantity.Clamp(s.Shape.At(at) + noise))
		}
		if !gap(at) {
			out = append(out, room.Reading{Series: s.Series, At: at, Value: last})
		}
	}
	return out
}
