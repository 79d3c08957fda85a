package web

import (
	"context"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"dryhold/internal/audit"
	"dryhold/internal/lot"
)

// LotKeeper takes what becomes of lots in practice. Errors are as those of
// Actions.
type LotKeeper interface {
	// UseLot takes a change of the kinds Split, Opened, Eaten, Discarded,
	// Recounted, Priced, Completed and Undone, of the lot named in Lot. It gives the lot
	// as it is then; of Split the new one, of Opened the one that is open:
	// where a lot has more containers than are opened, they become a lot of
	// their own first.
	UseLot(ctx context.Context, c lot.Change) (lot.Lot, error)
	// History is what was done to a lot, in the order it was told.
	History(ctx context.Context, id string) ([]audit.Act, error)
	// ImportLots registers all of the lots or, with a problem or DryRun, none.
	ImportLots(ctx context.Context, in ImportLots) (ImportedLots, error)
	// UndoImport takes back the lots of an import, possible while none of them
	// was changed since.
	UndoImport(ctx context.Context, number int, note, by string) ([]lot.Lot, error)
	// Labels writes labels for the containers of lots in store.
	Labels(ctx context.Context, o LabelOrder) (ReportFile, error)
}

type (
	// UseLot is the body of POST /api/v1/lots/{id}/split, open, eat, discard,
	// recount, price, treat and undo, answered 200 with a lot.Lot. What does not go
	// with the act is left out.
	UseLot struct {
		Count      int       `json:"count,omitempty"` // containers
		KG         float64   `json:"kg,omitempty"`    // of eat and discard, instead of a count
		Room       string    `json:"room,omitempty"`  // of split
		PricePerKG float64   `json:"price_per_kg,omitempty"`
		At         time.Time `json:"at,omitzero"` // now when left out
		Note       string    `json:"note,omitempty"`
		By         string    `json:"by"`
	}
	// ImportLots is the body of POST /api/v1/imports/lots, at most 500 lots.
	ImportLots struct {
		Lots   []lot.Packing `json:"lots"`
		DryRun bool          `json:"dry_run,omitempty"`
		By     string        `json:"by"`
	}
	// ImportedLots is the answer: 200 for a dry run or where there are
	// problems, and then nothing is stored; else 201.
	ImportedLots struct {
		Number   int        `json:"number,omitempty"` // of the import, by which it is undone
		Lots     []lot.Lot  `json:"lots,omitempty"`
		Problems []LotFault `json:"problems,omitempty"`
		Cautions []LotFault `json:"cautions,omitempty"`
	}
	// LotFault is what is to say of one of the lots, by its place from 0.
	LotFault struct {
		Index int    `json:"index"`
		Text  string `json:"text"`
	}
	// UndoImport is the body of POST /api/v1/imports/lots/{number}/undo: 204.
	UndoImport struct {
		Note string `json:"note,omitempty"`
		By   string `json:"by"`
	}
)

// MostImported is how many lots go into one import: more than a household packs
// in years, and the body stays small.
const MostImported = 500

// uses are the acts by the last part of their path.
func uses() map[string]lot.ChangeKind {
	return map[string]lot.ChangeKind{
		"split": lot.Split, "open": lot.Opened, "eat": lot.Eaten, "discard": lot.Discarded, "recount": lot.Recounted, "price": lot.Priced, "undo": lot.Undone, "treat": lot.Completed,
	}
}

func (s *server) routePractice(mux *http.ServeMux) {
	for name, kind := range uses() {
		route(mux, "/api/v1/lots/{id}/"+name, methods{http.MethodPost: func(w http.ResponseWriter, r *http.Request) { s.postUse(w, r, kind) }})
	}
	route(mux, "/api/v1/lots/{id}/history", methods{http.MethodGet: s.getHistory})
	route(mux, "/api/v1/imports/lots", methods{http.MethodPost: s.postLots})
	route(mux, "/api/v1/imports/lots/{number}/undo", methods{http.MethodPost: s.postUndoImport})
	s.routeLabels(mux)
}

func (s *server) postUse(w http.ResponseWriter, r *http.Request, kind lot.ChangeKind) {
	var body UseLot
	if !accepted(w, r, &body, func() *refusal { return personal(body.By, body.Note) }) {
		return
	}
	l, err := s.Actions.UseLot(r.Context(), body.change(kind, r.PathValue("id"), s.orNow(body.At)))
	if err != nil {
		status, detail := s.failure(r, "change the lot", err)
		writeProblem(w, status, detail)
		return
	}
	s.writeJSON(w, r, http.StatusOK, l)
}

func (u UseLot) change(kind lot.ChangeKind, id string, at time.Time) lot.Change {
	return lot.Change{Kind: kind, Lot: id, Count: u.Count, KG: u.KG, Room: u.Room, Price: u.PricePerKG, At: at, Note: u.Note, By: u.By}
}

func (s *server) getHistory(w http.ResponseWriter, r *http.Request) {
	acts, err := s.Actions.History(r.Context(), r.PathValue("id"))
	if err != nil {
		status, detail := s.failure(r, "list what was done", err)
		writeProblem(w, status, detail)
		return
	}
	s.writeJSON(w, r, http.StatusOK, AuditAnswer{Acts: acts})
}

func (s *server) postLots(w http.ResponseWriter, r *http.Request) {
	var body ImportLots
	no := readLong(w, r, &body, maxImport)
	if no == nil {
		sign(r, &body)
		no = body.check()
	}
	if no != nil {
		writeProblem(w, no.status, no.detail)
		return
	}
	answer, err := s.Actions.ImportLots(r.Context(), body)
	if err != nil {
		status, detail := s.failure(r, "register the lots", err)
		writeProblem(w, status, detail)
		return
	}
	status := http.StatusOK
	if answer.Number > 0 {
		status = http.StatusCreated
	}
	s.writeJSON(w, r, status, answer)
}

func (b ImportLots) check() *refusal {
	if n := len(b.Lots); n < 1 || n > MostImported {
		return &refusal{http.StatusUnprocessableEntity, fmt.Sprintf("%d lots: give 1 to %d in one import", n, MostImported)}
	}
	for _, p := range b.Lots {
		if no := personal(b.By, p.Note); no != nil {
			return no
		}
	}
	return nil
}

func (s *server) postUndoImport(w http.ResponseWriter, r *http.Request) {
	var body UndoImport
	if !accepted(w, r, &body, func() *refusal { return personal(body.By, body.Note) }) {
		return
	}
	n, err := strconv.Atoi(r.PathValue("number"))
	if err != nil || n < 1 {
		writeProblem(w, http.StatusNotFound, fmt.Sprintf("%q is no number of an import", r.PathValue("number")))
		return
	}
	_, err = s.Actions.UndoImport(r.Context(), n, body.Note, body.By)
	s.done(w, r, "take back the import", err)
}
