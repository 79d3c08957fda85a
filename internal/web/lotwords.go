package web

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/mould"
	"dryhold/internal/unit"
)

// The words of this file are those of the page and of the command line, so
// that the two cannot say different things of one lot.

// Standing is how something stands against its lines.
type Standing uint8

// Standings. The zero value is Doubtful: what is not known is never good.
const (
	Doubtful Standing = iota // not known, or not sure
	Good
	Near // past the line that wants attention
	Bad  // past the line at which it is lost, or something grows
	As   // as it was packed, neither good nor bad
)

// Words are a state in words with its standing.
type Words struct {
	Text string
	Standing
}

const unknown = "not known"

// longAhead is when the year of an end says enough.
const longAhead = 3 * 365 * 24 * time.Hour

// Ending says when a lot ends under the forecast of its room, and between which
// dates that is likely to be (10 to 90 %): by year, or where the whole band is
// near by month, in the layout of package time.
func Ending(l engine.LotView, zone *time.Location, month string) (likely, band string) {
	return ending(l, l.EndEarly, l.End, l.EndLate, zone, month)
}

// AtPlan says the same of a lot that is kept at plan storage from now on.
func AtPlan(l engine.LotView, zone *time.Location, month string) (likely, band string) {
	return ending(l, l.PlanEarly, l.EndAtPlan, l.PlanLate, zone, month)
}

func ending(l engine.LotView, early, end, late time.Time, zone *time.Location, month string) (likely, band string) {
	p := english()
	p.zone = zone
	return p.ending(l, early, end, late, month)
}

func (p *pageContext) ending(l engine.LotView, early, end, late time.Time, month string) (likely, band string) {
	if l.AsOf.IsZero() || l.Finished() {
		return p.t("not known"), ""
	}
	layout := "2006"
	if !late.IsZero() && late.Sub(l.AsOf) < longAhead {
		layout = month
	}
	f := func(t time.Time) string {
		switch {
		case t.IsZero(): // no end within the 100 years that are looked at
			return p.t("beyond %s", strconv.Itoa(l.AsOf.In(p.zone).Year()+100))
		case !t.After(l.AsOf):
			return p.t("now")
		}
		return p.date(t, layout)
	}
	likely = f(end)
	from, to := f(early), f(late)
	if from == to {
		return likely, ""
	}
	return likely, p.t("%s to %s", from, to)
}

// Water says how the water activity stands against the food's lines. Its
// whole band must be below the amber line to be good, and the humidity of the
// lot's room known.
func Water(l engine.LotView) Words { return english().water(l) }

func (p *pageContext) water(l engine.LotView) Words {
	m := l.Moisture
	amber, red := p.activity(m.Amber.Level), p.activity(m.Red.Level)
	switch a := m.Activity; {
	case !(m.Red.Level > 0 && m.Amber.Level > 0 && a.High > 0) || math.IsInf(a.High, 0):
		return Words{p.t("not known"), Doubtful}
	case m.Red.Past:
		return Words{p.t("past red %s", red), Bad}
	case m.Amber.Past:
		return Words{p.t("past amber %s, red is %s", amber, red), Near}
	case a.High >= m.Red.Level:
		return Words{p.t("may be past red %s", red), Doubtful}
	case a.High >= m.Amber.Level:
		return Words{p.t("may be past amber %s", amber), Doubtful}
	case !l.Finished() && !l.Present.HumidityKnown:
		return Words{p.t("below amber %s if the room is dry: its humidity is not known", amber), Doubtful}
	}
	return Words{p.t("below amber %s", amber), Good}
}

// activity is a water activity, two decimals, three where a line has them.
func (p *pageContext) activity(aw float64) string {
	switch {
	case math.IsNaN(aw) || math.IsInf(aw, 0):
		return p.t("not known")
	case math.Abs(aw*100-math.Round(aw*100)) < 1e-9:
		return p.number(aw, 2)
	}
	return p.number(aw, 3)
}

// Activity is the likely water activity and its band.
func Activity(e engine.Estimate) (likely, band string) { return english().activities(e) }

