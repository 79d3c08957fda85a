package settings

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"dryhold/internal/alarm"
	"dryhold/internal/dispatch"
)

// mailName is the way to people through the account of the key mail.
const mailName = "mail"

// Bounds of what is asked of a recipient (judgement).
const (
	minRepeat = time.Hour
	maxRepeat = 366 * 24 * time.Hour
	maxAfter  = 30 * 24 * time.Hour
	mostADay  = 100
	mostSpans = 8
)

// Ways are the names of the channels to people, in order.
func (s *Settings) Ways() []string {
	var names []string
	for _, c := range s.Notify.Channels {
		names = append(names, c.Name)
	}
	if s.Mail != nil && !slices.Contains(names, mailName) {
		names = append(names, mailName)
	}
	return names
}

// People are who is told: those named or, where nobody is and there is a way to
// people, one recipient with the defaults and every way.
func (s *Settings) People() []dispatch.Recipient {
	if len(s.Notify.Recipients) > 0 || len(s.Ways()) == 0 {
		return s.Notify.Recipients
	}
	r := s.recipient()
	r.Name, r.Channels = dispatch.DefaultName, s.Ways()
	return []dispatch.Recipient{r}
}

// recipient has the defaults.
func (s *Settings) recipient() dispatch.Recipient {
	return dispatch.Recipient{
		Least: alarm.Low, Zone: s.Zone, Repeat: dispatch.DefaultRepeat(), AtMost: dispatch.DefaultAtMost, Digest: dispatch.DefaultDigest(),
	}
}

// recipients reads who is told. The zone, the account and the channels must be
// read before.
func (p *parse) recipients(n ast.Node) {
	p.list(n, "recipients", p.recipient)
	list := p.s.Notify.Recipients
	if len(list) > 0 && !slices.ContainsFunc(list, func(r dispatch.Recipient) bool { return r.After == 0 }) {
		p.at(n, "every recipient waits for others (after), so nobody would be told at once: leave out \"after\" of one")
	}
}

func (p *parse) recipient(n ast.Node) {
	r := p.s.recipient()
	p.mapping(n, "a recipient",
		key{name: "name", required: true, read: func(n ast.Node) { r.Name = p.recipientName(n) }},
		key{name: "channels", required: true, read: func(n ast.Node) { r.Channels = p.recipientChannels(n) }},
		key{name: "least", read: func(n ast.Node) { p.priorityWord(n, "least", &r.Least) }},
		key{name: "quiet", read: func(n ast.Node) { p.quiet(n, &r) }},
		key{name: "urgent", read: func(n ast.Node) {
			p.priorityWord(n, "urgent", &r.Urgent)
			if len(r.Quiet) == 0 {
				p.at(n, "urgent is what goes out in quiet hours, and there are none: set \"quiet\" too, or leave it out")
			}
		}},
		key{name: "repeat", read: func(n ast.Node) { p.repeat(n, &r) }},
		key{name: "after", read: func(n ast.Node) {
			if v, ok := p.duration(n, "after", time.Minute, maxAfter); ok {
				r.After = v
			}
		}},
		key{name: "at_most", read: func(n ast.Node) {
			v, ok := p.number(n, "at_most")
			integer(n, 1, mostADay)
			if ok && (v < 1 || v > mostADay || v != float64(int(v))) {
				p.at(n, "at_most %g is not a whole number of messages a day from 1 to %d", v, mostADay)
				ok = false
			}
			if ok {
				r.AtMost = int(v)
			}
		}},
		key{name: "digest", read: func(n ast.Node) { p.digest(n, &r) }},
		key{name: "drill", read: func(n ast.Node) { p.drill(n, &r) }},
	)
	if r.Name != "" {
		p.s.Notify.Recipients = append(p.s.Notify.Recipients, r)
	}
}

func (p *parse) recipientName(n ast.Node) string {
	name := p.name(n, "recipient name")
	if name == "" {
		return ""
	}
	if slices.ContainsFunc(p.s.Notify.Recipients, func(r dispatch.Recipient) bool { return r.Name == name }) {
		p.at(n, "recipient %q is listed a second time: keep one", name)
		return ""
	}
	return name
}

// recipientChannels reads the ways to a recipient.
func (p *parse) recipientChannels(n ast.Node) (names []string) {
	known := p.s.Ways()
	p.list(n, "channels", func(n ast.Node) {
		name := p.word(n, "a channel")
		switch {
		case name == "":
		case len(known) == 0:
			p.at(n, "unknown channel %q: there is none yet; set the account \"mail\", or name channels under notify.channels", name)
		case !slices.Contains(known, name):
			p.at(n, "unknown channel %q: it is one of %s", name, strings.Join(known, ", "))
		case slices.Contains(names, name):
			p.at(n, "channel %q is named a second time: keep one", name)
		default:
			names = append(names, name)
		}
	})
	some(n)
	if s, ok := n.(*ast.SequenceNode); ok && len(s.Values) == 0 {
		p.at(n, "channels is empty: name at least one way to the recipient")
	}
	return names
}

// priorityWord reads the name of a priority.
func (p *parse) priorityWord(n ast.Node, what string, to *alarm.Priority) {
	names := map[string]alarm.Priority{"low": alarm.Low, "medium": alarm.Medium, "high": alarm.High}
	name := p.word(n, what)
	enum(n, "low", "medium", "high")
	if v, ok := names[name]; ok {
		*to = v
	} else if name != "" {
		p.at(n, "unknown priority %q%s", name, hint(name, slices.Sorted(maps.Keys(names))))
	}
}

