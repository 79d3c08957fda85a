package web

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
)

// Alarmer does and gives what concerns alarms.
type Alarmer interface {
	// Operate does something to an alarm, durably.
	Operate(ctx context.Context, op engine.Operation) error
	// Watched gives every condition there is, those that are normal too, each
	// with its limit.
	Watched(ctx context.Context) ([]ConditionView, error)
	// AlarmEvents gives the history from an instant to another, zero being no
	// bound, the newest first and at most limit of it; of all alarms, or of
	// the one whose key is given.
	AlarmEvents(ctx context.Context, from, to time.Time, key string, limit int) ([]alarm.Event, error)
}

// The bodies of the API of alarms.
type (
	// AlarmsAnswer is the body of GET /api/v1/alarms?all=: the alarms that are
	// not normal, worst first, and with all=true the conditions that are.
	AlarmsAnswer struct {
		Site   string             `json:"site"`
		At     time.Time          `json:"at"`
		Alarms []engine.AlarmView `json:"alarms"`
		Normal []ConditionView    `json:"normal,omitempty"`
	}
	// ConditionView is a condition with the limit it is held against, in the
	// canonical unit, and its priority.
	ConditionView struct {
		alarm.Condition
		Limit    float64        `json:"limit"`
		Priority alarm.Priority `json:"priority"`
	}
	// AlarmHistoryAnswer is the body of GET
	// /api/v1/alarms/history?from=&to=&alarm=&limit=, the newest first.
	AlarmHistoryAnswer struct {
		Events []alarm.Event `json:"events"`
		More   bool          `json:"more"` // there are older ones beyond the limit
	}
	// OperateAlarm is the body of POST /api/v1/alarms/ACT, answered 204; ACT is
	// one of alarm.Acts. By must not be empty. Shelving, and nothing else, needs
	// one of For (8h, 2d) and Until.
	OperateAlarm struct {
		alarm.Key
		By    string    `json:"by"`
		Note  string    `json:"note,omitempty"`
		For   string    `json:"for,omitempty"`
		Until time.Time `json:"until,omitzero"`
	}
)

// The events answered when no limit is given, and at most.
const (
	usualEvents = 100
	mostEvents  = 10_000
)

func (s *server) routeAlarms(mux *http.ServeMux) {
	route(mux, "/api/v1/alarms", methods{http.MethodGet: s.getAlarms})
	route(mux, "/api/v1/alarms/history", methods{http.MethodGet: s.getAlarmHistory})
	route(mux, replayPath, methods{http.MethodPost: s.postReplay})
	s.routeReplays(mux)
	for _, do := range alarm.Acts() {
		route(mux, "/api/v1/alarms/"+do, methods{http.MethodPost: func(w http.ResponseWriter, r *http.Request) { s.postAlarm(w, r, do) }})
		route(mux, "/alarms/"+do, methods{
			http.MethodGet:  func(w http.ResponseWriter, r *http.Request) { s.getAct(w, r, do) },
			http.MethodPost: func(w http.ResponseWriter, r *http.Request) { s.postAct(w, r, do) },
		})
	}
	route(mux, "/alarms", methods{http.MethodGet: s.getAlarmsPage})
}

func (s *server) getAlarms(w http.ResponseWriter, r *http.Request) {
	snap := s.ready(w)
	if snap == nil {
		return
	}
	answer := AlarmsAnswer{Site: snap.Site, At: snap.At, Alarms: append([]engine.AlarmView{}, snap.Alarms...)}
	switch all := r.URL.Query().Get("all"); all {
	case "", "false":
	case "true":
		conditions, err := s.Actions.Watched(r.Context())
		if err != nil {
			status, detail := s.failure(r, "list the alarms", err)
			writeProblem(w, status, detail)
			return
		}
		for _, c := range conditions {
			if c.State == alarm.Normal {
				answer.Normal = append(answer.Normal, c)
			}
		}
	default:
		writeProblem(w, http.StatusUnprocessableEntity, fmt.Sprintf("all: %q: write true or false", all))
		return
	}
	s.writeJSON(w, r, http.StatusOK, answer)
}