func (p *pageContext) activities(e engine.Estimate) (likely, band string) {
	f := func(v float64) string {
		if math.IsNaN(v) || math.IsInf(v, 0) || v <= 0 {
			return p.t("not known")
		}
		return p.number(v, 2)
	}
	likely = f(e.Likely)
	if f(e.Low) == f(e.High) {
		return likely, ""
	}
	return likely, p.t("%s to %s", f(e.Low), f(e.High))
}

// Oxygen is the likely share of oxygen inside and its band, in percent.
func Oxygen(e engine.Estimate) (likely, band string) { return english().oxygen(e) }

func (p *pageContext) oxygen(e engine.Estimate) (likely, band string) {
	f := func(v float64) string {
		switch v *= 100; {
		case v < 0.1:
			return p.t("under %s", p.number(0.1, 1))
		case v < 9.95:
			return p.number(v, 1)
		}
		return p.number(v, 0)
	}
	if x := e.Low + e.Likely + e.High; math.IsNaN(x) || math.IsInf(x, 0) {
		return p.t("not known"), ""
	}
	switch low, high := f(e.Low), f(e.High); {
	case low == high:
	case low == f(e.Likely):
		band = p.t("up to %s", high+" %")
	default:
		band = p.t("%s to %s", low, high+" %")
	}
	return f(e.Likely) + " %", band
}

// lowOxygen is the name of the state an absorber is for, as the engine gives
// it, and lowOxygenEnds the fraction at which that ends.
const (
	lowOxygen     = "low oxygen"
	lowOxygenEnds = 0.02
)

// absorberWorks is how long after packing an absorber may take to bring oxygen
// down: days at room temperature (0.3 an hour at 25 °C), longer in the cold
// (judgement).
const absorberWorks = 7 * 24 * time.Hour

// Atmosphere says what the oxygen inside is. Where an absorber was used it is
// good only if the whole band is low: a seal that is not known to hold puts
// the high end at that of air.
func Atmosphere(l engine.LotView) Words { return english().atmosphere(l) }

func (p *pageContext) atmosphere(l engine.LotView) Words {
	o := l.Oxygen
	absorber := l.Packing.Treatment.Kind == lot.Absorber
	state := p.state(o.Words)
	switch {
	case o.Words == "" || math.IsNaN(o.Fraction.Likely):
		return Words{p.t("not known"), Doubtful}
	case o.Words == lowOxygen && o.Fraction.High <= lowOxygenEnds:
		return Words{state, Good}
	case o.Words == lowOxygen:
		return Words{p.t("%s, if the seal holds", state), Doubtful}
	case absorber && o.Left > 0 && !o.Spent.Past && l.AsOf.Sub(l.Packing.PackedAt) < absorberWorks:
		return Words{p.t("%s, the absorber is at work", state), Doubtful}
	case absorber:
		return Words{p.t("%s in spite of an absorber", state), Near}
	}
	return Words{state, As}
}

// Absorber says what an absorber still has and when it is spent; empty for a
// lot without one.
func Absorber(l engine.LotView, zone *time.Location) string {
	p := english()
	p.zone = zone
	return p.absorber(l, "cm3")
}

func (p *pageContext) absorber(l engine.LotView, cm3 string) string {
	o := l.Oxygen
	switch left := p.number(math.Round(o.Left), 0) + " " + cm3; {
	case l.Packing.Treatment.Kind != lot.Absorber:
		return ""
	case o.Spent.Past:
		return p.t("absorber spent")
	case math.IsNaN(o.Left) || math.IsInf(o.Left, 0):
		return p.t("absorber: not known")
	case o.Spent.At.IsZero():
		return p.t("absorber: %s left in each, its end not in sight", left)
	default:
		return p.t("absorber: %s left in each, spent in %s", left, p.month(o.Spent.At).Text)
	}
}

// Passed says when a level is passed under present conditions, and between
// which months that is likely to be (10 to 90 %).
func Passed(x engine.Passing, zone *time.Location) string {
	p := english()
	p.zone = zone
	return p.passed(x)
}

