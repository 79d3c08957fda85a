package settings

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"dryhold/internal/alarm"
	"dryhold/internal/scenario"
)

// oneOf reads a word of a list.
func oneOf[T ~string](p *scenarioParse, n ast.Node, what string, words []T) (T, bool) {
	var names []string
	for _, w := range words {
		names = append(names, string(w))
	}
	word := p.word(n, what)
	if slices.Contains(names, word) {
		return T(word), true
	}
	if word != "" {
		p.at(n, "unknown %s %q%s: it is one of %s", what, word, hint(word, names), strings.Join(names, ", "))
	}
	return "", false
}

func (p *scenarioParse) outage(n ast.Node) {
	var o scenario.Outage
	p.mapping(n, "an outage",
		key{name: "what", required: true, read: func(n ast.Node) { o.What, _ = oneOf(p, n, "what", scenario.Outs()) }},
		key{name: "between", required: true, read: func(n ast.Node) { o.Span = p.between(n, "between") }},
	)
	o.From, o.To = o.From.Truncate(scenario.Step), o.To.Truncate(scenario.Step)
	for _, x := range p.out.Outages {
		if o.From.Before(x.To) && x.From.Before(o.To) {
			p.at(n, "two outages at one time: make one of them")
		}
	}
	if o.From.Before(o.To) && o.What != "" {
		p.out.Outages = append(p.out.Outages, o)
	}
}

// alarmKey reads the key of an alarm.
func (p *scenarioParse) alarmKey(n ast.Node) (alarm.Key, bool) {
	k, err := alarm.ParseKey(p.word(n, "alarm"))
	if err != nil {
		p.at(n, "%v", err)
		return k, false
	}
	if k.Room != "" && !slices.ContainsFunc(p.s.Rooms, func(r Room) bool { return r.Name == k.Room }) {
		p.at(n, "alarm %s: there is no room %q", k, k.Room)
		return k, false
	}
	return k, true
}

func (p *scenarioParse) action(n ast.Node) {
	a := scenario.Action{}
	a.Line, _ = place(n)
	given := false
	p.mapping(n, "an action",
		key{name: "at", required: true, read: func(n ast.Node) { a.At = p.instant(n, "at") }},
		key{name: "do", required: true, read: func(n ast.Node) { a.Do, given = oneOf(p, n, "do", alarm.Acts()) }},
		key{name: "alarm", required: true, read: func(n ast.Node) { a.Key, _ = p.alarmKey(n) }},
		key{name: "by", required: true, read: func(n ast.Node) { a.By = p.text(n, "by") }},
		key{name: "note", read: func(n ast.Node) { a.Note = p.text(n, "note") }},
		key{name: "until", read: func(n ast.Node) { a.Until = p.instant(n, "until") }},
	)
	if given && a.Do == alarm.ActShelve && a.Until.IsZero() {
		p.at(n, "shelving needs its end: give \"until\"")
	}
	p.out.Actions = append(p.out.Actions, a)
}

// states are those that may be expected.
func states() []alarm.State {
	return []alarm.State{
		alarm.Normal, scenario.Active, alarm.ActiveUnacknowledged, alarm.ActiveAcknowledged, alarm.ReturnedUnack, alarm.Shelved, alarm.OutOfService,
	}
}

// events are those that a message may tell of.
func events() []alarm.NoticeEvent {
	return []alarm.NoticeEvent{alarm.Raised, alarm.Returned, alarm.Reminder, alarm.Escalated, alarm.Digest, alarm.Test}
}

