package notify

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
)

// run starts a worker in the bubble; it is stopped at the end of the test,
// and the bubble then fails if a goroutine is left.
func run(t *testing.T, b Outbox, channels ...Channel) *Worker {
	t.Helper()
	w, err := New(b, channels, time.Now, quiet())
	if err != nil {
		t.Fatal(err)
	}
	w.Start(t.Context())
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		if err := w.Stop(ctx); err != nil {
			t.Error(err)
		}
	})
	return w
}

// settle lets d pass and everything that is due in it happen.
func settle(d time.Duration) {
	time.Sleep(d)
	synctest.Wait()
}

func TestWorkerDelivers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, log, mqtt := &box{}, &post{name: "log"}, &post{name: "mqtt"}
		early := b.put("log", notice(1, alarm.Raised)) // left by the process before
		w := run(t, b, log, mqtt)
		settle(0)
		if !early.closed {
			t.Error("what was there at the start is not delivered")
		}
		b.put("log", notice(2, alarm.Raised))
		b.put("mqtt", notice(2, alarm.Raised))
		w.Wake()
		settle(0)
		want := Status{Channels: []ChannelStatus{{Channel: "log", LastSuccess: time.Now()}, {Channel: "mqtt", LastSuccess: time.Now()}}}
		if diff := gocmp.Diff(want, w.Status()); diff != "" || b.closed() != 3 {
			t.Errorf("%d closed; status differs (-want +got):\n%s", b.closed(), diff)
		}
		// Nobody wakes the worker: it looks by itself.
		b.put("mqtt", notice(3, alarm.Raised))
		settle(pollEvery)
		if len(mqtt.attempts()) != 2 || len(log.attempts()) != 2 {
			t.Errorf("attempts: log %v, mqtt %v", log.attempts(), mqtt.attempts())
		}
	})
}

func TestWorkerBackoff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, mail := &box{}, &post{name: "mail", answer: away}
		e := b.put("mail", notice(1, alarm.Raised))
		w := run(t, b, mail)
		settle(24 * time.Hour)
		s := w.Status().Channels[0]
		if s.LastError != "server is away" || s.Failures != e.Attempts || s.Waiting != 1 || s.Refused != 0 || !s.LastSuccess.IsZero() {
			t.Errorf("status of a failing channel: %+v", s)
		}
		for i := 1; i < len(e.failed); i++ {
			pause := e.failed[i].Sub(e.failed[i-1])
			middle := min(firstRetry<<min(i-1, 20), lastRetry)
			low, high := middle*8/10, middle*12/10+soonest // looks are a second apart
			if pause < max(low, firstRetry) || pause > min(high, lastRetry+soonest) {
				t.Errorf("pause %d is %v, want %v to %v", i, pause, low, high)
			}
		}
		if n := len(e.failed); n < 30 || n > 45 {
			t.Errorf("%d attempts in a day, want about 33", n)
		}
		mail.say(nil)
		settle(lastRetry + pollEvery)
		if s := w.Status().Channels[0]; !e.closed || s.Failures != 0 || s.Waiting != 0 || s.LastSuccess.IsZero() {
			t.Errorf("not delivered once the server is back: %+v", s)
		}
	})
}

func TestWorkerHangingChannel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, mail, log := &box{}, &post{name: "mail", answer: hang}, &post{name: "log"}
		for i := range 5 * batch { // more than one look can list, all before the others
			b.put("mail", notice(i, alarm.Raised))
		}
		late := b.put("log", notice(999, alarm.Raised))
		w := run(t, b, mail, log)
		settle(0)
		if !late.closed {
			t.Error("a hanging channel holds up another")
		}
		settle(sendTimeout)
		if first := b.items[0]; first.Attempts != 1 || first.causes[0] != context.DeadlineExceeded.Error() {
			t.Errorf("a hanging attempt is not cut off: %+v", first)
		}
		if s := w.Status().Channels[1]; s.Channel != "mail" || s.Waiting != 5*batch {
			t.Errorf("waiting notices are not shown: %+v", s)
		}
	})
}

