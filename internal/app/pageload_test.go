package app_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	vegeta "github.com/tsenart/vegeta/v12/lib"

	"dryhold/internal/app"
	"dryhold/internal/intake/mosquittotest"
)

const (
	pageRate    = 500 // requests a second
	pageIntake  = 200 // messages a second beside them, of two readings each
	pageRooms   = 8
	pageLots    = 40
	pageStreams = 8 // open pages that are kept fresh
	// pageLate is the latest that 99 of 100 pages may come, where that is
	// asserted: on a calm machine.
	pageLate = 50 * time.Millisecond
)

// TestPageLoad: the page of now is answered 500 times a second, each time
// whole, while readings come in, each of which is stored. Long, it is the minute
// that is asked for, and its time is asserted.
func TestPageLoad(t *testing.T) {
	long := os.Getenv(longEnv) != ""
	lasting := 5 * time.Second
	if long {
		lasting = time.Minute
	}
	server := mosquittotest.Start(t)
	pid, url := underLoad(t, server.URL)
	s := newSender(t, server.URL)
	room := func(i int) string { return fmt.Sprintf("room-%03d", i%pageRooms) }
	began := time.Now().Add(-time.Minute)
	for i := range pageRooms {
		s.send("larch/"+room(i)+"/climate", dated(began, 15))
	}
	s.flush()
	eventually(t, "the rooms", func() bool { return len(statusOf(t, url).Snapshot.Rooms) == pageRooms })
	for i := range pageLots {
		if status, answer := post(t, url+"/api/v1/lots", lotOf(room(i))); status != http.StatusCreated {
			t.Fatalf("lot: %d %s", status, answer)
		}
	}
	streams, cancel := context.WithCancel(t.Context())
	defer cancel()
	for range pageStreams {
		go readStream(streams, url)
	}

	before, _, cpu := usage(pid)
	done := make(chan *vegeta.Metrics, 1)
	go func() { done <- askPages(t, url, lasting) }()
	messages := int(lasting.Seconds() * pageIntake)
	start := time.Now()
	for i := range messages {
		at := start.Add(time.Duration(i) * time.Second / pageIntake)
		time.Sleep(time.Until(at)) // the pace of the load
		s.send("larch/"+room(i)+"/climate", dated(at, 15+float64(i%100)/10))
	}
	s.flush()
	m := <-done
	messages += pageRooms
	within(t, time.Minute, "all messages", func() bool { return statusOf(t, url).Snapshot.Intake.Messages >= uint64(messages) })
	in := statusOf(t, url).Snapshot.Intake
	if in.Stored != uint64(2*messages) || in.Duplicates != 0 || len(in.Errors) != 0 {
		t.Errorf("%d messages with two readings each: %d stored, %d twice, errors %v", messages, in.Stored, in.Duplicates, in.Errors)
	}
	if m.Requests == 0 || m.StatusCodes["200"] != int(m.Requests) {
		t.Errorf("%d requests, answers %v, errors %q", m.Requests, m.StatusCodes, m.Errors)
	}
	load, _ := os.ReadFile("/proc/loadavg") // empty where the system does not tell
	after, _, cpuAfter := usage(pid)
	t.Logf("%d pages of %.0f bytes at %.0f/s beside %d messages/s: p50 %v, p95 %v, p99 %v, longest %v; %.0f %% of a processor, %d to %d MB; load averages and tasks %s",
		m.Requests, m.BytesIn.Mean, m.Rate, pageIntake, m.Latencies.P50, m.Latencies.P95, m.Latencies.P99, m.Latencies.Max,
		100*(cpuAfter-cpu).Seconds()/time.Since(start).Seconds(), before>>20, after>>20, bytes.TrimSpace(load))
	if long && (m.Latencies.P99 > pageLate || m.Requests < uint64(lasting.Seconds()*pageRate)) {
		t.Errorf("of %d pages 99 in 100 came within %v, want %v", m.Requests, m.Latencies.P99, pageLate)
	}
}

// askPages asks for the page at a steady rate, whatever the answers take, and
// has each be whole.
func askPages(t *testing.T, url string, lasting time.Duration) *vegeta.Metrics {
	var m vegeta.Metrics
	defer m.Close()
	attacker := vegeta.NewAttacker(vegeta.HTTP2(false), vegeta.Connections(100), vegeta.Timeout(2*time.Minute))
	target := vegeta.NewStaticTargeter(vegeta.Target{Method: http.MethodGet, URL: url + "/"})
	broken := 0
	for r := range attacker.Attack(target, vegeta.Rate{Freq: pageRate, Per: time.Second}, lasting, "now") {
		m.Add(r)
		if whole := bytes.HasSuffix(bytes.TrimSpace(r.Body), []byte("</html>")) && bytes.Contains(r.Body, []byte("room-007")); !whole {
			broken++
		}
	}
	if broken > 0 {
		t.Errorf("%d pages were not whole", broken)
	}
	return &m
}

// readStream is an open page: it reads the events until the end.
func readStream(ctx context.Context, url string) {
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, url+"/api/v1/events", nil)
	if err != nil {
		return
	}
	if res, err := http.DefaultClient.Do(r); err == nil {
		_, _ = io.Copy(io.Discard, res.Body)
		_ = res.Body.Close()
	}
}

// TestStopEndsStreams: a daemon that stops does not wait for who listens to it.
func TestStopEndsStreams(t *testing.T) {
	a := daemon(t, app.Options{Settings: local(""), DataDir: t.TempDir()})
	const listeners = 20
	ended := make(chan string, listeners)
	for range listeners {
		res, err := http.Get(a.URL() + "/api/v1/events")
		if err != nil {
			t.Fatal(err)
		}
		go func() {
			defer res.Body.Close()
			told, _ := io.ReadAll(res.Body)
			ended <- string(told)
		}()
	}
	publish(t, publisher(t, a.BrokerURL()), "rooms/cellar/temperature", false, "21.5")
	eventually(t, "the reading", func() bool { return a.Snapshot().Intake.Stored == 1 })
	// Streams that went on would use up the time that Stop has and fail it.
	if err := a.Stop(context.Background()); err != nil {
		t.Fatal(err)
	}
	for range listeners {
		if told := <-ended; !strings.Contains(told, "event: state\n") {
			t.Errorf("a stream told only %q", told)
		}
	}
}
