package web

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/audit"
	"dryhold/internal/engine"
)

// alarmsView is the page of alarms and their history.
type alarmsView struct {
	Alarms              []alarmView
	NoAlarm, UnknownNow sight
	Normal              []normalView // where they are asked for
	ShowNormal          string       // link to them
	Filter              historyFilter
	Events              []eventView
	Newer, Older        string // links to more events
}

// historyFilter is what of the history is shown.
type historyFilter struct {
	Alarm, From, To string
	Room            string
	Rooms           []choice
	Problem         string
	Filtered        bool
}

// query is the filter as an address.
func (f historyFilter) query() url.Values {
	return filled(url.Values{}, map[string]string{"alarm": f.Alarm, "from": f.From, "to": f.To, "room": f.Room})
}

// filled is a query with those of the fields that are not empty.
func filled(q url.Values, fields map[string]string) url.Values {
	for name, value := range fields {
		if value != "" {
			q.Set(name, value)
		}
	}
	return q
}

// normalView is a condition that is normal.
type normalView struct {
	Title, Key, Now, Limit, Priority string
	Acts                             []actLink
}

type eventView struct {
	At              moment
	Key, Title      string
	Link, What      string
	Value, By, Note string
}

func (s *server) getAlarmsPage(w http.ResponseWriter, r *http.Request) {
	snap, p := s.Snapshot(), s.words(r)
	if snap == nil {
		w.Header().Set("Retry-After", "5")
		s.writeFailed(w, r, http.StatusServiceUnavailable, p.t("No alarms yet"), notReady)
		return
	}
	v := alarmsView{NoAlarm: p.noAlarm(snap, false), UnknownNow: unknownSight(p.t("There is no reading now.")), ShowNormal: "/alarms?normal=yes#normal"}
	for _, a := range snap.Alarms {
		v.Alarms = append(v.Alarms, p.alarm(a))
	}
	if r.URL.Query().Get("normal") != "" {
		conditions, err := s.Actions.Watched(r.Context())
		if err != nil {
			status, detail := s.failure(r, "list the alarms", err)
			s.writeFailed(w, r, status, p.t("No alarms yet"), detail)
			return
		}
		v.Normal, v.ShowNormal = p.normal(conditions), ""
	}
	status, err := s.pastAlarms(r, p, snap, &v)
	if err != nil {
		status, detail := s.failure(r, "list the history of alarms", err)
		s.writeFailed(w, r, status, p.t("No history"), detail)
		return
	}
	s.writePage(w, r, status, page{
		Name: "alarms page", Head: p.t("Alarms and their history"), Here: "/alarms", At: p.moment(snap.At), Caution: true, Scripts: []string{"live.js"},
		Data: []link{{p.t("alarms"), "/api/v1/alarms?all=true", false}, {p.t("their history"), "/api/v1/alarms/history", false}},
	}, v)
}

// normal are the conditions that are so, each with its limit.
func (p *pageContext) normal(all []ConditionView) (out []normalView) {
	for _, c := range all {
		if c.State != alarm.Normal {
			continue
		}
		a := engine.AlarmView{Key: c.Key, State: c.State, Value: c.Value, Limit: c.Limit}
		x := normalView{Title: p.alarmTitle(c.Key), Key: c.Key.String(), Now: p.alarmAmount(c.Key.Kind, c.Value), Limit: p.alarmAmount(c.Key.Kind, c.Limit), Priority: p.priorityWord(c.Priority), Acts: p.actLinks(a)}
		if c.Unknown || c.ValueAt.IsZero() {
			x.Now = p.t("unknown")
		}
		out = append(out, x)
	}
	return out
}

// alarmAmount is a number of an alarm with its unit.
func (p *pageContext) alarmAmount(k alarm.Kind, v float64) string {
	if m, ok := p.alarmMeasure(k); ok {
		return m.text(v)
	}
	if timed(k) {
		return p.silence(v)
	}
	return k.Amount(v)
}

