package alarm

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Group makes one message for one person of the notices of several events, of
// which there is at least one, the worst first. Its times are written in the
// zone of at. The subject says the worst and how many more there are; the body
// has a section for each, but one for all sensors that fell silent, and the
// caution once.
func Group(to, key string, at time.Time, notices []Notice) Notice {
	first := notices[0]
	out := Notice{
		Key: key, To: to, Event: first.Event, Alarm: first.Alarm, Priority: first.Priority, Site: first.Site,
		At: at.UTC(), Since: first.Since, Costs: first.Costs,
	}
	for _, n := range notices {
		out.Priority = max(out.Priority, n.Priority)
		out.Items = append(out.Items, Item{n.Alarm, n.Event, n.Priority, n.Since, n.Subject, n.Costs})
	}
	silent, others := silentAmong(notices)
	out.Subject = groupSubject(notices, silent)
	var sections []string
	if len(notices) > 1 {
		sections = append(sections, list(notices, silent))
	}
	for _, n := range others {
		sections = append(sections, heading(n)+section(n))
	}
	if len(silent) > 0 {
		sections = append(sections, heading(silent[0])+silentSection(silent, at.Location()))
	}
	out.Body = strings.Join(append(sections, wrap(caution)), "\n\n") + "\n"
	return out
}

// severalSilent is how many silent sensors are told as one (judgement).
const severalSilent = 3

// silentAmong takes the sensors that are silent out, where they are several.
func silentAmong(notices []Notice) (silent, others []Notice) {
	for _, n := range notices {
		if n.Alarm.Kind == Silent && n.Event != Returned {
			silent = append(silent, n)
		} else {
			others = append(others, n)
		}
	}
	if len(silent) < severalSilent {
		return nil, notices
	}
	return silent, others
}

// told is the subject of a notice with what sets its event apart.
func told(n Notice) string {
	switch n.Event {
	case Reminder:
		return "Still: " + n.Subject
	case Escalated:
		return "No answer yet: " + n.Subject
	}
	return n.Subject
}

// groupSubject is the subject of a message, within subjectWidth.
func groupSubject(notices, silent []Notice) string {
	worst, more := told(notices[0]), len(notices)-1
	if len(silent) > 0 && notices[0].Alarm.Kind == Silent {
		worst, more = fmt.Sprintf("%d sensors silent: %s", len(silent), roomsOf(silent)), len(notices)-len(silent)
		if notices[0].Event == Reminder {
			worst = "Still: " + worst
		}
	}
	rest := ""
	if more > 0 {
		rest = fmt.Sprintf(" and %d more", more)
	}
	if short, _, cut := strings.Cut(worst, ", up to "); cut && length(worst+rest) > subjectWidth {
		worst = short
	}
	return clip(worst, subjectWidth-length(rest)) + rest
}

// roomsOf names the rooms of notices, each once.
func roomsOf(notices []Notice) string {
	var rooms []string
	for _, n := range notices {
		if r := place(n.Alarm.Room); !slices.Contains(rooms, r) {
			rooms = append(rooms, r)
		}
	}
	return strings.Join(rooms, ", ")
}

// list has a line for each notice, so that a person sees at once what is in the
// message.
func list(notices, silent []Notice) string {
	b := fmt.Sprintf("%d alarms at %s:", len(notices), plain(notices[0].Site))
	for _, n := range notices {
		if len(silent) > 0 && n.Alarm.Kind == Silent && n.Event != Returned {
			continue
		}
		b += "\n  " + clip(told(n), bodyWidth-2)
	}
	if len(silent) > 0 {
		b += "\n  " + clip(fmt.Sprintf("%d sensors silent: %s", len(silent), roomsOf(silent)), bodyWidth-2)
	}
	return b
}

// heading sets apart what is told again or for want of an answer.
func heading(n Notice) string {
	switch n.Event {
	case Reminder:
		return "Still so, and nobody has acknowledged it.\n\n"
	case Escalated:
		return wrap("You are told because nobody has acknowledged it so far.") + "\n\n"
	}
	return ""
}

// section is the body of a notice without the caution, which comes once.
func section(n Notice) string {
	body := strings.TrimRight(n.Body, "\n")
	body = strings.Replace(body, "\n\n"+wrap(caution), "", 1)
	return body
}

// mostSilent is how many silent sensors are named one by one.
const mostSilent = 30

func silentSection(silent []Notice, zone *time.Location) string {
	b := fmt.Sprintf("%d sensors have sent nothing:", len(silent))
	for _, n := range silent[:min(mostSilent, len(silent))] {
		b += "\n  " + clip(plain(n.Alarm.Sensor)+" in the "+place(n.Alarm.Room)+", alarm since "+n.Since.In(zone).Format("Mon 2 Jan 15:04"), bodyWidth-2)
	}
	if more := len(silent) - mostSilent; more > 0 {
		b += fmt.Sprintf("\n  and %d more", more)
	}
	return b + "\n\n" + wrap("What to do now: look at what they have in common: the broker, a gateway, the network, the mains. "+
		"Until they are heard again read a thermometer in those rooms: heat and damp raise no alarm there.") + "\n\n" +
		wrap("How sure: silence is certain, its cause is not. What the rooms did meanwhile is estimated, and marked so, until readings come.")
}
