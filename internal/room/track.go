package room

import (
	"cmp"
	"slices"
	"time"
)

// The fold counts time in milliseconds since the epoch.
const (
	hourMS = int64(time.Hour / time.Millisecond)
	dayMS  = 24 * hourMS
)

type sample struct {
	at int64 // ms since the epoch, UTC
	v  float64
}

// track is what one sensor has measured of one quantity, in order of time.
type track struct {
	sensor  string
	stale   int64 // ms; two samples further apart than this leave a gap
	samples []sample
}

// place is where a sample at the instant stands or would stand.
func (t *track) place(at int64) (i int, found bool) {
	if n := len(t.samples); n == 0 || at > t.samples[n-1].at {
		return n, false
	}
	return slices.BinarySearchFunc(t.samples, at, func(s sample, at int64) int { return cmp.Compare(s.at, at) })
}

// touch is the earliest instant whose trace a sample would change.
func (t *track) touch(at int64) int64 {
	i, _ := t.place(at)
	if i > 0 && at-t.samples[i-1].at <= t.stale {
		return t.samples[i-1].at
	}
	return at
}

// insert adds a sample in its place; one at a known instant changes nothing.
func (t *track) insert(s sample) (added bool) {
	i, found := t.place(s.at)
	if found {
		return false
	}
	t.samples = slices.Insert(t.samples, i, s)
	return true
}

// drop forgets the samples before the instant but the last of them, which the
// trace across the instant needs.
func (t *track) drop(before int64) {
	n := 0
	for n+1 < len(t.samples) && t.samples[n+1].at < before {
		n++
	}
	if n > 0 {
		t.samples = slices.Delete(t.samples, 0, n)
	}
}

// cursor walks one track forward through an hour.
type cursor struct {
	*track
	i int // samples[i].at <= the present interval's start
}

func newCursors(tracks []*track, from int64) []cursor {
	out := make([]cursor, 0, len(tracks))
	for _, t := range tracks {
		i, found := t.place(from)
		if !found {
			i--
		}
		out = append(out, cursor{t, i})
	}
	return out
}

// over gives the trace at both ends of an interval that holds no sample in
// its inside; ok is false where the sensor was silent for longer than its
// stale limit.
func (c *cursor) over(p, q int64) (vp, vq float64, ok bool) {
	for c.i+1 < len(c.samples) && c.samples[c.i+1].at <= p {
		c.i++
	}
	if c.i < 0 || c.i+1 >= len(c.samples) {
		return 0, 0, false
	}
	a, b := c.samples[c.i], c.samples[c.i+1]
	if b.at < q || b.at-a.at > c.stale {
		return 0, 0, false
	}
	return interpolate(a, b, p), interpolate(a, b, q), true
}

func interpolate(a, b sample, at int64) float64 {
	switch at {
	case a.at:
		return a.v
	case b.at:
		return b.v
	}
	share := float64(at-a.at) / float64(b.at-a.at)
	return a.v + float64((b.v-a.v)*share)
}

// mean fuses the sensors of a room: the mean of those that have a trace
// across the whole interval.
func mean(cs []cursor, p, q int64) (vp, vq float64, ok bool) {
	n := 0.0
	for i := range cs {
		if a, b, good := cs[i].over(p, q); good {
			vp, vq, n = vp+a, vq+b, n+1
		}
	}
	if n == 0 {
		return 0, 0, false
	}
	return vp / n, vq / n, true
}

// breaks lists the ends of the intervals of [from, to): both ends and every
// sample between them, in order, once.
func breaks(buf []int64, from, to int64, sets ...[]cursor) []int64 {
	buf = append(buf[:0], from)
	for _, set := range sets {
		for _, c := range set {
			for i := max(c.i, 0); i < len(c.samples) && c.samples[i].at < to; i++ {
				if at := c.samples[i].at; at > from {
					buf = append(buf, at)
				}
			}
		}
	}
	buf = append(buf, to)
	slices.Sort(buf)
	return slices.Compact(buf)
}
