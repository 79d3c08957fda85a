package web

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
	"dryhold/internal/health"
	"dryhold/internal/secret"
)

// newsroom publishes states as the daemon does.
type newsroom struct {
	mu     sync.Mutex
	snap   *engine.Snapshot
	next   chan struct{}
	asked  int // how often a stream waited for news
	ended  chan struct{}
	broken atomic.Bool // one check of health fails
}

func (n *newsroom) snapshot() *engine.Snapshot {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.snap
}

func (n *newsroom) changed() <-chan struct{} {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.asked++
	return n.next
}

func (n *newsroom) publish(change func(*engine.Snapshot)) {
	n.mu.Lock()
	defer n.mu.Unlock()
	s := *n.snap
	s.Rooms, s.Sensors, s.Alarms = slices.Clone(s.Rooms), slices.Clone(s.Sensors), slices.Clone(s.Alarms)
	s.At = s.At.Add(time.Second)
	change(&s)
	n.snap = &s
	close(n.next)
	n.next = make(chan struct{})
}

// newsHouse is a real server over Larch House, whose streams hurry.
func newsHouse(t *testing.T, change func(*Config)) (*newsroom, *httptest.Server) {
	t.Helper()
	n := &newsroom{snap: larchHouse(), next: make(chan struct{}), ended: make(chan struct{})}
	h, _ := house(t, nil, func(c *Config) {
		c.Snapshot = n.snapshot
		c.Health = func() []health.Check {
			return []health.Check{{Code: "store", OK: !n.broken.Load(), Text: time.Now().String()}}
		}
		c.Watch = Watching{Changed: n.changed, Ended: n.ended, pace: time.Millisecond, beat: time.Hour}
		if change != nil {
			change(c)
		}
	})
	server := httptest.NewServer(h)
	t.Cleanup(func() { shut(server) })
	return n, server
}

// sse is one event, or a comment with the topic ":".
type sse struct{ topic, id, data string }

// listener is a client of the stream.
type listener struct {
	t      *testing.T
	res    *http.Response
	events chan sse // closed when the stream ends
}

func listen(t *testing.T, server *httptest.Server, query string, headers ...string) *listener {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	t.Cleanup(cancel)
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, server.URL+"/api/v1/events"+query, nil)
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	l := &listener{t: t, events: make(chan sse, 1000)}
	if l.res, err = server.Client().Do(r); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.res.Body.Close() })
	if l.res.StatusCode != http.StatusOK {
		return l
	}
	go func() {
		defer close(l.events)
		var e sse
		for lines := bufio.NewScanner(l.res.Body); lines.Scan(); {
			name, value, _ := strings.Cut(lines.Text(), ": ")
			switch name {
			case "event":
				e.topic = value
			case "id":
				e.id = value
			case "data":
				e.data = value
			case "":
				if lines.Text() != "" {
					l.events <- sse{topic: ":", data: value}
				} else if e.topic != "" {
					l.events <- e
				}
				e = sse{}
			}
		}
	}()
	return l
}

// next is the next event of the stream.
func (l *listener) next() sse {
	l.t.Helper()
	select {
	case e, open := <-l.events:
		if !open {
			l.t.Fatal("the stream ended")
		}
		return e
	case <-time.After(time.Minute):
		l.t.Fatal("no event")
	}
	return sse{}
}

// want reads the next event, which must be of the topic, and its data.
func want[T any](l *listener, topic string) (v T) {
	l.t.Helper()
	e := l.next()
	if e.topic != topic {
		l.t.Fatalf("event %+v, want one of %s", e, topic)
	}
	if err := json.Unmarshal([]byte(e.data), &v); err != nil {
		l.t.Fatalf("%v in %s", err, e.data)
	}
	return v
}

func TestEventsBeginWithTheState(t *testing.T) {
	_, server := newsHouse(t, nil)
	l := listen(t, server, "")
	if got := l.res.Header.Get("Content-Type"); got != "text/event-stream" {
		t.Errorf("content type %q", got)
	}
	s := want[StateEvent](l, "state")
	if !s.At.Equal(ago(3*time.Second)) || s.Site != "Larch House" || !s.MissedSince.IsZero() || len(s.Rooms) != 3 {
		t.Errorf("%+v", s)
	}
	loft := s.Rooms[1]
	if loft.Name != "loft" || loft.Cool != "over" || loft.Dark != "unknown" || loft.Dry != "ok" || loft.Temperature.Value != 33.4 || loft.Lots != 2 {
		t.Errorf("%+v", loft)
	}
	if d := cmp.Diff(StateCounts{Lots: 4, LotsWarned: 1, Alarms: 3, Unacknowledged: 2, Sensors: 5, Silent: 1}, s.Counts); d != "" {
		t.Errorf("counts (-want +got):\n%s", d)
	}
	if h := want[HealthEvent](l, "health"); !h.OK || len(h.Checks) != 1 {
		t.Errorf("%+v", h)
	}
}

