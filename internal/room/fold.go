package room

import (
	"fmt"

	"dryhold/internal/climate"
	"dryhold/internal/kinetics"
	"dryhold/internal/thermal"
	"dryhold/internal/unit"
)

const (
	// pieceMS is the longest stretch over which the exposure is integrated
	// at once: the acceleration factor of a core that follows a straight or
	// decaying course is smooth, and two Gauss points over ten minutes leave
	// an error far below 1e-9.
	pieceMS = 10 * 60 * 1000
	// learnMS is how much of an hour must be measured for its mean to enter
	// the room's pattern (judgement).
	learnMS = 30 * 60 * 1000
	// gauss is the place of the two Gauss-Legendre points in a unit interval,
	// (1 - 1/sqrt(3))/2.
	gauss = 0.21132486540518711775
)

// Fold integrates hours for a set of keys. It holds tables, scratch space and
// the decay factors of the last piece length, and no result: the ledgers of a
// site share one. It is not safe for concurrent use.
type Fold struct {
	keys    Keys
	kernels []*kinetics.Kernel // per lag
	lags    []thermal.Lag
	breaks  []int64
	rate    []float64
	before  []float64
	lastMS  int64
	steps   [][3]thermal.Step // per lag: both Gauss points and the end of a piece of lastMS
}

// NewFold makes the fold of a set of keys. It fails on a lag or an activation
// energy that is none.
func NewFold(k Keys) (*Fold, error) {
	f := &Fold{keys: k, rate: make([]float64, k.Len()), before: make([]float64, k.Len()), steps: make([][3]thermal.Step, len(k.lags))}
	for _, g := range k.lags {
		lag, err := thermal.NewLag(g.lag)
		if err != nil {
			return nil, fmt.Errorf("cannot prepare the exposure of a container: %w", err)
		}
		kernel, err := kinetics.NewKernel(Reference, g.eas)
		if err != nil {
			return nil, fmt.Errorf("cannot prepare the exposure of a mode: %w", err)
		}
		f.lags, f.kernels = append(f.lags, lag), append(f.kernels, kernel)
	}
	return f, nil
}

// Keys are the exposures folded.
func (f *Fold) Keys() Keys { return f.keys }

// slot folds [from, to), of one hour, of which the temperature is settled up to
// settled, into the state and gives its slot.
func (f *Fold) slot(st *state, temp, hum, lux []*track, from, to, settled int64) Slot {
	var slot Slot
	f.temperature(st, &slot, temp, from, min(to, settled))
	if len(hum) > 0 {
		f.humidity(&slot, temp, hum, from, to)
	}
	if len(lux) > 0 {
		f.light(&slot, lux, from, to)
	}
	return slot
}

func (f *Fold) temperature(st *state, slot *Slot, tracks []*track, from, to int64) {
	if to <= from {
		return
	}
	cs := newCursors(tracks, from)
	f.breaks = breaks(f.breaks, from, to, cs)
	hourOfDay := int(from / hourMS % 24)
	var air average
	for i := 1; i < len(f.breaks); i++ {
		p, q := f.breaks[i-1], f.breaks[i]
		if v0, v1, ok := mean(cs, p, q); ok {
			f.measured(st, v0, v1, q-p)
			air.add(v0, v1, q-p)
			continue
		}
		if likely, low, high, ok := st.recent.estimate(hourOfDay); ok {
			f.estimated(st, likely, low, high, q-p)
			slot.EstimatedMS += uint32(q - p)
			slot.TempMean, slot.TempMin, slot.TempMax = float32(likely), float32(low), float32(high)
			continue
		}
		slot.UnknownMS += uint32(q - p)
	}
	slot.MeasuredMS = uint32(air.ms)
	if air.ms > 0 {
		slot.TempMean, slot.TempMin, slot.TempMax = float32(air.mean()), float32(air.low), float32(air.high)
	}
	st.measured += air.ms
	st.estimated += int64(slot.EstimatedMS)
	if air.ms >= learnMS && to == from+hourMS {
		st.recent.learn(hourOfDay, slot.TempMean)
	}
}

