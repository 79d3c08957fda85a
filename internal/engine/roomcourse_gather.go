package engine

import (
	"fmt"
	"iter"
	"math"
	"time"

	"dryhold/internal/climate"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// courseStep is the width of the buckets of a course: of minutes or hours of
// UTC, or of days of the site's zone.
type courseStep struct {
	ms   int64
	days int
}

// fine says that it is below the hour.
func (s courseStep) fine() bool { return s.days == 0 && s.ms < time.Hour.Milliseconds() }

// String writes the step as ISO 8601 has it.
func (s courseStep) String() string {
	switch {
	case s.days > 0:
		return fmt.Sprintf("P%dD", s.days)
	case s.fine():
		return fmt.Sprintf("PT%dM", s.ms/time.Minute.Milliseconds())
	}
	return fmt.Sprintf("PT%dH", s.ms/time.Hour.Milliseconds())
}

// finest is the longest stretch that is told from the readings themselves: two
// days, of 25 hours one of them (judgement; it bounds what is read).
const finest = 49 * time.Hour

// courseSteps are tried in turn, until a stretch takes few enough.
func courseSteps() []courseStep {
	var out []courseStep
	for _, m := range []int64{1, 2, 5, 10, 15, 30, 60, 120, 180, 240, 360, 720} {
		out = append(out, courseStep{ms: m * time.Minute.Milliseconds()})
	}
	for _, d := range []int{1, 2, 3, 5, 7, 10, 14, 21, 28, 42, 56, 91, 182, 365, 730, 1461, 2922} {
		out = append(out, courseStep{days: d})
	}
	return out
}

// courseEdges cuts a stretch, from before to, into at most so many buckets, as
// narrow as there are; the first begins at or before from, the last ends at or
// after to. Edges hold one more than there are buckets.
func courseEdges(from, to time.Time, points int, zone *time.Location) (edges []time.Time, step courseStep) {
	for _, step = range courseSteps() {
		if step.fine() && to.Sub(from) > finest {
			continue
		}
		if step.days == 0 && to.Sub(from).Milliseconds()/step.ms > int64(points) {
			continue
		}
		if edges = step.edges(from, to, points, zone); len(edges) <= points+1 {
			break
		}
	}
	return edges, step
}

// edges gives up where there are more than so many buckets.
func (s courseStep) edges(from, to time.Time, points int, zone *time.Location) []time.Time {
	var out []time.Time
	y, m, d := from.In(zone).Date()
	first := from.UnixMilli() / s.width() * s.width() // no instant is before 1970
	for i := 0; len(out) <= points+1; i++ {
		at := time.UnixMilli(first + int64(i)*s.ms).UTC()
		if s.days > 0 {
			at = time.Date(y, m, d+i*s.days, 0, 0, 0, 0, zone).UTC()
		}
		if out = append(out, at); !at.Before(to) {
			break
		}
	}
	return out
}

func (s courseStep) width() int64 { return max(1, s.ms) }

// coursePiece is an hour of a room, or a shorter piece.
type coursePiece struct {
	at   int64 // ms
	slot room.Slot
	core float64 // °C; not-a-number where it is not known
	days float64 // exposure of the air at room.AirEa, days at the reference
}

// gathered is what pieces add up to. Times are milliseconds.
type gathered struct {
	measured, estimated, unknown int64
	temp, core, rh, vapour, lux  tally
	dose, days                   float64
	over                         [3]int64 // above the limits of warm, damp and bright
}

// tally is a mean by time with its extremes.
type tally struct {
	sum, low, high float64
	ms             int64
}

func (t *tally) add(mean, low, high float64, ms int64) {
	if ms <= 0 {
		return
	}
	if t.ms == 0 {
		t.low, t.high = low, high
	}
	t.low, t.high = min(t.low, low), max(t.high, high)
	t.sum += float64(mean * float64(ms))
	t.ms += ms
}

func (t *tally) join(o tally) {
	if o.ms > 0 {
		t.add(o.sum/float64(o.ms), o.low, o.high, o.ms)
	}
}

// mean, least and greatest are not-a-number where nothing is known.
func (t *tally) mean() float64 { return t.known(t.sum / float64(t.ms)) }

func (t *tally) known(v float64) float64 {
	if t.ms == 0 {
		return math.NaN()
	}
	return v
}

func (t *tally) extremes(decimals int) Extremes {
	return Extremes{Number(rounded(t.known(t.low), decimals)), Number(rounded(t.mean(), decimals)), Number(rounded(t.known(t.high), decimals))}
}

func (g *gathered) add(p *coursePiece, l RoomLimits) {
	s := &p.slot
	known := int64(s.MeasuredMS) + int64(s.EstimatedMS)
	g.measured += int64(s.MeasuredMS)
	g.estimated += int64(s.EstimatedMS)
	g.unknown += int64(s.UnknownMS)
	g.temp.add(float64(s.TempMean), float64(s.TempMin), float64(s.TempMax), known)
	g.days += p.days
	if p.core == p.core {
		g.core.add(p.core, p.core, p.core, known)
	}
	rh := float64(s.HumidityMean)
	g.rh.add(rh, rh, rh, int64(s.VapourMS))
	g.vapour.add(float64(s.VapourMean), 0, 0, int64(s.VapourMS))
	lux := float64(s.Dose) * float64(time.Hour.Milliseconds()) / float64(max(1, s.DoseMS))
	g.lux.add(lux, lux, lux, int64(s.DoseMS))
	g.dose += float64(s.Dose)
	for i, x := range [3]struct {
		value float64
		ms    uint32
		limit Number
	}{{float64(s.TempMean), s.MeasuredMS, l.Warm}, {rh, s.VapourMS, l.Damp}, {lux, s.DoseMS, l.Bright}} {
		if x.ms > 0 && x.value > float64(x.limit) { // never above what is not-a-number
			g.over[i] += int64(x.ms)
		}
	}
}

func (g *gathered) join(o *gathered) {
	g.measured, g.estimated, g.unknown = g.measured+o.measured, g.estimated+o.estimated, g.unknown+o.unknown
	g.temp.join(o.temp)
	g.core.join(o.core)
	g.rh.join(o.rh)
	g.vapour.join(o.vapour)
	g.lux.join(o.lux)
	g.dose, g.days = g.dose+o.dose, g.days+o.days
	for i := range g.over {
		g.over[i] += o.over[i]
	}
}

func (g *gathered) state() BucketState {
	known, whole := g.measured+g.estimated, g.measured+g.estimated+g.unknown
	switch {
	case known == 0:
		return BucketUnknown
	case 2*g.measured >= whole:
		return BucketMeasured
	case 2*known >= whole:
		return BucketEstimated
	}
	return BucketPartial
}

// ageing is the mean acceleration factor against one at plan storage.
func (g *gathered) ageing(plan float64) float64 {
	known := g.measured + g.estimated
	if known == 0 {
		return math.NaN()
	}
	return g.days / (float64(known) / float64((24 * time.Hour).Milliseconds())) / plan
}

func (g *gathered) dewPoint() float64 {
	if g.vapour.ms == 0 {
		return math.NaN()
	}
	d, err := climate.DewPointAt(unit.Pascal(g.vapour.mean()))
	if err != nil { // drier than a dew point of -100 °C
		return math.NaN()
	}
	return float64(d)
}

// gather puts pieces, in order of time, into the buckets in which they begin.
func gather(edges []time.Time, pieces iter.Seq[coursePiece], l RoomLimits) []gathered {
	out := make([]gathered, max(0, len(edges)-1))
	ends := make([]int64, len(out))
	for i := range ends {
		ends[i] = edges[i+1].UnixMilli()
	}
	i := 0
	for p := range pieces {
		for i < len(out) && p.at >= ends[i] {
			i++
		}
		if i == len(out) {
			break
		}
		out[i].add(&p, l)
	}
	return out
}

const msPerSecond = 1000

// fill writes the columns and the summary of a course.
func (c *RoomCourse) fill(edges []time.Time, all []gathered, plan float64) {
	b := &c.Buckets
	b.Start = edges[:len(all)]
	var whole gathered
	var dew, ageing tally
	for i := range all {
		g := &all[i]
		whole.join(g)
		b.State = append(b.State, g.state())
		b.Measured, b.Estimated, b.Unknown = append(b.Measured, g.measured/msPerSecond), append(b.Estimated, g.estimated/msPerSecond), append(b.Unknown, g.unknown/msPerSecond)
		d, a := g.dewPoint(), g.ageing(plan)
		if d == d {
			dew.add(d, d, d, g.vapour.ms)
		}
		if a == a {
			ageing.add(a, a, a, g.measured+g.estimated)
		}
		for _, x := range []struct {
			to       *Column
			v        float64
			decimals int
		}{
			{&b.TempMean, g.temp.mean(), 2}, {&b.TempMin, g.temp.known(g.temp.low), 2}, {&b.TempMax, g.temp.known(g.temp.high), 2},
			{&b.CoreMean, g.core.mean(), 2}, {&b.DewPoint, d, 2}, {&b.Ageing, a, 3},
			{&b.RHMean, g.rh.mean(), 4}, {&b.RHMin, g.rh.known(g.rh.low), 4}, {&b.RHMax, g.rh.known(g.rh.high), 4},
			{&b.LuxMean, g.lux.mean(), 1}, {&b.LuxMax, g.lux.known(g.lux.high), 1}, {&b.Dose, g.lux.known(g.dose), 1},
		} {
			*x.to = append(*x.to, Number(rounded(x.v, x.decimals)))
		}
	}
	c.Summary = Summary{
		Measured: whole.measured / msPerSecond, Estimated: whole.estimated / msPerSecond, Unknown: whole.unknown / msPerSecond,
		Humid: whole.rh.ms / msPerSecond, Lit: whole.lux.ms / msPerSecond,
		Temp: whole.temp.extremes(2), Core: whole.core.extremes(2), RH: whole.rh.extremes(4), Lux: whole.lux.extremes(1),
		DewPoint: dew.extremes(2), Ageing: ageing.extremes(3), Dose: Number(rounded(whole.lux.known(whole.dose), 1)),
		OverWarm: whole.over[0] / msPerSecond, OverDamp: whole.over[1] / msPerSecond, OverBright: whole.over[2] / msPerSecond,
	}
}
