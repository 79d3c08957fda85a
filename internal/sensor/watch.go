package sensor

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"dryhold/internal/room"
	"dryhold/internal/unit"
)

const (
	hourMS = int64(time.Hour / time.Millisecond)
	dayMS  = 24 * hourMS
	// keptDays is how many closed days a Watch remembers besides the open
	// ones: what a drift is judged by (see Drift) and a margin.
	keptDays = 100
	// LongestRun is the longest time without a change that Unchanged tells
	// from a longer one.
	LongestRun = 90 * 24 * time.Hour
)

// Watch follows what the sensors of one room send, to find faults. Like a
// room.Ledger it depends on the set of readings alone: fed in any order, late
// or twice, or again after Restart, it is the same to the last bit.
//
// Days that can no longer change but by Restart are closed: of each a summary
// stays, for as long as a fault is judged by it.
type Watch struct {
	stale   func(sensor string) time.Duration
	spike   func(q unit.Quantity) float64
	streams []*stream // by sensor, then quantity
	open    int64     // what lies before is closed, ms
}

// sample is a reading: as sent and as it counts.
type sample struct {
	at         int64 // ms since the epoch
	raw, value float64
}

func (s sample) time() time.Time { return time.UnixMilli(s.at).UTC() }

// stream is one series.
type stream struct {
	room.Series
	stale   int64   // ms
	limit   float64 // of a spike; 0 where none is looked for
	days    []day   // closed, by date
	samples []sample
	trust   trust // after the newest sample
	forgot  bool  // days before the first one
}

// day sums up one closed day that has samples.
type day struct {
	date        int64 // its start, ms
	hours       int   // with a sample
	mean        float64
	first, last sample
	tail        run // the unbroken run of one raw value at its end
	trust       trust
}

// run is a stretch in which every sample has the same raw value.
type run struct {
	from    int64 // ms
	covered int64 // ms of it between samples no further apart than the stale limit
	whole   bool  // it reaches back to the first sample looked at
}

// NewWatch watches a room. stale gives the stale limit of a sensor, spike the
// limit of a jump of a quantity in its canonical unit, 0 for none; neither may
// change while the watch lives.
func NewWatch(stale func(sensor string) time.Duration, spike func(q unit.Quantity) float64) *Watch {
	return &Watch{stale: stale, spike: spike}
}

// Add takes a reading as sent and as it counts, and says what is to be thought
// of it. One at an instant already known for its series, or on a closed day,
// changes nothing.
func (w *Watch) Add(raw, counted room.Reading) Verdict {
	x := sample{raw.At.UnixMilli(), raw.Value, counted.Value}
	if x.at < w.open {
		return Verdict{}
	}
	s := w.stream(raw.Series)
	if n := len(s.samples); n > 0 && x.at <= s.samples[n-1].at { // late
		i, found := slices.BinarySearchFunc(s.samples, x.at, func(s sample, at int64) int { return cmp.Compare(s.at, at) })
		if !found {
			s.samples = slices.Insert(s.samples, i, x)
			s.trust = s.through(s.base(), s.samples)
		}
		return Verdict{}
	}
	s.samples = append(s.samples, x)
	was := s.trust
	var of outcome
	s.trust, of = was.step(x, s.limit)
	return verdict(was, s.trust, of)
}

func (w *Watch) stream(of room.Series) *stream {
	i, found := w.index(of)
	if !found {
		w.streams = slices.Insert(w.streams, i, &stream{Series: of, stale: w.stale(of.Sensor).Milliseconds(), limit: w.spike(of.Quantity)})
	}
	return w.streams[i]
}

func (w *Watch) index(of room.Series) (int, bool) {
	return slices.BinarySearchFunc(w.streams, of, func(s *stream, of room.Series) int {
		return cmp.Or(strings.Compare(s.Sensor, of.Sensor), cmp.Compare(s.Quantity, of.Quantity))
	})
}

// base is what was thought at the end of the closed days.
func (s *stream) base() trust {
	if n := len(s.days); n > 0 {
		return s.days[n-1].trust
	}
	return trust{}
}

func (s *stream) through(t trust, samples []sample) trust {
	for _, x := range samples {
		t, _ = t.step(x, s.limit)
	}
	return t
}

// Close sums up the days before an instant, the start of one; they change only
// by Restart from then on.
func (w *Watch) Close(before time.Time) {
	at := floorDay(before.UnixMilli())
	if at <= w.open {
		return
	}
	w.open = at
	for _, s := range w.streams {
		n := 0
		for n < len(s.samples) && s.samples[n].at < at {
			date, from := floorDay(s.samples[n].at), n
			for n < len(s.samples) && s.samples[n].at < min(at, date+dayMS) {
				n++
			}
			s.days = append(s.days, s.sum(s.samples[from:n]))
		}
		s.samples = slices.Delete(s.samples, 0, n)
		n = 0 // one older than the window stays: the last that was known
		for n+1 < len(s.days) && s.days[n+1].date < at-keptDays*dayMS {
			n++
		}
		s.days, s.forgot = slices.Delete(s.days, 0, n), s.forgot || n > 0
	}
}

// sum sums up one day's samples, at least one, behind the closed days.
func (s *stream) sum(samples []sample) day {
	d := day{date: floorDay(samples[0].at), first: samples[0], last: samples[len(samples)-1]}
	d.tail, d.trust = s.runOf(samples), s.through(s.base(), samples)
	for i := 0; i < len(samples); {
		hour, sum, n := samples[i].at/hourMS, 0.0, 0
		for ; i < len(samples) && samples[i].at/hourMS == hour; i++ {
			sum, n = sum+samples[i].value, n+1
		}
		d.mean, d.hours = d.mean+sum/float64(n), d.hours+1
	}
	d.mean /= float64(d.hours)
	return d
}

// runOf is the run at the end of samples, at least one.
func (s *stream) runOf(samples []sample) run {
	i := len(samples) - 1
	r := run{from: samples[i].at}
	for i > 0 && samples[i-1].raw == samples[i].raw {
		r.add(samples[i-1].at, samples[i].at, s.stale)
		i--
	}
	r.whole = i == 0
	return r
}

// add lengthens the run back to an earlier sample.
func (r *run) add(from, to, stale int64) {
	r.from = from
	if to-from <= stale {
		r.covered += to - from
	}
}

// Reaches reports whether Restart from an instant leaves all that is needed:
// nothing that a fault or a last value rests on was forgotten.
func (w *Watch) Reaches(from time.Time) bool {
	at := floorDay(from.UnixMilli() + dayMS - 1)
	return !slices.ContainsFunc(w.streams, func(s *stream) bool { return s.forgot && s.days[0].date >= at })
}

// Restart forgets the days from an instant on, whose readings are about to be
// fed again, each as it now counts. Where the instant lies within a day, that
// day stays.
func (w *Watch) Restart(from time.Time) {
	at := floorDay(from.UnixMilli() + dayMS - 1)
	w.open = min(w.open, at)
	w.streams = slices.DeleteFunc(w.streams, func(s *stream) bool {
		s.days = slices.DeleteFunc(s.days, func(d day) bool { return d.date >= at })
		s.samples = slices.DeleteFunc(s.samples, func(x sample) bool { return x.at >= at })
		s.trust = s.through(s.base(), s.samples)
		return len(s.days) == 0 && len(s.samples) == 0
	})
}

func floorDay(ms int64) int64 {
	n := ms / dayMS
	if ms%dayMS < 0 {
		n--
	}
	return n * dayMS
}
