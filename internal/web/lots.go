package web

import (
	"cmp"
	"math"
	"strings"

	"dryhold/internal/engine"
	"dryhold/internal/room"
)

// lotView is one lot as it is now, in words.
type lotView struct {
	ID, Food, Packed string
	Warnings         []string
	Caution          string

	Quality, Range, Limiting, Lost string
	Gaps                           []sight // time that was not measured
	End                            moment
	EndBand, EndBy, AtPlan         string
	Activity, ActivityBand         string
	Water                          sight
	Oxygen, OxygenBand, Absorber   string
	Atmosphere, Insects            sight

	Inside    []factView
	Modes     []modeView
	Nutrients []factView
	Notes     []string
}

// factView is one named value.
type factView struct {
	Name, Value string
}

type modeView struct {
	Name, Spent, Range, Exposure, Water, Oxygen, Light string
}

// lot is a lot in words.
func (p *pageContext) lot(l engine.LotView) lotView {
	v := lotView{
		ID: l.ID, Food: p.word(cmp.Or(l.FoodName, l.Packing.Food)),
		Packed: p.t("%s, %s, packed %s, in %s", p.stored(l), p.word(cmp.Or(l.ContainerName, l.Packing.Container)),
			p.month(l.Packing.PackedAt).Text, roomOf(l)),
		Warnings: l.Warnings, Caution: l.Caution,
		Quality:  p.percent().text(max(-1, l.Remaining.Likely)),
		Range:    p.percentBand(l.Remaining),
		Limiting: p.word(cmp.Or(l.Limiting, "not known")),
		Lost:     p.lost(l.LostBeyondPlan),
		Water:    p.water(l).sight(), Atmosphere: p.atmosphere(l).sight(), Insects: p.insects(l).sight(),
		Absorber: p.absorber(l, "cm³"),
	}
	if l.EndBy != "" {
		v.EndBy = p.word(l.EndBy)
	}
	v.End = p.month(l.End)
	v.End.Text, v.EndBand = p.ending(l, l.EndEarly, l.End, l.EndLate, "Jan 2006")
	if likely, band := p.ending(l, l.PlanEarly, l.EndAtPlan, l.PlanLate, "Jan 2006"); !l.AsOf.IsZero() {
		v.AtPlan = likely
		if band != "" {
			v.AtPlan += ", " + band
		}
	}
	v.Activity, v.ActivityBand = p.activities(l.Moisture.Activity)
	v.Oxygen, v.OxygenBand = p.oxygen(l.Oxygen.Fraction)
	v.Gaps = p.gaps(l)
	v.Inside = p.inside(l)
	for _, m := range l.Modes {
		if m.Nutrient {
			v.Nutrients = append(v.Nutrients, p.nutrient(m))
			continue
		}
		v.Modes = append(v.Modes, modeView{
			Name: p.word(m.Name), Spent: p.fine(m.Consumed.Likely), Range: p.percentBand(m.Consumed),
			Exposure: p.t("%s at %s", p.days(m.Exposure.Likely), p.reference()),
			Water:    p.times(m.Water), Oxygen: p.times(m.Oxygen), Light: p.fine(m.Light),
		})
	}
	v.Notes = p.notes(l)
	return v
}

// reference is the temperature to which exposures are told.
func (p *pageContext) reference() string {
	m := p.celsius()
	return p.short(float64(room.Reference)*m.factor+m.offset, 1) + m.symbol
}

// gaps tell of the time whose temperature was not measured.
func (p *pageContext) gaps(l engine.LotView) (out []sight) {
	if l.UnknownDays >= 0.05 {
		out = append(out, unknownSight(p.t("%s with no temperature known", p.days(l.UnknownDays))))
	}
	if l.EstimatedDays >= 0.05 {
		out = append(out, unknownSight(p.t("%s with an estimated temperature", p.days(l.EstimatedDays))))
	}
	return out
}

// inside is what is in the containers of the lot beside the numbers of its
// row.
func (p *pageContext) inside(l engine.LotView) []factView {
	var out []factView
	say := func(name, value string) { out = append(out, factView{name, value}) }
	m, o := l.Moisture, l.Oxygen
	if l.AsOf.IsZero() {
		return []factView{{p.t("inside"), p.t("not known")}}
	}
	measured := p.t("at packing not measured, the usual is taken")
	if l.Packing.MoistureWB > 0 {
		measured = p.t("measured at packing %s", p.fine(l.Packing.MoistureWB))
	}
	say(p.t("moisture"), p.t("%s of wet mass, %s; %s", p.fine(m.WetBasis.Likely), p.fineBand(m.WetBasis), measured))
	say(p.t("water activity passes amber, %s", p.activity(m.Amber.Level)), p.passed(m.Amber))
	say(p.t("water activity passes red, %s", p.activity(m.Red.Level)), p.passed(m.Red))
	if m.Limit != "" {
		say(p.t("what too much water does"), p.word(m.Limit))
	}
	if p.absorber(l, "") != "" {
		say(p.t("absorber is spent"), p.passed(o.Spent))
	}
	for _, r := range o.Rises {
		say(p.t("oxygen rises past %s", p.percent().text(r.Level)), p.passed(r))
	}
	say(p.t("oxygen enclosed at packing"), p.t("%s cm³ in each; %s", p.number(math.Round(o.Enclosed), 0), trade(o.Note)))
	if f := o.SealFailure; f.Low < f.High {
		say(p.t("seal"), p.t("%s; of such containers %s leak, %s", p.word(l.Seal.String()), p.percent().text(f.Likely), p.percentBand(f)))
	} else {
		say(p.t("seal"), p.t("%s; of such containers %s leak", p.word(l.Seal.String()), p.percent().text(f.Likely)))
	}
	if i := l.Insects; i != nil {
		say(p.t("insects untreated (%s)", i.Species), p.generations(i))
	}
	if l.Viable != nil {
		say(p.t("seed that sprouts"), p.t("%s, %s", p.percent().text(l.Viable.Likely), p.percentBand(*l.Viable)))
	}
	say(p.t("light received"), p.luxHours(l.LightDose))
	return out
}

