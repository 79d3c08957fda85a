package web

import (
	"cmp"
	"net/url"
	"strconv"
	"time"

	"dryhold/internal/engine"
)

// Bars of life: each lot as a bar on one axis of time, from the day it was
// packed to its projected end. To show some on a page:
//
//	axis := p.lifeAxis(lots)          // one axis for all bars of the page
//	for _, l := range lots { v.Lives = append(v.Lives, p.life(l, axis)) }
//
//	{{template "life legend"}}        once on the page: the bars use its pattern
//	<div class="lives">{{template "life axis" .Axis}}
//	<ul>{{range .Lives}}<li>{{template "life bar" .}}</li>{{end}}</ul></div>
//
// The template "life bar" begins with the name of the lot, its place, and what
// the bar shows in a sentence, so that the picture itself is not read out.

// lifeAhead is how far an axis looks ahead at most: what lasts longer runs out
// of the picture with an arrow, so that sugar does not squeeze all else
// (judgement).
const lifeAhead = 40

// lifeAxis is one axis of time for all the bars of a page.
type lifeAxis struct {
	from, to time.Time
	Today    lifeTick
	Ticks    []lifeTick
}

// lifeTick is a line on the axis with its label, which stands to one side of it
// near an edge.
type lifeTick struct{ X, Text, Anchor string }

// lifeAxis spans the lots from the first that was packed to the last end.
func (p *pageContext) lifeAxis(lots []engine.LotView) *lifeAxis {
	all := make([]*engine.LotView, 0, len(lots)) // a view is large
	for i := range lots {
		all = append(all, &lots[i])
	}
	return p.lifeAxisOf(all)
}

func (p *pageContext) lifeAxisOf(lots []*engine.LotView) *lifeAxis {
	today := p.now
	for _, l := range lots {
		if l.AsOf.After(today) {
			today = l.AsOf
		}
	}
	far := today.AddDate(lifeAhead, 0, 0)
	from, to := today.AddDate(0, -6, 0), today.AddDate(2, 0, 0)
	for _, l := range lots {
		if at := l.Packing.PackedAt; !at.IsZero() && at.Before(from) {
			from = at
		}
		if l.Finished() || l.AsOf.IsZero() {
			continue
		}
		for _, at := range []time.Time{l.End, l.EndLate, plannedEnd(*l)} {
			switch {
			case at.IsZero() || at.After(far):
				to = far
			case at.After(to):
				to = at
			}
		}
	}
	margin := to.Sub(from) / 50
	a := &lifeAxis{from: from.Add(-margin), to: to.Add(margin)}
	a.Today = a.tick(today, p.t("today"), 0.08)
	a.years(p.zone)
	return a
}

// years sets a tick at round years, at most six, so that labels have room on a
// telephone.
func (a *lifeAxis) years(zone *time.Location) {
	const most = 6
	first, last := a.from.In(zone).Year()+1, a.to.In(zone).Year()
	step := 1
	for _, s := range []int{1, 2, 5, 10, 20, 25, 50, 100} {
		if step = s; last/s-(first-1)/s <= most {
			break
		}
	}
	for y := (first + step - 1) / step * step; y <= last; y += step {
		a.Ticks = append(a.Ticks, a.tick(time.Date(y, 1, 1, 0, 0, 0, 0, zone), strconv.Itoa(y), 0.06))
	}
}

func (a *lifeAxis) tick(at time.Time, text string, edge float64) lifeTick {
	t := lifeTick{X: part(a.place(at)), Text: text, Anchor: "middle"}
	switch x := a.place(at); {
	case x < edge:
		t.Anchor = "start"
	case x > 1-edge:
		t.Anchor = "end"
	}
	return t
}

// place is where an instant lies on the axis, from 0 to 1.
func (a *lifeAxis) place(at time.Time) float64 {
	return min(1, max(0, float64(at.Sub(a.from))/float64(a.to.Sub(a.from))))
}

// part is a length along the axis as SVG takes it.
func part(x float64) string { return strconv.FormatFloat(100*x, 'f', 3, 64) + "%" }

// lifeSpan is a stretch of a bar, and where it ends.
type lifeSpan struct{ X, Width, End string }

// span is nil for a stretch without length.
func (a *lifeAxis) span(from, to time.Time) *lifeSpan {
	x, end := a.place(from), a.place(to)
	if !(end > x) {
		return nil
	}
	return &lifeSpan{part(x), part(end - x), part(end)}
}

// lifeView is one lot as a bar of life, in figures and in words.
type lifeView struct {
	ID, Food, Link, Where string
	Warning               *sight // nil where none is
	Packed                moment
	Ends, Band, Planned   string
	Lost                  string // how many days so far
	Words                 string // what the bar shows, in a sentence

	Finished            bool
	Lived, Coming, Loss *lifeSpan // packed to today, today to the end, end to plan end
	Spread              *lifeSpan // 10 to 90 % of the end
	Today, Plan, End    string    // marks; empty where they are not in the picture
	Beyond              bool      // the likely end is out of the picture
}