// pastAlarms fills in the history that is asked for. A filter that cannot be
// read is told in the view, with a status.
func (s *server) pastAlarms(r *http.Request, p *pageContext, snap *engine.Snapshot, v *alarmsView) (int, error) {
	q := r.URL.Query()
	f := historyFilter{Alarm: q.Get("alarm"), From: q.Get("from"), To: q.Get("to"), Room: q.Get("room")}
	f.Filtered = len(f.query()) > 0
	f.Rooms = chosenOf(p.t("all rooms"), f.Room, roomChoices(snap))
	v.Filter = f
	from, to, no := s.daysOf(f.From, f.To)
	if _, err := alarm.ParseKey(f.Alarm); no == nil && f.Alarm != "" && err != nil {
		no = &refusal{http.StatusUnprocessableEntity, "alarm: " + err.Error()}
	}
	if no != nil {
		v.Filter.Problem = no.detail
		return no.status, nil
	}
	// By number, not by time: many may have come in one millisecond.
	skip := skipped(q, mostEvents)
	most := skip + usualEvents
	if f.Room != "" {
		most = mostEvents // of which those of the room are picked
	}
	events, more, err := s.history(r, from, to, f.Alarm, most)
	if err != nil {
		return 0, err
	}
	if f.Room != "" {
		events = slices.DeleteFunc(slices.Clone(events), func(ev alarm.Event) bool { return ev.Key.Room != f.Room })
		more = len(events) > skip+usualEvents
	}
	for _, ev := range events[min(skip, len(events)):min(skip+usualEvents, len(events))] {
		v.Events = append(v.Events, p.event(ev))
	}
	v.Newer, v.Older = pagesOf("/alarms", f.query(), skip, usualEvents, more, "history")
	return http.StatusOK, nil
}

// skipped is how many come before the page that is asked for; none where that
// cannot be read or is more than there may be.
func skipped(q url.Values, most int) int {
	n, err := strconv.Atoi(q.Get("skip"))
	if err != nil || n < 0 || n > most {
		return 0
	}
	return n
}

// pagesOf are the addresses of what comes before and after so many; empty where
// there is none.
func pagesOf(path string, q url.Values, skip, each int, more bool, section string) (newer, older string) {
	at := func(skip int) string {
		q.Set("skip", strconv.Itoa(skip))
		return path + "?" + q.Encode() + "#" + section
	}
	if skip > 0 {
		newer = at(max(0, skip-each))
	}
	if more {
		older = at(skip + each)
	}
	return newer, older
}

func (p *pageContext) event(ev alarm.Event) eventView {
	v := eventView{
		At: p.moment(ev.At), Key: ev.Key.String(), Title: p.alarmTitle(ev.Key), Link: "/alarms?" + url.Values{"alarm": {ev.Key.String()}}.Encode() + "#history",
		What: p.eventWords(ev), Value: p.alarmAmount(ev.Key.Kind, ev.Value), By: ev.By, Note: ev.Note,
	}
	if ev.Unknown {
		v.Value = p.t("unknown")
	}
	return v
}

// EventWords says what an alarm went through, without which, by whom and why.
func EventWords(ev alarm.Event, zone *time.Location) string { return at(zone).eventWords(ev) }

func (p *pageContext) eventWords(ev alarm.Event) string {
	text := p.went(ev)
	if ev.To == alarm.ActiveUnacknowledged && ev.From != ev.To && (ev.Do != "" && ev.Do != alarm.ActShelve || ev.From == alarm.Shelved) {
		return p.t("%s, and raised anew, since it is active", text)
	}
	return text
}

func (p *pageContext) went(ev alarm.Event) string {
	switch {
	case ev.Do == alarm.ActShelve:
		return p.t("shelved until %s", p.moment(ev.Until).Text)
	case ev.Do == alarm.ActAcknowledge:
		return p.t("acknowledged")
	case ev.Do == alarm.ActUnshelve:
		return p.t("taken from the shelf")
	case ev.Do == alarm.ActOutOfService:
		return p.t("taken out of service")
	case ev.Do == alarm.ActReturn:
		return p.t("returned to service")
	case ev.Do == alarm.ActAnnotate:
		return p.t("annotated")
	case ev.Do != "":
		return audit.AlarmWords(ev.Do, ev.Until)
	case ev.From == alarm.Shelved:
		return p.t("the shelving ended")
	case ev.To == alarm.ActiveUnacknowledged:
		return p.t("raised")
	case ev.To == alarm.ReturnedUnack, ev.From == alarm.ActiveAcknowledged && ev.To == alarm.Normal:
		return p.t("returned")
	case ev.To == alarm.Normal:
		return p.t("ended: what it watched is no more")
	}
	return fmt.Sprintf("is %s", ev.To)
}
