package web

import (
	"bytes"
	_ "embed" // the page and its style sheet are files
	"html/template"
	"mime"
	"net/http"
	"net/url"

	"dryhold/internal/alarm"
)

//go:embed page.html
var pageHTML string

//go:embed style.css
var styleCSS string

// parsePages reads the embedded templates.
func parsePages() *template.Template {
	return template.Must(template.New("dryhold").Parse(pageHTML))
}

func (s *server) getPage(w http.ResponseWriter, r *http.Request) {
	snap := s.Snapshot()
	status := http.StatusOK
	if snap == nil {
		status = http.StatusServiceUnavailable
		w.Header().Set("Retry-After", "5")
	}
	s.writePage(w, r, status, "page", struct {
		pageView
		User string // who is logged in
	}{s.view(snap, r.URL.Query().Get("refresh") != "off"), userOf(r)})
}

func (s *server) getStyle(w http.ResponseWriter, _ *http.Request) {
	send(w, http.StatusOK, "text/css; charset=utf-8", []byte(styleCSS))
}

// formView is the page on which one alarm is acknowledged. It is a page of
// its own because the main page reloads itself, and would wipe a half-typed
// name.
type formView struct {
	Title, Version string
	Key            alarm.Key
	Name           string // of the alarm
	By, Note       string // as typed before
	User           string // who is logged in, and signs
	Problem        string // why it was not taken
}

func (s *server) getAcknowledge(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	key := alarm.Key{Kind: alarm.Kind(q.Get("kind")), Room: q.Get("room"), Sensor: q.Get("sensor")}
	v := formView{Title: "Acknowledge an alarm: dryhold", Version: s.Version, Key: key, Name: key.String(), User: userOf(r)}
	s.writePage(w, r, http.StatusOK, "acknowledge", v)
}

func (s *server) postAcknowledgeForm(w http.ResponseWriter, r *http.Request) {
	a, no := readAcknowledgeForm(w, r)
	a.By = signed(r, a.By)
	if no == nil {
		no = acknowledgement(a)
	}
	if no == nil {
		if err := s.Actions.Acknowledge(r.Context(), a.Key, a.By, a.Note); err != nil {
			status, detail := s.failure(r, "acknowledge the alarm", err)
			no = &refusal{status, detail}
		}
	}
	if no != nil {
		s.writePage(w, r, no.status, "acknowledge", formView{
			Title: "Acknowledge an alarm: dryhold", Version: s.Version,
			Key: a.Key, Name: a.Key.String(), By: a.By, Note: a.Note, Problem: no.detail, User: userOf(r),
		})
		return
	}
	http.Redirect(w, r, "/#alarms", http.StatusSeeOther)
}

// readAcknowledgeForm reads the form's fields, refusing what is no such form.
func readAcknowledgeForm(w http.ResponseWriter, r *http.Request) (Acknowledge, *refusal) {
	if media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || media != "application/x-www-form-urlencoded" {
		return Acknowledge{}, &refusal{http.StatusUnsupportedMediaType, "send the form as application/x-www-form-urlencoded"}
	}
	r.Body = http.MaxBytesReader(w, r.Body, maxBody)
	if err := r.ParseForm(); err != nil {
		return Acknowledge{}, unread(err)
	}
	return acknowledgeFrom(r.PostForm), nil
}

func acknowledgeFrom(form url.Values) Acknowledge {
	return Acknowledge{
		Key:  alarm.Key{Kind: alarm.Kind(form.Get("kind")), Room: form.Get("room"), Sensor: form.Get("sensor")},
		By:   form.Get("by"),
		Note: form.Get("note"),
	}
}

// writePage renders the whole page before the first byte is sent, so that a
// fault in it is never half a page.
func (s *server) writePage(w http.ResponseWriter, r *http.Request, status int, name string, v any) {
	var body bytes.Buffer
	if err := s.page.ExecuteTemplate(&body, name, v); err != nil {
		s.Log.Error("cannot render a page", "path", r.URL.Path, "error", err)
		writeProblem(w, http.StatusInternalServerError, "the page cannot be rendered: a fault of the machine; its log says more")
		return
	}
	send(w, status, "text/html; charset=utf-8", body.Bytes())
}
