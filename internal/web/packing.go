package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"strings"

	"dryhold/internal/lot"
	"dryhold/internal/packing"
)

// Packer gives packing advice. Errors are as those of Actions.
type Packer interface {
	PackingAdvice(ctx context.Context, q packing.Question) (packing.Advice, error)
	// Foods lists the foods that have a verdict.
	Foods() []packing.Judged
	// Containers lists the containers that can be asked for.
	Containers() []string
}

// packingPath is a question, though it is posted: it needs the scope read. Its
// body is a packing.Question, answered with a packing.Advice, also where that
// refuses.
const packingPath = "/api/v1/packing/advice"

// routePacking adds the packing advice, as page and as data.
func (s *server) routePacking(mux *http.ServeMux) {
	route(mux, "/packing", methods{http.MethodGet: s.getPackingPage})
	route(mux, packingPath, methods{http.MethodPost: s.postPacking})
	route(mux, "/api/v1/packing/foods", methods{http.MethodGet: s.getFoods})
}

func (s *server) postPacking(w http.ResponseWriter, r *http.Request) {
	var q packing.Question
	if no := readJSON(w, r, &q); no != nil {
		writeProblem(w, no.status, no.detail)
		return
	}
	x, err := s.Actions.PackingAdvice(r.Context(), q)
	if err != nil {
		status, detail := s.failure(r, "give packing advice", err)
		writeProblem(w, status, detail)
		return
	}
	s.writeJSON(w, r, http.StatusOK, x)
}

func (s *server) getFoods(w http.ResponseWriter, r *http.Request) {
	s.writeJSON(w, r, http.StatusOK, s.Actions.Foods())
}

// choice is one option of a list on the form.
type choice struct {
	Value, Text string
	Chosen      bool
}

// packingLine is one line with its mark.
type packingLine struct {
	Sight        *sight // nil for what is only told
	Text, Source string
}

type packingSection struct {
	Title string
	Lines []packingLine
}

// packingView is the page: the form as it was filled in, and the answer.
type packingView struct {
	Problem                        string
	Q                              packing.Question
	Closures, Contents, Leaks      []choice
	Salts, Treatments              []choice
	Asked, Refused                 bool
	Summary, Open                  string
	Sections                       []packingSection
	Reasons                        []string
	Foods                          []packing.Judged
	Containers, Rooms              []string
	CleanLitres, Bleach, CleanNote string
	Cleaning                       []packingSection
}

// LevelWord is the word for a line that stands well or not; empty for what is
// only told.
func LevelWord(l packing.Level) string {
	switch l {
	case packing.Good:
		return "good"
	case packing.Unknown:
		return "find out"
	case packing.Amber:
		return "take care"
	case packing.Refused:
		return "refused"
	}
	return ""
}

func levelSight(l packing.Level) *sight {
	var x sight
	switch word := LevelWord(l); l {
	case packing.Good:
		x = okSight(word)
	case packing.Unknown:
		x = unknownSight(word)
	case packing.Amber:
		x = heldSight(word)
	case packing.Refused:
		x = overSight(word)
	default:
		return nil
	}
	return &x
}

func packingSections(in []packing.Section) (out []packingSection) {
	for _, x := range in {
		p := packingSection{Title: x.Title}
		for i, l := range x.Lines {
			// Of lines with one source the last one shows it.
			if next := i + 1; next < len(x.Lines) && x.Lines[next].Source == l.Source && l.Level != packing.Refused {
				l.Source = ""
			}
			p.Lines = append(p.Lines, packingLine{levelSight(l.Level), trade(l.Text), trade(l.Source)})
		}
		out = append(out, p)
	}
	return out
}

func choices(chosen string, first string, words []string) []choice {
	out := []choice{{"", first, chosen == ""}}
	for _, w := range words {
		out = append(out, choice{w, w, w == chosen})
	}
	return out
}

// packingQuestion is the form as it was filled in.
func packingQuestion(v url.Values) packing.Question {
	get := func(name string) string { return strings.TrimSpace(v.Get(name)) }
	return packing.Question{
		Food: get("food"), Container: get("container"), Amount: get("amount"), Moisture: get("moisture"), Oven: get("oven"), Salt: get("salt"),
		Resin: get("resin"), Closure: get("closure"), Held: get("held"), Leak: get("leak_test"), Absorber: get("absorber"),
		MoistureActivated: get("moisture_activated") != "", Treatment: get("treatment"), Years: get("years"), Temperature: get("temperature"),
		Room: get("room"), Packed: get("packed"), Override: get("override"),
	}
}

func (s *server) getPackingPage(w http.ResponseWriter, r *http.Request) {
	form := r.URL.Query()
	q := packingQuestion(form)
	v := packingView{
		Q: q, Foods: s.Actions.Foods(), Containers: s.Actions.Containers(),
		Closures: choices(q.Closure, "not looked", packing.Closures()), Contents: choices(q.Held, "not known", packing.Contents()),
		Leaks:       choices(q.Leak, "not tested", []string{string(lot.LeakHeld), string(lot.LeakFound)}),
		Salts:       choices(q.Salt, "not tried", []string{string(packing.SaltClumps), string(packing.SaltLoose)}),
		Treatments:  choices(q.Treatment, "as advised", []string{string(lot.Absorber), string(lot.FreezeThaw), string(lot.NoTreatment)}),
		CleanLitres: strings.TrimSpace(form.Get("solution")), Bleach: strings.TrimSpace(form.Get("bleach")),
	}
	if snap := s.Snapshot(); snap != nil {
		for _, x := range snap.Rooms {
			v.Rooms = append(v.Rooms, x.Name)
		}
	}
	status := http.StatusOK
	if q.Food != "" {
		x, err := s.Actions.PackingAdvice(r.Context(), q)
		if err != nil {
			status, v.Problem = s.failure(r, "give packing advice", err)
		} else {
			for _, why := range x.Reasons {
				v.Reasons = append(v.Reasons, trade(why))
			}
			v.Asked, v.Refused, v.Summary, v.Open, v.Sections = true, x.Refused, trade(x.Summary()), x.Open(), packingSections(x.Sections)
		}
	}
	if v.CleanLitres+v.Bleach != "" {
		c, err := packing.CleanAsked(v.CleanLitres, v.Bleach)
		if errors.Is(err, lot.ErrInvalid) {
			status, v.CleanNote = http.StatusUnprocessableEntity, err.Error()
		} else if err == nil {
			v.Cleaning = packingSections(c.Sections)
		}
	}
	p := s.words(r)
	s.writePage(w, r, status, page{
		Name: "packing", Head: p.t("Packing"), Here: "/packing", Sub: p.t("Ask before you pack. Nothing is changed by asking."), Caution: true,
		Data: []link{{p.t("foods"), "/api/v1/packing/foods", false}},
	}, v)
}
