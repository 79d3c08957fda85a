package web

import (
	"context"
	"net/http"
	"strings"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/audit"
)

// LinkPath is where the links in notices lead, with the token behind it.
const LinkPath = "/a/"

// Linker knows the links in notices. Errors are as those of Actions; one of a
// link that was used, is too old, or is of an alarm that is over says so.
type Linker interface {
	// Link says what following a link would do. It does nothing.
	Link(ctx context.Context, token string) (LinkView, error)
	// FollowLink does it, durably and once. By is who is logged in, or "" for
	// the person it was sent to.
	FollowLink(ctx context.Context, token, by, note string) error
}

// LinkView is what following a link would do.
type LinkView struct {
	Do    string // one of alarm.Acts
	Key   alarm.Key
	To    string    // whom it was sent to
	Until time.Time // it is good
	// State and Text are of the alarm now; normal when it is over.
	State   alarm.State
	Text    string
	Shelves time.Duration // where it shelves, for how long
}

// logged is the path of a request as the log may show it: a link that was not
// used yet is as good as a password.
func logged(r *http.Request) string {
	if strings.HasPrefix(r.URL.Path, LinkPath) {
		return LinkPath + "..."
	}
	return r.URL.Path
}

func (s *server) routeLinks(mux *http.ServeMux) {
	route(mux, LinkPath+"{token}", methods{http.MethodGet: s.getLink, http.MethodPost: s.postLink})
}

// linkPage is the page of a link.
type linkPage struct {
	Token, Do string
	actWords
	Name, Text    string
	Sight         sight
	Until         moment
	By            string
	Done, Problem string
}

// page leads nowhere: who follows the link may be a stranger.
func (p linkPage) page() page { return page{Name: "link", Head: p.Head, Narrow: true, Bare: true} }

// getLink shows what the link does. It does nothing by itself: programs that
// look through mail for dangerous links fetch every one.
func (s *server) getLink(w http.ResponseWriter, r *http.Request) {
	p, status := s.link(r)
	s.writePage(w, r, status, p.page(), p)
}

// link is the page of the link asked for.
func (s *server) link(r *http.Request) (linkPage, int) {
	token := r.PathValue("token")
	v, err := s.Actions.Link(r.Context(), token)
	if err != nil {
		status, detail := s.failure(r, "read the link", err)
		return linkProblem(s.words(r), detail), status
	}
	pc := s.words(r)
	p := linkPage{
		Token: token, Do: v.Do, actWords: pc.actWords(v.Do),
		Name: v.Key.String(), Text: v.Text, Sight: pc.alarmSight(v.State), Until: pc.moment(v.Until), By: v.To,
	}
	if user := userOf(r); user != "" {
		p.By = user
	}
	if v.Do == alarm.ActShelve {
		p.Button = pc.tn("Shelve for %d hour", "Shelve for %d hours", int(v.Shelves/time.Hour))
	}
	return p, http.StatusOK
}

func linkProblem(pc *pageContext, detail string) linkPage {
	return linkPage{actWords: actWords{Head: pc.t("This link does nothing")}, Problem: detail}
}

func (s *server) postLink(w http.ResponseWriter, r *http.Request) {
	form, no := readForm(w, r)
	if no == nil {
		no = personal("", form.Get("note"))
	}
	if no != nil {
		p := linkProblem(s.words(r), no.detail)
		s.writePage(w, r, no.status, p.page(), p)
		return
	}
	p, status := s.link(r)
	if p.Problem == "" {
		note := strings.TrimSpace(form.Get("note"))
		if err := s.Actions.FollowLink(r.Context(), r.PathValue("token"), userOf(r), note); err != nil {
			var detail string
			status, detail = s.failure(r, "follow the link", err)
			p = linkProblem(s.words(r), detail)
		} else {
			p.Done, p.Sight = s.words(r).word(audit.AlarmWords(p.Do, time.Time{})), okSight(s.words(r).t("done"))
		}
	}
	s.writePage(w, r, status, p.page(), p)
}
