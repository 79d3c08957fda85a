package web

import (
	"net/http"
	"slices"
	"strings"

	"dryhold/internal/secret"
)

// An operation is what a program can ask of the daemon: one method of one path,
// as the document of the API tells it (see openapi.go). Every route below
// /api/v1 has one, and a test says so.
type operation struct {
	method, path string
	id           string // its name in generated clients: listLots
	summary      string
	tag          string
	query        []parameter
	body         any // a zero value of what is sent, nil for nothing
	answer       any // and of what comes back, nil for nothing
	status       int // of it; 200, or 204 where there is nothing, when zero
	also         int // another status of success, with the same answer
	media        string
	// faults are statuses beside those that every operation of its kind has.
	faults []int
	// located gives the path of what an edit has made.
	located func(result any) string
	// again says that to repeat it does no more than to do it once, so that it
	// takes no Idempotency-Key: it changes nothing, or always comes to the same.
	again bool
	// still says that it needs no state, and cannot fail.
	still bool
}

// parameter is one of the query, which may be left out.
type parameter struct {
	name, is, says string // is: string, integer, boolean, date, date-time
	most           int    // of an integer
}

// Media types of answers.
const (
	mediaJSON   = "application/json"
	mediaLines  = "application/x-ndjson"
	mediaEvents = "text/event-stream"
	mediaText   = "text/plain"
	mediaPDF    = "application/pdf"
	mediaPage   = "text/html; charset=utf-8"
	// mediaReport stands for the five of a report.
	mediaReport = "*/*"
)

func (o *operation) pattern() string { return o.method + " " + o.path }

// asks says that it is a question, though it may be posted.
func (o *operation) asks() bool { return o.scope() == secret.Read }

// edits says that it changes something and may name itself by a key.
func (o *operation) edits() bool { return !o.asks() && !o.again }

// ofLot says that it changes one lot, which may be on condition that the lot is
// as it was.
func (o *operation) ofLot() bool {
	return o.edits() && strings.HasPrefix(o.path, "/api/v1/lots/{id}/")
}

func (o *operation) scope() secret.Scope { return neededFor(o.method, o.path) }

// open says that strangers may ask it.
func (o *operation) open() bool { return open(o.path) }

// success is the status of an answer that is no fault.
func (o *operation) success() int {
	switch {
	case o.status != 0:
		return o.status
	case o.answer == nil && o.media == "":
		return http.StatusNoContent
	}
	return http.StatusOK
}

// tagged says that answers have an entity tag.
func (o *operation) tagged() bool {
	return o.method == http.MethodGet && o.media != mediaEvents && strings.HasPrefix(o.path, "/api/v1/")
}

// statuses lists every status it may be answered with, in order.
func (o *operation) statuses() []int {
	out := append([]int{o.success(), http.StatusMisdirectedRequest}, o.faults...)
	add := func(is bool, statuses ...int) {
		if is {
			out = append(out, statuses...)
		}
	}
	add(o.also != 0, o.also)
	add(o.tagged(), http.StatusNotModified)
	add(strings.HasPrefix(o.path, "/api/v1/"), http.StatusUnauthorized)
	add(strings.HasPrefix(o.path, "/api/v1/") && !o.still, http.StatusInternalServerError, http.StatusServiceUnavailable)
	add(!o.asks(), http.StatusForbidden)
	add(o.method == http.MethodPost, http.StatusForbidden)
	add(o.body != nil, http.StatusBadRequest, http.StatusRequestEntityTooLarge, http.StatusUnsupportedMediaType, http.StatusUnprocessableEntity)
	add(o.edits(), http.StatusConflict)
	add(o.ofLot(), http.StatusPreconditionFailed)
	add(strings.Contains(o.path, "{"), http.StatusNotFound)
	add(slices.ContainsFunc(o.query, func(p parameter) bool { return p.is != "string" }), http.StatusUnprocessableEntity)
	slices.Sort(out)
	return slices.Compact(out)
}

// operations lists all of them.
func operations() []operation {
	return slices.Concat(houseOperations(), lotOperations(), practiceOperations(), alarmOperations(), roomOperations(), sensorOperations(), reviewOperations())
}
