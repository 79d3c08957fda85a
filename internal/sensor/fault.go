package sensor

import (
	"cmp"
	"iter"
	"math"
	"slices"
	"time"

	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// Latest is the newest reading of a series, as it counts.
type Latest struct {
	room.Series
	At    time.Time
	Value float64
	trust trust
}

// Standing is the value to judge alarms by at an instant, with its time: the
// newest, or the one before it while the newest may be a spike.
func (l Latest) Standing(now time.Time) (at time.Time, v float64) {
	if l.Held() && now.Sub(l.At) <= Within {
		return l.trust.anchor.time(), l.trust.anchor.value
	}
	return l.At, l.Value
}

// Held reports whether the newest reading may be a spike.
func (l Latest) Held() bool { return l.trust.holds }

// Latest lists the newest reading of every series, by sensor and quantity.
func (w *Watch) Latest() iter.Seq[Latest] {
	return func(yield func(Latest) bool) {
		for _, s := range w.streams {
			x := s.newest()
			if !yield(Latest{s.Series, x.time(), x.value, s.trust}) {
				return
			}
		}
	}
}

// newest is the last sample; a stream has at least one.
func (s *stream) newest() sample {
	if n := len(s.samples); n > 0 {
		return s.samples[n-1]
	}
	return s.days[len(s.days)-1].last
}

// Unchanged gives how long a sensor has gone on sending one and the same value
// for a quantity, and since when. Only time between readings no further apart
// than the stale limit counts: silence is no steadiness, and does not end it
// either. What the sensor sent is looked at, not what it counts as, so that a
// calibration makes no difference. The longest of its quantities is given;
// those that may well stand still (darkness, battery, link, oxygen in a closed
// container) are left out. Zero where there is none.
func (w *Watch) Unchanged(sensor string) (covered time.Duration, since time.Time) {
	for _, s := range w.streams {
		steady := s.Quantity == unit.Temperature || s.Quantity == unit.Humidity ||
			s.Quantity == unit.Illuminance && s.newest().raw != 0
		if s.Sensor != sensor || !steady {
			continue
		}
		r := s.run()
		if d := time.Duration(r.covered) * time.Millisecond; d > covered {
			covered, since = d, time.UnixMilli(r.from).UTC()
		}
	}
	return covered, since
}

// run is the run at the end of all that is remembered.
func (s *stream) run() run {
	k := len(s.days)
	var r run
	if len(s.samples) > 0 {
		r = s.runOf(s.samples)
	} else {
		k--
		r = s.days[k].tail
	}
	for raw := s.newest().raw; r.whole && k > 0 && s.days[k-1].last.raw == raw; k-- {
		d := s.days[k-1]
		r.add(d.last.at, r.from, s.stale)
		r.from, r.covered, r.whole = d.tail.from, r.covered+d.tail.covered, d.tail.whole
	}
	return r
}

// hourly is a sensor's value for the hour that ends at an instant: the mean of
// its readings in it, or its last one where that is not stale.
func (s *stream) hourly(end int64) (v float64, ok bool) {
	i, _ := slices.BinarySearchFunc(s.samples, end, func(x sample, at int64) int { return cmp.Compare(x.at, at) })
	sum, n := 0.0, 0
	for k := i - 1; k >= 0 && s.samples[k].at >= end-hourMS; k-- {
		sum, n = sum+s.samples[k].value, n+1
	}
	switch {
	case n > 0:
		return sum / float64(n), true
	case i > 0 && end-s.samples[i-1].at <= s.stale:
		return s.samples[i-1].value, true
	}
	return 0, false
}

// Apart compares the sensors of a room that measure a quantity, over the hour
// that ends at an instant, a whole hour; those that skip names are left out.
func (w *Watch) Apart(q unit.Quantity, end time.Time, skip func(sensor string) bool) Distances {
	c := Distances{}
	values := map[string]float64{}
	for _, s := range w.streams {
		if s.Quantity != q || skip(s.Sensor) {
			continue
		}
		c.Sensors = append(c.Sensors, s.Sensor)
		if v, ok := s.hourly(end.UnixMilli()); ok {
			values[s.Sensor] = v
		}
	}
	c.compare(func(a, b string) (float64, bool) {
		va, okA := values[a]
		vb, okB := values[b]
		return math.Abs(va - vb), okA && okB
	})
	return c
}

const (
	// Drift compares the means of whole days, of which all but a few hours
	// must be known of both sensors: half a day would be off by half the
	// swing of the day (judgement).
	driftHours = 20
	// It looks back over a quarter of a year: longer, and the layering of the
	// air, which changes with the season, is taken for drift (judgement).
	// What creeps more slowly shows as a disagreement, or at calibration.
	driftDays = 90
	// The median of the first two weeks is what is usual, that of the last
	// one what is now; the two are told apart by at least a week. A window
	// left open for a day moves no median (judgement).
	usualDays, recentDays, leastDays = 14, 7, 28
	// oldest is how long ago the last common day may be.
	oldestMS = 3 * dayMS
)

// Drift compares how the difference between sensors of a quantity has moved:
// from what it was at first, within the last quarter of a year and since
// either of the two was renewed, to what it is now. Those that skip names are
// left out.
func (w *Watch) Drift(q unit.Quantity, now time.Time, skip func(sensor string) bool, renewed func(sensor string) time.Time) Distances {
	c, of := Distances{}, []*stream(nil)
	today := floorDay(now.UnixMilli())
	whole := map[string][]day{}
	for _, s := range w.streams {
		if s.Quantity != q || skip(s.Sensor) {
			continue
		}
		c.Sensors = append(c.Sensors, s.Sensor)
		of = append(of, s)
	}
	if len(of) > 1 {
		for _, s := range of {
			whole[s.Sensor] = s.whole(max(today-driftDays*dayMS, renewed(s.Sensor).UnixMilli()), today)
		}
	}
	c.compare(func(a, b string) (float64, bool) { return moved(whole[a], whole[b], today) })
	return c
}

// whole lists the well covered days in a span, closed or not, by date.
func (s *stream) whole(from, to int64) []day {
	days := slices.Clone(s.days)
	for i := 0; i < len(s.samples); {
		date, first := floorDay(s.samples[i].at), i
		for i < len(s.samples) && s.samples[i].at < date+dayMS {
			i++
		}
		days = append(days, s.sum(s.samples[first:i]))
	}
	return slices.DeleteFunc(days, func(d day) bool { return d.date < from || d.date >= to || d.hours < driftHours })
}

// moved is how far the difference of two sensors has moved.
func moved(a, b []day, today int64) (by float64, ok bool) {
	var apart []float64
	last := int64(0)
	for _, x := range a {
		i, found := slices.BinarySearchFunc(b, x.date, func(d day, date int64) int { return cmp.Compare(d.date, date) })
		if found {
			apart, last = append(apart, x.mean-b[i].mean), x.date
		}
	}
	n := len(apart)
	if n < leastDays || today-last > oldestMS {
		return 0, false
	}
	return math.Abs(median(apart[n-recentDays:]) - median(apart[:usualDays])), true
}

func median(v []float64) float64 {
	v = slices.Sorted(slices.Values(v))
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}

// Distances tells how far each sensor of a quantity is from the others.
type Distances struct {
	Sensors []string // all that measure it, by name
	// From is the distance of those that can be compared: to the median of
	// the others, of two middle ones the nearer, so that of three sensors
	// the one that is off stands out and the two that agree do not.
	From map[string]float64
}

func (c *Distances) compare(distance func(a, b string) (float64, bool)) {
	c.From = map[string]float64{}
	for _, a := range c.Sensors {
		var to []float64
		for _, b := range c.Sensors {
			if a == b {
				continue
			}
			if d, ok := distance(a, b); ok {
				to = append(to, d)
			}
		}
		if n := len(to); n > 0 {
			slices.Sort(to)
			c.From[a] = to[(n-1)/2]
		}
	}
}
