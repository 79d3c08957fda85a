package web

import (
	"net/http"

	"dryhold/internal/engine"
	"dryhold/internal/review"
	"dryhold/internal/unit"
)

// whatIfPath is a question, though it is posted: it needs the scope read.
const whatIfPath = "/api/v1/what-if"

// WhatIf is the body of POST /api/v1/what-if, answered with an engine.WhatIf.
// What is left out stays as it is. Nothing is changed by it.
type WhatIf struct {
	Lots   []string `json:"lots,omitempty"` // those in store when left out
	Room   string   `json:"room,omitempty"`
	AtMost string   `json:"at_most,omitempty"`          // "18 C", "64 F"
	Damp   string   `json:"at_most_humidity,omitempty"` // "55 %"
	Boxed  bool     `json:"boxed,omitempty"`
	Repack string   `json:"repack,omitempty"` // a container class
	// Absorber is the capacity of a fresh one in each container.
	Absorber float64 `json:"absorber_cm3,omitempty"`
	// SincePacking asks what would be if it had been so since packing, instead
	// of from now on.
	SincePacking bool `json:"since_packing,omitempty"`
	// Sensor is where one more sensor would hang: a room, or outdoors. It is
	// asked of alone: how much surer the projected ends would be.
	Sensor string `json:"sensor,omitempty"`
}

// question reads the units.
func (b WhatIf) question() (engine.Question, *refusal) {
	q := engine.Question{Lots: b.Lots, Sensor: b.Sensor, Scenario: review.Scenario{
		Past: b.SincePacking, Room: b.Room, Boxed: b.Boxed, Container: b.Repack, AbsorberCM3: b.Absorber,
	}}
	if b.AtMost != "" {
		v, u, err := unit.Split(unit.Temperature, b.AtMost)
		if err != nil {
			return q, &refusal{http.StatusUnprocessableEntity, "at_most: " + err.Error()}
		}
		t := unit.Celsius(u.Canonical(v))
		q.Warmest = &t
	}
	if b.Damp != "" {
		v, u, err := unit.Split(unit.Humidity, b.Damp)
		if err != nil {
			return q, &refusal{http.StatusUnprocessableEntity, "at_most_humidity: " + err.Error()}
		}
		rh := unit.RH(u.Canonical(v))
		q.Dampest = &rh
	}
	return q, nil
}

func (s *server) postWhatIf(w http.ResponseWriter, r *http.Request) {
	var body WhatIf
	no := readJSON(w, r, &body)
	var q engine.Question
	if no == nil {
		q, no = body.question()
	}
	if no != nil {
		writeProblem(w, no.status, no.detail)
		return
	}
	x, err := s.Actions.WhatIf(r.Context(), q)
	if err != nil {
		status, detail := s.failure(r, "try another way", err)
		writeProblem(w, status, detail)
		return
	}
	s.writeJSON(w, r, http.StatusOK, x)
}
