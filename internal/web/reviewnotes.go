package web

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/note"
	"dryhold/internal/review"
)

// Notes of a stretch of a room's time, and taking them back, as forms. Each ends
// in NoteRoom, as the API does.

// noting is the page on which a stretch of a room's time is noted or a note is
// taken back.
type noting struct {
	Do, Button, What string
	Room, From, To   string // as RFC 3339
	Stretch          string // the same in words
	Text, Label      string
	Needed           bool
	By, User         string
	Problem          string
}

func (s *server) routeReviewNotes(mux *http.ServeMux) {
	route(mux, "/review/notes", methods{http.MethodGet: s.getNoting, http.MethodPost: s.postNoting})
	route(mux, "/review/notes/{seq}/revoke", methods{http.MethodGet: s.getUnnoting, http.MethodPost: s.postUnnoting})
}

// notingURL is where a note of an event is made; empty for what is none that a
// room had.
func notingURL(x review.Spell) string {
	switch x.Kind {
	case review.Excursion, review.Estimated, review.Unknown:
		return "/review/notes?" + url.Values{"room": {x.Room}, "from": {x.From.UTC().Format(time.RFC3339)}, "to": {x.To.UTC().Format(time.RFC3339)}}.Encode()
	}
	return ""
}

// stretchOf reads the two instants of a form.
func (s *server) stretchOf(form url.Values) (from, to time.Time, no *refusal) {
	for name, t := range map[string]*time.Time{"from": &from, "to": &to} {
		var err error
		if *t, err = time.Parse(time.RFC3339, form.Get(name)); err != nil {
			return from, to, &refusal{http.StatusUnprocessableEntity, name + ": " + strconv.Quote(form.Get(name)) + " is no time: write it as 2026-07-14T12:00:00Z"}
		}
	}
	return from, to, nil
}

func (s *server) notingForm(r *http.Request, p *pageContext, form url.Values) noting {
	f := noting{
		Do: "/review/notes", Button: p.t("Keep the note"), Label: p.t("What happened (a few words)"), Needed: true,
		What: p.t("What is noted names the stretch from then on: its cost is told under these words, in the reviews and reports of every lot that stood in the room."),
		Room: form.Get("room"), From: form.Get("from"), To: form.Get("to"), Text: form.Get("text"), By: form.Get("by"), User: userOf(r),
	}
	if from, to, no := s.stretchOf(form); no == nil {
		f.Stretch = f.Room + ", " + p.date(from, "2 Jan 2006 15:04 MST") + " – " + p.date(to, "2 Jan 2006 15:04 MST")
	}
	return f
}

func (s *server) getNoting(w http.ResponseWriter, r *http.Request) {
	p := s.words(r)
	s.writePage(w, r, http.StatusOK, page{Name: "noting", Head: p.t("Note what happened"), Here: "/review", Narrow: true}, s.notingForm(r, p, r.URL.Query()))
}

func (s *server) postNoting(w http.ResponseWriter, r *http.Request) {
	p := s.words(r)
	form, no := readForm(w, r)
	c := note.Change{Kind: note.Noted, Room: form.Get("room"), Text: strings.TrimSpace(form.Get("text")), By: signed(r, form.Get("by"))}
	if no == nil {
		c.From, c.To, no = s.stretchOf(form)
	}
	if no == nil {
		no = noted(NoteRoom{From: c.From, To: c.To, Text: c.Text, By: c.By})
	}
	s.keepNote(w, r, c, no, page{Name: "noting", Head: p.t("Note what happened"), Here: "/review", Narrow: true}, s.notingForm(r, p, form))
}

// keepNote keeps a note unless it is refused, and shows the form again where it
// is not kept.
func (s *server) keepNote(w http.ResponseWriter, r *http.Request, c note.Change, no *refusal, pg page, again noting) {
	if no == nil {
		if _, err := s.Actions.NoteRoom(r.Context(), c); err != nil {
			status, detail := s.failure(r, "keep the note of the room", err)
			no = &refusal{status, detail}
		}
	}
	if no != nil {
		again.Problem = no.detail
		s.writePage(w, r, no.status, pg, again)
		return
	}
	http.Redirect(w, r, "/review#notes", http.StatusSeeOther)
}

// unnotingForm is the form that takes back a note; false where there is none
// that holds.
func (s *server) unnotingForm(r *http.Request, p *pageContext, form url.Values) (f noting, found bool, err error) {
	notes, err := s.noteRows(r, p, "")
	if err != nil {
		return f, false, err
	}
	for _, n := range notes {
		if strconv.Itoa(n.Seq) == r.PathValue("seq") {
			return noting{
				Do: n.Revoke, Button: p.t("Take it back"), Label: p.t("Reason, for whoever wonders"), Stretch: n.Room + ", " + n.When + ": " + n.Text,
				What: p.t("The stretch is told again as what the sensors found. The note stays on record as taken back."),
				Text: form.Get("text"), By: form.Get("by"), User: userOf(r),
			}, true, nil
		}
	}
	return f, false, nil
}

// unnoting gives the form, or answers why there is none.
func (s *server) unnoting(w http.ResponseWriter, r *http.Request, form url.Values) (f noting, found bool) {
	p := s.words(r)
	f, found, err := s.unnotingForm(r, p, form)
	switch {
	case err != nil:
		status, detail := s.failure(r, "list the notes of rooms", err)
		s.writeFailed(w, r, status, p.t("No note"), detail)
		return f, false
	case !found:
		s.writeFailed(w, r, http.StatusNotFound, p.t("No note"), p.t("There is no note %s that holds: it may have been taken back already.", r.PathValue("seq")))
	}
	return f, found
}

func (s *server) getUnnoting(w http.ResponseWriter, r *http.Request) {
	if f, found := s.unnoting(w, r, nil); found {
		s.writePage(w, r, http.StatusOK, page{Name: "noting", Head: s.words(r).t("Take back a note"), Here: "/review", Narrow: true}, f)
	}
}

func (s *server) postUnnoting(w http.ResponseWriter, r *http.Request) {
	form, no := readForm(w, r)
	f, found := s.unnoting(w, r, form)
	if !found {
		return
	}
	seq, err := strconv.Atoi(r.PathValue("seq"))
	c := note.Change{Kind: note.Revoked, Revokes: seq, Text: strings.TrimSpace(form.Get("text")), By: signed(r, form.Get("by"))}
	if no == nil && err == nil {
		no = personal(c.By, c.Text)
	}
	s.keepNote(w, r, c, no, page{Name: "noting", Head: s.words(r).t("Take back a note"), Here: "/review", Narrow: true}, f)
}
