package web

import (
	"fmt"
	"net/http"
	"strconv"
	"strings"
)

// LabelOrder is what labels are asked for: GET
// /api/v1/labels?lots=&room=&import=&sheet=&paper=&label=&margin=&gap=&tape=&skip=,
// answered with a PDF. Lots are parted by commas; a sheet may have its paper
// behind it, as in "3x8 a4". Lengths are in mm.
type LabelOrder struct {
	Lots                                   []string // all in store where there are none
	Room                                   string
	Import                                 int
	Sheet, Paper, Label, Margin, Gap, Tape string
	Skip                                   int
}

func (s *server) routeLabels(mux *http.ServeMux) {
	route(mux, "/api/v1/labels", methods{http.MethodGet: s.getLabels})
	route(mux, "/labels", methods{http.MethodGet: s.getLabelsPage})
}

func labelOrder(r *http.Request) (o LabelOrder, no *refusal) {
	q := r.URL.Query()
	get := func(name string) string { return strings.TrimSpace(q.Get(name)) }
	o = LabelOrder{Room: get("room"), Sheet: get("sheet"), Paper: get("paper"), Label: get("label"), Margin: get("margin"), Gap: get("gap"), Tape: get("tape")}
	o.Lots = q["lot"]
	o.Lots = append(o.Lots, strings.FieldsFunc(get("lots"), func(c rune) bool { return c == ',' || c == ' ' })...)
	if sheet, paper, both := strings.Cut(o.Sheet, " "); both && o.Paper == "" {
		o.Sheet, o.Paper = sheet, strings.TrimSpace(paper)
	}
	if o.Tape != "" { // the form has always a sheet
		o.Sheet, o.Paper = "", ""
	}
	for name, to := range map[string]*int{"import": &o.Import, "skip": &o.Skip} {
		text := get(name)
		if text == "" {
			continue
		}
		n, err := strconv.Atoi(text)
		if err != nil || n < 0 {
			return o, &refusal{http.StatusUnprocessableEntity, fmt.Sprintf("%s: %q is no whole number: write 3", name, text)}
		}
		*to = n
	}
	return o, nil
}

func (s *server) getLabels(w http.ResponseWriter, r *http.Request) {
	o, no := labelOrder(r)
	if no != nil {
		writeProblem(w, no.status, no.detail)
		return
	}
	f, err := s.Actions.Labels(r.Context(), o)
	if err != nil {
		status, detail := s.failure(r, "write the labels", err)
		writeProblem(w, status, detail)
		return
	}
	w.Header().Set("Content-Disposition", "inline; filename="+strconv.Quote(f.Name))
	s.send(w, r, http.StatusOK, f.Type, f.Body)
}

func (s *server) getLabelsPage(w http.ResponseWriter, r *http.Request) {
	p := s.words(r)
	v := struct {
		Lots, Sheet   string
		Rooms, Sheets []string
	}{
		Sheet: "3x8 a4",
		Lots:  strings.TrimSpace(r.URL.Query().Get("lots")),
		// Those that package report knows by their number of labels.
		Sheets: []string{"3x8 a4", "3x7 a4", "2x7 a4", "2x5 a4", "2x4 a4", "3x10 letter", "2x10 letter", "2x5 letter", "2x3 letter"},
	}
	if snap := s.Snapshot(); snap != nil {
		for _, x := range snap.Rooms {
			v.Rooms = append(v.Rooms, x.Name)
		}
	}
	if p.us {
		v.Sheet = "3x10 letter"
	}
	s.writePage(w, r, http.StatusOK, page{
		Name: "labels", Head: p.t("Labels"), Here: "/packing", Caution: true,
		Sub: p.t("One for each container in store, with a code that a telephone reads also without this server."),
	}, v)
}
