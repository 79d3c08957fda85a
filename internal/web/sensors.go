package web

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/audit"
	"dryhold/internal/engine"
	"dryhold/internal/sensor"
	"dryhold/internal/unit"
)

// SensorKeeper keeps what people say about sensors.
type SensorKeeper interface {
	// ChangeSensor keeps a change, durably, and has its room folded again from
	// the readings it touches. It gives it its number and the time of its
	// telling, and From where that is zero.
	ChangeSensor(ctx context.Context, c sensor.Change) (SensorChanged, error)
	// SensorChanges gives all that was ever told, in the order it was told.
	SensorChanges(ctx context.Context) ([]sensor.Change, error)
}

// The bodies of the API of sensors. Instants that are left out are now.
type (
	// SensorsAnswer is the body of GET /api/v1/sensors.
	SensorsAnswer struct {
		Site    string              `json:"site"`
		At      time.Time           `json:"at"`
		Sensors []engine.SensorView `json:"sensors"`
		Changes []SensorChange      `json:"changes"` // in the order they were told
	}
	// SensorChange is a change with its words.
	SensorChange struct {
		sensor.Change
		What      string `json:"what"`
		RevokedBy int    `json:"revoked_by,omitempty"` // the number of the change that took it back
	}
	// SensorChanged is the answer to an edit of a sensor: 200.
	SensorChanged struct {
		Change sensor.Change `json:"change"`
		Of     string        `json:"of"` // room/sensor
		What   string        `json:"what"`
		// Refold lists what is worked out again because of it, from the readings
		// as they came.
		Refold []SensorRefold `json:"refold"`
	}
	// SensorRefold is one room that is folded again.
	SensorRefold struct {
		Room  string    `json:"room"`
		Since time.Time `json:"since"`
		Days  int       `json:"days"` // from then to now, each begun one counted
	}
	// Adjustment says how readings are to be taken: by offset and gain, or by
	// points, from which these follow (sensor.Fit). Numbers are in the unit
	// named, which must be there when there are any but a gain.
	Adjustment struct {
		Unit   string              `json:"unit,omitempty"` // C, F, K, %, fraction, lx
		Offset float64             `json:"offset,omitempty"`
		Gain   float64             `json:"gain,omitempty"` // 1 when left out; times the reading in the canonical unit
		Points []sensor.Comparison `json:"points,omitempty"`
	}
	// CalibrateSensor is the body of POST /api/v1/sensors/{room}/{sensor}/calibrate.
	CalibrateSensor struct {
		Quantity *unit.Quantity `json:"quantity"`
		Adjustment
		From time.Time `json:"from,omitzero"`
		Due  time.Time `json:"due,omitzero"` // when to do so again; none when left out
		Note string    `json:"note,omitempty"`
		By   string    `json:"by"`
	}
	// CorrectSensor is the body of POST /api/v1/sensors/{room}/{sensor}/correct.
	CorrectSensor struct {
		Quantity *unit.Quantity `json:"quantity"`
		Adjustment
		From time.Time `json:"from"`
		To   time.Time `json:"to,omitzero"` // excluded
		Note string    `json:"note"`
		By   string    `json:"by"`
	}
	// VoidSensor is the body of POST /api/v1/sensors/{room}/{sensor}/void.
	VoidSensor struct {
		Quantity *unit.Quantity `json:"quantity,omitempty"` // all of them when left out
		From     time.Time      `json:"from"`
		To       time.Time      `json:"to,omitzero"` // excluded
		Note     string         `json:"note"`
		By       string         `json:"by"`
	}
	// SwapSensor is the body of POST /api/v1/sensors/{room}/{sensor}/swap.
	SwapSensor struct {
		New  string    `json:"new,omitempty"` // its own name when left out
		At   time.Time `json:"at,omitzero"`
		Note string    `json:"note,omitempty"`
		By   string    `json:"by"`
	}
	// RevokeSensor is the body of POST /api/v1/sensors/changes/{seq}/revoke.
	RevokeSensor struct {
		Note string `json:"note"`
		By   string `json:"by"`
	}
)

