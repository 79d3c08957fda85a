package room

import (
	"math"
	"slices"
	"strings"
	"time"

	"dryhold/internal/unit"
)

// Ledger is the fold of one room's readings: hour slots, core temperatures
// and the thermal exposure of every key since the first reading. It depends
// on the set of readings and the instant asked for alone: fed in any order,
// late or twice, or rebuilt from the store, it is the same to the last bit.
//
// The two newest days are open: their readings are kept and their hours are
// folded again when a late reading touches them. Older days are closed and
// remember only what a restart needs.
type Ledger struct {
	fold   *Fold
	stale  func(sensor string) time.Duration
	tracks map[unit.Quantity][]*track

	start   int64 // of the first hour, ms; meaningful once slots or samples exist
	begun   bool
	slots   []Slot
	prefix  rows     // exposure at the start of each slot, Len keys each
	covered []cover  // at the start of each slot
	bounds  []bound  // hours with estimates
	days    []closed // state at each day's start, but the sums
	open    []state  // at the start of each open hour, from openFrom
	openAt  int      // slot index of open[0]
	now     state    // at the settled instant
	settled int64    // the temperature is folded up to here
	dirty   int64    // earliest instant touched since the last Advance
	changed int64    // earliest instant folded anew since the last TakeChanged
	revised int64    // and since the last TakeRevised
}

// cover counts the time before a slot whose temperature was measured or
// estimated.
type cover struct{ measured, estimated int64 }

// bound is the room for error of the exposure after an hour with estimates.
type bound struct {
	slot         int
	below, above []float64
}

// closed is what a restart at a day's start needs besides the sums.
type closed struct {
	slot      int
	core      []float64
	coreKnown bool
	recent    *pattern // nil but for each patternEvery-th day, see patternAt
}

// patternEvery is how many days apart the pattern is kept: it is as large as all
// else of a day, and the hours since tell it again.
const patternEvery = 32

const openDays = 2

// NewLedger makes an empty ledger. stale gives the stale limit of a sensor;
// it must not change while the ledger lives.
func NewLedger(f *Fold, stale func(sensor string) time.Duration) *Ledger {
	return &Ledger{fold: f.apart(), stale: stale, tracks: map[unit.Quantity][]*track{}, now: newState(f.keys), changed: math.MinInt64, revised: math.MaxInt64}
}

// TakeChanged gives the earliest instant whose fold may differ from what it was
// at the last call; ok is false when nothing was folded since.
func (l *Ledger) TakeChanged() (since time.Time, ok bool) {
	since, ok = time.UnixMilli(max(0, l.changed)).UTC(), l.changed != math.MaxInt64
	l.changed = math.MaxInt64
	return since, ok
}

// TakeRevised is TakeChanged for another taker: the earliest hour that was
// folded anew since it last asked. What a Restart folds anew is included; a new
// ledger has revised nothing.
func (l *Ledger) TakeRevised() (since time.Time, ok bool) {
	since, ok = time.UnixMilli(max(0, l.revised)).UTC(), l.revised != math.MaxInt64
	l.revised = math.MaxInt64
	return since, ok
}

// Begun reports whether the ledger has had a reading.
func (l *Ledger) Begun() bool { return l.begun }

// Keys are the exposures the ledger keeps.
func (l *Ledger) Keys() Keys { return l.fold.keys }

// Add takes a reading of the room. A reading at an instant already known for
// the sensor and quantity changes nothing. Where it changes a day that is
// closed, Add does nothing and gives the instant from which the ledger must
// be restarted and fed again from the store; otherwise that instant is zero.
// The fold follows at the next Advance.
func (l *Ledger) Add(r Reading) (restart time.Time) {
	at := r.At.UnixMilli()
	l.begin(at)
	t := l.track(r.Series)
	touched := t.touch(at)
	if at < l.openStart() {
		touched = at - t.stale // the reading before it, whose trace it changes, may be dropped
	}
	if touched < l.openStart() {
		return time.UnixMilli(touched).UTC()
	}
	if t.insert(sample{at, r.Value}) {
		l.dirty = min(l.dirty, touched)
	}
	return time.Time{}
}

