package web

import (
	"strings"
	"time"

	"dryhold/internal/review"
)

// The words of this file are those of pages, command line and report: the pages
// have them in their language, all others in English.

// at is the context of English words with days of a zone.
func at(zone *time.Location) *pageContext { return &pageContext{zone: zone} }

// SpellWords names an event of a room.
func SpellWords(s review.Spell, zone *time.Location) string { return at(zone).spell(s) }

func (p *pageContext) spell(s review.Spell) string {
	what := s.Note
	switch s.Kind {
	case review.Excursion:
		var parts []string
		if s.Warm {
			parts = append(parts, p.t("too warm, up to %s", p.celsius().text(s.Hottest)))
		}
		if s.Damp {
			parts = append(parts, p.t("too damp, up to %s", p.percent().text(s.Dampest)))
		}
		if s.Bright {
			parts = append(parts, p.t("too bright"))
		}
		what = strings.Join(parts, "; ")
	case review.Estimated:
		what = p.t("a gap, its temperature estimated")
	case review.Unknown:
		what = p.t("a gap of which nothing is known, counted at plan storage")
	case review.Packed:
		what = p.t("the stay since packing")
	case review.Moved:
		what = p.t("the stay since a move")
	}
	return s.Room + ", " + what + ", " + p.stretch(s.From, s.To)
}

// stretch is two days as a person writes them, or one.
func (p *pageContext) stretch(from, to time.Time) string {
	a, b := p.dayOf(from), p.dayOf(to)
	if a == b {
		return a
	}
	return p.t("%s to %s", a, b)
}

// dayOf is a day of the site.
func (p *pageContext) dayOf(t time.Time) string { return p.date(t, "2 Jan 2006") }

// cause is a cause of losses as package review calls it.
func (p *pageContext) cause(name string) string {
	switch name {
	case "heat":
		return p.t("heat")
	case "moisture":
		return p.t("moisture")
	case "oxygen":
		return p.t("oxygen")
	case "light":
		return p.t("light")
	}
	return name
}

// ReasonWords says why a lot stands where it does in the order of use.
func ReasonWords(r review.Reason, zone *time.Location) string { return at(zone).reason(r) }

func (p *pageContext) reason(r review.Reason) string {
	by := r.Name != ""
	span := p.lengthy(r.Days)
	switch r.Code {
	case review.PastRed:
		return p.t("its water activity is past the red line: judge it, and when in doubt throw it out")
	case review.Leaking:
		return p.t("its seal was seen to leak")
	case review.NoEnd:
		return p.t("no end within 100 years, not even at the low edge")
	case review.PastEnd:
		if by {
			return p.t("likely past its end by %s for %s: judge it when opened", r.Name, span)
		}
		return p.t("likely past its end for %s: judge it when opened", span)
	case review.MayBePast:
		if by {
			return p.t("may be past its end by %s: the low edge was %s ago", r.Name, span)
		}
		return p.t("may be past its end: the low edge was %s ago", span)
	case review.EndsEarly:
		if by {
			return p.t("may end by %s in %s", r.Name, span)
		}
		return p.t("may end in %s", span)
	case review.LostMost:
		return p.t("%s has cost it %s, %s of its life", p.cause(r.Name), p.days(r.Days), p.shareOf(r.Share))
	case review.WorstWas:
		if r.Spell != nil {
			return p.t("the worst was %s: %s", p.spell(*r.Spell), p.days(r.Days))
		}
	}
	return string(r.Code)
}

// lengthy is a span in days, in years where it is long.
func (p *pageContext) lengthy(d float64) string {
	if d >= 2*365.25 {
		return p.t("%s years", p.number(d/365.25, 1))
	}
	return p.days(d)
}

// TaskWords says what to do.
func TaskWords(t review.Task, food string, zone *time.Location) string { return at(zone).task(t, food) }