func (s *server) routeSensors(mux *http.ServeMux) {
	const one = "/api/v1/sensors/{room}/{sensor}/"
	route(mux, "/api/v1/sensors", methods{http.MethodGet: s.getSensors})
	route(mux, one+"calibrate", methods{http.MethodPost: s.postCalibrate})
	route(mux, one+"correct", methods{http.MethodPost: s.postCorrect})
	route(mux, one+"void", methods{http.MethodPost: s.postVoid})
	route(mux, one+"swap", methods{http.MethodPost: s.postSwap})
	route(mux, "/api/v1/sensors/changes/{seq}/revoke", methods{http.MethodPost: s.postRevoke})
	route(mux, "/api/v1/audit", methods{http.MethodGet: s.getAudit})
	s.routeSensorPages(mux)
	s.routeHealth(mux)
	route(mux, "/audit", methods{http.MethodGet: s.getAuditPage})
	s.routeTopics(mux)
}

func (s *server) getSensors(w http.ResponseWriter, r *http.Request) {
	snap := s.ready(w)
	if snap == nil {
		return
	}
	told, err := s.Actions.SensorChanges(r.Context())
	if err != nil {
		status, detail := s.failure(r, "list what was told of sensors", err)
		writeProblem(w, status, detail)
		return
	}
	answer := SensorsAnswer{Site: snap.Site, At: snap.At, Sensors: snap.Sensors, Changes: make([]SensorChange, 0, len(told))}
	if answer.Sensors == nil {
		answer.Sensors = []engine.SensorView{}
	}
	revoked := revokedBy(told)
	for _, c := range told {
		answer.Changes = append(answer.Changes, SensorChange{c, audit.Words(c), revoked[c.Seq]})
	}
	s.writeJSON(w, r, http.StatusOK, answer)
}

// revokedBy gives the number of the change that took one back, by its number.
func revokedBy(told []sensor.Change) map[int]int {
	by := map[int]int{}
	for _, c := range told {
		if c.Kind == sensor.Revoked {
			by[c.Revokes] = c.Seq
		}
	}
	return by
}

func (s *server) postCalibrate(w http.ResponseWriter, r *http.Request) {
	var body CalibrateSensor
	if !accepted(w, r, &body, func() *refusal { return personal(body.By, body.Note) }) {
		return
	}
	c := sensor.Change{Kind: sensor.Calibrated, Quantity: body.Quantity, From: body.From, Due: body.Due, Note: body.Note, By: body.By}
	s.changeSensor(w, r, c, &body.Adjustment)
}

func (s *server) postCorrect(w http.ResponseWriter, r *http.Request) {
	var body CorrectSensor
	if !accepted(w, r, &body, func() *refusal { return cmp.Or(personal(body.By, body.Note), begun(body.From)) }) {
		return
	}
	c := sensor.Change{Kind: sensor.Corrected, Quantity: body.Quantity, From: body.From, To: s.orNow(body.To), Note: body.Note, By: body.By}
	s.changeSensor(w, r, c, &body.Adjustment)
}

func (s *server) postVoid(w http.ResponseWriter, r *http.Request) {
	var body VoidSensor
	if !accepted(w, r, &body, func() *refusal { return cmp.Or(personal(body.By, body.Note), begun(body.From)) }) {
		return
	}
	c := sensor.Change{Kind: sensor.Voided, Quantity: body.Quantity, From: body.From, To: s.orNow(body.To), Note: body.Note, By: body.By}
	s.changeSensor(w, r, c, nil)
}

func (s *server) postSwap(w http.ResponseWriter, r *http.Request) {
	var body SwapSensor
	if !accepted(w, r, &body, func() *refusal { return personal(body.By, body.Note) }) {
		return
	}
	s.changeSensor(w, r, sensor.Change{Kind: sensor.Swapped, New: body.New, From: body.At, Note: body.Note, By: body.By}, nil)
}

func (s *server) postRevoke(w http.ResponseWriter, r *http.Request) {
	var body RevokeSensor
	if !accepted(w, r, &body, func() *refusal { return personal(body.By, body.Note) }) {
		return
	}
	seq, err := strconv.Atoi(r.PathValue("seq"))
	if err != nil || seq < 1 {
		writeProblem(w, http.StatusNotFound, fmt.Sprintf("%q is no number of a change: GET /api/v1/sensors lists them", r.PathValue("seq")))
		return
	}
	s.changeSensor(w, r, sensor.Change{Kind: sensor.Revoked, Revokes: seq, Note: body.Note, By: body.By}, nil)
}