func (p *pageContext) passed(x engine.Passing) string {
	f := func(t time.Time) string {
		if t.IsZero() {
			return p.t("not in sight")
		}
		return p.date(t, "Jan 2006")
	}
	early, late := f(x.Early), f(x.Late)
	switch {
	case x.Past:
		return p.t("passed")
	case early == late && x.At.IsZero():
		return p.t("not in sight")
	case early == late:
		return f(x.At)
	case x.Late.IsZero():
		return p.t("%s; from %s on", f(x.At), early)
	}
	return p.t("%s; %s to %s", f(x.At), early, late)
}

// sealHolds is the greatest share of leaking containers at which a lot counts
// as sealed: that of a verified seal (see package barrier).
const sealHolds = 0.10

// Insects says what was done against insects.
func Insects(l engine.LotView) Words { return english().insects(l) }

func (p *pageContext) insects(l engine.LotView) Words {
	i := l.Insects
	switch {
	case l.AsOf.IsZero():
		return Words{p.t("not known"), Doubtful}
	case i == nil:
		return Words{p.t("none lives on it"), Good}
	}
	state := p.state(i.Words)
	switch bred := p.t("%s; %s generations possible", state, p.number(i.Generations.Likely, 1)); {
	case i.Hold >= 1 && !i.Frozen && l.Oxygen.SealFailure.High > sealHolds: // done only if the seal held
		return Words{state, Doubtful}
	case i.Ended:
		return Words{state, Good}
	case i.Generations.Likely >= 1:
		return Words{bred, Bad}
	default:
		return Words{bred, Near}
	}
}

// Surface is the mould index of one kind of surface in a room.
type Surface struct {
	Name  string
	Index string // 0.0 to 6.0, or "not known"
	Words
}

// firstGrowth is the shortest time in which the model lets mould begin, hours:
// from 0 to 1 on pine at saturation and 50 °C, exp(-0.68 ln 50 - 13.9 ln 100 +
// 66.02) weeks (Hukka and Viitanen 1999). Shorter gaps cannot hide growth.
const firstGrowth = 87.5

// Mould shows the surfaces of a room, and the second opinion on the air as it
// is now. engine.MouldCaveat belongs beside it.
func Mould(r engine.RoomView) (surfaces []Surface, opinion string) {
	why := "no humidity"
	if r.Humidity.Known {
		why = "no whole hour of humidity yet"
	}
	if len(r.Mould) == 0 {
		surfaces = []Surface{{"all surfaces", unknown, Words{why, Doubtful}}}
	}
	for _, m := range r.Mould {
		s := Surface{m.Surface, strconv.FormatFloat(m.Index, 'f', 1, 64), Words{m.Words, Good}}
		switch {
		case math.IsNaN(m.Index):
			s.Index, s.Words = unknown, Words{"not a number", Doubtful}
		case m.Index >= 1:
			s.Standing = Bad
		case m.Peak >= 1: // what grew once does not go away
			s.Standing = Near
		case !r.Humidity.Known:
			s.Words = Words{m.Words + " when humidity was last known", Doubtful}
		}
		if m.UnknownHours >= 0.5 {
			s.Text += fmt.Sprintf("; %.0f h not known were left out", m.UnknownHours)
			if s.Standing == Good && m.Peak+m.UnknownHours/firstGrowth >= 1 {
				s.Standing = Doubtful
			}
		}
		surfaces = append(surfaces, s)
	}
	return surfaces, secondOpinion(r)
}

// secondOpinion tells no growth from a growth that is not known.
func secondOpinion(r engine.RoomView) string {
	switch _, _, err := mould.Fastest(unit.Celsius(r.Temperature.Value), unit.RH(r.Humidity.Value)); {
	case !r.Humidity.Known || !r.Temperature.Known:
		return "not known, temperature and humidity are wanted"
	case r.GrowthNow != "":
		return r.GrowthNow
	case err != nil:
		return "not known at this temperature"
	}
	return "no growth at the present temperature and humidity"
}

// Noted is a keeper's note on one line, under its date as written.
func Noted(n lot.Note, date string) string {
	text := date
	if n.Seal != nil {
		text += ", seal " + n.Seal.String()
	}
	if n.Text != "" {
		text += ": " + n.Text
	}
	if n.By != "" {
		text += " (" + n.By + ")"
	}
	return text
}
