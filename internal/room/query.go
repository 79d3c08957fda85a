package room

import (
	"iter"
	"math"
	"time"

	"dryhold/internal/kinetics"
	"dryhold/internal/unit"
)

// Exposure is the thermal exposure of a stretch of time: the integral of the
// acceleration factor in days at the reference temperature, with the room for
// error that estimated hours leave. What was neither measured nor estimated is
// Unknown and adds nothing: the caller must count it.
type Exposure struct {
	Days, Low, High    unit.Days
	Measured           time.Duration
	Estimated, Unknown time.Duration
}

// Add joins the exposures of two stretches.
func (e Exposure) Add(o Exposure) Exposure {
	return Exposure{
		e.Days + o.Days, e.Low + o.Low, e.High + o.High,
		e.Measured + o.Measured, e.Estimated + o.Estimated, e.Unknown + o.Unknown,
	}
}

// Settled is the instant up to which the temperature is judged; zero before
// the first reading.
func (l *Ledger) Settled() time.Time {
	if !l.begun {
		return time.Time{}
	}
	return time.UnixMilli(l.settled).UTC()
}

// Slots gives the hours folded so far and the instant the first begins. The
// slice is the ledger's own: read it, do not keep it.
func (l *Ledger) Slots() (first time.Time, slots []Slot) {
	return time.UnixMilli(l.start).UTC(), l.slots
}

// Between gives the exposure of one key from one instant to another, the
// parts of an hour taken in proportion. Time after Settled is not judged yet
// and not counted. A key the ledger does not keep is wholly unknown.
func (l *Ledger) Between(lag unit.Hours, ea unit.KJPerMol, from, to time.Time) Exposure {
	k, ok := l.fold.keys.index(lag, ea)
	if !l.begun || !ok {
		return Exposure{Unknown: max(0, to.Sub(from))}
	}
	a, b := from.UnixMilli(), min(to.UnixMilli(), l.settled)
	if b <= a {
		return Exposure{}
	}
	x, y := l.at(k, a), l.at(k, b)
	e := Exposure{
		Days:      unit.Days(y.sum - x.sum),
		Measured:  ms(y.measured - x.measured),
		Estimated: ms(y.estimated - x.estimated),
	}
	e.Unknown = max(0, ms(float64(b-a))-e.Measured-e.Estimated)
	e.Low = max(0, e.Days-unit.Days(y.below-x.below))
	e.High = e.Days + unit.Days(y.above-x.above)
	return e
}

// point is the running sums at an instant.
type point struct{ sum, below, above, measured, estimated float64 }

// at is the running sums at an instant; within an hour they grow evenly, the
// room for error with the rest.
func (l *Ledger) at(k int, at int64) point {
	if at >= l.settled {
		return l.atEnd(k)
	}
	if at <= l.start {
		return point{}
	}
	i := int((at - l.start) / hourMS)
	begin := l.start + int64(i)*hourMS
	from := l.atSlot(k, i)
	if at == begin {
		return from
	}
	to, finish := l.atEnd(k), min(begin+hourMS, l.settled)
	if begin+hourMS <= l.settled && i+1 < len(l.covered) {
		to = l.atSlot(k, i+1)
	}
	share := float64(at-begin) / float64(finish-begin)
	mix := func(a, b float64) float64 { return a + float64((b-a)*share) }
	return point{
		mix(from.sum, to.sum), mix(from.below, to.below), mix(from.above, to.above),
		mix(from.measured, to.measured), mix(from.estimated, to.estimated),
	}
}

// atSlot is the running sums at the start of a slot, atEnd those at the
// settled instant.
func (l *Ledger) atSlot(k, i int) point {
	c := l.covered[i]
	p := point{sum: l.prefix.at(i)[k], measured: float64(c.measured), estimated: float64(c.estimated)}
	if b := l.boundBefore(i); b >= 0 {
		p.below, p.above = l.bounds[b].below[k], l.bounds[b].above[k]
	}
	return p
}

func (l *Ledger) atEnd(k int) point {
	return point{l.now.sum[k], l.now.below[k], l.now.above[k], float64(l.now.measured), float64(l.now.estimated)}
}

