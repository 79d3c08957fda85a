package alarm

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// MaxShelve is the longest that an alarm may be shelved at a time. The standard
// wants shelving to end by itself (ISA-18.2 / IEC 62682, from memory; OPC 10000-9
// section 5.8.17.4 has such a limit as MaxTimeShelved); that it is seven days is
// judgement: a holiday, or the visit of a repairer, not a season. What takes
// longer is taken out of service, with a reason.
const MaxShelve = 7 * 24 * time.Hour

// ErrRefused is wrapped by the errors of operator actions that do not fit the
// state of the alarm; the condition is then unchanged.
var ErrRefused = errors.New("refused")

// annunciate moves the life cycle after the limit layer has moved. Shelving
// that has run out ends here, after the reading that came with it was taken,
// so that an alarm over by then is not raised on its way out.
func (c Condition) annunciate(rose, fell bool, at time.Time) (Condition, []Transition) {
	switch {
	case c.State == Shelved && !at.Before(c.ShelvedUntil):
		return c.resume(at)
	case c.State == Shelved || c.State == OutOfService:
		return c, nil
	case rose:
		return c.raise(at)
	case fell && c.State == ActiveUnacknowledged:
		return c.to(ReturnedUnack, at, Returned)
	case fell:
		return c.to(Normal, at, Returned)
	}
	return c, nil
}

// raise starts a new spell, unacknowledged. What was noted of an earlier one
// does not tell of it, unless the alarm stood aside meanwhile.
func (c Condition) raise(at time.Time) (Condition, []Transition) {
	c.AckBy, c.AckAt, c.AckNote = "", time.Time{}, ""
	if c.State != Shelved && c.State != OutOfService {
		c.Note, c.NoteBy, c.NoteAt = "", "", time.Time{}
	}
	c, moved := c.to(ActiveUnacknowledged, at, Raised)
	c.Spell++
	c.RaisedAt = c.Changed
	return c, moved
}

// resume ends shelving or the time out of service, into what the condition is
// by now.
func (c Condition) resume(at time.Time) (Condition, []Transition) {
	c.ShelvedUntil, c.AsideBy = time.Time{}, ""
	if c.Active {
		return c.raise(at)
	}
	return c.to(Normal, at, "")
}

func (c Condition) to(s State, at time.Time, ev NoticeEvent) (Condition, []Transition) {
	if at.Before(c.Changed) {
		at = c.Changed
	}
	moved := Transition{From: c.State, To: s, At: at, Event: ev}
	c.State, c.Changed = s, at
	return c, []Transition{moved}
}

func (c Condition) refuse(what, why string) error {
	return fmt.Errorf("cannot %s %s: it is %s%s: %w", what, c.Key, c.State, why, ErrRefused)
}

func named(what string, key Key, by string) error {
	if strings.TrimSpace(by) == "" {
		return fmt.Errorf("cannot %s %s without a name: say who does it: %w", what, key, ErrRefused)
	}
	return nil
}

// Acknowledge records that by has seen the alarm: an active one stays active,
// a returned one becomes normal. It is refused without a name and when there
// is nothing to acknowledge.
func (c Condition) Acknowledge(at time.Time, by, note string) (Condition, []Transition, error) {
	if err := named("acknowledge", c.Key, by); err != nil {
		return c, nil, err
	}
	next := ActiveAcknowledged
	switch c.State {
	case ActiveUnacknowledged:
	case ReturnedUnack:
		next = Normal
	case ActiveAcknowledged:
		return c, nil, c.refuse("acknowledge", " by "+c.AckBy+" already")
	default:
		return c, nil, c.refuse("acknowledge", "")
	}
	c, moved := c.to(next, at, "")
	c.AckBy, c.AckAt, c.AckNote = by, c.Changed, note
	return c, moved, nil
}

// Shelve silences the alarm until the given time, at most MaxShelve ahead. It
// goes on following the readings, gives no notice, and comes back by itself.
// Shelving a shelved alarm moves its end.
func (c Condition) Shelve(at, until time.Time, by string) (Condition, []Transition, error) {
	if err := named("shelve", c.Key, by); err != nil {
		return c, nil, err
	}
	if !until.After(at) {
		return c, nil, fmt.Errorf("cannot shelve %s until %s: the end must come after now: %w", c.Key, until.UTC().Format(time.RFC3339), ErrRefused)
	}
	if until.Sub(at) > MaxShelve {
		return c, nil, fmt.Errorf("cannot shelve %s until %s: that is longer than %d days; shelve it again when they are over, or take it out of service: %w",
			c.Key, until.UTC().Format(time.RFC3339), int(MaxShelve.Hours()/24), ErrRefused)
	}
	if c.State == OutOfService {
		return c, nil, c.refuse("shelve", "; return it to service first")
	}
	c.ShelvedUntil, c.AsideBy = until, by
	if c.State == Shelved {
		return c, nil, nil
	}
	c, moved := c.to(Shelved, at, "")
	return c, moved, nil
}

// Unshelve ends shelving before its time. An alarm that is active by then is
// raised anew, unacknowledged.
func (c Condition) Unshelve(at time.Time) (Condition, []Transition, error) {
	if c.State != Shelved {
		return c, nil, c.refuse("unshelve", "")
	}
	c, moved := c.resume(at)
	return c, moved, nil
}

// RemoveFromService silences the alarm with no end, as for a room that is
// being painted.
func (c Condition) RemoveFromService(at time.Time, by string) (Condition, []Transition, error) {
	if err := named("take out of service", c.Key, by); err != nil {
		return c, nil, err
	}
	if c.State == OutOfService {
		return c, nil, c.refuse("take out of service", " already")
	}
	c.ShelvedUntil, c.AsideBy = time.Time{}, by
	c, moved := c.to(OutOfService, at, "")
	return c, moved, nil
}

// ReturnToService undoes RemoveFromService. An alarm that is active by then is
// raised anew, unacknowledged.
func (c Condition) ReturnToService(at time.Time) (Condition, []Transition, error) {
	if c.State != OutOfService {
		return c, nil, c.refuse("return to service", "")
	}
	c, moved := c.resume(at)
	return c, moved, nil
}

// Annotate keeps what a person knows of the alarm, in any state; it is shown in
// its next notices until it is raised anew. An empty text is refused.
func (c Condition) Annotate(at time.Time, by, text string) (Condition, []Transition, error) {
	if err := named("annotate", c.Key, by); err != nil {
		return c, nil, err
	}
	if strings.TrimSpace(text) == "" {
		return c, nil, fmt.Errorf("cannot annotate %s with nothing: say what you know of it: %w", c.Key, ErrRefused)
	}
	c.Note, c.NoteBy, c.NoteAt = text, by, at
	return c, nil, nil
}
