package web

import (
	"net/http"
	"net/url"

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
	Forms                  []useForm
	Acts                   []actView
}

type actView struct{ When, By, What, Old, Why string }

// StoreWords are how much there is of a lot.
func StoreWords(l engine.LotView) string { return english().store(l) }

func (p *pageContext) store(l engine.LotView) string {
	if l.Finished() {
		return p.t("nothing left")
	}
	return p.tn("%d container, %s", "%d containers, %s", l.Containers, p.mass(l.MassKG))
}

// WorthWords are what is in store on paper; empty where no price is told.
func WorthWords(l engine.LotView) string { return english().worth(l) }

func (p *pageContext) worth(l engine.LotView) string {
	price := l.Packing.PricePerKG
	if !(price > 0) {
		return ""
	}
	return p.t("bought for %s per kg, %s on paper", p.number(price, 2), p.number(price*l.MassKG, 2))
}

// using is the part of the page of a lot that is about its use.
func (s *server) using(r *http.Request, p *pageContext, l engine.LotView) *useView {
	v := &useView{
		ID:      l.ID,
		InStore: p.store(l), Worth: p.worth(l), Open: !l.Finished(), Action: "/lots/" + url.PathEscape(l.ID) + "/use", User: userOf(r),
		Forms: p.useForms(l), Rooms: s.roomNames(),
	}
	if l.Insects != nil && v.Open {
		v.Next = l.Insects.Next
	}
	if !l.OpenedAt.IsZero() {
		v.Opened = p.date(l.OpenedAt, "2 Jan 2006")
	}
	acts, err := s.Actions.History(r.Context(), l.ID)
	if err != nil {
		s.Log.Warn("the history of a lot cannot be shown", "lot", l.ID, "error", err)
	}
	for _, a := range acts {
		v.Acts = append(v.Acts, actView{p.date(a.At, "2 Jan 2006"), a.By, a.What, a.Old, a.Why})
	}
	return v
}

// roomNames are the rooms of the published state; none before the first.
func (s *server) roomNames() (out []string) {
	if snap := s.Snapshot(); snap != nil {
		for _, x := range snap.Rooms {
			out = append(out, x.Name)
		}
	}
	return out
}
