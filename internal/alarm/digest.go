package alarm

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Week is what a weekly digest tells.
type Week struct {
	Site  string
	Since time.Time // the last digest
	Next  time.Time // when the next one is due
	Rooms []WeekRoom
	// Costs are what the days since CostSince have cost beyond plan storage, of
	// the lots that lost any; Uncosted counts those whose room was not watched
	// enough to know.
	Costs     []LotCost
	CostSince time.Time
	Uncosted  int
	First     []WeekLot // to use first
	Care      []string  // what sensors want
	Steps     []string  // of treatment
	Alarms    []WeekAlarm
	Aside     []string // alarms that are shelved or out of service
	Notes     []string // of the keeper
}

// WeekRoom is the climate of a room; what is NaN was not measured.
type WeekRoom struct {
	Name      string
	Mean, Max float64 // °C
	Humidity  float64 // mean, fraction
	Covered   float64 // share of the time that was measured
}

// WeekLot is a lot in the order of use.
type WeekLot struct {
	Lot, Food, Room string
	Early           time.Time // the early edge of its end; zero beyond 100 years
	Why             string    // beside the end
}

// WeekAlarm is an alarm of the week.
type WeekAlarm struct {
	Text         string // as it is told
	Began, Ended time.Time
	Told         bool
	Acknowledged string // by whom
}

// coverWanted is the share of a week that must be measured for all to be well:
// a tenth may be lost to radio and batteries (judgement).
const coverWanted = 0.9

// Well reports whether nothing wants the keeper.
func (w Week) Well() bool {
	return w.watched() && len(w.Alarms)+len(w.Care)+len(w.Aside)+w.Uncosted == 0
}

// watched reports whether enough of every room was measured.
func (w Week) watched() bool {
	return len(w.Rooms) > 0 && !slices.ContainsFunc(w.Rooms, func(r WeekRoom) bool { return !r.Watched() })
}

// Watched reports whether enough of the room was measured.
func (r WeekRoom) Watched() bool { return r.Covered >= coverWanted }

// Notice is the digest as a message to one person, with its times in the zone
// of at.
func (w Week) Notice(to, key string, at time.Time) Notice {
	zone := at.Location()
	slices.SortStableFunc(w.Costs, func(a, b LotCost) int { return cmp.Or(cmp.Compare(b.Days, a.Days), cmp.Compare(a.Lot, b.Lot)) })
	parts := []string{
		w.opening(zone), w.rooms(), w.costs(zone), w.alarms(zone), lines("Set aside, so that they give no notice:", w.Aside), lines("Sensors that need care:", w.Care),
		w.first(zone), lines("Treatment:", w.Steps), lines("Notes:", w.Notes), w.life(zone), wrap(caution),
	}
	return Notice{
		Key: key, To: to, Event: Digest, Site: w.Site, Priority: Low, At: at.UTC(), Since: w.Since, Costs: w.Costs,
		Subject: w.subject(at), Body: strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), "\n\n") + "\n",
	}
}

// standing counts the alarms that are not over.
func (w Week) standing() (n int) {
	for _, a := range w.Alarms {
		if a.Ended.IsZero() {
			n++
		}
	}
	return n
}

func (w Week) total() (days float64) {
	for _, c := range w.Costs {
		days += c.Days
	}
	return days
}

func (w Week) subject(at time.Time) string {
	var says []string
	switch n := w.standing(); {
	case w.Well():
		says = append(says, "all is well")
	case n > 0:
		says = append(says, count(n, "alarm stands", "alarms stand"))
	case len(w.Alarms) > 0:
		says = append(says, count(len(w.Alarms), "alarm came and went", "alarms came and went"))
	}
	if t := w.total(); t >= 0.1 {
		says = append(says, "cost "+days(t)+" of life")
	}
	if len(w.Care) > 0 {
		says = append(says, count(len(w.Care), "sensor needs care", "sensors need care"))
	}
	if n := len(w.Aside); n > 0 {
		says = append(says, fmt.Sprintf("%d set aside", n))
	}
	if !w.watched() {
		says = append(says, "not all was watched")
	}
	if len(says) == 0 {
		says = append(says, "no alarm")
	}
	out := "Week to " + at.Format("2 Jan") + ": " + says[0]
	for _, s := range says[1:] { // what there is room for
		if length(out+", "+s) <= subjectWidth {
			out += ", " + s
		}
	}
	return clip(out, subjectWidth)
}

func (w Week) opening(zone *time.Location) string {
	text := "The stores of " + plain(w.Site) + " since " + w.Since.In(zone).Format("Mon 2 Jan 2006 15:04 MST") + ". "
	if w.Well() {
		return wrap(text + "All is well: no alarm came, and every room was watched.")
	}
	if n := w.standing(); n > 0 {
		return wrap(text + count(n, "alarm stands", "alarms stand") + " now.")
	}
	return wrap(text + "No alarm stands now.")
}

