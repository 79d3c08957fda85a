package influx

import (
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// fakeServer takes writes as its answers say, one after the other, then all.
type fakeServer struct {
	*httptest.Server
	mu      sync.Mutex
	answers []func(w http.ResponseWriter, r *http.Request) (taken bool)
	bad     string // lines with this are refused
	deaf    bool   // refuses whatever comes
	took    []string
	asked   []time.Time
	tokens  []string
	under   int
	most    int
}

func newFakeServer(t *testing.T) *fakeServer {
	s := &fakeServer{}
	s.Server = httptest.NewServer(s)
	t.Cleanup(s.Close)
	return s
}

func (s *fakeServer) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, err := gzip.NewReader(r.Body)
	if err != nil || r.URL.Path != "/api/v2/write" || r.URL.RawQuery != "bucket=dryhold&org=larch&precision=ms" {
		http.Error(w, "not what a server understands", http.StatusTeapot)
		return
	}
	text, _ := io.ReadAll(body)
	s.mu.Lock()
	s.under++
	s.most = max(s.most, s.under)
	s.asked, s.tokens = append(s.asked, time.Now()), append(s.tokens, r.Header.Get("Authorization"))
	var answer func(http.ResponseWriter, *http.Request) bool
	if len(s.answers) > 0 {
		answer, s.answers = s.answers[0], s.answers[1:]
	}
	refuse := s.deaf || s.bad != "" && strings.Contains(string(text), s.bad)
	s.mu.Unlock()
	defer func() { // also where the answer breaks off
		s.mu.Lock()
		defer s.mu.Unlock()
		s.under--
	}()
	taken := answer == nil || answer(w, r)
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case !taken:
	case refuse:
		w.Header().Set("Content-Type", "application/json")
		w.WriteHeader(http.StatusBadRequest)
		fmt.Fprint(w, `{"code":"invalid","message":"unable to parse"}`)
	default:
		s.took = append(s.took, strings.Split(string(text), "\n")...)
		w.WriteHeader(http.StatusNoContent)
	}
}

func says(status int, header ...string) func(http.ResponseWriter, *http.Request) bool {
	return func(w http.ResponseWriter, _ *http.Request) bool {
		for i := 0; i+1 < len(header); i += 2 {
			w.Header().Set(header[i], header[i+1])
		}
		w.WriteHeader(status)
		return false
	}
}

// lines is a source that loses nothing.
type lines struct {
	mu   sync.Mutex
	rest []string
}

func (l *lines) Next(_ context.Context, limit int) (Batch, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	n := min(limit, len(l.rest), 8)
	if n == 0 {
		return Batch{}, nil
	}
	return Batch{Lines: l.rest[:n], Sent: func(context.Context) error {
		l.mu.Lock()
		defer l.mu.Unlock()
		l.rest = l.rest[n:]
		return nil
	}}, nil
}

func (l *lines) Probe() (string, error) { return ProbeLine("larch", instant, 0) }

func (l *lines) left() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.rest)
}

func some(n int) (out []string) {
	for i := range n {
		out = append(out, fmt.Sprintf("m v=%d %d", i, i))
	}
	return out
}

// exporting runs an exporter until the test ends.
func exporting(t *testing.T, s *fakeServer, source *lines, token func() (string, error)) *Exporter {
	t.Helper()
	server := NewServer(ServerConfig{URL: s.URL + "/", Org: "larch", Bucket: "dryhold", Token: token, Timeout: time.Second})
	x := New(Config{Source: source, Write: server.Write, Log: slog.New(slog.DiscardHandler), Poll: 10 * time.Millisecond, FirstPause: 5 * time.Millisecond, LastPause: 20 * time.Millisecond})
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		x.Run(ctx)
		server.Close()
	}()
	t.Cleanup(func() {
		cancel()
		<-done
	})
	return x
}

func open() (string, error) { return "planted-token", nil }

func eventually(t *testing.T, what string, so func() bool) {
	t.Helper()
	for began := time.Now(); !so(); time.Sleep(5 * time.Millisecond) {
		if time.Since(began) > time.Minute {
			t.Fatalf("waited in vain for %s", what)
		}
	}
}

