package alarm

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// Widths of a notice, in characters.
const (
	subjectWidth = 60
	bodyWidth    = 77
	namedLots    = 3 // lots listed one by one in the body
)

// caution ends every body. Quality is not safety (models, section 13).
const caution = "Days of life are an estimate of quality, never a statement of safety. When in " +
	"doubt about any food, throw it out, and follow your local food-safety authority."

// Compose writes the notice of one event of the condition, with times in the
// zone of the site (nil: UTC). c is the condition after the transition. Costs
// of the context come in any order; one that is not a finite number is left out
// of the list and counted in the text as not known.
func Compose(site string, c Condition, r Rule, ev NoticeEvent, at time.Time, zone *time.Location, x Context) Notice {
	d := newDraft(site, c, r, ev, at, zone, x)
	return Notice{
		Key: c.NoticeKey(ev), Event: ev, Alarm: c.Key, Priority: r.Priority, Site: site,
		At: at, Since: c.Since, Subject: d.subject(), Body: d.body(), Costs: d.costs,
	}
}

// Subject is that of the notice Compose would write.
func Subject(site string, c Condition, r Rule, ev NoticeEvent, at time.Time, zone *time.Location, x Context) string {
	d := newDraft(site, c, r, ev, at, zone, x)
	return d.subject()
}

func newDraft(site string, c Condition, r Rule, ev NoticeEvent, at time.Time, zone *time.Location, x Context) draft {
	if zone == nil {
		zone = time.UTC
	}
	known := slices.DeleteFunc(slices.Clone(x.Costs), func(k LotCost) bool {
		return !finite(k.Days) || !finite(k.Week)
	})
	slices.SortStableFunc(known, func(a, b LotCost) int {
		return cmp.Or(cmp.Compare(b.Days, a.Days), cmp.Compare(a.Lot, b.Lot))
	})
	if known == nil {
		known = []LotCost{} // so that its JSON is a list
	}
	return draft{
		site: plain(site), c: c, r: r.effective(), ev: ev, at: at, zone: zone, x: x,
		costs: known, uncosted: len(x.Costs) - len(known),
		room: place(cmp.Or(c.Key.Room, x.Room)), sensor: plain(c.Key.Sensor),
		lot: plain(c.Key.Lot), food: plain(x.Food),
	}
}

// draft holds what the texts of one notice are made of.
type draft struct {
	site, room, sensor string
	lot, food          string // of a condition of a lot
	x                  Context
	c                  Condition
	r                  Rule
	ev                 NoticeEvent
	at                 time.Time
	zone               *time.Location
	costs              []LotCost // worst first, finite
	uncosted           int       // lots whose cost is not known
}

// title is what the subject begins with.
func (d draft) title() string {
	switch scope := d.c.Key.Kind.Scope(); {
	case scope == OfLot:
		return strings.TrimSpace(d.lot + " " + d.food)
	case scope == OfSite:
		return "dryhold"
	case scope == OfRoom && d.sensor != "":
		return capital(d.room) + ", shelf of " + d.sensor + ","
	}
	return capital(d.room)
}

// subject says room, trouble, value and cost in 60 characters: the cost goes
// first when there is no room for it, then the end of the title.
func (d draft) subject() string {
	title := d.title()
	now := d.now()
	if d.c.Unknown {
		now = "last " + now
	}
	rest := " " + d.r.words().trouble + ": " + now
	switch k := d.c.Key.Kind; {
	case k.worded() && d.ev == Returned:
		rest = ": " + d.phrases().over
	case k.worded():
		rest = ": " + d.phrases().subject
	case k == Silent && d.ev == Returned:
		rest = ": sensor " + d.sensor + " is back"
	case k == Silent:
		rest = ": sensor " + d.sensor + " silent for " + span(d.at.Sub(d.c.lastSeen()))
	case d.ev == Returned:
		rest = " " + d.r.words().over + ": " + now
	}
	if cost := d.subjectCost(); cost != "" && length(title+rest+cost) <= subjectWidth {
		rest += cost
	}
	if over := length(title+rest) - subjectWidth; over > 0 {
		title = clip(title, max(1, length(title)-over))
	}
	return clip(title+rest, subjectWidth)
}

