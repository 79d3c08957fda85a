package app

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/dispatch"
	"dryhold/internal/lot"
	"dryhold/internal/nearest"
	"dryhold/internal/room"
	"dryhold/internal/store"
	"dryhold/internal/web"
)

// Notices implements web.Noticer.
func (a *App) Notices(ctx context.Context, f web.NoticeFilter, limit int) ([]web.NoticeView, error) {
	logged, err := a.store.Notices(ctx, store.NoticeFilter{Key: f.Key, Undelivered: f.Undelivered}, limit)
	if err != nil {
		return nil, err
	}
	out := make([]web.NoticeView, 0, len(logged))
	for _, l := range logged {
		n := web.NoticeView{
			Key: l.Notice.Key, Channel: l.Channel, To: l.Notice.To, Event: l.Notice.Event, Subject: l.Notice.Subject,
			State: web.NoticeWaiting, Queued: l.Queued, Delivered: l.Delivered, Refused: l.Refused, Attempts: l.Attempts, Cause: l.Cause,
		}
		switch {
		case !l.Delivered.IsZero():
			n.State = web.NoticeDelivered
		case !l.Refused.IsZero():
			n.State = web.NoticeRefused
		default:
			n.Due = l.Due
		}
		if f.Key != "" {
			n.Body = l.Notice.Body
		}
		out = append(out, n)
	}
	return out, nil
}

// TestNotice implements web.Noticer. The notice takes the way of every other:
// by the outbox, whose row tells what became of it.
func (a *App) TestNotice(ctx context.Context, t web.TestNotice) (key string, err error) {
	channels, err := a.tested(t)
	if err != nil {
		return "", err
	}
	err = a.submit(ctx, &edit{work: func(w *writer) error {
		now := w.clock.judging().UTC().Truncate(time.Millisecond)
		n := testNotice(w.opts.Settings.Site, t, channels, now, w.opts.Settings.Zone)
		key = n.Key
		answer, err := w.answer(web.TestQueued{Key: key}, now)
		if err != nil {
			return err
		}
		// Not with what is pending: it may be what cannot be stored.
		err = w.store.Commit(w.armed(context.Background()), store.Batch{}, nil, now, func([]room.Reading) (store.Outcome, error) {
			return store.Outcome{Notices: []alarm.Notice{n}, Answer: answer}, nil
		})
		if err != nil {
			cause, remedy := store.Explain(err)
			return lot.NotNow("cannot queue the test notice now, because %s: to mend it, %s", cause, remedy)
		}
		w.worker.Wake()
		return nil
	}})
	return key, err
}

// tested lists the channels of a test.
func (a *App) tested(t web.TestNotice) ([]string, error) {
	var all []string
	for _, c := range a.worker.Status().Channels {
		all = append(all, c.Channel)
	}
	people := a.opts.Settings.People()
	switch {
	case t.Channel != "":
		if !slices.Contains(all, t.Channel) {
			return nil, lot.Invalid("unknown channel %q%s", t.Channel, nearest.Hint(t.Channel, all))
		}
		return []string{t.Channel}, nil
	case t.To != "":
		i := slices.IndexFunc(people, func(r dispatch.Recipient) bool { return r.Name == t.To })
		if i < 0 {
			var names []string
			for _, r := range people {
				names = append(names, r.Name)
			}
			return nil, lot.Invalid("unknown recipient %q%s", t.To, nearest.Hint(t.To, names))
		}
		return people[i].Channels, nil
	}
	ways := a.opts.Settings.Ways()
	if len(ways) == 0 {
		return nil, lot.Invalid("there is no way to people yet: set the account mail or notify.channels in the configuration, or name the channel: %s", strings.Join(all, ", "))
	}
	return ways, nil
}

// testNotice is the text of a test.
func testNotice(site string, t web.TestNotice, channels []string, at time.Time, zone *time.Location) alarm.Notice {
	if zone == nil {
		zone = time.UTC
	}
	by := t.By
	if by == "" {
		by = "somebody"
	}
	return alarm.Notice{
		Key: "test/" + at.Format("20060102T150405.000Z"), To: t.To, Channels: channels, Event: alarm.Test, Priority: alarm.Low,
		Site: site, At: at, Since: at, Costs: []alarm.LotCost{},
		Subject: "Test: a notice of dryhold reaches you",
		Body: fmt.Sprintf("This is a test of the way to you from dryhold at\n%s. It is no alarm.\n\nAsked for by %s, %s.\n\nWhat to do now: nothing. If it came late, or to the wrong place, look after\nthe channel.\n",
			site, by, at.In(zone).Format("Mon 2 Jan 2006 15:04 MST")),
	}
}
