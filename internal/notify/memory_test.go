package notify

import (
	"context"
	"errors"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"dryhold/internal/alarm"
)

// full is an outbox on a disk that can be read and, while it is full, not
// written.
type full struct {
	*box
	is atomic.Bool
}

var errFull = errors.New("disk is full")

func (f *full) Delivered(ctx context.Context, id int64, at time.Time) error {
	if f.is.Load() {
		return errFull
	}
	return f.box.Delivered(ctx, id, at)
}

func (f *full) Failed(ctx context.Context, id int64, at, next time.Time, cause string, permanent bool) error {
	if f.is.Load() {
		return errFull
	}
	return f.box.Failed(ctx, id, at, next, cause, permanent)
}

// What is queued goes out, each notice once, while the outbox cannot note
// that it did; that is noted when it can.
func TestQueuedGoOutOnAFullDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f, mail, log := &full{box: &box{}}, &post{name: "mail"}, &post{name: "log"}
		f.is.Store(true)
		var want []string
		for i := range 3 * batch { // more than one look lists
			f.put("mail", notice(i, alarm.Raised))
			want = append(want, notice(i, alarm.Raised).Key)
		}
		f.put("log", notice(0, alarm.Raised))
		w := run(t, f, mail, log)
		settle(time.Hour)
		if !slices.Equal(mail.attempts(), want) || len(log.attempts()) != 1 || f.closed() != 0 {
			t.Errorf("on a full disk %d of %d mails were sent, %d in the log, %d noted", len(mail.attempts()), len(want), len(log.attempts()), f.closed())
		}
		if w.Status().OutboxError == "" {
			t.Error("the status does not tell of the outbox")
		}
		f.is.Store(false)
		settle(2 * pollFailed)
		if f.closed() != len(want)+1 || len(mail.attempts()) != len(want) || w.Status().OutboxError != "" {
			t.Errorf("with room again: %d noted, %d sent, %+v", f.closed(), len(mail.attempts()), w.Status())
		}
	})
}

// A notice from memory goes to every channel, before what is queued, past an
// outbox that takes nothing, and is tried until the channel takes it; a later
// one of the same alarm waits for it.
func TestNoticeFromMemory(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, log := &box{}, &post{name: "log"}
		mail := &post{name: "mail", answer: away}
		b.fail(errFull)
		w := run(t, b, mail, log)
		first, second := notice(1, alarm.Raised), notice(1, alarm.Returned)
		w.FromMemory(first)
		w.FromMemory(second)
		settle(time.Hour)
		if got := log.attempts(); !slices.Equal(got, []string{first.Key, second.Key}) {
			t.Errorf("the log got %v", got)
		}
		if got := mail.attempts(); len(got) < 5 || slices.Contains(got, second.Key) {
			t.Errorf("mail was tried %v", got)
		}
		if s := w.Status().Channels[1]; s.Waiting != 2 || s.Failures != len(mail.attempts()) {
			t.Errorf("status while mail is away: %+v", s)
		}
		mail.say(nil)
		settle(lastRetry + pollEvery)
		sent := mail.attempts()
		if n := len(sent); sent[n-2] != first.Key || sent[n-1] != second.Key {
			t.Errorf("mail got %v", sent[n-2:])
		}
		settle(time.Hour)
		if s := w.Status().Channels[1]; len(mail.attempts()) != len(sent) || s.Waiting != 0 || s.Failures != 0 {
			t.Errorf("after delivery: %d attempts, %+v", len(mail.attempts()), s)
		}
		mail.say(func(context.Context, alarm.Notice) error { return Permanent(errors.New("no such address")) })
		w.FromMemory(notice(2, alarm.Raised))
		settle(time.Hour)
		if s := w.Status().Channels[1]; s.Refused != 1 || s.Waiting != 0 || len(mail.attempts()) != len(sent)+1 {
			t.Errorf("refused for good: %+v", s)
		}
	})
}

// One that names its channels goes to them alone.
func TestFromMemoryToItsChannels(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log, mail := &post{name: "log"}, &post{name: "mail"}
		w := run(t, &box{}, log, mail)
		n := notice(1, alarm.Raised)
		n.Channels = []string{"mail"}
		w.FromMemory(n)
		settle(time.Hour)
		if len(log.attempts()) != 0 || len(mail.attempts()) != 1 {
			t.Errorf("the log got %v, mail %v", log.attempts(), mail.attempts())
		}
	})
}
