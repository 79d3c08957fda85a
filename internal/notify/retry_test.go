package notify

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
)

// hand is a clock that is set by hand.
type hand struct {
	mu sync.Mutex
	at time.Time
}

func (h *hand) now() time.Time {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.at
}

func (h *hand) pass(d time.Duration) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.at = h.at.Add(d)
}

// rest waits until everything due by the clock has been tried.
func (b *box) rest(t *testing.T, w *Worker) {
	t.Helper()
	before := b.looked()
	w.Wake()
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(time.Millisecond) {
		w.mu.Lock()
		busy := len(w.unwritten) > 0
		for _, l := range w.lanes {
			// What waits for an earlier one of its alarm is due and not tried.
			busy = busy || l.busy || slices.ContainsFunc(l.queue, func(i Item) bool { return !l.blocked(i) })
		}
		w.mu.Unlock()
		if !busy && b.looked() >= before+2 { // one look may have begun before
			return
		}
		if time.Now().After(deadline) {
			t.Fatal("the worker does not come to rest")
		}
		w.Wake()
	}
}

// A receiver that fails, then hangs, then asks for hours of patience and comes
// back after two days gets everything once and in the order of each alarm, also
// over a restart in between, and is left alone while it asks for it.
func TestReceiverAwayForTwoDays(t *testing.T) {
	r := newReceiver(t, false)
	clock := &hand{at: larchTime()}
	release := make(chan struct{})
	defer close(release)
	channel := webhook(t, r, "/notices")
	channel.config.Now = clock.now
	channel.client.Timeout = 100 * time.Millisecond // of an attempt that hangs; in use it is a minute
	b := &box{}
	start := func() *Worker {
		w, err := New(b, []Channel{channel}, clock.now, quiet())
		if err != nil {
			t.Fatal(err)
		}
		w.Start(t.Context())
		return w
	}
	stop := func(w *Worker) {
		if err := w.Stop(context.Background()); err != nil {
			t.Error(err)
		}
	}
	var mu sync.Mutex
	var patience time.Time // the receiver asked not to be called before
	var early []time.Duration
	attempts := 0
	say := func(answer http.HandlerFunc) {
		r.say(func(w http.ResponseWriter, request *http.Request) {
			mu.Lock()
			attempts++
			if d := patience.Sub(clock.now()); d > 0 {
				early = append(early, d)
			}
			mu.Unlock()
			answer(w, request)
		})
	}
	loft, cellar := notice(1, alarm.Raised), notice(1, alarm.Raised)
	cellar.Alarm.Room, cellar.Key = "cellar", "warm/cellar#1/raised"
	back, cellarBack := notice(1, alarm.Returned), cellar
	cellarBack.Key = "warm/cellar#1/returned"
	both := grouped() // of the loft, both warm and damp

	say(status(500, "out of order"))
	w := start()
	defer func() { stop(w) }()
	for hour := range 54 {
		switch hour {
		case 1:
			b.put("house", loft)
		case 2:
			b.put("house", cellar)
		case 8:
			say(func(http.ResponseWriter, *http.Request) { <-release })
		case 10:
			b.put("house", back)
		case 14:
			// Each is told the same instant at its own attempt.
			until := clock.now().Add(10 * time.Hour)
			say(status(429, "slow down", "Retry-After", until.Format(http.TimeFormat)))
			clock.pass(lastRetry)
			b.rest(t, w) // by now each was tried
			mu.Lock()
			patience = until
			mu.Unlock()
		case 20:
			stop(w)
			b.put("house", both)
			b.put("house", cellarBack)
			w = start()
		case 30:
			say(status(503, ""))
		case 49:
			say(status(204, ""))
		}
		for range 6 {
			clock.pass(10 * time.Minute)
			b.rest(t, w)
		}
	}
	mu.Lock()
	defer mu.Unlock()
	if len(early) > 0 {
		t.Errorf("called %v too early", early)
	}
	took := map[string]int{}
	var order []string
	posts := r.taken()
	for _, p := range posts[len(posts)-5:] {
		_, key, _ := strings.Cut(p.Header.Get("Idempotency-Key"), "/") // behind the site
		took[key]++
		order = append(order, key)
	}
	// What failed may come in any order; of one alarm it keeps it.
	at := func(n alarm.Notice) int { return slices.Index(order, n.Key) }
	if len(took) != 5 || at(loft) > at(back) || at(back) > at(both) || at(cellar) > at(cellarBack) {
		t.Errorf("delivered %v", order)
	}
	for _, e := range b.items {
		if !e.closed || e.taken.IsZero() || e.taken.Before(larchTime().Add(49*time.Hour)) {
			t.Errorf("%s: %+v", e.Notice.Key, e)
		}
	}
	if s := w.Status().Channels[0]; s.Waiting != 0 || s.Failures != 0 || s.Refused != 0 {
		t.Errorf("status at the end: %+v", s)
	}
	t.Logf("%d attempts in two days for 5 notices", attempts)
	if attempts < 40 || attempts > 160 {
		t.Errorf("%d attempts", attempts)
	}
}

