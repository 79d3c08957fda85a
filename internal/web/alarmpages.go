package web

import (
	"mime"
	"net/http"
	"net/url"
	"strconv"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
)

// actForm is the page on which something is done to one alarm. It is a page
// of its own because the main page reloads itself, and would wipe a half-typed
// name.
type actForm struct {
	Do          string
	Key         alarm.Key
	Name, Title string // of the alarm
	actWords
	By, Note string // as typed before
	Spans    []choice
	User     string // who is logged in, and signs
	Problem  string // why it was not taken
}

// actWords are the words of an act.
type actWords struct {
	Head, Button string
	What         string // it does
	NoteLabel    string
	NoteNeeded   bool
}

func (p *pageContext) actWords(do string) actWords {
	may := p.t("Note (what you saw or did), may be empty")
	switch do {
	case alarm.ActShelve:
		return actWords{p.t("Shelve an alarm"), p.t("Shelve"), p.t("It gives no notice until the time is over, and is shown as shelved. It goes on following the readings, and if it is active by then, it is raised anew."), may, false}
	case alarm.ActUnshelve:
		return actWords{p.t("Take an alarm from the shelf"), p.t("Take from the shelf"), p.t("It gives notices again. If it is active by now, it is raised anew."), may, false}
	case alarm.ActOutOfService:
		return actWords{p.t("Take an alarm out of service"), p.t("Take out of service"), p.t("It gives no notice until somebody returns it to service, and is shown as out of service. What takes a few days is better shelved: that ends by itself."), p.t("Reason, for whoever finds it"), true}
	case alarm.ActReturn:
		return actWords{p.t("Return an alarm to service"), p.t("Return to service"), p.t("It gives notices again. If it is active by now, it is raised anew."), may, false}
	case alarm.ActAnnotate:
		return actWords{p.t("Annotate an alarm"), p.t("Keep the note"), p.t("What you know of it is shown with the alarm, in its next notices, and in its history."), p.t("Note (what you know of it)"), true}
	}
	return actWords{p.t("Acknowledge an alarm"), p.t("Acknowledge"), p.t("It stops asking for attention; while its cause lasts it stays active."), may, false}
}

func (p *pageContext) actPage(do string) page {
	return page{Name: "act", Head: p.actWords(do).Head, Here: "/alarms", Narrow: true}
}

// form is the page of an act, filled in as far as is known.
func (s *server) form(r *http.Request, do string, a OperateAlarm) actForm {
	p := s.words(r)
	f := actForm{
		Do: do, Key: a.Key, Name: a.Key.String(), Title: p.alarmTitle(a.Key), actWords: p.actWords(do),
		By: a.By, Note: a.Note, User: userOf(r),
	}
	if do == alarm.ActShelve {
		for _, hours := range []int{4, 8, 24, 48, 72, 168} {
			c := choice{Value: strconv.Itoa(hours) + "h", Text: p.tn("%d hour", "%d hours", hours)}
			if hours >= 24 {
				c = choice{Value: strconv.Itoa(hours/24) + "d", Text: p.tn("%d day", "%d days", hours/24)}
			}
			c.Chosen = c.Value == a.For || a.For == "" && c.Value == "8h"
			f.Spans = append(f.Spans, c)
		}
	}
	return f
}

func (s *server) getAct(w http.ResponseWriter, r *http.Request, do string) {
	s.writePage(w, r, http.StatusOK, s.words(r).actPage(do), s.form(r, do, operateFrom(r.URL.Query())))
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
		s.writePage(w, r, no.status, s.words(r).actPage(do), f)
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
func (p *pageContext) actLinks(a engine.AlarmView) (out []actLink) {
	q := filled(url.Values{"kind": {string(a.Key.Kind)}}, map[string]string{"room": a.Key.Room, "sensor": a.Key.Sensor, "lot": a.Key.Lot})
	add := func(do, text string) {
		out = append(out, actLink{text, "/alarms/" + do + "?" + q.Encode(), do == alarm.ActAcknowledge || do == alarm.ActUnshelve || do == alarm.ActReturn})
	}
	switch a.State {
	case alarm.ActiveUnacknowledged, alarm.ReturnedUnack:
		add(alarm.ActAcknowledge, p.t("Acknowledge"))
		add(alarm.ActShelve, p.t("Shelve"))
	case alarm.Shelved:
		add(alarm.ActUnshelve, p.t("Take from the shelf"))
		add(alarm.ActShelve, p.t("Shelve for another time"))
	case alarm.OutOfService:
		add(alarm.ActReturn, p.t("Return to service"))
	default:
		add(alarm.ActShelve, p.t("Shelve"))
	}
	add(alarm.ActAnnotate, p.t("Annotate"))
	if a.State != alarm.OutOfService {
		add(alarm.ActOutOfService, p.t("Take out of service"))
	}
	return out
}

// aside says that an alarm is set aside, by whom and until when; empty where
// it is not.
func (p *pageContext) aside(a engine.AlarmView) string {
	switch until := p.moment(a.ShelvedUntil).Text; {
	case a.State == alarm.Shelved && a.Active:
		return p.t("Shelved by %s until %s; by its readings it is active.", a.AsideBy, until)
	case a.State == alarm.Shelved:
		return p.t("Shelved by %s until %s; by its readings it is normal.", a.AsideBy, until)
	case a.State == alarm.OutOfService && a.Active:
		return p.t("Taken out of service by %s; by its readings it is active.", a.AsideBy)
	case a.State == alarm.OutOfService:
		return p.t("Taken out of service by %s; by its readings it is normal.", a.AsideBy)
	}
	return ""
}
