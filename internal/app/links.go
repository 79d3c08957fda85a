package app

import (
	"context"
	"fmt"
	"slices"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/secret"
	"dryhold/internal/web"
)

const (
	// linkLife is how long a link in a notice is good (judgement): a week away
	// from home, and no old mail that still acts.
	linkLife = 7 * 24 * time.Hour
	// linkShelves is for how long a link shelves, from when it is followed.
	linkShelves = 24 * time.Hour
	// mostLinked is how many alarms of one message have links of their own.
	mostLinked = 6
)

// startLinks gets the key of the links, where there are any.
func (a *App) startLinks(ctx context.Context) (_ func(context.Context) error, err error) {
	if a.opts.Settings.HTTP.PublicURL != "" {
		a.linkKey, err = a.store.OwnKey(ctx, "links", a.now())
	}
	return nil, err
}

// linked gives a message for a person the links by which its alarms, as they
// now are, can be acknowledged and shelved.
func (w *writer) linked(n alarm.Notice) alarm.Notice {
	base := w.opts.Settings.HTTP.PublicURL
	if base == "" || len(n.Items) == 0 {
		return n
	}
	n.Links = nil
	add := func(c alarm.Condition, do, text string) {
		l := secret.Link{Alarm: c.Key, Spell: c.SpellKey(), Do: do, To: n.To, Until: n.At.Add(linkLife).UTC().Truncate(time.Second)}
		n.Links = append(n.Links, alarm.Link{Text: text + " " + c.Key.String(), URL: base + web.LinkPath + l.Token(w.linkKey)})
	}
	for _, item := range n.Items[:min(mostLinked, len(n.Items))] {
		switch c := w.engine.Condition(item.Key); c.State {
		case alarm.ActiveUnacknowledged:
			add(c, alarm.ActAcknowledge, "Acknowledge")
			if len(n.Items) <= mostLinked/2 {
				add(c, alarm.ActShelve, "Shelve for a day")
			}
		case alarm.ReturnedUnack:
			add(c, alarm.ActAcknowledge, "Acknowledge")
		}
	}
	n.Links = append(n.Links, alarm.Link{Text: "All alarms, for who is logged in", URL: base + "/alarms"})
	return n
}

// readLink reads a token that is still good: whole, in its time, and not used
// yet. The error wraps lot.ErrNotFound or lot.ErrInvalid.
func (a *App) readLink(ctx context.Context, token string) (secret.Link, error) {
	if len(a.linkKey) == 0 {
		return secret.Link{}, lot.NotFound("no links are in use here")
	}
	l, err := secret.ReadLink(a.linkKey, token)
	if err != nil {
		return l, lot.NotFound("%v", err)
	}
	if done, found, err := a.store.Done(ctx, secret.LinkID(token)); err != nil {
		return l, err
	} else if found {
		return l, &doneError{done, a.opts.Settings.Zone}
	}
	if a.now().After(l.Until) {
		return l, lot.Invalid("this link was good until %s; log in to act on the alarm", a.local(l.Until))
	}
	return l, nil
}

func (a *App) local(t time.Time) string { return localTime(t, a.opts.Settings.Zone) }

func localTime(t time.Time, zone *time.Location) string {
	if zone == nil {
		zone = time.UTC
	}
	return t.In(zone).Format("Mon 2 Jan 2006 15:04 MST")
}

// Link implements web.Linker.
func (a *App) Link(ctx context.Context, token string) (web.LinkView, error) {
	l, err := a.readLink(ctx, token)
	if err != nil {
		return web.LinkView{}, err
	}
	v := web.LinkView{Do: l.Do, Key: l.Alarm, To: l.To, Until: l.Until, State: alarm.Normal, Shelves: linkShelves}
	if s := a.Snapshot(); s != nil {
		i := slices.IndexFunc(s.Alarms, func(x engine.AlarmView) bool { return x.Key == l.Alarm && x.Spell == l.Spell })
		if i >= 0 {
			v.State, v.Text = s.Alarms[i].State, s.Alarms[i].Text
		}
	}
	return v, nil
}

// FollowLink implements web.Linker.
func (a *App) FollowLink(ctx context.Context, token, by, note string) error {
	l, err := a.readLink(ctx, token)
	if err != nil {
		return err
	}
	if by == "" {
		by = fmt.Sprintf("%s (by link)", l.To)
	}
	op := engine.Operation{Do: l.Do, Key: l.Alarm, By: by, Note: note, Spell: l.Spell}
	if l.Do == alarm.ActShelve {
		op.Until = a.now().UTC().Add(linkShelves).Truncate(time.Second)
	}
	return a.operate(ctx, operation{Operation: op, once: secret.LinkID(token)})
}