// expectation reads one of: a state at an instant; raises in a span; messages in
// a span.
func (p *scenarioParse) expectation(n ast.Node) {
	e := scenario.Expectation{Least: 1, Most: math.MaxInt}
	e.Line, _ = place(n)
	given := map[string]bool{}
	note := func(name string, read func(n ast.Node)) key {
		return key{name: name, read: func(n ast.Node) { given[name] = true; read(n) }}
	}
	p.mapping(n, "an expectation",
		note("at", func(n ast.Node) { e.At = p.instant(n, "at") }),
		note("between", func(n ast.Node) { e.Between = p.between(n, "between") }),
		note("alarm", func(n ast.Node) {
			if k, ok := p.alarmKey(n); ok {
				e.Alarm = &k
			}
		}),
		note("state", func(n ast.Node) { e.State, _ = oneOf(p, n, "state", states()) }),
		note("raised", func(n ast.Node) { e.Raised = true; p.count(n, "raised", &e) }),
		note("messages", func(n ast.Node) { p.count(n, "messages", &e) }),
		note("told", func(n ast.Node) { e.Told = p.recipientRef(n) }),
		note("event", func(n ast.Node) { e.Event, _ = oneOf(p, n, "event", events()) }),
		note("subject", func(n ast.Node) { e.Subject = p.text(n, "subject") }),
		note("body", func(n ast.Node) { e.Body = p.text(n, "body") }),
	)
	what, needs, may := "", []string{}, []string{}
	for _, k := range []struct {
		name       string
		needs, may []string
	}{
		{"state", []string{"at", "alarm"}, nil},
		{"raised", []string{"between", "alarm"}, nil},
		{"messages", []string{"between"}, []string{"alarm", "told", "event", "subject", "body"}},
	} {
		if !given[k.name] {
			continue
		}
		if what != "" {
			p.at(n, "an expectation is of one thing, and this is of %s and %s: make two of it", what, k.name)
			return
		}
		what, needs, may = k.name, k.needs, k.may
	}
	if what == "" {
		p.at(n, "an expectation needs one of state, raised or messages: say what is expected")
		return
	}
	for _, name := range needs {
		if !given[name] {
			p.at(n, "an expectation of %s needs the key %q", what, name)
			return
		}
	}
	for _, name := range []string{"at", "between", "alarm", "told", "event", "subject", "body"} {
		if given[name] && !slices.Contains(needs, name) && !slices.Contains(may, name) {
			p.at(n, "an expectation of %s has no key %q: leave it out", what, name)
		}
	}
	if what != "messages" && e.Alarm == nil || what == "state" && e.State == "" {
		return // told
	}
	e.Text = worded(what, &e)
	p.out.Expect = append(p.out.Expect, e)
}

// recipientRef reads the name of one who is told.
func (p *scenarioParse) recipientRef(n ast.Node) string {
	name := p.word(n, "told")
	names := []string{}
	for _, r := range p.s.Notify.Recipients {
		names = append(names, r.Name)
	}
	if len(names) == 0 {
		names = []string{"keeper"}
	}
	if name != "" && !slices.Contains(names, name) {
		p.at(n, "nobody is named %q%s: it is one of %s", name, hint(name, names), strings.Join(names, ", "))
		return ""
	}
	return name
}

// count reads "2", "at least 2" or "at most 2".
func (p *scenarioParse) count(n ast.Node, what string, e *scenario.Expectation) {
	raw, _ := scalar(n)
	words, least := strings.CutPrefix(raw, "at least ")
	words, most := strings.CutPrefix(words, "at most ")
	v, err := strconv.ParseUint(strings.TrimSpace(words), 10, 31)
	if err != nil || least && most {
		p.at(n, "%s must be a number, such as 2, at least 2 or at most 2, not %s", what, shown(n))
		return
	}
	switch e.Least, e.Most = int(v), int(v); {
	case least:
		e.Most = math.MaxInt
	case most:
		e.Least = 0
	}
}

// worded says what is expected.
func worded(what string, e *scenario.Expectation) string {
	const minute = "Mon 2 Jan 15:04"
	if what == "state" {
		return fmt.Sprintf("%s: %s is %s", e.At.Format(minute), e.Alarm, e.State)
	}
	number := strconv.Itoa(e.Least)
	switch {
	case e.Most == math.MaxInt:
		number = "at least " + number
	case e.Least == 0 && e.Most > 0:
		number = "at most " + strconv.Itoa(e.Most)
	}
	text := fmt.Sprintf("%s to %s: ", e.Between.From.Format(minute), e.Between.To.Format(minute))
	if what == "raised" {
		return text + fmt.Sprintf("%s raised %s times", e.Alarm, number)
	}
	text += number + " messages"
	for _, x := range []struct{ words, value string }{
		{" to ", e.Told}, {" of the event ", string(e.Event)}, {" with subject ", quotedOrNone(e.Subject)}, {" with body ", quotedOrNone(e.Body)},
	} {
		if x.value != "" {
			text += x.words + x.value
		}
	}
	if e.Alarm != nil {
		text += " about " + e.Alarm.String()
	}
	return text
}

func quotedOrNone(s string) string {
	if s == "" {
		return ""
	}
	return strconv.Quote(s)
}