func TestEventsTellWhatIsNew(t *testing.T) {
	n, server := newsHouse(t, nil)
	l := listen(t, server, "")
	want[StateEvent](l, "state")
	want[HealthEvent](l, "health")

	now := noon().Add(time.Minute)
	n.publish(func(s *engine.Snapshot) { // only its time
	})
	n.publish(func(s *engine.Snapshot) {
		s.Rooms[0].Temperature, s.Sensors[0].Temperature = is(14.4, now), is(14.4, now)
		s.Alarms = s.Alarms[1:]                       // the loft is well
		s.Alarms[0].State = alarm.Shelved             // the silence is shelved
		s.Alarms = append(s.Alarms, engine.AlarmView{ // and the cellar too damp
			Key: alarm.Key{Kind: alarm.Damp, Room: "cellar"}, State: alarm.ActiveUnacknowledged, Priority: alarm.Medium, Text: "The cellar is damp."})
	})
	s := want[StateEvent](l, "state")
	if s.Rooms[0].Temperature.Value != 14.4 || s.Counts.Alarms != 3 || s.Counts.Unacknowledged != 2 {
		t.Errorf("%+v", s)
	}
	if d := cmp.Diff(ReadingEvent{"cellar", "cellar-1", "temperature_celsius", 14.4, now}, want[ReadingEvent](l, "reading")); d != "" {
		t.Errorf("reading (-want +got):\n%s", d)
	}
	var got []string
	for range 3 {
		a := want[AlarmEvent](l, "alarm")
		got = append(got, fmt.Sprintf("%s: %s to %s", a.Key, a.From, a.To))
	}
	if d := cmp.Diff([]string{"silent/loft/loft-light: active acknowledged to shelved", "damp/cellar: normal to active unacknowledged",
		"warm/loft: active unacknowledged to normal"}, got); d != "" {
		t.Errorf("alarms (-want +got):\n%s", d)
	}
	n.broken.Store(true)
	n.publish(func(*engine.Snapshot) {})
	if s := want[StateEvent](l, "state"); s.Counts.Failing != 1 {
		t.Errorf("%+v", s.Counts)
	}
	if h := want[HealthEvent](l, "health"); h.Checks[0].OK {
		t.Errorf("%+v", h)
	}
}

func TestEventsAsked(t *testing.T) {
	n, server := newsHouse(t, nil)
	l := listen(t, server, "?topics=reading,alarm&room=cellar")
	waiting(t, n, 1)
	now := noon().Add(time.Minute)
	n.publish(func(s *engine.Snapshot) {
		s.Sensors[0].Humidity, s.Sensors[1].Humidity = is(0.6, now), is(0.4, now)
		s.Alarms[0].State = alarm.ActiveAcknowledged
		s.Alarms = append(s.Alarms, engine.AlarmView{Key: alarm.Key{Kind: alarm.Quality, Lot: "white-rice-1"}, State: alarm.ActiveUnacknowledged})
	})
	if got := want[ReadingEvent](l, "reading"); got.Room != "cellar" || got.Quantity != "relative_humidity_fraction" || got.Value != 0.6 {
		t.Errorf("%+v", got)
	}
	if got := want[AlarmEvent](l, "alarm"); got.Key.Lot != "white-rice-1" {
		t.Errorf("an alarm of a lot belongs to its room: %+v", got)
	}
	refused := func(query string, status int, detail string) {
		t.Helper()
		res, err := server.Client().Get(server.URL + "/api/v1/events" + query)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		wantProblem(t, res, status, detail)
	}
	refused("?topics=state,weather", 422, `"weather" is none`)
	refused("?room=attic", 404, `no room "attic"`)
	res, err := server.Client().Head(server.URL + "/api/v1/events")
	if err != nil || res.StatusCode != 200 || res.Header.Get("Content-Type") != "text/event-stream" {
		t.Errorf("HEAD: %v, %v", res, err)
	}
}

// waiting waits until streams have asked for news so often.
func waiting(t *testing.T, n *newsroom, times int) {
	t.Helper()
	for until := time.Now().Add(time.Minute); ; time.Sleep(time.Millisecond) {
		n.mu.Lock()
		asked := n.asked
		n.mu.Unlock()
		if asked >= times {
			return
		}
		if time.Now().After(until) {
			t.Fatalf("streams asked %d times for news, want %d", asked, times)
		}
	}
}

// What a client missed is told, not made up.
func TestEventsResumed(t *testing.T) {
	n, server := newsHouse(t, nil)
	l := listen(t, server, "?topics=state")
	id := l.next().id
	if s := want[StateEvent](listen(t, server, "?topics=state", "Last-Event-ID", id), "state"); !s.MissedSince.IsZero() {
		t.Errorf("nothing happened in between, and it says missed since %v", s.MissedSince)
	}
	n.publish(func(*engine.Snapshot) {})
	if s := want[StateEvent](listen(t, server, "?topics=state", "Last-Event-ID", id), "state"); !s.MissedSince.Equal(ago(3 * time.Second)) {
		t.Errorf("missed since %v, want %v", s.MissedSince, ago(3*time.Second))
	}
	if s := want[StateEvent](listen(t, server, "?topics=state", "Last-Event-ID", "17"), "state"); !s.MissedSince.IsZero() {
		t.Errorf("an id that is none of ours: %v", s.MissedSince)
	}
}