// measured adds a stretch over which the air went straight from v0 to v1.
func (f *Fold) measured(st *state, v0, v1 float64, ms int64) {
	if !st.coreKnown { // the food is taken to start at the temperature of the air
		for i := range st.core {
			st.core[i] = v0
		}
		st.coreKnown = true
	}
	for done := int64(0); done < ms; {
		step := min(ms-done, pieceMS)
		a := v0 + float64((v1-v0)*(float64(done)/float64(ms)))
		b := v0 + float64((v1-v0)*(float64(done+step)/float64(ms)))
		f.piece(st, a, b, step)
		done += step
	}
}

// piece integrates one short stretch by two Gauss points per lag and moves
// the cores to its end.
func (f *Fold) piece(st *state, a, b float64, ms int64) {
	if ms != f.lastMS {
		dt := unit.Hours(float64(ms) / float64(hourMS))
		for l, lag := range f.lags {
			f.steps[l] = [3]thermal.Step{lag.Step(dt, dt*gauss), lag.Step(dt, dt*(1-gauss)), lag.Step(dt, dt)}
		}
		f.lastMS = ms
	}
	half := float64(ms) / float64(dayMS) / 2
	from, to := unit.Celsius(a), unit.Celsius(b)
	for l, g := range f.keys.lags {
		core, sums, s := unit.Celsius(st.core[l]), st.sum[g.first:g.first+len(g.eas)], &f.steps[l]
		f.kernels[l].Add(sums, s[0].Core(core, from, to), half)
		f.kernels[l].Add(sums, s[1].Core(core, from, to), half)
		st.core[l] = float64(s[2].Core(core, from, to))
	}
}

// estimated adds a stretch without readings: the core relaxes towards the
// likely temperature; how far the exposure may be off is bounded by food that
// followed the lowest or the highest temperature remembered, without lag.
func (f *Fold) estimated(st *state, likely, low, high float64, ms int64) {
	copy(f.before, st.sum)
	f.measured(st, likely, likely, ms)
	days := float64(ms) / float64(dayMS)
	bound := func(t float64, less bool) {
		for l, g := range f.keys.lags {
			f.kernels[l].Factors(f.rate[g.first:g.first+len(g.eas)], unit.Celsius(t))
		}
		for i := range st.sum {
			gap := float64(f.rate[i]*days) - (st.sum[i] - f.before[i])
			if less {
				st.below[i] += max(0, -gap)
			} else {
				st.above[i] += max(0, gap)
			}
		}
	}
	bound(low, true)
	bound(high, false)
}

func (f *Fold) humidity(slot *Slot, temp, hum []*track, from, to int64) {
	ts, hs := newCursors(temp, from), newCursors(hum, from)
	f.breaks = breaks(f.breaks, from, to, ts, hs)
	var vapour, rh average
	for i := 1; i < len(f.breaks); i++ {
		p, q := f.breaks[i-1], f.breaks[i]
		t0, t1, okT := mean(ts, p, q)
		h0, h1, okH := mean(hs, p, q)
		if !okT || !okH {
			continue
		}
		e0 := climate.VapourPressure(unit.Celsius(t0), unit.RH(h0))
		e1 := climate.VapourPressure(unit.Celsius(t1), unit.RH(h1))
		vapour.add(float64(e0), float64(e1), q-p)
		rh.add(h0, h1, q-p)
	}
	slot.VapourMean, slot.HumidityMean, slot.VapourMS = float32(vapour.mean()), float32(rh.mean()), uint32(vapour.ms)
}

func (f *Fold) light(slot *Slot, lux []*track, from, to int64) {
	cs := newCursors(lux, from)
	f.breaks = breaks(f.breaks, from, to, cs)
	var dose average
	for i := 1; i < len(f.breaks); i++ {
		if v0, v1, ok := mean(cs, f.breaks[i-1], f.breaks[i]); ok {
			dose.add(v0, v1, f.breaks[i]-f.breaks[i-1])
		}
	}
	slot.Dose, slot.DoseMS = float32(dose.sum/float64(hourMS)), uint32(dose.ms)
}