func (d draft) subjectCost() string {
	if len(d.costs) == 0 {
		return ""
	}
	week := 0.0
	for _, k := range d.costs {
		week = max(week, k.Week)
	}
	switch lost := d.costs[0].Days; {
	case lost >= 0.1:
		return ", up to " + days(lost) + " of life lost"
	case d.ev != Returned && week >= 0.1:
		return ", up to " + days(week) + " of life a week"
	}
	return ""
}

func (d draft) body() string {
	parts := []string{d.what(), wrap(plain(d.x.Detail)), d.facts(), d.cost(), d.week(), d.advice(), d.certainty(), d.noted(), wrap(caution), d.reference()}
	return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), "\n\n") + "\n"
}

// what says what happened, where, and since when.
func (d draft) what() string {
	w, where := d.r.words(), "The "+d.room+" at "+d.site
	if d.sensor != "" {
		where = "The shelf of sensor " + d.sensor + " in the " + d.room + " at " + d.site
	}
	since := d.clock(d.c.Since)
	switch k := d.c.Key.Kind; {
	case k.worded() && d.ev == Returned:
		return wrap(d.phrases().was)
	case k.worded():
		return wrap(d.phrases().what)
	case d.c.Key.Kind == Silent && d.ev == Returned:
		return wrap("Sensor " + d.sensor + " in the " + d.room + " at " + d.site + " is heard again. It had been silent for " + seconds(d.c.Peak) + ".")
	case d.c.Key.Kind == Silent:
		return wrap("Sensor " + d.sensor + " in the " + d.room + " at " + d.site + " has sent nothing for " + span(d.at.Sub(d.c.lastSeen())) +
			", since " + d.clock(d.c.lastSeen()) + ".")
	case d.ev == Returned:
		return wrap(where + " is " + w.over + ". It had been " + w.trouble + " since " + since + ", for " + span(d.c.Changed.Sub(d.c.Since)) + ".")
	}
	return wrap(where + " has been " + w.trouble + " since " + since + ".")
}

// facts lists how bad it is or was.
func (d draft) facts() string {
	if d.c.Key.Kind.worded() {
		return d.valueFacts(d.phrases())
	}
	if d.c.Key.Kind == Silent {
		return "Allowed silence  " + seconds(d.r.Limit)
	}
	now := d.now() + ", " + d.clock(d.c.ValueAt)
	if d.c.Unknown {
		now = "NOT KNOWN; last reading " + now
	}
	lines := []string{
		"Now      " + now,
		"Highest  " + d.r.amount(d.c.Peak) + ", " + d.clock(d.c.PeakAt),
		"Limit    " + d.r.amount(d.r.Limit),
	}
	if d.ev != Returned {
		over := d.r.amount(d.r.Limit-d.r.Deadband) + " or less"
		if d.r.OffDelay > 0 {
			over += " for " + span(d.r.OffDelay)
		}
		lines = append(lines, "Over at  "+over)
	}
	for i := range lines {
		lines[i] = clip(lines[i], bodyWidth)
	}
	return strings.Join(lines, "\n")
}

// cost names the worst lots and sums up all.
func (d draft) cost() string {
	if !d.costly() {
		return ""
	}
	total := 0.0
	for _, k := range d.costs {
		total += k.Days
	}
	if total <= 0 {
		return "" // what is to come follows
	}
	b := "Life lost so far:"
	for _, k := range d.costs[:min(namedLots, len(d.costs))] {
		b += fmt.Sprintf("\n  %-44s %16s", clip(plain(k.Lot)+" ("+plain(k.Food)+")", 44), days(k.Days))
	}
	if len(d.costs) == 1 {
		return b
	}
	return b + fmt.Sprintf("\n  %-44s %16s", "all "+count(len(d.costs), "lot", "lots")+" together", days(total))
}

