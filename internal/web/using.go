package web

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"dryhold/internal/engine"
)

// useView is what is in store of a lot, and what was done to it.
type useView struct {
	ID                     string
	InStore, Worth, Opened string
	Next                   string // about the treatment
	Open                   bool   // it is not finished
	Action, User           string
	Rooms                  []string
	Acts                   []actView
}

type actView struct{ When, By, What, Old, Why string }

// StoreWords are how much there is of a lot.
func StoreWords(l engine.LotView) string {
	if l.Finished() {
		return "nothing left"
	}
	return plural(l.Containers, "container", "containers") + ", " + mass(l.MassKG)
}

// WorthWords are what is in store on paper; empty where no price is told.
func WorthWords(l engine.LotView) string {
	p := l.Packing.PricePerKG
	if !(p > 0) {
		return ""
	}
	return "bought for " + decimal(p, 2) + " per kg, " + decimal(p*l.MassKG, 2) + " on paper"
}

// using is the part of the page of a lot that is about its use; nil where it is
// not to be had now.
func (s *server) using(r *http.Request, id string) *useView {
	snap := s.Snapshot()
	if snap == nil {
		return nil
	}
	for _, l := range snap.Lots {
		if l.ID != id {
			continue
		}
		v := useView{
			ID:      l.ID,
			InStore: StoreWords(l), Worth: WorthWords(l), Open: !l.Finished(), Action: "/lots/" + url.PathEscape(id) + "/use", User: userOf(r),
		}
		if l.Insects != nil && v.Open {
			v.Next = l.Insects.Next
		}
		if !l.OpenedAt.IsZero() {
			v.Opened = l.OpenedAt.In(s.Zone).Format("2 Jan 2006")
		}
		for _, x := range snap.Rooms {
			v.Rooms = append(v.Rooms, x.Name)
		}
		acts, err := s.Actions.History(r.Context(), id)
		if err != nil {
			s.Log.Warn("the history of a lot cannot be shown", "lot", id, "error", err)
		}
		for _, a := range acts {
			v.Acts = append(v.Acts, actView{a.At.In(s.Zone).Format("2 Jan 2006"), a.By, a.What, a.Old, a.Why})
		}
		return &v
	}
	return nil
}

// postUseForm takes what was done from the page of a lot, and shows the page of
// the lot it made of it.
func (s *server) postUseForm(w http.ResponseWriter, r *http.Request) {
	to, no := s.used(w, r, r.PathValue("id"))
	if no != nil {
		s.writeFailed(w, r, no.status, "Nothing was changed", no.detail)
		return
	}
	if to == "" { // it counts as never there
		http.Redirect(w, r, "/#lots", http.StatusSeeOther)
		return
	}
	http.Redirect(w, r, "/lots/"+url.PathEscape(to)+"#use", http.StatusSeeOther)
}

func (s *server) used(w http.ResponseWriter, r *http.Request, id string) (to string, no *refusal) {
	r.Body = http.MaxBytesReader(w, r.Body, maxBody)
	if err := r.ParseForm(); err != nil {
		return "", unread(err)
	}
	get := func(name string) string { return strings.TrimSpace(r.PostForm.Get(name)) }
	body := UseLot{Room: get("room"), Note: get("note"), By: signed(r, get("by"))}
	if no := personal(body.By, body.Note); no != nil {
		return "", no
	}
	kind, known := uses()[get("act")]
	if !known {
		return "", &refusal{http.StatusUnprocessableEntity, "act: say what was done"}
	}
	if text := get("count"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil {
			return "", &refusal{http.StatusUnprocessableEntity, "containers: " + strconv.Quote(text) + " is no whole number: write 2"}
		}
		body.Count = n
	}
	if text := get("kg"); text != "" {
		kg, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
		if err != nil {
			return "", &refusal{http.StatusUnprocessableEntity, "kilograms: " + strconv.Quote(text) + " is no number: write 0.5"}
		}
		body.KG = kg
	}
	l, err := s.Actions.UseLot(r.Context(), body.change(kind, id, s.orNow(body.At)))
	if err != nil {
		status, detail := s.failure(r, "change the lot", err)
		return "", &refusal{status, detail}
	}
	if l.Withdrawn {
		return "", nil
	}
	return l.ID, nil
}