// Feed takes a reading again after Restart. Readings must come in order of
// time, from the instant Restart gave; those from before the day it restarts
// at serve only the trace across its start.
func (l *Ledger) Feed(r Reading) {
	at := r.At.UnixMilli()
	l.begin(at)
	t := l.track(r.Series)
	touched := t.touch(at)
	if t.insert(sample{at, r.Value}) {
		l.dirty = min(l.dirty, max(touched, l.openStart()))
	}
}

func (l *Ledger) begin(at int64) {
	if !l.begun {
		hour := floorHour(at)
		l.begun, l.start, l.settled, l.dirty = true, hour, hour, hour
	}
}

// openStart is the first instant whose readings can still be added.
func (l *Ledger) openStart() int64 { return l.start + int64(l.openAt)*hourMS }

func (l *Ledger) track(s Series) *track {
	ts := l.tracks[s.Quantity]
	i, found := slices.BinarySearchFunc(ts, s.Sensor, func(t *track, name string) int { return strings.Compare(t.sensor, name) })
	if !found {
		ts = slices.Insert(ts, i, &track{sensor: s.Sensor, stale: l.stale(s.Sensor).Milliseconds()})
		l.tracks[s.Quantity] = ts
	}
	return ts[i]
}

// Advance folds everything known up to the instant asOf, which must not go
// back. Time since the last temperature reading waits, unjudged, until the
// sensor's stale limit is over; then it is a gap and estimated.
func (l *Ledger) Advance(asOf time.Time) {
	if !l.begun {
		return
	}
	settled, end := l.horizon(asOf.UnixMilli())
	first := int((floorHour(min(l.dirty, l.settled)) - l.start) / hourMS)
	first = max(first, l.openAt)
	l.changed = min(l.changed, l.start+int64(first)*hourMS)
	l.revised = min(l.revised, l.start+int64(first)*hourMS)
	l.truncate(first)
	st := l.stateAt(first)
	temp, hum, lux := l.tracks[unit.Temperature], l.tracks[unit.Humidity], l.tracks[unit.Illuminance]
	for i := first; l.start+int64(i)*hourMS < end; i++ {
		from := l.start + int64(i)*hourMS
		l.openHour(i, from, st)
		slot := l.fold.slot(&st, temp, hum, lux, from, min(from+hourMS, end), settled)
		l.slots = append(l.slots, slot)
		if slot.EstimatedMS > 0 {
			l.bounds = append(l.bounds, bound{i, slices.Clone(st.below), slices.Clone(st.above)})
		}
	}
	l.now, l.settled, l.dirty = st, settled, settled
	l.close(asOf.UnixMilli())
}

// horizon gives the instant up to which the temperature can be judged, and
// the end of everything known.
func (l *Ledger) horizon(asOf int64) (settled, end int64) {
	last, pending := l.start, false
	for _, t := range l.tracks[unit.Temperature] {
		if n := len(t.samples); n > 0 {
			last = max(last, t.samples[n-1].at)
			pending = pending || asOf <= t.samples[n-1].at+t.stale
		}
	}
	settled = max(last, asOf)
	if pending {
		settled = last
	}
	end = settled
	for _, q := range []unit.Quantity{unit.Humidity, unit.Illuminance} {
		for _, t := range l.tracks[q] {
			if n := len(t.samples); n > 0 {
				end = max(end, t.samples[n-1].at)
			}
		}
	}
	return settled, end
}

// openHour records the state at the start of slot i.
func (l *Ledger) openHour(i int, from int64, st state) {
	l.prefix.add(st.sum)
	l.covered = append(l.covered, cover{st.measured, st.estimated})
	l.open = append(l.open, st.clone())
	if from%dayMS == 0 || i == 0 {
		d := closed{slot: i, core: slices.Clone(st.core), coreKnown: st.coreKnown}
		if len(l.days)%patternEvery == 0 {
			recent := st.recent
			d.recent = &recent
		}
		l.days = append(l.days, d)
	}
}

// truncate forgets the fold from slot i on.
func (l *Ledger) truncate(i int) {
	l.slots = l.slots[:min(i, len(l.slots))]
	l.prefix.truncate(i)
	l.covered = l.covered[:min(i, len(l.covered))]
	for n := len(l.bounds); n > 0 && l.bounds[n-1].slot >= i; n-- {
		l.bounds = l.bounds[:n-1]
	}
	for n := len(l.days); n > 0 && l.days[n-1].slot >= i; n-- {
		l.days = l.days[:n-1]
	}
}

