package app_test

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/intake"
	"dryhold/internal/lot"
	"dryhold/internal/web"
)

// people edit lots and acknowledge alarms over HTTP without pause, through
// every kill, and keep book of what was answered. Each act is done under a
// name of its own, by which it is found on disk.
type people struct {
	page string
	http *http.Client
	quit chan struct{}
	work sync.WaitGroup

	mu      sync.Mutex
	edits   map[string]answer
	acks    map[string]answer
	lots    []string // registered
	refusal string   // the last one
}

// answer is what became of an act.
type answer int

const (
	agreed  answer = iota // 2xx
	refused               // 4xx: it is not there
	lost                  // no answer, or 5xx: it may be there
)

func edit(page string) *people {
	p := &people{page: page, http: client(), quit: make(chan struct{}), edits: map[string]answer{}, acks: map[string]answer{}}
	p.work.Go(p.change)
	p.work.Go(p.acknowledge)
	return p
}

func (p *people) end() {
	close(p.quit)
	p.work.Wait()
}

// begun reports whether all lots are registered and an alarm was acknowledged,
// and what was answered so far.
func (p *people) begun() (ok bool, answers string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	acks := map[answer]int{}
	for _, did := range p.acks {
		acks[did]++
	}
	answers = fmt.Sprintf("%d lots, %d acknowledgements and %d without an answer; the last refusal is %q", len(p.lots), acks[agreed], acks[lost], p.refusal)
	return len(p.lots) == mostLots && acks[agreed] > 0, answers
}

// mostLots bounds the lots, each of which costs the daemon a little.
const mostLots = 3

// change registers lots, and then moves them and writes notes.
func (p *people) change() {
	for i := 0; p.wait(20 * time.Millisecond); i++ {
		by := fmt.Sprintf("ada-%d", i)
		if len(p.lots) < mostLots {
			body := lotOf("cellar")
			body.By = by
			did, text := p.post("/api/v1/lots", body)
			var l lot.Lot
			if did == agreed && json.Unmarshal(text, &l) == nil {
				p.mu.Lock()
				p.lots = append(p.lots, l.ID)
				p.mu.Unlock()
			}
			p.keep(p.edits, by, did)
			continue
		}
		path := "/api/v1/lots/" + p.lots[i%len(p.lots)]
		did := lost
		if i%4 == 0 {
			did, _ = p.post(path+"/move", web.MoveLot{Room: own()[i/4%2], By: by})
		} else {
			did, _ = p.post(path+"/note", web.NoteLot{Note: "looked at", By: by})
		}
		p.keep(p.edits, by, did)
	}
}

// acknowledge acknowledges the oven's alarm as often as it can be.
func (p *people) acknowledge() {
	for i := 0; p.wait(20 * time.Millisecond); i++ {
		by := fmt.Sprintf("bo-%d", i)
		did, _ := p.post("/api/v1/alarms/acknowledge", web.OperateAlarm{Key: ovenWarm(), By: by})
		p.keep(p.acks, by, did)
	}
}

func ovenWarm() alarm.Key { return alarm.Key{Kind: alarm.Warm, Room: "oven"} }

func (p *people) wait(d time.Duration) bool {
	select {
	case <-p.quit:
		return false
	case <-time.After(d):
		return true
	}
}

func (p *people) keep(book map[string]answer, by string, did answer) {
	p.mu.Lock()
	defer p.mu.Unlock()
	book[by] = did
}

// post does one act and says what became of it.
func (p *people) post(path string, body any) (answer, []byte) {
	data, err := json.Marshal(body)
	if err != nil {
		panic(err)
	}
	r, err := p.http.Post(p.page+path, "application/json", bytes.NewReader(data))
	if err != nil {
		return lost, nil
	}
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	if r.StatusCode < 300 {
		return agreed, text // by its status, whether or not the rest came through
	}
	p.mu.Lock()
	p.refusal = string(text)
	p.mu.Unlock()
	if err != nil || r.StatusCode >= 500 {
		return lost, nil
	}
	return refused, text
}

// check compares what is on disk with what was answered.
func (p *people) check(t *testing.T, dir string) {
	t.Helper()
	edits, acks := map[string]int{}, map[string]int{}
	for _, c := range lotsOf(t, dir) {
		edits[c.By]++
	}
	rows(t, dir, `SELECT by, count(*) FROM operator_action GROUP BY by`, func(r *sql.Rows) error {
		var by string
		var n int
		err := r.Scan(&by, &n)
		acks[by] = n
		return err
	})
	for what, x := range map[string]struct {
		book map[string]answer
		disk map[string]int
	}{"changes of lots": {p.edits, edits}, "acknowledgements": {p.acks, acks}} {
		var n [3]int
		wrong := 0
		for by, did := range x.book {
			n[did]++
			on := x.disk[by]
			if on > 1 || did == agreed && on != 1 || did == refused && on != 0 {
				wrong++
				t.Errorf("%s: what %s did was answered %v and is on disk %d times", what, by, did, on)
			}
		}
		for by := range x.disk {
			if _, known := x.book[by]; !known {
				t.Errorf("%s: nobody did what %q did", what, by)
			}
		}
		t.Logf("%s: %d answered, %d refused, %d without an answer", what, n[agreed], n[refused], n[lost])
		if n[agreed] == 0 {
			t.Errorf("%s: none was answered, so that this says nothing", what)
		}
	}
}

