package web

import (
	"net/http"
	"net/url"
	"slices"
	"strings"

	"dryhold/internal/alarm"
)

// noticeRow is one notice on one channel.
type noticeRow struct {
	Queued                 moment
	Subject, Link, Body    string
	Event, Channel, To     string
	Sight                  sight
	When                   moment // delivered, refused, or to be tried
	Cause, Attempts, Which string
}

// noticesView is the page of the log of delivery.
type noticesView struct {
	Rows         []noticeRow
	Key          string // of the one notice that is shown
	Undelivered  bool
	Newer, Older string
	Test, Drill  noticeForm
}

// noticeForm is a form at the foot of the page, as it was filled in.
type noticeForm struct {
	ID, Channel, To, By, User, Problem string
}

func (s *server) routeNoticePages(mux *http.ServeMux) {
	route(mux, "/notices", methods{http.MethodGet: s.getNoticesPage})
	route(mux, "/notices/test", methods{http.MethodPost: s.postTestForm})
	route(mux, "/notices/drill", methods{http.MethodPost: s.postDrillForm})
}

func (s *server) getNoticesPage(w http.ResponseWriter, r *http.Request) {
	s.noticesPage(w, r, http.StatusOK, noticeForm{}, noticeForm{})
}

// noticesPage shows the log, and the forms as they were filled in.
func (s *server) noticesPage(w http.ResponseWriter, r *http.Request, status int, test, drill noticeForm) {
	p, q := s.words(r), r.URL.Query()
	f := NoticeFilter{Key: q.Get("key"), Undelivered: q.Get("undelivered") != ""}
	skip := skipped(q, mostNotices)
	rows, err := s.Actions.Notices(r.Context(), f, skip+usualNotices+1)
	if err != nil {
		status, detail := s.failure(r, "list notices", err)
		s.writeFailed(w, r, status, p.t("No notices"), detail)
		return
	}
	v := noticesView{Key: f.Key, Undelivered: f.Undelivered, Test: test, Drill: drill}
	v.Test.ID, v.Test.User, v.Drill.ID, v.Drill.User = "test", userOf(r), "drill", userOf(r)
	for _, n := range rows[min(skip, len(rows)):min(skip+usualNotices, len(rows))] {
		v.Rows = append(v.Rows, p.noticeRow(n))
	}
	again := filled(url.Values{}, map[string]string{"key": f.Key})
	if f.Undelivered {
		again.Set("undelivered", "true")
	}
	data := "/api/v1/notices"
	if len(again) > 0 {
		data += "?" + again.Encode()
	}
	v.Newer, v.Older = pagesOf("/notices", again, skip, usualNotices, len(rows) > skip+usualNotices, "log")
	s.writePage(w, r, status, page{
		Name: "notices page", Head: p.t("Notices"), Here: "/alarms", Sub: p.t("What went out, by which way, to whom, and whether it arrived."),
		Data: []link{{p.t("this log"), data, false}},
	}, v)
}

func (p *pageContext) noticeRow(n NoticeView) noticeRow {
	x := noticeRow{
		Queued: p.moment(n.Queued), Subject: n.Subject, Body: n.Body, Event: p.noticeEvent(n.Event), Channel: n.Channel, To: n.To,
		Cause: n.Cause, Attempts: p.tn("%d attempt", "%d attempts", n.Attempts), Link: "/notices?" + url.Values{"key": {n.Key}}.Encode(),
	}
	switch n.State {
	case NoticeDelivered:
		x.Sight, x.When = okSight(p.t("delivered")), p.moment(n.Delivered)
	case NoticeRefused:
		x.Sight, x.When = overSight(p.t("refused for good")), p.moment(n.Refused)
	default:
		x.Sight = heldSight(p.t("waiting"))
		if !n.Due.IsZero() {
			x.When, x.Which = p.moment(n.Due), p.t("to be tried")
		}
	}
	return x
}

// noticeEvent is why a notice went out, in a word.
func (p *pageContext) noticeEvent(e alarm.NoticeEvent) string {
	switch e {
	case alarm.Raised:
		return p.t("raised")
	case alarm.Returned:
		return p.t("returned")
	case alarm.Reminder:
		return p.t("reminder")
	case alarm.Escalated:
		return p.t("escalated, since nobody had acknowledged it")
	case alarm.Digest:
		return p.t("digest of the week")
	case alarm.Test:
		return p.t("test or drill")
	}
	return string(e)
}

func (s *server) postTestForm(w http.ResponseWriter, r *http.Request) {
	form, no := readForm(w, r)
	t := TestNotice{Channel: strings.TrimSpace(form.Get("channel")), To: strings.TrimSpace(form.Get("to")), By: signed(r, form.Get("by"))}
	if no == nil {
		no = noticeAsked(t.By, t.Channel+t.To)
	}
	if no == nil && t.Channel != "" && t.To != "" {
		no = &refusal{http.StatusUnprocessableEntity, s.words(r).t("Give a channel or a person, not both.")}
	}
	key := ""
	if no == nil {
		var err error
		if key, err = s.Actions.TestNotice(r.Context(), t); err != nil {
			status, detail := s.failure(r, "queue the test notice", err)
			no = &refusal{status, detail}
		}
	}
	if no != nil {
		s.noticesPage(w, r, no.status, noticeForm{Channel: t.Channel, To: t.To, By: t.By, Problem: no.detail}, noticeForm{})
		return
	}
	http.Redirect(w, r, "/notices?"+url.Values{"key": {key}}.Encode()+"#log", http.StatusSeeOther)
}

// noticeAsked refuses a form that nobody signed.
func noticeAsked(by, other string) *refusal {
	if strings.TrimSpace(by) == "" {
		return &refusal{http.StatusUnprocessableEntity, "by: give the name of who does it"}
	}
	return personal(by, other)
}

func (s *server) postDrillForm(w http.ResponseWriter, r *http.Request) {
	form, no := readForm(w, r)
	d := DrillDone{To: strings.TrimSpace(form.Get("to")), By: signed(r, form.Get("by"))}
	if no == nil {
		no = noticeAsked(d.By, d.To)
	}
	if no == nil {
		if err := s.Actions.Drilled(r.Context(), d.To); err != nil {
			status, detail := s.failure(r, "acknowledge the drill", err)
			no = &refusal{status, detail}
		}
	}
	if no != nil {
		s.noticesPage(w, r, no.status, noticeForm{}, noticeForm{To: d.To, By: d.By, Problem: no.detail})
		return
	}
	http.Redirect(w, r, "/notices#log", http.StatusSeeOther)
}

// known are the names in the log, for those who fill in a form.
func (v noticesView) known(of func(noticeRow) string) (out []string) {
	for _, x := range v.Rows {
		if name := of(x); name != "" && !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	slices.Sort(out)
	return out
}

// Channels are those that the log names.
func (v noticesView) Channels() []string {
	return v.known(func(x noticeRow) string { return x.Channel })
}

// People are those that the log names.
func (v noticesView) People() []string { return v.known(func(x noticeRow) string { return x.To }) }
