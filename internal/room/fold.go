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

// Fold integrates hours for a set of keys. It holds tables and scratch space and
// no result. It is not safe for concurrent use, but apart gives others on the
// same tables that are, beside it.
type Fold struct {
	keys    Keys
	kernels []*kinetics.Kernel // per lag
	lags    []thermal.Lag
	breaks  []int64
	rate    []float64
	before  []float64
	pieces  []piece   // measured and not integrated yet, in order
	ts      []float64 // of one lag: the core at the Gauss points of the pieces
	halves  []float64 // half the length of each piece, days, once for each of ts
}

// piece is a short stretch of air that goes straight from a to b.
type piece struct {
	a, b float64
	ms   int64
}

// NewFold makes the fold of a set of keys. It fails on a lag or an activation
// energy that is none.
func NewFold(k Keys) (*Fold, error) {
	f := &Fold{keys: k, rate: make([]float64, k.Len()), before: make([]float64, k.Len())}
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

// apart is the same fold with scratch space of its own.
func (f *Fold) apart() *Fold {
	return &Fold{keys: f.keys, kernels: f.kernels, lags: f.lags, rate: make([]float64, f.keys.Len()), before: make([]float64, f.keys.Len())}
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
		f.integrate(st)
		if likely, low, high, ok := st.recent.estimate(hourOfDay); ok {
			f.estimated(st, likely, low, high, q-p)
			slot.EstimatedMS += uint32(q - p)
			slot.TempMean, slot.TempMin, slot.TempMax = float32(likely), float32(low), float32(high)
			continue
		}
		slot.UnknownMS += uint32(q - p)
	}
	f.integrate(st)
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

// measured adds a stretch over which the air went straight from v0 to v1, for
// integrate to take up.
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
		f.pieces = append(f.pieces, piece{a, b, step})
		done += step
	}
}

// integrate takes up the pieces that were measured, lag by lag: each by two
// Gauss points, which moves the core to its end.
func (f *Fold) integrate(st *state) {
	if len(f.pieces) == 0 {
		return
	}
	f.halves = f.halves[:0]
	for _, p := range f.pieces {
		half := float64(p.ms) / float64(dayMS) / 2
		f.halves = append(f.halves, half, half)
	}
	for l, g := range f.keys.lags {
		f.ts = f.ts[:0]
		core, lag, of := unit.Celsius(st.core[l]), f.lags[l], int64(0)
		var first, second, end thermal.Step
		for _, p := range f.pieces {
			if p.ms != of {
				dt := unit.Hours(float64(p.ms) / float64(hourMS))
				first, second, end, of = lag.Step(dt, dt*gauss), lag.Step(dt, dt*(1-gauss)), lag.Step(dt, dt), p.ms
			}
			from, to := unit.Celsius(p.a), unit.Celsius(p.b)
			f.ts = append(f.ts, float64(first.Core(core, from, to)), float64(second.Core(core, from, to)))
			core = end.Core(core, from, to)
		}
		st.core[l] = float64(core)
		f.kernels[l].AddEach(st.sum[g.first:g.first+len(g.eas)], f.ts, f.halves)
	}
	f.pieces = f.pieces[:0]
}

// estimated adds a stretch without readings: the core relaxes towards the
// likely temperature; how far the exposure may be off is bounded by food that
// followed the lowest or the highest temperature remembered, without lag.
func (f *Fold) estimated(st *state, likely, low, high float64, ms int64) {
	copy(f.before, st.sum)
	f.measured(st, likely, likely, ms)
	f.integrate(st)
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
	var last damp
	for i := 1; i < len(f.breaks); i++ {
		p, q := f.breaks[i-1], f.breaks[i]
		t0, t1, okT := mean(ts, p, q)
		h0, h1, okH := mean(hs, p, q)
		if !okT || !okH {
			continue
		}
		e0 := last.pressure(t0, h0) // where the interval before ended, most often
		e1 := last.pressure(t1, h1)
		vapour.add(e0, e1, q-p)
		rh.add(h0, h1, q-p)
	}
	slot.VapourMean, slot.HumidityMean, slot.VapourMS = float32(vapour.mean()), float32(rh.mean()), uint32(vapour.ms)
}

// damp remembers the last vapour pressure asked for; its zero value none.
type damp struct{ t, rh, pa float64 }

// pressure is the vapour pressure of air, Pa.
func (d *damp) pressure(t, rh float64) float64 {
	if d.pa == 0 || t != d.t || rh != d.rh {
		*d = damp{t, rh, float64(climate.VapourPressure(unit.Celsius(t), unit.RH(rh)))}
	}
	return d.pa
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
