package past

import (
	"maps"
	"slices"
	"strings"
	"time"

	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// GapOver is from how long between two readings on it counts as a gap: then an
// hour of the room is without one.
const GapOver = time.Hour

// Survey sums readings up as they pass, so that a keeper sees what they say
// before they are believed. The zero Survey is ready.
type Survey struct {
	Readings    int
	First, Last time.Time
	streams     map[room.Series]*Stream
}

// Stream is what one sensor measured of one quantity. Values are in the
// canonical unit.
type Stream struct {
	room.Series
	N           int
	Twice       int // with the time of the reading before: one of both is stored
	First, Last time.Time
	Least       float64
	Highest     float64
	// Gaps are the pauses longer than GapOver between one reading and the next,
	// as they come; Longest begins at LongestFrom.
	Gaps        int
	Longest     time.Duration
	LongestFrom time.Time

	sum  float64
	last time.Time
}

// Mean is that of the readings, not weighted by time.
func (s Stream) Mean() float64 { return s.sum / float64(max(1, s.N)) }

// fewest is how many readings of one value look like a sensor that is stuck
// (judgement).
const fewest = 24

// Doubt says what the values look like that are plausible one by one, and most
// likely are in another unit or of a broken sensor; "" if they look right.
func (s Stream) Doubt() string {
	if doubt := doubtful(s.Quantity, s.Highest, s.Mean()); doubt != "" {
		return doubt
	}
	if (s.Quantity == unit.Temperature || s.Quantity == unit.Humidity) && s.N >= fewest && s.Least == s.Highest {
		return "all are the same: a sensor that is stuck?"
	}
	return ""
}

// Add takes readings in.
func (s *Survey) Add(readings []room.Reading) {
	for _, r := range readings {
		if s.streams == nil {
			s.streams = map[room.Series]*Stream{}
		}
		x := s.streams[r.Series]
		if x == nil {
			x = &Stream{Series: r.Series, First: r.At, Last: r.At, Least: r.Value, Highest: r.Value, last: r.At}
			s.streams[r.Series] = x
		} else {
			x.step(r.At)
		}
		x.N++
		x.sum += r.Value
		x.Least, x.Highest = min(x.Least, r.Value), max(x.Highest, r.Value)
		s.Readings++
		if s.First.IsZero() || r.At.Before(s.First) {
			s.First = r.At
		}
		if r.At.After(s.Last) {
			s.Last = r.At
		}
	}
}

// step goes from the reading before to the next, forwards or backwards, since
// some tables begin with the newest.
func (x *Stream) step(at time.Time) {
	pause := at.Sub(x.last).Abs()
	switch {
	case pause == 0:
		x.Twice++
	case pause > GapOver:
		if x.Gaps++; pause > x.Longest {
			x.Longest, x.LongestFrom = pause, x.last
			if at.Before(x.last) {
				x.LongestFrom = at
			}
		}
	}
	if at.Before(x.First) {
		x.First = at
	}
	if at.After(x.Last) {
		x.Last = at
	}
	x.last = at
}

// Streams lists them by name.
func (s *Survey) Streams() []Stream {
	var out []Stream
	for _, x := range slices.SortedFunc(maps.Values(s.streams), func(a, b *Stream) int { return strings.Compare(a.String(), b.String()) }) {
		out = append(out, *x)
	}
	return out
}