// quiet reads one span of quiet hours or several, in one zone.
func (p *parse) quiet(n ast.Node, r *dispatch.Recipient) {
	one := func(n ast.Node) {
		s, from, to := dispatch.Span{}, false, false
		p.mapping(n, "quiet",
			key{name: "from", required: true, read: func(n ast.Node) { s.From, from = p.hour(n, "from") }},
			key{name: "to", required: true, read: func(n ast.Node) { s.To, to = p.hour(n, "to") }},
			key{name: "zone", read: func(n ast.Node) {
				if zone, ok := p.location(n); ok {
					r.Zone = zone
				}
			}},
		)
		switch {
		case !from || !to:
		case s.From == s.To:
			p.at(n, "quiet from %s to %s is the whole day, in which nothing would go out: make it shorter", clock(s.From), clock(s.To))
		default:
			r.Quiet = append(r.Quiet, s)
		}
	}
	p.oneOrMore(n, "quiet", one)
	if len(r.Quiet) > mostSpans {
		p.at(n, "quiet has more than %d parts", mostSpans)
	} else if allDay(r.Quiet) {
		p.at(n, "the parts of quiet make up the whole day, in which nothing would go out: make one shorter")
	}
}

// allDay reports whether spans leave less than an hour of the day.
func allDay(spans []dispatch.Span) bool {
	free := 0
	for minute := range 24 * 60 {
		if !slices.ContainsFunc(spans, func(s dispatch.Span) bool {
			return s.From < s.To && minute >= s.From && minute < s.To || s.From >= s.To && (minute >= s.From || minute < s.To)
		}) {
			free++
		}
	}
	return free < 60
}

func clock(minutes int) string { return fmt.Sprintf("%02d:%02d", minutes/60, minutes%60) }

// hour reads a time of the day in minutes.
func (p *parse) hour(n ast.Node, what string) (int, bool) {
	means(n, object{"type": "string", "pattern": `^\d{1,2}:\d{2}$`})
	raw, ok := scalar(n)
	h, m, colon := strings.Cut(raw, ":")
	hour, errH := strconv.ParseUint(h, 10, 8)
	minute, errM := strconv.ParseUint(m, 10, 8)
	if !ok || !colon || errH != nil || errM != nil || hour > 23 || minute > 59 || len(m) != 2 || len(h) > 2 {
		p.at(n, "%s must be a time of the day such as \"22:00\", in quotes, not %s", what, shown(n))
		return 0, false
	}
	return int(hour)*60 + int(minute), true
}

// repeat reads when an alarm is told again: time spans, or off.
func (p *parse) repeat(n ast.Node, r *dispatch.Recipient) {
	r.Repeat = nil
	if isOff(n) {
		return
	}
	p.list(n, "repeat", func(n ast.Node) {
		v, ok := p.duration(n, "repeat", minRepeat, maxRepeat)
		if k := len(r.Repeat); ok && k > 0 && v < r.Repeat[k-1] {
			raw, _ := scalar(n)
			p.at(n, "repeat must slow down, and %s is shorter than the one before: put the spans in order", raw)
		} else if ok {
			r.Repeat = append(r.Repeat, v)
		}
	})
	if s, ok := n.(*ast.SequenceNode); ok && len(s.Values) == 0 {
		p.at(n, "repeat is empty: give time spans such as [4h, 1d, 7d], or off")
	}
	some(n)
}

func weekdays() map[string]time.Weekday {
	days := map[string]time.Weekday{}
	for d := time.Sunday; d <= time.Saturday; d++ {
		days[strings.ToLower(d.String())] = d
	}
	return days
}

// digest reads when the weekly digest goes out, or off.
func (p *parse) digest(n ast.Node, r *dispatch.Recipient) {
	if isOff(n) {
		r.Digest = nil
		return
	}
	if raw, ok := scalar(n); ok {
		p.at(n, "digest: %q does not belong here: write {day: sunday, at: \"18:00\"}, or off", raw)
		return
	}
	w := *dispatch.DefaultDigest()
	days := weekdays()
	p.mapping(n, "digest",
		key{name: "day", read: func(n ast.Node) {
			name := p.word(n, "day")
			means(n, object{"anyOf": words(slices.Sorted(maps.Keys(days))...)})
			if d, ok := days[strings.ToLower(name)]; ok {
				w.Day = d
			} else if name != "" {
				p.at(n, "unknown day %q%s", name, hint(name, slices.Sorted(maps.Keys(days))))
			}
		}},
		key{name: "at", read: func(n ast.Node) {
			if m, ok := p.hour(n, "at"); ok {
				w.Minute = m
			}
		}},
	)
	r.Digest = &w
}

// drill reads the day of the yearly drill, month and day.
func (p *parse) drill(n ast.Node, r *dispatch.Recipient) {
	means(n, object{"type": "string", "pattern": `^\d+-\d+$`})
	raw, ok := scalar(n)
	m, d, dash := strings.Cut(raw, "-")
	month, errM := strconv.ParseUint(m, 10, 8)
	day, errD := strconv.ParseUint(d, 10, 8)
	// A leap year has every day.
	at := time.Date(2028, time.Month(month), int(day), 0, 0, 0, 0, time.UTC)
	if !ok || !dash || errM != nil || errD != nil || month < 1 || month > 12 || day < 1 || at.Day() != int(day) {
		p.at(n, "drill must be a month and a day of it such as \"04-12\", in quotes, not %s", shown(n))
		return
	}
	r.Drill = &dispatch.Yearly{Month: time.Month(month), Day: int(day)}
}