// A receiver that says when to come back is called at that instant.
func TestWorkerComesBackWhenAsked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const wait = 7*time.Hour + 13*time.Second
		b, house := &box{}, &post{name: "house"}
		var called []time.Time
		house.say(func(context.Context, alarm.Notice) error {
			called = append(called, time.Now())
			if len(called) == 1 {
				return laterError{errors.New("busy"), time.Now().Add(wait)}
			}
			return nil
		})
		b.put("house", notice(1, alarm.Raised))
		run(t, b, house)
		settle(24 * time.Hour)
		if len(called) != 2 || called[1].Sub(called[0]) != wait {
			t.Errorf("called at %v, want twice, %v apart", called, wait)
		}
	})
}

// What waits for its retry when the daemon is stopped is not overtaken by what
// follows of the same alarm after the start, while others go.
func TestWorkerOrderOverARestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, house := &box{}, &post{name: "house"}
		first := b.put("house", notice(1, alarm.Raised))
		first.Attempts, first.due = 9, time.Now().Add(time.Hour)
		second, other, digest := notice(1, alarm.Returned), notice(1, alarm.Raised), notice(1, alarm.Digest)
		other.Alarm.Room, other.Key = "cellar", "warm/cellar#1"
		digest.Alarm, digest.Key = alarm.Key{}, "mara/digest"
		b.put("house", second)
		b.put("house", grouped())
		b.put("house", other)
		b.put("house", digest)
		w := run(t, b, house)
		settle(30 * time.Minute)
		if diff := cmp.Diff([]string{other.Key, digest.Key}, house.attempts()); diff != "" || w.Status().Channels[0].Waiting != 3 {
			t.Errorf("%+v; before its time (-want +got):\n%s", w.Status(), diff)
		}
		settle(time.Hour)
		want := []string{other.Key, digest.Key, first.Notice.Key, second.Key, grouped().Key}
		if diff := cmp.Diff(want, house.attempts()); diff != "" || b.closed() != 5 || w.Status().Channels[0].Waiting != 0 {
			t.Errorf("%+v; in the end (-want +got):\n%s", w.Status(), diff)
		}
	})
}

// What nobody takes for a month is given up, is shown as refused, and lets what
// is behind it go.
func TestWorkerGivesUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, house := &box{}, &post{name: "house"}
		old, fresh := notice(1, alarm.Raised), notice(1, alarm.Returned)
		old.At, fresh.At = time.Now(), time.Now().Add(29*24*time.Hour)
		house.say(func(_ context.Context, n alarm.Notice) error {
			if n.Key == old.Key {
				return errors.New("out of order")
			}
			return nil
		})
		first, second := b.put("house", old), b.put("house", fresh)
		w := run(t, b, house)
		settle(giveUp - time.Hour)
		if b.as(first).closed || b.as(second).closed {
			t.Errorf("given up before its time: %+v", b.as(first))
		}
		settle(3 * time.Hour)
		s := w.Status().Channels[0]
		if x := b.as(first); !x.closed || x.causes[len(x.causes)-1] != "given up after 30 days: out of order" || !b.as(second).closed {
			t.Errorf("%+v", x)
		}
		if s.Refused != 1 || s.LastRefused.IsZero() || s.RefusedBy != "given up after 30 days: out of order" || s.Waiting != 0 {
			t.Errorf("not surfaced: %+v", s)
		}
	})
}

// A process knows from the outbox which channels were in trouble before it, and
// a success ends that.
func TestWorkerRecallsTrouble(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		b, house, phone := &box{}, &post{name: "house", answer: away}, &post{name: "phone"}
		b.troubles = map[string]Trouble{
			"house": {FailingSince: began.Add(-3 * time.Hour), Failures: 7, LastError: "busy"},
			"phone": {LastRefused: began.Add(-20 * time.Hour), RefusedBy: "410 Gone"},
			"pager": {FailingSince: began.Add(-99 * time.Hour)}, // configured no more
		}
		w := run(t, b, house, phone)
		settle(0)
		want := Status{Channels: []ChannelStatus{
			{Channel: "house", FailingSince: began.Add(-3 * time.Hour), Failures: 7, LastError: "busy"},
			{Channel: "phone", LastRefused: began.Add(-20 * time.Hour), RefusedBy: "410 Gone"},
		}}
		if diff := cmp.Diff(want, w.Status()); diff != "" {
			t.Errorf("status differs (-want +got):\n%s", diff)
		}
		f := func(want time.Duration) {
			t.Helper()
			if got := w.Status().Troubled(time.Now()); got != want {
				t.Errorf("troubled for %v, want %v", got, want)
			}
		}
		f(20 * time.Hour)
		settle(5 * time.Hour) // the refusal is told
		f(8 * time.Hour)
		b.put("house", notice(1, alarm.Raised))
		w.Wake()
		settle(time.Second)
		f(8*time.Hour + time.Second)
		house.say(nil)
		settle(time.Minute)
		f(0)
		house.say(func(context.Context, alarm.Notice) error { return Permanent(errors.New("410 Gone")) })
		b.put("house", notice(2, alarm.Raised))
		w.Wake()
		settle(time.Hour)
		f(time.Hour)
		house.say(nil)
		b.put("house", notice(3, alarm.Raised))
		w.Wake()
		settle(time.Hour)
		f(2 * time.Hour) // the one refused is still lost
		settle(23 * time.Hour)
		f(0)
	})
}
