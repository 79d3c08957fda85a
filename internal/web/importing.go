package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"dryhold/internal/room"
	"dryhold/internal/unit"
	"dryhold/internal/wire"
)

// Importer takes readings of the past. They are facts like any other, and known
// by room, sensor, quantity and time: what was stored before is not stored
// again. They move no alarm.
type Importer interface {
	// Import stores readings durably and says how many were new.
	Import(ctx context.Context, readings []room.Reading) (ImportAnswer, error)
	// Imported ends an import: it is put on record, and what the rooms and
	// lots went through follows from the readings when it returns.
	Imported(ctx context.Context, done ImportDone) error
}

// The bodies of the API of imports.
type (
	// Import is the body of POST /api/v1/readings, at most 1 MiB of JSON.
	Import struct {
		Series []ImportSeries `json:"series"`
	}
	// ImportSeries is what one sensor measured of one quantity.
	ImportSeries struct {
		Room     string        `json:"room"`
		Sensor   string        `json:"sensor"`
		Quantity unit.Quantity `json:"quantity"`
		AtMS     []int64       `json:"at_ms"` // since 1970, UTC
		Values   []float64     `json:"values"`
	}
	// ImportAnswer is the answer: 200.
	ImportAnswer struct {
		Stored int `json:"stored"` // now on disk
		Known  int `json:"known"`  // were there before
	}
	// ImportDone is the body of POST /api/v1/readings/imported, answered 204.
	ImportDone struct {
		By     string    `json:"by"`
		Source string    `json:"source"` // the name of the file
		Stored int       `json:"stored"`
		Known  int       `json:"known"`
		From   time.Time `json:"from"` // of the readings
		To     time.Time `json:"to"`
	}
)

// maxImport is the largest body of an import, bytes.
const maxImport = 1 << 20

func (s *server) routeImports(mux *http.ServeMux) {
	route(mux, "/api/v1/readings", methods{http.MethodPost: s.postReadings})
	route(mux, "/api/v1/readings/imported", methods{http.MethodPost: s.postImported})
}

func (s *server) postReadings(w http.ResponseWriter, r *http.Request) {
	readings, no := importOf(w, r, s.Now())
	if no != nil {
		writeProblem(w, no.status, no.detail)
		return
	}
	answer, err := s.Actions.Import(r.Context(), readings)
	if err != nil {
		status, detail := s.failure(r, "store the readings", err)
		writeProblem(w, status, detail)
		return
	}
	s.writeJSON(w, r, http.StatusOK, answer)
}

func (s *server) postImported(w http.ResponseWriter, r *http.Request) {
	var body ImportDone
	if !accepted(w, r, &body, func() *refusal { return personal(body.By, body.Source) }) {
		return
	}
	// Years of readings are folded before the answer.
	_ = http.NewResponseController(w).SetWriteDeadline(time.Time{})
	s.done(w, r, "end the import", s.Actions.Imported(r.Context(), body))
}

// importOf reads the body of an import and checks every reading in it.
func importOf(w http.ResponseWriter, r *http.Request, now time.Time) ([]room.Reading, *refusal) {
	var body Import
	if no := readLong(w, r, &body, maxImport); no != nil {
		return nil, no
	}
	readings, err := body.readings(now)
	if err != nil {
		return nil, &refusal{http.StatusUnprocessableEntity, err.Error()}
	}
	return readings, nil
}

// readings checks what stands in the body: the first fault is told.
func (b Import) readings(now time.Time) ([]room.Reading, error) {
	var out []room.Reading
	for _, x := range b.Series {
		if err := errors.Join(wire.CheckName(x.Room), wire.CheckName(x.Sensor)); err != nil {
			return nil, fmt.Errorf("series %s/%s: %w", x.Room, x.Sensor, err)
		}
		s := room.Series{Room: x.Room, Sensor: x.Sensor, Quantity: x.Quantity}
		if len(x.AtMS) != len(x.Values) {
			return nil, fmt.Errorf("series %s: %d times and %d values: each reading has both", s, len(x.AtMS), len(x.Values))
		}
		for i, ms := range x.AtMS {
			at := time.UnixMilli(ms).UTC()
			if at.Year() < 2000 || at.After(now.Add(wire.MaxAhead)) {
				return nil, fmt.Errorf("series %s: %s is before 2000 or ahead of now: no reading is dated so", s, at.Format(time.RFC3339))
			}
			if err := x.Quantity.Plausible(x.Values[i]); err != nil {
				return nil, fmt.Errorf("series %s, %s: %w", s, at.Format(time.RFC3339), err)
			}
			out = append(out, room.Reading{Series: s, At: at, Value: x.Quantity.Round(x.Values[i])})
		}
	}
	return out, nil
}