func (p *pageContext) task(t review.Task, food string) string {
	kg, by := p.kilos(t.KG), ""
	if !t.By.IsZero() {
		by = p.dayOf(t.By)
	}
	switch t.Code {
	case review.Buy:
		return p.t("Buy %s of %s by %s, and %s a month from then on, to keep up the store.", kg, food, by, p.kilos(t.Rate))
	case review.EatFaster:
		return p.t("Eat %s of %s a month instead, and all of it is eaten in time.", p.kilos(t.Rate), food)
	case review.Repack:
		return p.t("Repack %s (%s of %s) into foil with a fresh absorber, the sooner the better: then it lasts until it is eaten.", t.Lot, kg, food)
	case review.GiveAway:
		return p.t("Give away or swap %s of %s (%s) before %s: it will not be eaten in time.", kg, t.Lot, food, by)
	case review.Judge:
		return p.t("Judge %s (%s) when it is opened: it is past its likely end.", t.Lot, food)
	case review.NoRate:
		return p.t("Say under \"eating\" in the configuration how much %s is eaten a month: %s are in store without a plan.", food, kg)
	}
	return string(t.Code)
}

// kilos is a mass planned with, to a tenth.
func (p *pageContext) kilos(kg float64) string { return p.weight(kg, 1) }

// weight is a mass in kilograms or pounds, whatever its size.
func (p *pageContext) weight(kg float64, decimals int) string {
	factor, symbol := p.weighed()
	return p.number(kg*factor, decimals) + " " + symbol
}

// weighed is the unit of mass of the page and its factor from kilograms.
func (p *pageContext) weighed() (factor float64, symbol string) {
	if p.us {
		return 1 / poundKG, "lb"
	}
	return 1, "kg"
}

// ReviewWords say the whole of a review in sentences.
func ReviewWords(x ReviewAnswer) []string { return english().story(x) }

func (p *pageContext) story(x ReviewAnswer) []string {
	h := &x.House
	if h.Lots == 0 {
		return []string{p.t("There is no lot to review.")}
	}
	d := h.Cost.Days
	lost := d.Lost.Sum()
	out := []string{p.t("%s, %s: plan storage would have consumed %s of their lives together, and this is what went beyond it.",
		p.lotCount(h.Lots), p.kilos(h.KG), p.days(d.Plain))}
	food := h.Cost.KG.Lost.Sum()
	as := p.weight(max(food, -food), 2)
	name, most := d.Lost.Most()
	switch {
	case lost < 0 && most > 0:
		out = append(out, p.t("%s gained beyond plan storage, as much as %s of food; most of the loss is by %s (%s).", p.days(-lost), as, p.cause(name), p.days(most)))
	case lost < 0:
		out = append(out, p.t("%s gained beyond plan storage, as much as %s of food.", p.days(-lost), as))
	case most > 0:
		out = append(out, p.t("%s lost beyond plan storage, as much as %s of food; most of the loss is by %s (%s).", p.days(lost), as, p.cause(name), p.days(most)))
	default:
		out = append(out, p.t("%s lost beyond plan storage, as much as %s of food.", p.days(lost), as))
	}
	if d.Less > 0.05 || d.More > 0.05 {
		out = append(out, p.t("Since temperatures were estimated or are not known, the loss may be %s smaller or %s larger.", p.days(d.Less), p.days(d.More)))
	}
	return out
}

// lotCount counts them.
func (p *pageContext) lotCount(n int) string { return p.tn("%d lot", "%d lots", n) }

// paper says what was lost on paper, and that a price not told is not nothing;
// empty where no price is told.
func (p *pageContext) paper(m review.Paper) string {
	switch {
	case m.Priced == 0:
		return ""
	case m.Unpriced == 0 && m.Lost < 0:
		return p.t("On paper %s gained, at what was paid for it, in your own currency.", p.number(-m.Lost, 2))
	case m.Unpriced == 0:
		return p.t("On paper %s lost, at what was paid for it, in your own currency.", p.number(m.Lost, 2))
	case m.Lost < 0:
		return p.t("On paper %s gained, at what was paid for it, in your own currency; for want of a price this leaves out %s.", p.number(-m.Lost, 2), p.lotCount(m.Unpriced))
	}
	return p.t("On paper %s lost, at what was paid for it, in your own currency; for want of a price this leaves out %s.", p.number(m.Lost, 2), p.lotCount(m.Unpriced))
}

// shareOf is a share in percent, with a decimal while it is small.
func (p *pageContext) shareOf(v float64) string {
	m := p.percent()
	if v < 0.2 && v > -0.2 {
		m.decimals = 1
	}
	return m.text(v)
}

// ratio is a factor.
func (p *pageContext) ratio(v float64) string {
	if v >= 9.95 {
		return p.number(v, 0) + " ×"
	}
	return p.number(v, 2) + " ×"
}
