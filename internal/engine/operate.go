package engine

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
	"dryhold/internal/nearest"
)

// Operation is what a person does to an alarm.
type Operation struct {
	// Do is one of alarm.Acts.
	Do  string
	Key alarm.Key
	// By is who does it, Note why or what was found.
	By, Note string
	// Until is the end of shelving; zero for other acts.
	Until time.Time
	// Spell, if set, is the only spell of the alarm that it may be done to, as
	// Condition.SpellKey names it.
	Spell string
}

// Condition is an alarm condition as it stands; zero when there is none of the
// key.
func (e *Engine) Condition(key alarm.Key) alarm.Condition {
	if c := e.kept(key); c != nil {
		return *c
	}
	return alarm.Condition{}
}

// Conditions gives every alarm condition there is, those that are normal too,
// sorted by key.
func (e *Engine) Conditions() []alarm.Condition {
	all := slices.Clone(e.conditions)
	for _, rs := range e.rooms {
		all = append(all, rs.conditions...)
	}
	slices.SortFunc(all, func(a, b alarm.Condition) int { return strings.Compare(a.Key.String(), b.Key.String()) })
	return all
}

// Rule is that of a condition.
func (e *Engine) Rule(k alarm.Key) alarm.Rule { return e.ruleOf(k) }

// Restore sets a condition back to what Condition gave, where what was done to
// it since could not be stored.
func (e *Engine) Restore(c alarm.Condition) {
	if c != (alarm.Condition{}) {
		*e.condition(c.Key) = c
	}
}

// Operate does what a person wants done to an alarm. The effects hold what was
// done as events, with the name of the person, and the notice of an alarm that
// comes back. The error wraps lot.ErrNotFound or lot.ErrInvalid, and then
// nothing has changed.
func (e *Engine) Operate(now time.Time, op Operation) (Effects, error) {
	var fx Effects
	c := e.kept(op.Key)
	if c == nil {
		return fx, lot.NotFound("no alarm condition %s%s", op.Key, e.nearestCondition(op.Key))
	}
	if strings.TrimSpace(op.By) == "" {
		return fx, lot.Invalid("cannot %s %s without a name: say who does it", op.Do, op.Key)
	}
	if op.Spell != "" && op.Spell != c.SpellKey() {
		return fx, lot.Invalid("the alarm %s that this is for is over, and another one has come since; it is %s now", op.Key, c.State)
	}
	next, ts, err := perform(*c, now, op)
	if err != nil {
		return fx, lot.Invalid("%v", err)
	}
	fx.note(c, next, ts)
	if len(ts) == 0 {
		fx.Transitions = []alarm.Event{next.Event(alarm.Transition{From: next.State, To: next.State, At: now})}
	}
	for i := range fx.Transitions {
		ev := &fx.Transitions[i]
		ev.Do, ev.By, ev.Note, ev.Until = op.Do, op.By, op.Note, op.Until
	}
	e.compose(&fx)
	return fx, nil
}

// nearestCondition is the end of a message about a condition that is not there.
func (e *Engine) nearestCondition(key alarm.Key) string {
	var keys []string
	for _, c := range e.Conditions() {
		keys = append(keys, c.Key.String())
	}
	if name := nearest.Name(key.String(), keys); name != "" {
		return fmt.Sprintf(": did you mean %q?", name)
	}
	return ": `dryhold alarms list --all` lists those that are watched"
}

// perform is the operation on the state machine. Why an alarm is set aside is
// shown with it like any other note.
func perform(c alarm.Condition, now time.Time, op Operation) (next alarm.Condition, ts []alarm.Transition, err error) {
	switch op.Do {
	case alarm.ActAcknowledge:
		return c.Acknowledge(now, op.By, op.Note)
	case alarm.ActShelve:
		next, ts, err = c.Shelve(now, op.Until, op.By)
	case alarm.ActUnshelve:
		next, ts, err = c.Unshelve(now)
	case alarm.ActOutOfService:
		if op.Note == "" {
			return c, nil, fmt.Errorf("cannot take %s out of service without a reason: it has no end, and whoever finds it must know why", op.Key)
		}
		next, ts, err = c.RemoveFromService(now, op.By)
	case alarm.ActReturn:
		next, ts, err = c.ReturnToService(now)
	case alarm.ActAnnotate:
		return c.Annotate(now, op.By, op.Note)
	default:
		return c, nil, fmt.Errorf("cannot %q an alarm%s", op.Do, nearest.Hint(op.Do, alarm.Acts()))
	}
	if err == nil && op.Note != "" {
		next, _, err = next.Annotate(now, op.By, op.Note)
	}
	return next, ts, err
}