// stateAt takes the state at the start of open slot i and forgets the later
// ones.
func (l *Ledger) stateAt(i int) state {
	k := i - l.openAt
	if k >= len(l.open) {
		return l.now.clone()
	}
	st := l.open[k].clone()
	l.open = l.open[:k]
	return st
}

// close lets go of the readings and states of days that are no longer open.
// A day stays open while a sensor whose last reading lies in it may yet speak
// within its stale limit.
func (l *Ledger) close(asOf int64) {
	from := floorDay(l.settled) - (openDays-1)*dayMS
	for _, ts := range l.tracks {
		for _, t := range ts {
			if n := len(t.samples); n > 0 && asOf <= t.samples[n-1].at+t.stale {
				from = min(from, floorDay(t.samples[n-1].at))
			}
		}
	}
	i := int((from - l.start) / hourMS)
	if from <= l.start || i <= l.openAt {
		return
	}
	l.open = slices.Delete(l.open, 0, i-l.openAt)
	l.openAt = i
	for _, ts := range l.tracks {
		for _, t := range ts {
			t.drop(from)
		}
	}
}

// Restart takes the ledger back to the start of the day of an instant. It
// returns the instant from which readings must be fed again: the day's start
// less the longest stale limit.
func (l *Ledger) Restart(at time.Time) time.Time {
	want := floorDay(at.UnixMilli())
	n := len(l.days)
	for n > 0 && l.start+int64(l.days[n-1].slot)*hourMS > want {
		n--
	}
	if !l.begun || n == 0 || want < l.start {
		*l = *NewLedger(l.fold, l.stale)
		return time.UnixMilli(0).UTC()
	}
	d := l.days[n-1]
	st := l.restored(n - 1)
	longest := time.Duration(0)
	for _, ts := range l.tracks {
		for _, t := range ts {
			longest = max(longest, time.Duration(t.stale)*time.Millisecond)
			t.samples = nil
		}
	}
	l.truncate(d.slot)
	l.open, l.openAt, l.now = nil, d.slot, st
	l.settled = l.start + int64(d.slot)*hourMS
	l.dirty, l.changed = l.settled, min(l.changed, l.settled)
	return time.UnixMilli(l.settled).UTC().Add(-longest)
}

// restored builds the whole state at the start of a closed day, by its index.
func (l *Ledger) restored(day int) state {
	d := l.days[day]
	st := newState(l.fold.keys)
	copy(st.sum, l.prefix.at(d.slot))
	st.measured, st.estimated = l.covered[d.slot].measured, l.covered[d.slot].estimated
	copy(st.core, d.core)
	st.coreKnown, st.recent = d.coreKnown, l.patternAt(day)
	if i := l.boundBefore(d.slot); i >= 0 {
		copy(st.below, l.bounds[i].below)
		copy(st.above, l.bounds[i].above)
	}
	return st
}

// patternAt is the pattern at the start of a day, by its index: the one kept last
// before it, and what the whole hours since have taught.
func (l *Ledger) patternAt(day int) pattern {
	kept := day - day%patternEvery
	p := *l.days[kept].recent
	for i := l.days[kept].slot; i < l.days[day].slot; i++ {
		s := &l.slots[i]
		if int64(s.MeasuredMS) >= learnMS && int64(s.MeasuredMS)+int64(s.EstimatedMS)+int64(s.UnknownMS) == hourMS {
			p.learn(int((l.start/hourMS+int64(i))%24), s.TempMean)
		}
	}
	return p
}

// dayOf is the index of the start of the day that slot i lies in, or of the
// first day for what was before; there must be one.
func (l *Ledger) dayOf(i int) int {
	n, _ := slices.BinarySearchFunc(l.days, i+1, func(d closed, i int) int { return d.slot - i })
	return max(0, n-1)
}

// boundBefore is the index of the last bound of an hour before slot i, or -1.
func (l *Ledger) boundBefore(i int) int {
	n, _ := slices.BinarySearchFunc(l.bounds, i, func(b bound, i int) int { return b.slot - i })
	return n - 1
}

func floorHour(ms int64) int64 { return floor(ms, hourMS) }
func floorDay(ms int64) int64  { return floor(ms, dayMS) }

func floor(ms, unit int64) int64 {
	n := ms / unit
	if ms%unit < 0 {
		n--
	}
	return n * unit
}