func TestWorkerRefusalAndOrphan(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &box{}
		mail := &post{name: "mail", answer: func(context.Context, alarm.Notice) error {
			return Permanent(errors.New("550 no such mailbox"))
		}}
		refused, orphan := b.put("mail", notice(1, alarm.Raised)), b.put("pager", notice(1, alarm.Raised))
		w := run(t, b, mail)
		settle(24 * time.Hour)
		if !refused.closed || refused.Attempts != 1 || refused.causes[0] != "550 no such mailbox" {
			t.Errorf("refused item: %+v", refused)
		}
		if !orphan.closed || orphan.causes[0] != `no channel "pager" is configured any more` {
			t.Errorf("orphan: %+v", orphan)
		}
		if s := w.Status(); s.Orphans != 1 || s.Channels[0].Refused != 1 || s.Channels[0].Waiting != 0 {
			t.Errorf("not surfaced: %+v", s)
		}
	})
}

// TestWorkerOrder: the return of an alarm never overtakes its raise, while
// other alarms do not wait for it.
func TestWorkerOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, mail := &box{}, &post{name: "mail"}
		raised, returned := notice(1, alarm.Raised), notice(1, alarm.Returned)
		other := notice(1, alarm.Raised)
		other.Alarm.Room, other.Key = "cellar", "warm/cellar#1"
		failures := 3
		mail.say(func(_ context.Context, n alarm.Notice) error {
			if n.Key == raised.Key && failures > 0 {
				failures--
				return errors.New("greylisted")
			}
			return nil
		})
		w := run(t, b, mail)
		first, second := b.put("mail", raised), b.put("mail", returned)
		b.put("mail", other)
		w.Wake()
		settle(time.Hour)
		want := []string{raised.Key, other.Key, raised.Key, raised.Key, raised.Key, returned.Key}
		if diff := gocmp.Diff(want, mail.attempts()); diff != "" || b.closed() != 3 {
			t.Errorf("%d closed; attempts differ (-want +got):\n%s", b.closed(), diff)
		}
		if !first.taken.Equal(second.taken) {
			t.Errorf("the return waited until %v, though the raise was taken at %v", second.taken, first.taken)
		}
	})
}

// TestWorkerOutboxFails: an outcome that cannot be written is not forgotten,
// so the notice is not sent twice.
func TestWorkerOutboxFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, mail := &box{}, &post{name: "mail"}
		mail.say(func(context.Context, alarm.Notice) error {
			b.fail(errors.New("disk is full"))
			return nil
		})
		e := b.put("mail", notice(1, alarm.Raised))
		w := run(t, b, mail)
		settle(time.Hour)
		if e.closed || len(mail.attempts()) != 1 || w.Status().OutboxError == "" {
			t.Errorf("while the disk is full: %+v, %d attempts, %+v", e, len(mail.attempts()), w.Status())
		}
		b.fail(nil)
		settle(2 * pollEvery)
		if !e.closed || len(mail.attempts()) != 1 || w.Status().OutboxError != "" {
			t.Errorf("when it has room again: %+v, %d attempts, %+v", e, len(mail.attempts()), w.Status())
		}
	})
}

// TestWorkerForgottenRetry: an item closed by somebody else while it waited
// leaves nothing behind, neither a busy loop nor a block.
func TestWorkerForgottenRetry(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, mail := &box{}, &post{name: "mail", answer: away}
		e := b.put("mail", notice(1, alarm.Raised))
		w := run(t, b, mail)
		settle(0)
		b.mu.Lock()
		e.closed = true
		b.mu.Unlock()
		mail.say(nil)
		next := b.put("mail", notice(1, alarm.Returned))
		settle(5 * time.Minute)
		if !next.closed || w.Status().Channels[0].Waiting != 0 {
			t.Errorf("blocked by an item that is gone: %+v", w.Status())
		}
		before := b.looked()
		settle(time.Hour)
		if looks := b.looked() - before; looks > 61 {
			t.Errorf("%d looks into an idle outbox in an hour", looks)
		}
	})
}

func TestWorkerStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, mail := &box{}, &post{name: "mail", answer: hang}
		e := b.put("mail", notice(1, alarm.Raised))
		w := run(t, b, mail)
		w.Start(t.Context())
		settle(time.Second)
		begun := time.Now()
		for range 2 {
			if err := w.Stop(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		if took := time.Since(begun); took != grace {
			t.Errorf("stopping took %v, want the grace of %v", took, grace)
		}
		if e.closed || e.Attempts != 0 {
			t.Errorf("cut off by the stop, but counted against the channel: %+v", e)
		}
		w.Start(t.Context())
		w.Wake()
		settle(time.Hour)
		if len(mail.attempts()) != 1 {
			t.Error("a stopped worker works on")
		}
	})
}

func TestWorkerStopWaitsForSuccess(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, mail := &box{}, &post{name: "mail", answer: func(context.Context, alarm.Notice) error {
			time.Sleep(time.Second)
			return nil
		}}
		first, second := b.put("mail", notice(1, alarm.Raised)), b.put("mail", notice(2, alarm.Raised))
		w := run(t, b, mail)
		settle(time.Millisecond)
		if err := w.Stop(t.Context()); err != nil {
			t.Fatal(err)
		}
		if !first.closed || second.closed || len(mail.attempts()) != 1 {
			t.Errorf("attempt under way lost, or a new one begun: %v %v %v", first.closed, second.closed, mail.attempts())
		}
	})
}

func TestWorkerStopIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, release := &box{}, make(chan struct{})
		stuck := &post{name: "stuck", answer: func(context.Context, alarm.Notice) error { <-release; return nil }}
		b.put("stuck", notice(1, alarm.Raised))
		w, err := New(b, []Channel{stuck}, time.Now, quiet())
		if err != nil {
			t.Fatal(err)
		}
		w.Start(t.Context())
		settle(0)
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		defer cancel()
		if err := w.Stop(ctx); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("got %v, want the end of the context", err)
		}
		close(release)
		synctest.Wait()
		if err := w.Stop(t.Context()); err != nil {
			t.Error(err)
		}
	})
}

func TestWorkerStopBeforeStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &box{}
		b.put("log", notice(1, alarm.Raised))
		w, err := New(b, []Channel{&post{name: "log"}}, time.Now, quiet())
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Stop(t.Context()); err != nil {
			t.Fatal(err)
		}
		w.Start(t.Context())
		settle(time.Hour)
		if b.looked() > 0 {
			t.Error("a stopped worker started")
		}
	})
}

func TestWorkerContextEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, mail := &box{}, &post{name: "mail", answer: hang}
		b.put("mail", notice(1, alarm.Raised))
		w, err := New(b, []Channel{mail}, time.Now, quiet())
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		w.Start(ctx)
		settle(time.Second)
		cancel()
		synctest.Wait()
		select {
		case <-w.done:
		default:
			t.Error("delivery outlived its context")
		}
	})
}

func TestNewRefusesTwins(t *testing.T) {
	if _, err := New(&box{}, []Channel{&post{name: "a"}, &post{name: "a"}}, time.Now, quiet()); err == nil {
		t.Error("two channels of one name were accepted")
	}
}

// TestWorkerEverythingOnce floods three channels while Wake comes from many
// sides: every item is sent exactly once per success.
func TestWorkerEverythingOnce(t *testing.T) {
	b := &box{}
	channels := []*post{{name: "log"}, {name: "mqtt"}, {name: "mail"}}
	w, err := New(b, []Channel{channels[0], channels[1], channels[2]}, time.Now, quiet())
	if err != nil {
		t.Fatal(err)
	}
	w.Start(t.Context())
	const each = 200
	var makers sync.WaitGroup
	for _, c := range channels {
		makers.Go(func() {
			for i := range each {
				n := notice(i, alarm.Raised)
				n.Key = fmt.Sprintf("%s-%04d", c.name, i)
				b.put(c.name, n)
				w.Wake()
			}
		})
	}
	makers.Wait()
	for range 3000 {
		if b.closed() == 3*each {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	if err := w.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, c := range channels {
		got := c.attempts()
		slices.SortFunc(got, cmp.Compare[string])
		if len(got) != each || len(slices.Compact(got)) != each {
			t.Errorf("%s: %d attempts, want %d different ones", c.name, len(got), each)
		}
	}
}