// rows reads the database of a daemon.
func rows(t *testing.T, dir, query string, row func(*sql.Rows) error) {
	t.Helper()
	db := database(t, dir)
	r, err := db.Query(query)
	if err != nil {
		t.Fatal(errors.Join(err, db.Close()))
	}
	for err == nil && r.Next() {
		err = row(r)
	}
	if err := errors.Join(err, r.Err(), r.Close(), db.Close()); err != nil {
		t.Fatal(err)
	}
}

// reader reads the notices over MQTT.
type reader struct {
	mu    sync.Mutex
	first map[string]int // by notice, those the broker did not flag as delivered before
	any   map[string]int
}

func readNotices(t *testing.T, url string) *reader {
	t.Helper()
	k := &reader{first: map[string]int{}, any: map[string]int{}}
	cfg := intake.Config{URL: url, ClientID: "larch-house-keeper", Filters: []string{"dryhold/notices"}}
	mqttClient(t, cfg, func(d intake.Delivery) {
		var n alarm.Notice
		if err := json.Unmarshal(d.Payload, &n); err != nil {
			t.Errorf("a notice that cannot be read: %v", err)
		}
		k.mu.Lock()
		k.any[n.Key]++
		if !d.Duplicate {
			k.first[n.Key]++
		}
		k.mu.Unlock()
		d.Ack()
	})
	return k
}

// check compares the notices that arrived with those in the outbox, all of
// which are delivered. A channel sends one notice after the other, so that a
// kill can make at most one be sent again; and no protocol here can do better,
// since the note that a notice was taken comes after it was taken.
func (k *reader) check(t *testing.T, s *siege, cuts int) {
	t.Helper()
	queued := map[string]int{}
	raised := 0
	rows(t, s.dir, `SELECT key, channel FROM notice`, func(r *sql.Rows) error {
		var key, channel string
		err := r.Scan(&key, &channel)
		queued[channel]++
		if channel == "mqtt" && k.any[key] == 0 {
			t.Errorf("notice %s never came over MQTT", key)
		}
		if channel == "mqtt" && strings.HasPrefix(key, ovenWarm().String()+"#") && strings.HasSuffix(key, "/raised") {
			raised++
		}
		return err
	})
	mails := map[string]int{}
	s.post.mu.Lock()
	for _, m := range s.post.mails {
		for line := range strings.Lines(m) {
			if id, ok := strings.CutPrefix(line, "Message-ID: "); ok {
				mails[id]++
			}
		}
	}
	s.post.mu.Unlock()
	f := func(channel string, got, sent map[string]int) {
		t.Helper()
		again, most := 0, 0
		for _, n := range sent {
			again, most = again+n-1, max(most, n)
		}
		if len(got) != queued[channel] || again > s.lives+cuts {
			t.Errorf("%s: %d of %d notices arrived, %d of them again after %d kills", channel, len(got), queued[channel], again, s.lives+cuts)
		}
		t.Logf("%s: %d notices, %d sent again, one at most %d times", channel, len(got), again, most)
	}
	f("mail", mails, mails)
	f("mqtt", k.any, k.first)
	if want := spells(t, s.dir); raised != want {
		t.Errorf("the oven's alarm was raised %d times, want once for each of %d times that it was hot", raised, want)
	}
}

// spells counts how often the oven was hot after it was not, by what is on
// disk.
func spells(t *testing.T, dir string) (n int) {
	t.Helper()
	hot := false
	for _, r := range onDisk(t, dir, "oven") {
		if r.Value > 30 && !hot {
			n++
		}
		hot = r.Value > 30
	}
	return n
}

// delivered waits until the outbox is empty of notices for these channels.
func delivered(t *testing.T, dir string, channels ...string) {
	t.Helper()
	least, deadline := math.MaxInt, time.Time{}
	for ; ; time.Sleep(50 * time.Millisecond) {
		var waiting []string
		rows(t, dir, `SELECT channel, channel || ' ' || key || ': ' || attempts || ' attempts, ' || cause FROM notice WHERE delivered IS NULL ORDER BY id`, func(r *sql.Rows) error {
			var text, channel string
			err := r.Scan(&channel, &text)
			if slices.Contains(channels, channel) {
				waiting = append(waiting, text)
			}
			return err
		})
		if len(waiting) == 0 {
			return
		}
		if len(waiting) < least {
			least, deadline = len(waiting), time.Now().Add(time.Minute)
		}
		if time.Now().After(deadline) {
			t.Fatalf("%d notices are not delivered, the first of them %v", len(waiting), waiting[:min(3, len(waiting))])
		}
	}
}

// bound is the time that one call may take.
func bound(t *testing.T) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	t.Cleanup(cancel)
	return ctx
}
