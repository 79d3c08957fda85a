package web

import (
	"mime"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/audit"
	"dryhold/internal/engine"
)

// actForm is the page on which something is done to one alarm. It is a page
// of its own because the main page reloads itself, and would wipe a half-typed
// name.
type actForm struct {
	Do   string
	Key  alarm.Key
	Name string // of the alarm
	actWords
	By, Note, For string // as typed before
	Spans         []spanChoice
	User          string // who is logged in, and signs
	Problem       string // why it was not taken
}

// spanChoice is a choice of how long to shelve.
type spanChoice struct {
	Value, Text string
	Chosen      bool
}

// actWords are the words of an act.
type actWords struct {
	Head, Button string
	What         string // it does
	NoteLabel    string
	NoteNeeded   bool
}

func wordsOfAct(do string) actWords {
	const may = "Note (what you saw or did), may be empty"
	switch do {
	case alarm.ActShelve:
		return actWords{"Shelve an alarm", "Shelve", "It gives no notice until the time is over, and is shown as shelved. It goes on following the readings, and if it is active by then, it is raised anew.", may, false}
	case alarm.ActUnshelve:
		return actWords{"Take an alarm from the shelf", "Take from the shelf", "It gives notices again. If it is active by now, it is raised anew.", may, false}
	case alarm.ActOutOfService:
		return actWords{"Take an alarm out of service", "Take out of service", "It gives no notice until somebody returns it to service, and is shown as out of service. What takes a few days is better shelved: that ends by itself.", "Reason, for whoever finds it", true}
	case alarm.ActReturn:
		return actWords{"Return an alarm to service", "Return to service", "It gives notices again. If it is active by now, it is raised anew.", may, false}
	case alarm.ActAnnotate:
		return actWords{"Annotate an alarm", "Keep the note", "What you know of it is shown with the alarm, in its next notices, and in its history.", "Note (what you know of it)", true}
	}
	return actWords{"Acknowledge an alarm", "Acknowledge", "It stops asking for attention; while its cause lasts it stays active.", may, false}
}

func actPage(do string) page { return page{Name: "act", Head: wordsOfAct(do).Head, Narrow: true} }

// form is the page of an act, filled in as far as is known.
func (s *server) form(r *http.Request, do string, a OperateAlarm) actForm {
	f := actForm{
		Do: do, Key: a.Key, Name: a.Key.String(), actWords: wordsOfAct(do),
		By: a.By, Note: a.Note, User: userOf(r),
	}
	if do == alarm.ActShelve {
		for _, c := range []spanChoice{{"4h", "4 hours", false}, {"8h", "8 hours", false}, {"1d", "1 day", false}, {"2d", "2 days", false}, {"3d", "3 days", false}, {"7d", "7 days", false}} {
			c.Chosen = c.Value == a.For || a.For == "" && c.Value == "8h"
			f.Spans = append(f.Spans, c)
		}
	}
	return f
}

func (s *server) getAct(w http.ResponseWriter, r *http.Request, do string) {
	s.writePage(w, r, http.StatusOK, actPage(do), s.form(r, do, operateFrom(r.URL.Query())))
}

func (s *server) postAct(w http.ResponseWriter, r *http.Request, do string) {
	a, no := readAct(w, r)
	a.By = signed(r, a.By)
	var op engine.Operation
	if no == nil {
		op, no = s.operation(do, a)
	}
	if no == nil {
		if err := s.Actions.Operate(r.Context(), op); err != nil {
			status, detail := s.failure(r, doing(do), err)
			no = &refusal{status, detail}
		}
	}
	if no != nil {
		f := s.form(r, do, a)
		f.Problem = no.detail
		s.writePage(w, r, no.status, actPage(do), f)
		return
	}
	http.Redirect(w, r, "/#alarms", http.StatusSeeOther)
}

// readForm reads a form of the page, refusing what is none.
func readForm(w http.ResponseWriter, r *http.Request) (url.Values, *refusal) {
	if media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || media != "application/x-www-form-urlencoded" {
		return nil, &refusal{http.StatusUnsupportedMediaType, "send the form as application/x-www-form-urlencoded"}
	}
	r.Body = http.MaxBytesReader(w, r.Body, maxBody)
	if err := r.ParseForm(); err != nil {
		return nil, unread(err)
	}
	return r.PostForm, nil
}

func readAct(w http.ResponseWriter, r *http.Request) (OperateAlarm, *refusal) {
	form, no := readForm(w, r)
	return operateFrom(form), no
}

func operateFrom(form url.Values) OperateAlarm {
	return OperateAlarm{
		Key: alarm.Key{Kind: alarm.Kind(form.Get("kind")), Room: form.Get("room"), Sensor: form.Get("sensor"), Lot: form.Get("lot")},
		By:  form.Get("by"), Note: form.Get("note"), For: form.Get("for"),
	}
}

// actLink leads to the form of an act on an alarm.
type actLink struct {
	Text, URL string
	Button    bool // it is what the state asks for
}

