package web

import (
	"cmp"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"dryhold/internal/engine"
	"dryhold/internal/room"
)

// maxLots is how many lots the page lists, those with a warning first, then
// those with least left; the API has them all.
const maxLots = 200

// lotView is one lot: few numbers in its row, the rest below it.
type lotView struct {
	ID, Food, Packed, Explain string
	Warnings                  []string
	Caution                   string

	Quality, Range, Limiting, Lost string
	Gaps                           []sight // time that was not measured
	Bar                            barView
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

// barView places the low to high band and the likely value on a line from 0
// to 100.
type barView struct {
	From, Width, Likely string
}

func (p *pageContext) lots(all []engine.LotView) (rows []lotView, more string) {
	var now []engine.LotView
	for _, l := range all {
		if !l.Finished() {
			now = append(now, l)
		}
	}
	calm := func(l engine.LotView) int { return min(1, len(l.Warnings)) }
	slices.SortStableFunc(now, func(a, b engine.LotView) int {
		return cmp.Or(cmp.Compare(calm(b), calm(a)), cmp.Compare(a.Remaining.Likely, b.Remaining.Likely), cmp.Compare(a.ID, b.ID))
	})
	if finished := len(all) - len(now); finished > 0 {
		more = plural(finished, "finished lot is", "finished lots are") + " not shown. "
	}
	if hidden := len(now) - maxLots; hidden > 0 {
		more += plural(hidden, "lot", "lots") + " further down the order not shown. "
		now = now[:maxLots]
	}
	for _, l := range now {
		rows = append(rows, p.lot(l))
	}
	return rows, more
}

func (p *pageContext) lot(l engine.LotView) lotView {
	v := lotView{
		ID: l.ID, Food: cmp.Or(l.FoodName, l.Packing.Food), Explain: "/lots/" + url.PathEscape(l.ID),
		Packed: stored(l) + ", " + cmp.Or(l.ContainerName, l.Packing.Container) +
			", packed " + p.month(l.Packing.PackedAt).Text + ", in " + roomOf(l),
		Warnings: l.Warnings, Caution: l.Caution,
		Quality:  p.percent().text(max(-1, l.Remaining.Likely)),
		Range:    percentBand(l.Remaining),
		Limiting: cmp.Or(l.Limiting, "not known"),
		Lost:     lost(l.LostBeyondPlan),
		Bar:      bar(l.Remaining),
		EndBy:    l.EndBy,
		Water:    Water(l).sight(), Atmosphere: Atmosphere(l).sight(), Insects: Insects(l).sight(),
		Absorber: trade(Absorber(l, p.zone)),
	}
	v.End = p.month(l.End)
	v.End.Text, v.EndBand = Ending(l, p.zone, "Jan 2006")
	if likely, band := AtPlan(l, p.zone, "Jan 2006"); likely != unknown {
		v.AtPlan = likely
		if band != "" {
			v.AtPlan += ", " + band
		}
	}
	v.Activity, v.ActivityBand = Activity(l.Moisture.Activity)
	v.Oxygen, v.OxygenBand = Oxygen(l.Oxygen.Fraction)
	if l.UnknownDays >= 0.05 {
		v.Gaps = append(v.Gaps, unknownSight(p.days(l.UnknownDays)+" with no temperature known"))
	}
	if l.EstimatedDays >= 0.05 {
		v.Gaps = append(v.Gaps, unknownSight(p.days(l.EstimatedDays)+" with an estimated temperature"))
	}
	v.Inside = p.inside(l)
	for _, m := range l.Modes {
		if m.Nutrient {
			v.Nutrients = append(v.Nutrients, nutrient(m))
			continue
		}
		v.Modes = append(v.Modes, modeView{
			Name: m.Name, Spent: fine(m.Consumed.Likely), Range: percentBand(m.Consumed),
			Exposure: p.days(m.Exposure.Likely) + " at " + strconv.FormatFloat(float64(room.Reference), 'f', -1, 64) + " °C",
			Water:    times(m.Water), Oxygen: times(m.Oxygen), Light: fine(m.Light),
		})
	}
	v.Notes = p.notes(l)
	return v
}

// inside is what is in the containers of the lot beside the numbers of its
// row.
func (p *pageContext) inside(l engine.LotView) []factView {
	var out []factView
	say := func(name, value string) { out = append(out, factView{name, value}) }
	m, o := l.Moisture, l.Oxygen
	if l.AsOf.IsZero() {
		return []factView{{"inside", "not known"}}
	}
	measured := "at packing not measured, the usual is taken"
	if l.Packing.MoistureWB > 0 {
		measured = "measured at packing " + fine(l.Packing.MoistureWB)
	}
	say("moisture", fine(m.WetBasis.Likely)+" of wet mass, "+fineBand(m.WetBasis)+"; "+measured)
	say("water activity passes amber, "+activity(m.Amber.Level), Passed(m.Amber, p.zone))
	say("water activity passes red, "+activity(m.Red.Level), Passed(m.Red, p.zone))
	if m.Limit != "" {
		say("what too much water does", m.Limit)
	}
	if Absorber(l, p.zone) != "" {
		say("absorber is spent", Passed(o.Spent, p.zone))
	}
	for _, r := range o.Rises {
		say("oxygen rises past "+p.percent().text(r.Level), Passed(r, p.zone))
	}
	say("oxygen enclosed at packing", strconv.FormatFloat(math.Round(o.Enclosed), 'f', -1, 64)+" cm³ in each; "+trade(o.Note))
	leak := p.percent().text(o.SealFailure.Likely) + " leak"
	if o.SealFailure.Low < o.SealFailure.High {
		leak += ", " + percentBand(o.SealFailure)
	}
	say("seal", l.Seal.String()+"; of such containers "+leak)
	if i := l.Insects; i != nil {
		say("insects untreated ("+i.Species+")", generations(i))
	}
	if l.Viable != nil {
		say("seed that sprouts", p.percent().text(l.Viable.Likely)+", "+percentBand(*l.Viable))
	}
	say("light received", luxHours(l.LightDose))
	return out
}

func generations(i *engine.InsectView) string {
	g := i.Generations
	text := number(g.Likely, 1) + " generations possible since packing, " + number(g.Low, 1) + " to " + number(g.High, 1)
	if i.Ended {
		text += ", until the treatment was complete"
	}
	if i.UnknownDays >= 0.05 {
		text += "; " + days(i.UnknownDays) + " not known were left out"
	}
	return text
}

func (p *pageContext) notes(l engine.LotView) []string {
	var out []string
	if l.Packing.Note != "" {
		out = append(out, l.Packing.Note)
	}
	for _, n := range l.Notes {
		out = append(out, Noted(n, n.At.In(p.zone).Format("2 Jan 2006")))
	}
	return out
}

// nutrient is what is kept of one; of a loss whose order is not the first,
// only what is spent of its limit is known.
func nutrient(m engine.ModeView) factView {
	if m.Retention == nil {
		return factView{m.Name, fine(m.Consumed.Likely) + " of the loss that matters, " + percentBand(m.Consumed)}
	}
	return factView{m.Name, percent().text(m.Retention.Likely) + ", " + percentBand(*m.Retention)}
}

// lost is what heat has cost a lot against plan storage, or spared it.
func lost(d float64) string {
	switch text := days(math.Abs(d)); {
	case text == "unknown":
		return "cost of heat not known"
	case text == "0 days":
		return "nothing lost to heat beyond plan"
	case d < 0:
		return text + " spared by a cool room, heat alone"
	default:
		return text + " lost to heat beyond plan"
	}
}

func luxHours(dose float64) string {
	if !(dose >= 0 && dose < 1e15) {
		return "not known"
	}
	return grouped(uint64(dose)) + " lux hours"
}

// percentBand is "93 to 98 %", or one figure for a band without width.
func percentBand(e engine.Estimate) string {
	low, high := percent().number(e.Low, 0), percent().text(e.High)
	switch {
	case e.Low == e.High:
		return high
	case e.Low < -1: // how far below says no more
		low = "under −100"
	}
	return low + " to " + high
}

// fine is a share in percent, with a decimal while it is small.
func fine(v float64) string {
	if math.Abs(v) < 0.2 {
		return percent().number(v, 1) + percent().symbol
	}
	return percent().text(v)
}

func fineBand(e engine.Estimate) string {
	if e.Low == e.High {
		return "no band"
	}
	return strings.TrimSuffix(fine(e.Low), percent().symbol) + " to " + fine(e.High)
}

// times is a factor.
func times(v float64) string {
	if v >= 9.95 {
		return number(v, 0) + " ×"
	}
	return number(v, 2) + " ×"
}

func number(v float64, decimals int) string { return english().number(v, decimals) }

// trade writes cubic centimetres as on a packet.
func trade(s string) string { return strings.ReplaceAll(s, "cm3", "cm³") }

// bar keeps the band inside 0 to 100 and at least a hair wide.
func bar(e engine.Estimate) barView {
	in := func(v float64) float64 {
		if math.IsNaN(v) {
			return 0
		}
		return min(100, max(0, v*100))
	}
	f := func(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) }
	low, high := in(e.Low), in(e.High)
	low = min(low, 99)
	return barView{From: f(low), Width: f(max(1, high-low)), Likely: f(min(98, in(e.Likely)))}
}

// roomOf is where the lot stands; unlike lot.Lot.Room it has an answer for a
// lot without a stay.
func roomOf(l engine.LotView) string {
	if len(l.Stays) == 0 {
		return l.Packing.Room
	}
	return l.Room()
}

// stored is how much there is in how many containers, one of which may be begun.
func stored(l engine.LotView) string {
	text := strconv.Itoa(l.InStore().Count) + " × " + mass(l.Packing.NetMassKG)
	if r := l.InStore(); r.Count > l.Full() {
		text += ", " + mass(r.KG) + " in all"
	}
	if !l.OpenedAt.IsZero() {
		text += ", open"
	}
	return text
}