func (w Week) rooms() string {
	if len(w.Rooms) == 0 {
		return "No room was watched."
	}
	b := fmt.Sprintf("%-24s %9s %9s %8s %9s", "Rooms", "mean", "highest", "humidity", "measured")
	for _, r := range w.Rooms {
		b += fmt.Sprintf("\n  %-22s %9s %9s %8s %9s", clip(place(r.Name), 22), number(r.Mean, "%.1f °C", 1), number(r.Max, "%.1f °C", 1), number(r.Humidity, "%.0f %%", 100), number(r.Covered, "%.0f %%", 100))
	}
	return b
}

// number writes a value times a factor, or that it is not known.
func number(v float64, format string, by float64) string {
	if !finite(v) {
		return "not known"
	}
	return fmt.Sprintf(format, v*by)
}

func (w Week) costs(zone *time.Location) string {
	b := ""
	if len(w.Costs) > 0 {
		b = "Life lost beyond plan storage since " + w.CostSince.In(zone).Format("Mon 2 Jan") + ":"
		for _, k := range w.Costs[:min(namedLots, len(w.Costs))] {
			b += fmt.Sprintf("\n  %-44s %16s", clip(plain(k.Lot)+" ("+plain(k.Food)+")", 44), days(k.Days))
		}
		if len(w.Costs) > 1 {
			b += fmt.Sprintf("\n  %-44s %16s", "all "+count(len(w.Costs), "lot", "lots")+" together", days(w.total()))
		}
	} else if w.Uncosted == 0 {
		b = "No lot has lost life beyond plan storage."
	}
	if w.Uncosted > 0 {
		b = strings.TrimSpace(b + "\n" + wrap("The cost to "+count(w.Uncosted, "lot", "lots")+" is not wholly known, since the room was not watched enough."))
	}
	return b
}

// alarms lists what came and what is over, told or not.
func (w Week) alarms(zone *time.Location) string {
	if len(w.Alarms) == 0 {
		return ""
	}
	b := "Alarms:"
	for _, a := range w.Alarms {
		b += "\n  " + clip(a.Text, bodyWidth-2)
		when := "since " + a.Began.In(zone).Format("Mon 2 Jan 15:04")
		if !a.Ended.IsZero() {
			when = a.Began.In(zone).Format("Mon 2 Jan 15:04") + " to " + a.Ended.In(zone).Format("Mon 2 Jan 15:04") + ", over"
		}
		switch {
		case a.Acknowledged != "":
			when += "; acknowledged by " + plain(a.Acknowledged)
		case !a.Told:
			when += "; no notice went out"
		}
		b += "\n    " + clip(when, bodyWidth-4)
	}
	return b
}

func (w Week) first(zone *time.Location) string {
	if len(w.First) == 0 {
		return ""
	}
	b := "Use first:"
	for _, l := range w.First {
		end := "no end within 100 years"
		if !l.Early.IsZero() {
			end = "may end " + l.Early.In(zone).Format("2 Jan 2006")
		}
		text := plain(l.Lot) + " " + plain(l.Food) + ", " + place(l.Room) + ": " + end
		if l.Why != "" {
			text += "; " + plain(l.Why)
		}
		b += "\n  " + clip(text, bodyWidth-2)
	}
	return b
}

// life says that the digest is a sign of life, and when the next is due.
func (w Week) life(zone *time.Location) string {
	return wrap("This message is also the sign that dryhold runs. The next one is due " + w.Next.In(zone).Format("Mon 2 Jan 2006 15:04 MST") +
		": if it does not come, look after dryhold.")
}

// lines is a list with a title; nothing where it is empty.
func lines(title string, items []string) string {
	if len(items) == 0 {
		return ""
	}
	for _, s := range items {
		title += "\n" + hanging(plain(s))
	}
	return title
}

// Drilling is the yearly drill: a message to one person that must be
// acknowledged, since a way that nobody has tried may be closed.
func Drilling(site, to, key string, at time.Time) Notice {
	return Notice{
		Key: key, To: to, Event: Test, Site: site, Priority: Low, At: at.UTC(), Since: at.UTC(), Costs: []LotCost{},
		Subject: "Drill: please acknowledge that this reached you",
		Body: wrap("This is the yearly drill of dryhold at "+plain(site)+": no alarm, but a test that a notice still reaches you.") + "\n\n" +
			wrap("What to do now: acknowledge it with `dryhold notices drill "+plain(to)+"`. It comes again each week until you do.") + "\n",
	}
}

// hanging breaks a paragraph into indented lines, those after the first more.
func hanging(text string) string {
	b, width := "  ", 2
	for i, w := range strings.Fields(text) {
		w = clip(w, bodyWidth-4)
		switch {
		case i == 0:
		case width+1+length(w) > bodyWidth:
			b, width = b+"\n    ", 4
		default:
			b, width = b+" ", width+1
		}
		b, width = b+w, width+length(w)
	}
	return b
}
