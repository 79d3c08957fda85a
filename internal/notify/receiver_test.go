package notify

import (
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"time"

	"dryhold/internal/alarm"
)

// posted is one request as a receiver got it.
type posted struct {
	Method, Path string
	Header       http.Header
	Body         string
}

// receiver is a real HTTP server. Its answer may be changed; nil takes all.
type receiver struct {
	*httptest.Server
	mu     sync.Mutex
	got    []posted
	answer http.HandlerFunc
}

func newReceiver(t *testing.T, secure bool) *receiver {
	t.Helper()
	r := &receiver{}
	handler := http.HandlerFunc(func(w http.ResponseWriter, request *http.Request) {
		body, _ := io.ReadAll(request.Body)
		r.mu.Lock()
		r.got = append(r.got, posted{request.Method, request.URL.RequestURI(), request.Header, string(body)})
		answer := r.answer
		r.mu.Unlock()
		if answer != nil {
			answer(w, request)
		}
	})
	r.Server = httptest.NewUnstartedServer(handler)
	r.Config.ErrorLog = log.New(io.Discard, "", 0)
	if secure {
		r.StartTLS()
	} else {
		r.Start()
	}
	t.Cleanup(r.Close)
	return r
}

func (r *receiver) say(answer http.HandlerFunc) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.answer = answer
}

func (r *receiver) taken() []posted {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]posted(nil), r.got...)
}

// status is an answer with a header, given as name and value, and a text.
func status(code int, text string, header ...string) http.HandlerFunc {
	return func(w http.ResponseWriter, _ *http.Request) {
		for i := 0; i < len(header); i += 2 {
			w.Header().Set(header[i], header[i+1])
		}
		w.WriteHeader(code)
		_, _ = io.WriteString(w, text)
	}
}

// clockOf is a clock that stands.
func clockOf(at time.Time) func() time.Time { return func() time.Time { return at } }

// larchTime is the invented instant of the notices of these tests.
func larchTime() time.Time { return time.Date(2031, 7, 12, 17, 0, 0, 0, time.UTC) }

// grouped is an invented notice of two alarms for one person.
func grouped() alarm.Notice {
	first, second := notice(1, alarm.Raised), notice(2, alarm.Raised)
	first.To, first.Key = "mara", "mara/20310712T170500Z"
	first.Items = []alarm.Item{
		{Key: first.Alarm, Event: alarm.Raised, Priority: alarm.Medium, Since: first.Since, Subject: first.Subject, Costs: first.Costs},
		{Key: alarm.Key{Kind: alarm.Damp, Room: "loft"}, Event: alarm.Reminder, Priority: alarm.High, Since: second.Since, Subject: "Loft too damp: 71 %", Costs: []alarm.LotCost{}},
	}
	return first
}