func TestEventsBeforeTheFirstState(t *testing.T) {
	n, server := newsHouse(t, nil)
	first := n.snap
	n.snap = nil
	l := listen(t, server, "")
	if h := want[HealthEvent](l, "health"); h.OK {
		t.Errorf("%+v", h)
	}
	n.mu.Lock()
	n.snap = first
	close(n.next)
	n.next = make(chan struct{})
	n.mu.Unlock()
	want[StateEvent](l, "state")
}

func TestEventsBeat(t *testing.T) {
	_, server := newsHouse(t, func(c *Config) { c.Watch.beat = 10 * time.Millisecond })
	l := listen(t, server, "?topics=alarm")
	for range 3 {
		if e := l.next(); e.topic != ":" || e.data != "here" {
			t.Errorf("%+v", e)
		}
	}
}

// Many clients, one of which takes nothing: all others hear of the last state,
// publishing never waits, and the end of the daemon ends every stream.
func TestEventsToManyClients(t *testing.T) {
	n, server := newsHouse(t, nil)
	const clients, states = maxStreams - 1, 300
	slow := stuck(t, server)
	var all []*listener
	for range clients {
		all = append(all, listen(t, server, "?topics=state"))
	}
	res, err := server.Client().Get(server.URL + "/api/v1/events")
	if err != nil {
		t.Fatal(err)
	}
	wantProblem(t, res, 503, "64 streams of events are open")
	if res.Header.Get("Retry-After") == "" {
		t.Error("no Retry-After")
	}
	for i := range states {
		n.publish(func(s *engine.Snapshot) { s.Rooms[0].Temperature = is(float64(i), s.At) })
	}
	for _, l := range all {
		for last := -1.0; last != states-1; {
			now := want[StateEvent](l, "state").Rooms[0].Temperature.Value
			if now == last {
				t.Fatalf("told twice of %g", now)
			}
			last = now
		}
	}
	close(n.ended)
	for _, l := range all {
		select {
		case _, open := <-l.events:
			if open {
				t.Error("an event after the end")
			}
		case <-time.After(time.Minute):
			t.Fatal("a stream goes on after the end of the daemon")
		}
	}
	_ = slow.Close()
}

// A client that takes nothing is given up, and its place is free again.
func TestEventsGiveUpWhoIsStuck(t *testing.T) {
	n, server := newsHouse(t, func(c *Config) { c.Watch.write = 50 * time.Millisecond })
	stuck(t, server)
	waiting(t, n, 1)
	for range maxStreams - 1 {
		listen(t, server, "?topics=alarm")
	}
	waiting(t, n, maxStreams)
	n.publish(func(s *engine.Snapshot) { s.Site = strings.Repeat("x", 8<<20) }) // more than lies between two sockets
	for until := time.Now().Add(time.Minute); ; time.Sleep(10 * time.Millisecond) {
		if listen(t, server, "?topics=alarm").res.StatusCode == http.StatusOK {
			return
		}
		if time.Now().After(until) {
			t.Fatal("its place is not free")
		}
	}
}

// stuck is a client that sends its request and then reads nothing.
func stuck(t *testing.T, server *httptest.Server) net.Conn {
	t.Helper()
	conn, err := net.Dial("tcp", server.Listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	if err := conn.(*net.TCPConn).SetReadBuffer(1); err != nil {
		t.Fatal(err)
	}
	if _, err := io.WriteString(conn, "GET /api/v1/events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"); err != nil {
		t.Fatal(err)
	}
	return conn
}

// A stream is over when its user logs out, and is not for strangers.
func TestEventsEndWithTheSession(t *testing.T) {
	access, tokens, _ := guarded(t, false)
	n, server := newsHouse(t, func(c *Config) { c.Access = access.Access })
	res, err := server.Client().Get(server.URL + "/api/v1/events")
	if err != nil {
		t.Fatal(err)
	}
	wantProblem(t, res, 401, "log in")
	_, session := login(t, server.Config.Handler, "mara", marasPassword, "/")
	if session == nil {
		t.Fatal("no session")
	}
	cookie := session.Name + "=" + session.Value
	l := listen(t, server, "?topics=state", "Cookie", cookie)
	want[StateEvent](l, "state")
	ask(t, server.Config.Handler, http.MethodPost, "/logout", "", "Cookie", cookie)
	n.publish(func(s *engine.Snapshot) { s.Rooms[0].Temperature = is(1, noon()) })
	if e, open := <-l.events; open {
		t.Errorf("an event after logging out: %+v", e)
	}
	want[StateEvent](listen(t, server, "?topics=state", "Authorization", "Bearer "+tokens[secret.Read]), "state")
}
