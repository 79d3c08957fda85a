package course

import (
	"sort"
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/lot"
	"dryhold/internal/unit"
)

// Future is a lot followed ahead of its course in the climate coming to its
// room. It reads what the follower found on its way, and is good until that
// looks ahead again.
type Future struct {
	Ends  Ends // as Forecast tells them
	c     Course
	a     around
	f     *Follower
	knots []knot
	light float64
}

// Later is what a lot is likely to be at an instant ahead. Ranges are 10 to
// 90 %, and join what is open of the climate and of the constants; water and
// oxygen go along with the likely climate.
type Later struct {
	At        time.Time
	Remaining lot.Range // by the modes alone; see Future.At
	Activity  lot.Range
	Oxygen    lot.Range
}

// Future looks ahead as Forecast does and keeps what it saw on the way.
func (f *Follower) Future(c Course, l lot.Lot, a Ahead) (*Future, error) {
	s, err := f.kept(&c, l, Keeping{})
	if err != nil {
		return nil, err
	}
	x := &Future{c: c, a: around{subject: s, coming: newComing(s, a, c.At)}, f: f}
	if s.lit() {
		x.light = a.Light()
	}
	x.Ends = f.ends(c, x.a, x.light)
	x.knots = f.knots
	return x, nil
}

// At is the lot so many days after its course, from 0 to the horizon of 100
// years, between two steps on the straight line by which Ends were found: at
// the likely end what remains is likely 0, unless it is water that ends the
// lot, of which quality knows nothing. Far beyond its end it is as it was when
// it had ended in every draw.
func (x *Future) At(days float64) Later {
	i := sort.Search(len(x.knots), func(i int) bool { return x.knots[i].days >= days })
	i = min(max(1, i), len(x.knots)-1)
	a, b := &x.knots[i-1], &x.knots[i]
	w := min(1, max(0, (days-a.days)/(b.days-a.days)))
	between := func(from, to float64) float64 { return from + float64((to-from)*w) }
	at := func(of func(*knot) float64) float64 { return between(of(a), of(b)) }

	worst, most := make([]float64, Draws), 0.0
	first := true
	for i := range x.a.food.Modes {
		m := &x.a.food.Modes[i]
		if m.Nutrient {
			continue
		}
		mid := at(func(k *knot) float64 { return k.likely[i] + lightShare(m, m.LightRate.Likely, x.light*k.days) })
		if first || mid > most {
			most, first = mid, false
		}
		mode := x.f.going(&x.c, x.a, x.knots, x.light, i)
		for d := range worst {
			worst[d] = max(worst[d], at(mode.in(d).spent))
		}
	}
	used := band(worst, x.a.middle(worst, most))
	out := State{Failure: x.a.failure()}
	c := Course{}
	for t := range tracks {
		p, q := &a.inside[t], &b.inside[t]
		c.inside[t].aw = between(p.aw, q.aw)
		c.inside[t].water = p.water + (q.water-p.water)*unit.DryBasis(w)
		c.inside[t].gas.Oxygen = between(p.gas.Oxygen, q.gas.Oxygen)
	}
	c.insides(&out, x.a.luck.vessel(x.a.food.ID), make([]float64, Draws))
	return Later{
		At:        after(x.c.At, days),
		Remaining: lot.Range{Low: 1 - used.High, Likely: 1 - used.Likely, High: 1 - used.Low},
		Activity:  out.Activity, Oxygen: out.Oxygen,
	}
}

// going is one mode on its way ahead, and in one draw.
type going struct {
	mode      int
	m         *catalog.Mode
	t         *traits
	v         *vessels
	failure   lot.Range
	future    []float64 // nil where the surroundings are constant
	start     *knot
	dose      float64
	light     float64 // lux hours a day
	draw      int
	at        place
	now, warm float64
}

func (f *Follower) going(c *Course, a around, knots []knot, light float64, mode int) going {
	m := &a.food.Modes[mode]
	x := going{
		mode: mode, m: m, t: a.luck.of(a.food.ID, m), v: a.luck.vessel(a.food.ID), failure: a.failure(),
		start: &knots[0], dose: c.dose, light: light,
	}
	if a.coming != nil {
		x.future = f.luck.future()
	}
	return x
}

// in is the mode in one draw.
func (x *going) in(draw int) *going {
	x.draw, x.at = draw, x.v.place(draw, x.failure)
	if x.future != nil {
		x.now = x.start.curves[x.mode].consumed(x.m, x.t, draw, x.at, x.dose)
		x.warm = x.t.warmth(x.future[draw], x.m.Ea.Likely, x.m.Ea.Low, x.m.Ea.High, draw)
	}
	return x
}

// spent is the share of its life that the mode has consumed at a knot.
func (x *going) spent(k *knot) float64 {
	dark := k.drawn(x.mode, k.curves[x.mode].consumed(x.m, x.t, x.draw, x.at, x.dose), x.now, x.warm)
	return dark + lightShare(x.m, x.t.light[x.draw], x.light*k.days)
}
