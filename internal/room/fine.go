package room

import (
	"fmt"
	"math"
	"slices"
	"time"

	"dryhold/internal/unit"
)

// Seed is what the fold of a stretch in pieces shorter than an hour begins
// from: the state at the start of a day, and what the hours since have taught.
// It is a copy: the ledger may go on.
type Seed struct {
	lag     unit.Hours
	begun   bool
	at      int64 // ms
	settled int64
	longest int64 // stale limit, ms
	core    float64
	known   bool
	recent  pattern
	hours   []Slot // from at on
}

// Fine is a slot shorter than an hour: Slot counts it as an hour's slot does.
type Fine struct {
	At   time.Time
	Slot Slot
	// Core is the mean of the core temperature at both ends, °C; not-a-number
	// where nothing is known.
	Core float64
	// Exposure of the air (AirEa) in days at the reference.
	Exposure float64
}

// Seed is the start of a fold in pieces of a stretch, with the core behind a
// lag.
func (l *Ledger) Seed(lag unit.Hours, from, to time.Time) Seed {
	s := Seed{lag: lag, begun: l.begun, at: l.start, settled: l.settled}
	for _, ts := range l.tracks {
		for _, t := range ts {
			s.longest = max(s.longest, t.stale)
		}
	}
	if !l.begun || len(l.days) == 0 {
		return s
	}
	slot := int((floorHour(from.UnixMilli()) - l.start) / hourMS)
	day := l.dayOf(slot)
	d := l.days[day]
	s.at, s.recent = l.start+int64(d.slot)*hourMS, l.patternAt(day)
	if w := l.walkTo(lag, d.slot); d.slot < len(l.slots) {
		w.fixed(d.slot)
		s.core, s.known = float64(w.core), w.known
	}
	end := int((floorHour(to.UnixMilli()+hourMS-1) - l.start) / hourMS)
	if end = min(end, len(l.slots)); end > d.slot {
		s.hours = slices.Clone(l.slots[d.slot:end])
	}
	return s
}

// Needs is the stretch of which Fine wants the readings, to tell the room up to
// an instant.
func (s Seed) Needs(to time.Time) (from, until time.Time) {
	return time.UnixMilli(s.at - s.longest).UTC(), to.Add(time.Duration(s.longest) * time.Millisecond)
}

// Fine folds readings of the room, as they count and in order of time, as the
// ledger folds its hours, in pieces of a width that divides the hour, and
// visits those that begin in a stretch. Nothing is judged past what the ledger
// had settled. It fails on a width that does not divide the hour.
func (s Seed) Fine(readings []Reading, stale func(sensor string) time.Duration, width time.Duration, from, to time.Time, visit func(Fine)) error {
	w := width.Milliseconds()
	if w <= 0 || hourMS%w != 0 {
		return fmt.Errorf("cannot fold pieces of %s: they do not divide the hour", width)
	}
	fold, err := NewFold(NewKeys(Key{s.lag, AirEa}))
	if err != nil {
		return err
	}
	if !s.begun {
		return nil
	}
	l := NewLedger(fold, stale)
	for _, r := range readings {
		l.track(r.Series).insert(sample{r.At.UnixMilli(), r.Value})
	}
	st, lag := newState(fold.keys), len(fold.keys.lags)-1
	for i := range st.core {
		st.core[i] = s.core
	}
	st.coreKnown, st.recent = s.known, s.recent
	for at := floor(from.UnixMilli(), w); at < min(s.at, to.UnixMilli()); at += w { // before the first reading
		visit(Fine{At: time.UnixMilli(at).UTC(), Core: math.NaN(), Slot: Slot{UnknownMS: uint32(w)}})
	}
	for at := s.at; at < min(to.UnixMilli(), s.settled); at += w {
		fine := fold.fine(&st, l, at, min(at+w, s.settled), lag)
		if i := int((at + w - s.at) / hourMS); w < hourMS && (at+w)%hourMS == 0 && i >= 1 && i <= len(s.hours) && s.hours[i-1].MeasuredMS >= uint32(learnMS) {
			st.recent.learn(int(at/hourMS%24), s.hours[i-1].TempMean)
		}
		if at >= from.UnixMilli() {
			visit(fine)
		}
	}
	return nil
}

// fine folds one piece.
func (f *Fold) fine(st *state, l *Ledger, from, to int64, lag int) Fine {
	out := Fine{At: time.UnixMilli(from).UTC(), Core: math.NaN()}
	air, _ := f.keys.index(0, AirEa)
	core, known, sum := st.core[lag], st.coreKnown, st.sum[air]
	out.Slot = f.slot(st, l.tracks[unit.Temperature], l.tracks[unit.Humidity], l.tracks[unit.Illuminance], from, to, to)
	if out.Slot.MeasuredMS+out.Slot.EstimatedMS > 0 {
		if !known { // it began at the air
			core = float64(out.Slot.TempMean)
		}
		out.Core = (core + st.core[lag]) / 2
	}
	out.Exposure = st.sum[air] - sum
	return out
}
