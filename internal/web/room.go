package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/engine"
)

// RoomFollower tells the course of a room. Errors are as those of Actions.
type RoomFollower interface {
	CourseRoom(ctx context.Context, o CourseOrder) (engine.RoomCourse, error)
}

// CourseOrder is what a course is asked for: GET
// /api/v1/rooms/{room}/course?from=&to=&points=.
type CourseOrder struct {
	Room string
	// From and To bound it; without To it reaches to now, without From it is a
	// day long.
	From, To time.Time
	Points   int // the most buckets
}

// A course has 10 to 5,000 buckets, 800 unless asked otherwise: more than a
// screen has room for.
const fewestPoints, usualPoints, mostPoints = 10, 800, 5000

func (s *server) routeRooms(mux *http.ServeMux) {
	route(mux, "/room/{room}", methods{http.MethodGet: s.getRoomPage})
	route(mux, "/api/v1/rooms/{room}/course", methods{http.MethodGet: s.getCourse})
}

// roomURL is the page of a room.
func roomURL(name string) string { return "/room/" + url.PathEscape(name) }

// courseOrder reads what is asked for; detail says, if not empty, what is wrong
// with it.
func courseOrder(name string, q url.Values, zone *time.Location) (o CourseOrder, detail string) {
	o = CourseOrder{Room: name, Points: usualPoints}
	var err error
	if o.From, err = boundary(q.Get("from"), zone, 0); err != nil {
		return o, "from: " + err.Error()
	}
	if o.To, err = boundary(q.Get("to"), zone, 1); err != nil {
		return o, "to: " + err.Error()
	}
	if !o.From.IsZero() && !o.To.IsZero() && !o.From.Before(o.To) {
		return o, fmt.Sprintf("from %s to %s is no stretch of time: put the earlier first", q.Get("from"), q.Get("to"))
	}
	if text := q.Get("points"); text != "" {
		if o.Points, err = strconv.Atoi(text); err != nil || o.Points < fewestPoints || o.Points > mostPoints {
			return o, fmt.Sprintf("points: %q is not a number of buckets from %d to %d", text, fewestPoints, mostPoints)
		}
	}
	return o, ""
}

// boundary reads an instant, or a day of the site: its beginning, or that of so
// many days later. Nothing is the zero time.
func boundary(text string, zone *time.Location, days int) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	t, err := time.ParseInLocation(time.DateOnly, text, zone)
	if err != nil { // a plus that was not escaped comes as a space
		t, err = time.Parse(time.RFC3339, strings.Replace(text, " ", "+", 1))
	} else if days > 0 && t.Year() > 1970 {
		t = time.Date(t.Year(), t.Month(), t.Day()+days, 0, 0, 0, 0, zone)
	}
	if err != nil || t.UTC().Year() <= 1970 || t.UTC().Year() > 9998 {
		return time.Time{}, fmt.Errorf("%q is neither an instant nor a day since 1971: write 2026-07-14T06:00:00Z or 2026-07-14", text)
	}
	return t, nil
}

func (s *server) getCourse(w http.ResponseWriter, r *http.Request) {
	o, detail := courseOrder(r.PathValue("room"), r.URL.Query(), s.Zone)
	if detail != "" {
		writeProblem(w, http.StatusUnprocessableEntity, detail)
		return
	}
	c, err := s.Actions.CourseRoom(r.Context(), o)
	if err != nil {
		status, detail := s.failure(r, "follow the room", err)
		writeProblem(w, status, detail)
		return
	}
	s.writeJSON(w, r, http.StatusOK, c)
}