func (p *pageContext) generations(i *engine.InsectView) string {
	g := i.Generations
	text := p.t("%s generations possible since packing, %s to %s", p.number(g.Likely, 1), p.number(g.Low, 1), p.number(g.High, 1))
	if i.Ended {
		text = p.t("%s, until the treatment was complete", text)
	}
	if i.UnknownDays >= 0.05 {
		text = p.t("%s; %s not known were left out", text, p.days(i.UnknownDays))
	}
	return text
}

func (p *pageContext) notes(l engine.LotView) []string {
	var out []string
	if l.Packing.Note != "" {
		out = append(out, l.Packing.Note)
	}
	for _, n := range l.Notes {
		out = append(out, Noted(n, p.date(n.At, "2 Jan 2006")))
	}
	return out
}

// nutrient is what is kept of one; of a loss whose order is not the first,
// only what is spent of its limit is known.
func (p *pageContext) nutrient(m engine.ModeView) factView {
	if m.Retention == nil {
		return factView{p.word(m.Name), p.t("%s of the loss that matters, %s", p.fine(m.Consumed.Likely), p.percentBand(m.Consumed))}
	}
	return factView{p.word(m.Name), p.t("%s, %s", p.percent().text(m.Retention.Likely), p.percentBand(*m.Retention))}
}

// lost is what heat has cost a lot against plan storage, or spared it.
func (p *pageContext) lost(d float64) string {
	switch {
	case !(d-d == 0):
		return p.t("cost of heat not known")
	case math.Abs(d) < 0.05:
		return p.t("nothing lost to heat beyond plan")
	case d < 0:
		return p.t("%s spared by a cool room, heat alone", p.days(-d))
	default:
		return p.t("%s lost to heat beyond plan", p.days(d))
	}
}

func (p *pageContext) luxHours(dose float64) string {
	if !(dose >= 0 && dose < 1e15) {
		return p.t("not known")
	}
	return p.t("%s lux hours", p.grouped(uint64(dose)))
}

// percentBand is "93 to 98 %", or one figure for a band without width.
func (p *pageContext) percentBand(e engine.Estimate) string {
	low, high := p.percent().number(e.Low, 0), p.percent().text(e.High)
	switch {
	case e.Low == e.High:
		return high
	case e.Low < -1: // how far below says no more
		low = p.t("under %s", "−100")
	}
	return p.t("%s to %s", low, high)
}

// fine is a share in percent, with a decimal while it is small.
func (p *pageContext) fine(v float64) string {
	if math.Abs(v) < 0.2 {
		return p.percent().number(v, 1) + p.percent().symbol
	}
	return p.percent().text(v)
}

func (p *pageContext) fineBand(e engine.Estimate) string {
	if e.Low == e.High {
		return p.t("no band")
	}
	return p.t("%s to %s", strings.TrimSuffix(p.fine(e.Low), p.percent().symbol), p.fine(e.High))
}

// times is a factor.
func (p *pageContext) times(v float64) string {
	if v >= 9.95 {
		return p.number(v, 0) + " ×"
	}
	return p.number(v, 2) + " ×"
}

// trade writes cubic centimetres as on a packet.
func trade(s string) string { return strings.ReplaceAll(s, "cm3", "cm³") }

// roomOf is where the lot stands; unlike lot.Lot.Room it has an answer for a
// lot without a stay.
func roomOf(l engine.LotView) string {
	if len(l.Stays) == 0 {
		return l.Packing.Room
	}
	return l.Room()
}

// stored is how much there is in how many containers, one of which may be begun.
func (p *pageContext) stored(l engine.LotView) string {
	text := p.t("%d × %s", l.InStore().Count, p.mass(l.Packing.NetMassKG))
	if r := l.InStore(); r.Count > l.Full() {
		text = p.t("%s, %s in all", text, p.mass(r.KG))
	}
	if !l.OpenedAt.IsZero() {
		text = p.t("%s, open", text)
	}
	return text
}