// Whatever the server does for a while, every line comes, in order, one request
// at a time, and none twice that it did not answer.
func TestTroubleOfTheServer(t *testing.T) {
	f := func(name string, answers ...func(http.ResponseWriter, *http.Request) bool) {
		t.Helper()
		t.Run(name, func(t *testing.T) {
			s, want := newFakeServer(t), some(40)
			s.answers = answers
			source := &lines{rest: want}
			x := exporting(t, s, source, open)
			eventually(t, "the last line", func() bool { return source.left() == 0 })
			s.mu.Lock()
			defer s.mu.Unlock()
			if d := cmp.Diff(want, s.took); d != "" {
				t.Errorf("taken (-want +got):\n%s", d)
			}
			if st := x.Status(); s.most != 1 || st.Delivered != 40 || st.Refused != 0 {
				t.Errorf("%d at a time; %+v", s.most, st)
			}
			if s.tokens[0] != "Token planted-token" {
				t.Errorf("token %q", s.tokens[0])
			}
		})
	}
	f("none")
	f("429", says(429), says(429))
	f("503 and 500", says(503), says(500), says(502))
	f("401, 403, 404", says(401), says(403), says(404))
	f("redirect", says(302, "Location", "http://127.0.0.1:1/"))
	f("closed", func(w http.ResponseWriter, _ *http.Request) bool { panic(http.ErrAbortHandler) })
	f("hangs", func(_ http.ResponseWriter, r *http.Request) bool { <-r.Context().Done(); return false })
}

func TestRetryAfter(t *testing.T) {
	s := newFakeServer(t)
	s.answers = append(s.answers, says(429, "Retry-After", "1"))
	source := &lines{rest: some(3)}
	exporting(t, s, source, open)
	eventually(t, "the last line", func() bool { return source.left() == 0 })
	s.mu.Lock()
	defer s.mu.Unlock()
	if pause := s.asked[1].Sub(s.asked[0]); pause < time.Second {
		t.Errorf("asked again after %v, the server asked for a second", pause)
	}
}

// A line that the server finds fault with is left out and counted, and holds up
// no other; a server that finds fault with all loses none.
func TestRefusedPoints(t *testing.T) {
	s, all := newFakeServer(t), some(40)
	s.bad = "v=17 "
	source := &lines{rest: all}
	x := exporting(t, s, source, open)
	eventually(t, "the last line", func() bool { return source.left() == 0 })
	s.mu.Lock()
	probe, _ := source.Probe()
	got := slices.DeleteFunc(slices.Clone(s.took), func(l string) bool { return l == probe })
	s.mu.Unlock()
	if d := cmp.Diff(slices.Delete(slices.Clone(all), 17, 18), got); d != "" {
		t.Errorf("taken (-want +got):\n%s", d)
	}
	if st := x.Status(); st.Refused != 1 || st.Delivered != 39 {
		t.Errorf("%+v", st)
	}

	s = newFakeServer(t)
	s.deaf = true
	source = &lines{rest: all}
	x = exporting(t, s, source, open)
	eventually(t, "some failures", func() bool { return x.Status().Failures > 3 })
	if source.left() != 40 || x.Status().Refused != 0 || !strings.Contains(x.Status().LastError, "400") {
		t.Errorf("%d left; %+v", source.left(), x.Status())
	}
	s.mu.Lock()
	s.deaf = false
	s.mu.Unlock()
	eventually(t, "the last line", func() bool { return source.left() == 0 })
}

// A token that is mended in its file counts at the next attempt, and no error
// shows it.
func TestTokenMended(t *testing.T) {
	s := newFakeServer(t)
	s.answers = append(s.answers, says(401))
	source := &lines{rest: some(3)}
	var mu sync.Mutex
	n := 0
	x := exporting(t, s, source, func() (string, error) {
		mu.Lock()
		defer mu.Unlock()
		n++
		return []string{"old", "new"}[min(n-1, 1)], nil
	})
	eventually(t, "the last line", func() bool { return source.left() == 0 })
	s.mu.Lock()
	defer s.mu.Unlock()
	if d := cmp.Diff([]string{"Token old", "Token new"}, s.tokens); d != "" || strings.Contains(x.Status().LastError, "old") {
		t.Errorf("%s; %+v", d, x.Status())
	}
}
