package web

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"dryhold/internal/engine"
)

// Watching is how streams hear of news. Without it they tell what is so when
// they begin, and from then on that they are still there.
type Watching struct {
	// Changed gives a channel that is closed when the next state is published.
	Changed func() <-chan struct{}
	// Ended is closed when the daemon stops, which ends every stream.
	Ended <-chan struct{}

	pace, beat, write time.Duration // which tests shorten; zero is as below
}

// Bounds of streams of events (judgement). A browser keeps one for each page
// that is in sight.
const (
	maxStreams = 64
	// streamPace is the least time between two rounds of news to one client:
	// more often nobody can read them.
	streamPace = time.Second
	// streamBeat is how often a silent stream says that it is there.
	streamBeat = 15 * time.Second
	// streamWrite bounds how long a client may take to accept one round.
	streamWrite = 10 * time.Second
	// streamRetry is when a client is to come back to a stream that ended, ms.
	streamRetry = 3000
)

// live is what keeps pages fresh.
type live struct {
	streams atomic.Int64 // open now
	now     pageCache
}

// routeLive adds the stream of events.
func (s *server) routeLive(mux *http.ServeMux) {
	s.live = &live{}
	route(mux, "/api/v1/events", methods{http.MethodGet: s.getEvents})
	s.routeOffline(mux)
}

// eventTopics are the kinds of events.
func eventTopics() []string { return []string{"state", "reading", "alarm", "health"} }

// eventsAsked is what a client wants to hear of.
type eventsAsked struct {
	topics []string
	room   string // "" is every room
}

func readEventsAsked(r *http.Request, snap *engine.Snapshot) (eventsAsked, *refusal) {
	q := r.URL.Query()
	a := eventsAsked{topics: eventTopics(), room: q.Get("room")}
	if text := q.Get("topics"); text != "" {
		a.topics = strings.Split(text, ",")
		for _, t := range a.topics {
			if !slices.Contains(eventTopics(), t) {
				return a, &refusal{http.StatusUnprocessableEntity, fmt.Sprintf("topics: %q is none: write some of %s, with a comma between", t, strings.Join(eventTopics(), ", "))}
			}
		}
	}
	named := func(x engine.RoomView) bool { return x.Name == a.room }
	if a.room != "" && snap != nil && !slices.ContainsFunc(snap.Rooms, named) {
		return a, &refusal{http.StatusNotFound, fmt.Sprintf("there is no room %q: GET /api/v1/status lists them", a.room)}
	}
	return a, nil
}

// getEvents tells what happens as server-sent events, for as long as client
// and daemon are there. It begins with the whole state in short.
//
// The writer knows of no client. Each round is worked out here, from the state
// that is newest when the client is ready for it, so that a slow client gets
// fewer rounds, and one that takes nothing is given up.
func (s *server) getEvents(w http.ResponseWriter, r *http.Request) {
	asked, no := readEventsAsked(r, s.Snapshot())
	if no != nil {
		writeProblem(w, no.status, no.detail)
		return
	}
	defer s.live.streams.Add(-1)
	if s.live.streams.Add(1) > maxStreams {
		w.Header().Set("Retry-After", "30")
		writeProblem(w, http.StatusServiceUnavailable, fmt.Sprintf("%d streams of events are open, and that is the most: close one, or ask GET /api/v1/status now and then", maxStreams))
		return
	}
	w.Header().Set("Content-Type", mediaEvents)
	w.Header().Set("X-Accel-Buffering", "no") // a proxy in front must not wait for more
	w.WriteHeader(http.StatusOK)
	if r.Method == http.MethodHead {
		return
	}
	f := &feed{server: s, asked: asked, r: r, w: w, conn: http.NewResponseController(w)}
	_ = f.conn.SetReadDeadline(time.Time{}) // the server's is for a request, which here goes on
	f.run()
}

// feed is one client of the stream, and what it was told last.
type feed struct {
	*server
	asked eventsAsked
	r     *http.Request
	w     http.ResponseWriter
	conn  *http.ResponseController

	begun  bool
	last   *engine.Snapshot // nil before the first
	state  []byte           // the last state, without its time
	health []byte
}

// run tells the news until the client, its session or the daemon goes.
func (f *feed) run() {
	beat := time.NewTicker(cmp.Or(f.Watch.beat, streamBeat))
	defer beat.Stop()
	beats := false
	for {
		var changed <-chan struct{}
		if f.Watch.Changed != nil {
			changed = f.Watch.Changed() // before the state is taken, so that none slips by
		}
		if !f.stillIn() || f.round(beats) != nil {
			return
		}
		beats = false
		select {
		case <-time.After(cmp.Or(f.Watch.pace, streamPace)):
		case <-f.r.Context().Done():
			return
		case <-f.Watch.Ended:
			return
		}
		select {
		case <-changed:
		case <-beat.C:
			beats = true
		case <-f.r.Context().Done():
			return
		case <-f.Watch.Ended:
			return
		}
	}
}

// round sends what is new. Where nothing is, a beat is sent if it is time for
// one: a comment, by which both sides see that the other is there.
func (f *feed) round(beats bool) error {
	var out bytes.Buffer
	if !f.begun {
		f.begun = true
		fmt.Fprintf(&out, "retry: %d\n\n", streamRetry)
	}
	if err := f.news(&out); err != nil {
		f.Log.Error("cannot write an event as JSON", "error", err)
		return err
	}
	if out.Len() == 0 {
		if !beats {
			return nil
		}
		out.WriteString(": here\n\n")
	}
	_ = f.conn.SetWriteDeadline(time.Now().Add(cmp.Or(f.Watch.write, streamWrite)))
	if _, err := f.w.Write(out.Bytes()); err != nil {
		return err
	}
	return f.conn.Flush()
}

// stillIn reports whether who opened the stream may look on: a session may end
// before the stream does. It looks without prolonging it.
func (f *feed) stillIn() bool {
	v, known := visitorOf(f.r)
	if f.gate == nil || !known || v.token {
		return true
	}
	c, err := f.r.Cookie(f.gate.sessions.Cookie.Name)
	if err != nil {
		return false
	}
	ctx, err := f.gate.sessions.Load(context.Background(), c.Value)
	return err == nil && f.gate.sessions.GetString(ctx, sessionUser) == v.name
}