// begun refuses a span without its beginning: now would be no span, and the
// very beginning is too much to take by an omission.
func begun(from time.Time) *refusal {
	if from.IsZero() {
		return &refusal{http.StatusUnprocessableEntity, "from: say from when"}
	}
	return nil
}

// changeSensor has a change kept and answers with what it did. What follows is
// worked out before the answer, which may take a while for years of readings.
func (s *server) changeSensor(w http.ResponseWriter, r *http.Request, c sensor.Change, by *Adjustment) {
	if by != nil {
		if no := by.apply(&c); no != nil {
			writeProblem(w, no.status, no.detail)
			return
		}
	}
	if c.Kind != sensor.Revoked {
		c.Room, c.Sensor = r.PathValue("room"), r.PathValue("sensor")
	}
	for _, name := range []string{c.Room, c.Sensor, c.New} {
		if len(name) > maxName {
			writeProblem(w, http.StatusUnprocessableEntity, fmt.Sprintf("a name longer than %d bytes is none of a sensor", maxName))
			return
		}
	}
	done, no := s.keepSensor(w, r, c)
	if no != nil {
		writeProblem(w, no.status, no.detail)
		return
	}
	s.writeJSON(w, r, http.StatusOK, done)
}

// keepSensor has a change kept, with as much time as it takes.
func (s *server) keepSensor(w http.ResponseWriter, r *http.Request, c sensor.Change) (SensorChanged, *refusal) {
	conn := http.NewResponseController(w)
	// A writer without limits of time has none to lift.
	_, _ = conn.SetReadDeadline(time.Time{}), conn.SetWriteDeadline(time.Time{})
	done, err := s.Actions.ChangeSensor(r.Context(), c)
	_ = conn.SetWriteDeadline(time.Now().Add(lineTimeout))
	if err != nil {
		status, detail := s.failure(r, "keep the change of the sensor", err)
		return done, &refusal{status, detail}
	}
	return done, nil
}

// apply gives a change its gain and offset in the canonical unit. The points
// they came from stay in its note.
func (a *Adjustment) apply(c *sensor.Change) *refusal {
	no := func(format string, args ...any) *refusal {
		return &refusal{http.StatusUnprocessableEntity, fmt.Sprintf(format, args...)}
	}
	switch {
	case c.Quantity == nil:
		return no("quantity: say what is adjusted, one of %s", strings.Join(unit.QuantityNames(), ", "))
	case len(a.Points) > maxPoints:
		return no("points: %d of them, at most %d are taken", len(a.Points), maxPoints)
	case len(a.Points) > 0 && (a.Offset != 0 || a.Gain != 0):
		return no("points: give these or an offset and a gain, not both")
	case len(a.Points) == 0 && a.Offset == 0 && a.Gain == 0 && c.Kind == sensor.Corrected:
		return no("offset: say how the readings are to be taken, by an offset, a gain or points")
	case a.Unit == "" && (a.Offset != 0 || len(a.Points) > 0):
		return no("unit: say in which unit the numbers are, one of %s", strings.Join(unit.Names(*c.Quantity), ", "))
	}
	c.Gain = cmp.Or(a.Gain, 1)
	if a.Unit == "" {
		return nil
	}
	u, err := unit.Parse(*c.Quantity, a.Unit)
	if err != nil {
		return no("unit: %v", err)
	}
	c.Offset = u.Difference(a.Offset)
	if len(a.Points) == 0 {
		return nil
	}
	points, words := make([]sensor.Comparison, len(a.Points)), make([]string, len(a.Points))
	for i, p := range a.Points {
		points[i] = sensor.Comparison{Reading: u.Canonical(p.Reading), Reference: u.Canonical(p.Reference)}
		words[i] = fmt.Sprintf("%.5g for %.5g %s", p.Reading, p.Reference, a.Unit)
	}
	if c.Gain, c.Offset, err = sensor.Fit(*c.Quantity, points); err != nil {
		return no("points: %v", err)
	}
	read := "read " + strings.Join(words, ", ")
	if c.Note = strings.TrimSpace(c.Note); c.Note != "" {
		read = " (" + read + ")"
	}
	c.Note += read
	return nil
}

// maxPoints is more than anybody compares, and fits into a note.
const maxPoints = 10