func (s *server) getAlarmHistory(w http.ResponseWriter, r *http.Request) {
	var from, to time.Time
	q := r.URL.Query()
	for name, bound := range map[string]*time.Time{"from": &from, "to": &to} {
		if text := q.Get(name); text != "" {
			var err error
			if *bound, err = time.Parse(time.RFC3339, text); err != nil {
				writeProblem(w, http.StatusUnprocessableEntity, fmt.Sprintf("%s: %q is not a time: write 2026-07-14T00:00:00Z", name, text))
				return
			}
		}
	}
	limit, no := limitOf(q, usualEvents, mostEvents)
	var c cursor
	if no == nil {
		c, no = cursorOf(q)
	}
	if no != nil {
		writeProblem(w, no.status, no.detail)
		return
	}
	key := q.Get("alarm")
	if _, err := alarm.ParseKey(key); key != "" && err != nil {
		writeProblem(w, http.StatusUnprocessableEntity, "alarm: "+err.Error())
		return
	}
	all, err := s.Actions.AlarmEvents(r.Context(), from, c.before(to), key, c.wants(limit))
	if err != nil {
		status, detail := s.failure(r, "list the history of alarms", err)
		writeProblem(w, status, detail)
		return
	}
	events, more := pageOf(w, r, all, c, limit, func(e alarm.Event) time.Time { return e.At })
	s.writeJSON(w, r, http.StatusOK, AlarmHistoryAnswer{events, more})
}

// history gives events, and whether there are older ones beyond the limit.
func (s *server) history(r *http.Request, from, to time.Time, key string, limit int) (events []alarm.Event, more bool, err error) {
	events, err = s.Actions.AlarmEvents(r.Context(), from, to, key, limit+1)
	if len(events) > limit {
		return events[:limit], true, err
	}
	return events, false, err
}

func (s *server) postAlarm(w http.ResponseWriter, r *http.Request, do string) {
	var body OperateAlarm
	var op engine.Operation
	ok := accepted(w, r, &body, func() (no *refusal) {
		op, no = s.operation(do, body)
		return no
	})
	if ok {
		s.done(w, r, doing(do), s.Actions.Operate(r.Context(), op))
	}
}

// doing is an act as the words of a failure.
func doing(do string) string {
	switch do {
	case alarm.ActOutOfService:
		return "take the alarm out of service"
	case alarm.ActReturn:
		return "return the alarm to service"
	}
	return do + " the alarm"
}

// operation reads what is asked. It refuses what has no alarm or no name: who
// did it is the point of it.
func (s *server) operation(do string, body OperateAlarm) (engine.Operation, *refusal) {
	op := engine.Operation{Do: do, Key: body.Key, By: body.By, Note: strings.TrimSpace(body.Note), Until: body.Until.UTC().Truncate(time.Second)}
	no := func(text string) (engine.Operation, *refusal) {
		return op, &refusal{http.StatusUnprocessableEntity, text}
	}
	needsRoom := body.Kind.Scope() == alarm.OfRoom || body.Kind.Scope() == alarm.OfSensor
	switch {
	case body.Kind == "" || needsRoom && body.Room == "" || body.Kind.Scope() == alarm.OfLot && body.Lot == "":
		return no("say which alarm: kind and room, and sensor for an alarm of one sensor; kind and lot for an alarm of a lot")
	case strings.TrimSpace(body.By) == "":
		return no("by: give the name of who does it")
	case do != alarm.ActShelve && (body.For != "" || !body.Until.IsZero()):
		return no("for, until: only shelving has an end")
	case do == alarm.ActShelve && (body.For == "") == body.Until.IsZero():
		return no("say how long it is shelved: for (8h, 2d), or until (a time), not both")
	}
	if body.For != "" {
		end, err := alarm.ShelveEnd(s.Now().UTC(), body.For)
		if err != nil {
			return no("for: " + err.Error())
		}
		op.Until = end
	}
	return op, personal(body.By, body.Note)
}
