package room

import (
	"math"
	"slices"
	"time"

	"dryhold/internal/thermal"
	"dryhold/internal/unit"
)

// warmUp is how many time constants before a stretch the core of a lag that is
// not kept begins at the air: what it was before is then worth e^-12 of the
// difference.
const warmUp = 12

// Cores gives the mean core temperature behind a lag for each hour that Hours
// visits, °C; not-a-number for an hour of which nothing is known. A lag that
// the ledger keeps starts each day, and each open hour, where the fold had it;
// within a day, and for any other lag, the core follows the means of the hours.
// So the first hours of a ledger are those of food that had the mean of the
// first. It fails on a lag that is none.
func (l *Ledger) Cores(lag unit.Hours, from, to time.Time) ([]float64, error) {
	of, err := thermal.NewLag(lag)
	if err != nil {
		return nil, err
	}
	step, mean := of.Step(1, 1), of.MeanStep(1)
	first := int((floorHour(from.UnixMilli()+hourMS-1) - l.start) / hourMS)
	end := int((floorHour(to.UnixMilli()+hourMS-1) - l.start) / hourMS)
	out := make([]float64, 0, max(0, end-first))
	walk := l.walkTo(lag, first)
	for i := first; i < end; i++ {
		core, air, ok := walk.at(i)
		if !ok {
			out = append(out, math.NaN())
			continue
		}
		out = append(out, float64(mean.Core(core, air, air)))
		walk.core = step.Core(core, air, air)
	}
	return out, nil
}

// coreWalk is a core carried from hour to hour.
type coreWalk struct {
	l     *Ledger
	kept  int // index of the lag among those kept, or -1
	day   int // next of the days' starts
	core  unit.Celsius
	known bool
}

// walkTo is the core of a lag at the start of a slot.
func (l *Ledger) walkTo(lag unit.Hours, slot int) *coreWalk {
	w := &coreWalk{l: l, kept: slices.IndexFunc(l.fold.keys.lags, func(g group) bool { return g.lag == lag })}
	begin := slot - int(min(float64(max(0, slot)), math.Ceil(warmUp*float64(lag))))
	if w.kept >= 0 && len(l.days) > 0 {
		w.day = l.dayOf(slot)
		begin = l.days[w.day].slot
	}
	of, err := thermal.NewLag(lag)
	if err != nil {
		return w // told by the caller
	}
	step := of.Step(1, 1)
	for i := max(0, begin); i < min(slot, len(l.slots)); i++ {
		if core, air, ok := w.at(i); ok {
			w.core = step.Core(core, air, air)
		}
	}
	return w
}

// at is the core at the start of a slot and the mean of the air in it; ok is
// false where the slot is not known.
func (w *coreWalk) at(i int) (core, air unit.Celsius, ok bool) {
	if i < 0 || i >= len(w.l.slots) {
		return 0, 0, false
	}
	w.fixed(i)
	s := w.l.slots[i]
	if s.MeasuredMS+s.EstimatedMS == 0 {
		return 0, 0, false
	}
	air = unit.Celsius(s.TempMean)
	if !w.known {
		w.core, w.known = air, true
	}
	return w.core, air, true
}

// fixed takes the core from the fold where that has kept it.
func (w *coreWalk) fixed(i int) {
	if w.kept < 0 {
		return
	}
	for ; w.day < len(w.l.days) && w.l.days[w.day].slot <= i; w.day++ {
		if d := w.l.days[w.day]; d.slot == i && d.coreKnown {
			w.core, w.known = unit.Celsius(d.core[w.kept]), true
		}
	}
	if k := i - w.l.openAt; k >= 0 && k < len(w.l.open) && w.l.open[k].coreKnown {
		w.core, w.known = unit.Celsius(w.l.open[k].core[w.kept]), true
	}
}