func ms(n float64) time.Duration { return time.Duration(math.Round(n)) * time.Millisecond }

// MeanKinetic is the mean kinetic temperature of the air (83.144 kJ/mol) over
// the judged part of a stretch; ok is false when less than half of it was
// measured.
func (l *Ledger) MeanKinetic(from, to time.Time) (t unit.Celsius, ok bool) {
	e := l.Between(0, AirEa, from, to)
	known := e.Measured + e.Estimated
	if known <= 0 || 2*e.Measured < to.Sub(from) {
		return 0, false
	}
	t, err := kinetics.EffectiveTemperature(AirEa, Reference, float64(e.Days)/(known.Hours()/24))
	return t, err == nil
}

// Coverage is the share of a stretch whose temperature was measured, 0 to 1.
func (l *Ledger) Coverage(from, to time.Time) float64 {
	e := l.Between(0, AirEa, from, to)
	return float64(e.Measured) / float64(to.Sub(from))
}

// Dose is the illuminance dose of the measured hours that begin in a stretch,
// lux hours.
func (l *Ledger) Dose(from, to time.Time) float64 {
	sum := 0.0
	first := max(0, int((from.UnixMilli()-l.start+hourMS-1)/hourMS))
	for i := first; i < len(l.slots) && l.start+int64(i)*hourMS < to.UnixMilli(); i++ {
		sum += float64(l.slots[i].Dose)
	}
	return sum
}

// Climate is the mean of a stretch of a room.
type Climate struct {
	Temp        unit.Celsius // of the measured and estimated hours
	TempKnown   bool
	Vapour      unit.Pascal // of the hours with both temperature and humidity
	VapourKnown bool
	Dose        float64 // lux hours
}

// Climate gives the means of a stretch, each hour slot in proportion to how
// much of it lies inside and how much of that is known.
func (l *Ledger) Climate(from, to time.Time) Climate {
	var c Climate
	if !l.begun {
		return c
	}
	a, b := from.UnixMilli(), to.UnixMilli()
	temp, vapour, hours, damp := 0.0, 0.0, 0.0, 0.0
	for i := max(0, int((floorHour(a)-l.start)/hourMS)); i < len(l.slots); i++ {
		begin := l.start + int64(i)*hourMS
		if begin >= b {
			break
		}
		share := float64(min(b, begin+hourMS)-max(a, begin)) / float64(hourMS)
		s := &l.slots[i]
		if known := share * float64(s.MeasuredMS+s.EstimatedMS); known > 0 {
			temp += known * float64(s.TempMean)
			hours += known
		}
		if known := share * float64(s.VapourMS); known > 0 {
			vapour += known * float64(s.VapourMean)
			damp += known
		}
		c.Dose += share * float64(s.Dose)
	}
	if hours > 0 {
		c.Temp, c.TempKnown = unit.Celsius(temp/hours), true
	}
	if damp > 0 {
		c.Vapour, c.VapourKnown = unit.Pascal(vapour/damp), true
	}
	return c
}

// Hours visits the hours that begin in a stretch, in order, each with the
// instant it begins and its slot. No hour is left out: one of which the ledger
// has no slot, before the first reading or not folded yet, comes as a slot
// that is unknown from end to end. MeasuredMS and VapourMS say for how much of
// an hour temperature, and temperature and humidity both, are known. The
// ledger must not change during the visit.
func (l *Ledger) Hours(from, to time.Time) iter.Seq2[time.Time, Slot] {
	return func(yield func(time.Time, Slot) bool) {
		end := to.UnixMilli()
		for at := floorHour(from.UnixMilli() + hourMS - 1); at < end; at += hourMS {
			slot := Slot{UnknownMS: uint32(hourMS)}
			if i := (at - l.start) / hourMS; at >= l.start && i < int64(len(l.slots)) {
				slot = l.slots[i]
			}
			if !yield(time.UnixMilli(at).UTC(), slot) {
				return
			}
		}
	}
}

// OpenSince is the start of the open days: what lies before changes only by
// Restart.
func (l *Ledger) OpenSince() time.Time { return time.UnixMilli(l.openStart()).UTC() }
