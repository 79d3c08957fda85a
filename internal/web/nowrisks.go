package web

import (
	"cmp"
	"slices"

	"dryhold/internal/engine"
)

// maxRisks is how many lots the page shows at most: more is for the page of
// all lots.
const maxRisks = 8

// shortLife is the share of its planned life that a lot may lose before the
// page says so (judgement).
const shortLife = 0.1

// riskView is a lot that wants a hand, and why.
type riskView struct {
	Life    lifeView
	Reasons []sight
	English []sight // as the core says them
}

// risks are the lots that want a hand: those with a warning first, then those
// with least left.
func (p *pageContext) risks(v *pageView, all []engine.LotView) {
	var risky []engine.LotView
	stored := 0
	for _, l := range all {
		if l.Finished() {
			continue
		}
		stored++
		if r := p.risk(l); len(r.Reasons)+len(r.English) > 0 {
			risky = append(risky, l)
		}
	}
	v.Stored = p.tn("%d lot is stored.", "%d lots are stored.", stored)
	if stored == 0 {
		v.NoLots, v.Stored = true, ""
	}
	v.NoRisk = okSight(p.t("no lot wants a hand"))
	warned := func(l engine.LotView) int { return min(1, len(l.Warnings)) }
	slices.SortStableFunc(risky, func(a, b engine.LotView) int {
		return cmp.Or(cmp.Compare(warned(b), warned(a)), cmp.Compare(a.Remaining.Likely, b.Remaining.Likely), cmp.Compare(a.ID, b.ID))
	})
	if more := len(risky) - maxRisks; more > 0 {
		v.RisksMore = p.tn("%d more lot wants a hand.", "%d more lots want a hand.", more)
		risky = risky[:maxRisks]
	}
	v.Axis = p.lifeAxis(risky)
	for _, l := range risky {
		r := p.risk(l)
		r.Life = p.life(l, v.Axis)
		v.Risks = append(v.Risks, r)
	}
}

// risk says why a lot wants a hand; without reasons where it does not.
func (p *pageContext) risk(l engine.LotView) (r riskView) {
	for _, w := range l.Warnings {
		r.English = append(r.English, overSight(w))
	}
	for _, w := range []Words{Water(l), Atmosphere(l), Insects(l)} {
		if len(l.Warnings) == 0 && w.Standing == Bad { // a warning says it better
			r.English = append(r.English, w.sight())
		}
	}
	plan := plannedEnd(l)
	planned, lives := plan.Sub(l.Packing.PackedAt), l.End.Sub(l.Packing.PackedAt)
	switch {
	case l.AsOf.IsZero():
		r.Reasons = append(r.Reasons, unknownSight(p.t("what is left of it is not known")))
	case l.End.IsZero() || plan.IsZero(): // beyond what is looked at
	case float64(lives) < (1-shortLife)*float64(planned):
		r.Reasons = append(r.Reasons, overSight(p.t("ends before its plan")))
	}
	return r
}

// listening says of all sensors in a line whether they are heard.
func (p *pageContext) listening(sensors []engine.SensorView) sight {
	speaking, silent, faulty := 0, 0, 0
	for _, x := range sensors {
		switch {
		case x.State == engine.Retired || x.State == engine.Awaited:
		case x.Silent:
			silent++
		case len(x.Faults) > 0:
			faulty++
		default:
			speaking++
		}
	}
	switch {
	case silent > 0:
		return overSight(p.tn("%d sensor is silent", "%d sensors are silent", silent))
	case faulty > 0:
		return heldSight(p.tn("%d sensor has a fault", "%d sensors have a fault", faulty))
	case speaking == 0:
		return unknownSight(p.t("no sensor has reported yet"))
	}
	return okSight(p.tn("%d sensor is heard", "all %d sensors are heard", speaking))
}