// costly says that there is a cost, so far or to come, of any lot.
func (d draft) costly() bool {
	return slices.ContainsFunc(d.costs, func(k LotCost) bool { return k.Days > 0 || k.Week > 0 })
}

// week says what the week ahead, or another one like this, would cost.
func (d draft) week() string {
	text := ""
	if d.costly() && d.ev != Returned {
		worst, total := d.costs[0], 0.0
		for _, k := range d.costs {
			total += k.Week
			if k.Week > worst.Week {
				worst = k
			}
		}
		text = "Another week like this would cost "
		if d.x.Ahead {
			text = "By the forecast the time up to " + d.clock(d.x.Until) + " costs "
		}
		switch {
		case worst.Week <= 0:
			text += "no lot any life"
		case len(d.costs) == 1:
			text += plain(worst.Lot) + " " + days(worst.Week)
		default:
			text += plain(worst.Lot) + " " + days(worst.Week)
			text += ", the most of any lot, and all lots together " + days(total)
		}
		text += ". "
	}
	switch {
	case d.uncosted > 0:
		text += "The cost to " + count(d.uncosted, "more lot", "more lots") + " is not known."
	case len(d.costs) > 0 && !d.costly():
		text += "It has cost no lot any life so far that could be worked out."
	case len(d.costs) == 0 && d.c.Key.Kind.Scope() == OfRoom && d.c.Key.Kind != RoundDue:
		text += "No cost in days of life has been worked out for any lot."
	}
	return wrap(strings.TrimSpace(text))
}

// otherAdvice is how many more measures are told beside the cheapest.
const otherAdvice = 2

func (d draft) advice() string {
	worded := d.c.Key.Kind.worded()
	switch {
	case d.ev == Returned && worded:
		return wrap("What to do now: " + d.phrases().after)
	case d.ev == Returned:
		return wrap("What to do now: " + d.r.words().after)
	case len(d.x.Advice) > 0:
		text := "What to do now: " + plain(d.x.Advice[0].Text)
		for _, a := range d.x.Advice[1:min(1+otherAdvice, len(d.x.Advice))] {
			text += " Or: " + plain(a.Text)
		}
		return wrap(text)
	case worded:
		return wrap("What to do now: " + d.phrases().advice)
	}
	return wrap("What to do now: " + d.r.words().advice)
}

// noted is what a person has noted of the alarm.
func (d draft) noted() string {
	if d.c.Note == "" {
		return ""
	}
	return wrap("Noted by " + plain(d.c.NoteBy) + ", " + d.clock(d.c.NoteAt) + ": " + plain(d.c.Note))
}

// certainty says how sure the notice is.
func (d draft) certainty() string {
	if d.c.Key.Kind.worded() {
		text := d.phrases().how
		if d.c.Unknown {
			text += " It is not known as it is now: the alarm stands until it is."
		}
		return wrap(text)
	}
	if d.c.Key.Kind == Silent {
		return wrap("How sure: silence is certain, its cause is not. What the room did meanwhile is estimated, and marked so, until readings come.")
	}
	text := "How sure: the value is what the sensor sent, as good as the sensor is."
	if d.c.Gap > 0 {
		text += " No reading covers " + span(d.c.Gap) + " of this spell."
	}
	if d.c.Unknown {
		text += " There is no reading now: the alarm stands until readings show otherwise."
	}
	if d.x.Ahead && d.ev != Returned {
		text += " The forecast goes by the past of the room and knows no weather service."
	}
	if d.costly() {
		text += " Days of life come from published rates of ageing, which differ from food to food: take them as a measure, not as a date."
	}
	return wrap(text)
}

func (d draft) reference() string {
	return clip(fmt.Sprintf("Alarm %s, %s priority, spell %d.", plain(d.c.Key.String()), d.r.Priority, d.c.Spell), bodyWidth)
}

func (d draft) now() string { return d.r.amount(d.c.Value) }

func (d draft) clock(t time.Time) string {
	if t.IsZero() {
		return "an unknown time"
	}
	return t.In(d.zone).Format("Mon 2 Jan 2006 15:04 MST")
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