// plannedEnd is when a lot would likely end had it been kept at plan storage
// since packing: its end at plan storage from now on, and the days that heat
// has cost it so far. Zero beyond 100 years.
func plannedEnd(l engine.LotView) time.Time {
	if l.EndAtPlan.IsZero() || !(l.LostBeyondPlan == l.LostBeyondPlan) {
		return l.EndAtPlan
	}
	return l.EndAtPlan.Add(time.Duration(l.LostBeyondPlan * 24 * float64(time.Hour)))
}

// life draws a lot on an axis.
func (p *pageContext) life(l engine.LotView, a *lifeAxis) lifeView {
	v := lifeView{
		ID: l.ID, Food: p.word(cmp.Or(l.FoodName, l.Packing.Food)), Link: "/lots/" + url.PathEscape(l.ID),
		Where: p.t("%s in %s", p.amount(l), roomOf(l)), Packed: p.month(l.Packing.PackedAt), Today: a.Today.X,
	}
	if n := len(l.Warnings); n > 0 {
		mark := overSight(p.tn("%d warning", "%d warnings", n))
		v.Warning = &mark
	}
	v.Lost = p.lostBeyondPlan(l)
	if l.Finished() {
		v.Finished, v.Ends = true, p.t("finished %s", p.month(l.FinishedAt).Text)
		v.Lived = a.span(l.Packing.PackedAt, l.FinishedAt)
		v.Words = p.t("Packed %s, %s.", v.Packed.Text, v.Ends)
		return v
	}
	if l.AsOf.IsZero() {
		v.Ends, v.Planned = p.t("not known"), p.t("not known")
		v.Words = p.t("Packed %s. Its end is not known.", v.Packed.Text)
		return v
	}
	p.ends(&v, l, a)
	return v
}

// ends draws and tells what is ahead of a lot.
func (p *pageContext) ends(v *lifeView, l engine.LotView, a *lifeAxis) {
	plan := plannedEnd(l)
	ahead := func(t time.Time) time.Time { // as far as the picture goes
		if t.IsZero() {
			return a.to
		}
		return t
	}
	end := ahead(l.End)
	now := l.AsOf
	if end.Before(now) {
		now = end
	}
	v.Lived, v.Coming = a.span(l.Packing.PackedAt, now), a.span(now, end)
	if !l.End.IsZero() {
		v.Loss = a.span(end, ahead(plan))
	}
	v.Spread = a.span(ahead(l.EndEarly), ahead(l.EndLate))
	if v.Beyond = !end.Before(a.to); !v.Beyond {
		v.End = part(a.place(end))
	}
	if !plan.IsZero() && plan.Before(a.to) {
		v.Plan = part(a.place(plan))
	}
	f := func(t time.Time) string { return p.endText(t, l) }
	v.Ends, v.Planned = f(l.End), f(plan)
	if from, to := f(l.EndEarly), f(l.EndLate); from != to {
		v.Band = p.t("%s to %s", from, to)
	}
	switch {
	case v.Band == "":
		v.Words = p.t("Packed %s, ends %s, planned %s; %s.", v.Packed.Text, v.Ends, v.Planned, v.Lost)
	default:
		v.Words = p.t("Packed %s, ends %s (10 to 90 %%: %s), planned %s; %s.", v.Packed.Text, v.Ends, v.Band, v.Planned, v.Lost)
	}
}

// endText is an end as a person says it: by year, or by month where the whole
// band is near.
func (p *pageContext) endText(t time.Time, l engine.LotView) string {
	switch {
	case t.IsZero(): // not within the 100 years that are looked at
		return p.t("beyond %s", strconv.Itoa(l.AsOf.In(p.zone).Year()+100))
	case !t.After(l.AsOf):
		return p.t("now")
	case !l.EndLate.IsZero() && l.EndLate.Sub(l.AsOf) < longAhead:
		return p.month(t).Text
	}
	return strconv.Itoa(t.In(p.zone).Year())
}

// amount is how much of a lot there is in store.
func (p *pageContext) amount(l engine.LotView) string {
	if l.Finished() {
		return p.t("nothing left")
	}
	return p.stored(l)
}

// lostBeyondPlan is what heat has cost a lot against plan storage, or spared it.
func (p *pageContext) lostBeyondPlan(l engine.LotView) string {
	switch d := l.LostBeyondPlan; {
	case !(d-d == 0) || l.AsOf.IsZero() && !l.Finished():
		return p.t("cost of heat not known")
	case d >= 0.05:
		return p.t("%s lost beyond plan so far", p.days(d))
	case d <= -0.05:
		return p.t("%s spared so far", p.days(-d))
	}
	return p.t("nothing lost beyond plan so far")
}