// actLinks are the acts that an alarm in a state is open to, the most usual
// one first.
func actLinks(a engine.AlarmView) (out []actLink) {
	q := url.Values{"kind": {string(a.Key.Kind)}}
	for name, value := range map[string]string{"room": a.Key.Room, "sensor": a.Key.Sensor, "lot": a.Key.Lot} {
		if value != "" {
			q.Set(name, value)
		}
	}
	add := func(do, text string) {
		out = append(out, actLink{text, "/alarms/" + do + "?" + q.Encode(), do == alarm.ActAcknowledge || do == alarm.ActUnshelve || do == alarm.ActReturn})
	}
	switch a.State {
	case alarm.ActiveUnacknowledged, alarm.ReturnedUnack:
		add(alarm.ActAcknowledge, "Acknowledge")
		add(alarm.ActShelve, "Shelve")
	case alarm.Shelved:
		add(alarm.ActUnshelve, "Take from the shelf")
		add(alarm.ActShelve, "Shelve for another time")
	case alarm.OutOfService:
		add(alarm.ActReturn, "Return to service")
	default:
		add(alarm.ActShelve, "Shelve")
	}
	add(alarm.ActAnnotate, "Annotate")
	if a.State != alarm.OutOfService {
		add(alarm.ActOutOfService, "Take out of service")
	}
	return out
}

// aside says that an alarm is set aside, by whom and until when; empty where
// it is not.
func (p *pageContext) aside(a engine.AlarmView) string {
	now := "normal"
	if a.Active {
		now = "active"
	}
	switch a.State {
	case alarm.Shelved:
		return "Shelved by " + a.AsideBy + " until " + p.moment(a.ShelvedUntil).Text + "; by its readings it is " + now + "."
	case alarm.OutOfService:
		return "Taken out of service by " + a.AsideBy + "; by its readings it is " + now + "."
	}
	return ""
}

// alarmsView is the page of alarms and their history.
type alarmsView struct {
	Alarms              []alarmView
	NoAlarm, UnknownNow sight
	Events              []eventView
	Of                  string // the one alarm whose history it is
	Older               string // link to older events
}

type eventView struct {
	At              moment
	Key, What       string
	Value, By, Note string
}

func (s *server) getAlarmsPage(w http.ResponseWriter, r *http.Request) {
	snap := s.Snapshot()
	if snap == nil {
		w.Header().Set("Retry-After", "5")
		s.writeFailed(w, r, http.StatusServiceUnavailable, "No alarms yet", notReady)
		return
	}
	q := r.URL.Query()
	// By number, not by time: many may have come in one millisecond.
	skip, err := strconv.Atoi(q.Get("skip"))
	if err != nil || skip < 0 || skip > mostEvents {
		skip = 0
	}
	events, more, err := s.history(r, time.Time{}, time.Time{}, q.Get("alarm"), skip+usualEvents)
	if err != nil {
		status, detail := s.failure(r, "list the history of alarms", err)
		s.writeFailed(w, r, status, "No history", detail)
		return
	}
	p := s.words(r)
	v := alarmsView{
		NoAlarm: noAlarm(snap, false), UnknownNow: unknownSight("There is no reading now."), Of: q.Get("alarm"),
	}
	for _, a := range snap.Alarms {
		v.Alarms = append(v.Alarms, p.alarm(a))
	}
	for _, ev := range events[min(skip, len(events)):] {
		v.Events = append(v.Events, p.event(ev))
	}
	if more {
		older := url.Values{"skip": {strconv.Itoa(skip + usualEvents)}}
		if v.Of != "" {
			older.Set("alarm", v.Of)
		}
		v.Older = "/alarms?" + older.Encode() + "#history"
	}
	s.writePage(w, r, http.StatusOK, page{
		Name: "alarms page", Head: p.t("Alarms and their history"), Here: "/alarms", At: p.moment(snap.At), Caution: true,
		Data: []link{{p.t("alarms"), "/api/v1/alarms?all=true", false}, {p.t("their history"), "/api/v1/alarms/history", false}},
	}, v)
}

func (p *pageContext) event(ev alarm.Event) eventView {
	v := eventView{At: p.moment(ev.At), Key: ev.Key.String(), What: EventWords(ev, p.zone), By: ev.By, Note: ev.Note}
	if m, ok := p.alarmMeasure(ev.Key.Kind); ok {
		v.Value = m.text(ev.Value)
	} else if timed(ev.Key.Kind) {
		v.Value = p.silence(ev.Value)
	} else {
		v.Value = ev.Key.Kind.Amount(ev.Value)
	}
	if ev.Unknown {
		v.Value = "unknown"
	}
	return v
}

// EventWords says what an alarm went through, without which, by whom and why.
func EventWords(ev alarm.Event, zone *time.Location) string {
	anew := ""
	if ev.To == alarm.ActiveUnacknowledged && ev.From != ev.To {
		anew = ", and raised anew, since it is active"
	}
	switch {
	case ev.Do == alarm.ActShelve:
		return "shelved until " + ev.Until.In(zone).Format("2 Jan 2006 15:04 MST")
	case ev.Do != "":
		return audit.AlarmWords(ev.Do, ev.Until) + anew
	case ev.From == alarm.Shelved:
		return "the shelving ended" + anew
	case ev.To == alarm.ActiveUnacknowledged:
		return "raised"
	case ev.To == alarm.ReturnedUnack, ev.From == alarm.ActiveAcknowledged && ev.To == alarm.Normal:
		return "returned"
	case ev.To == alarm.Normal:
		return "ended: what it watched is no more"
	}
	return "is " + string(ev.To)
}
