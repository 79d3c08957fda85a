package replay

import (
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
)

// Log is what was raised, and told to people, in a stretch of time.
type Log struct {
	From, To time.Time
	Readings int
	// Stood are the alarms that stood at From already.
	Stood []alarm.Condition
	// Alarms are the transitions of alarms, in order.
	Alarms []alarm.Event
	// Messages are those to people.
	Messages []alarm.Notice
}

func (l *Log) take(fx engine.Effects) {
	l.Alarms = append(l.Alarms, fx.Transitions...)
	for _, n := range fx.Notices {
		if n.To != "" { // else for machines, which get what Alarms holds
			l.Messages = append(l.Messages, n)
		}
	}
}

// active reports whether a state is one in which an alarm stands and is shown
// as such.
func active(s alarm.State) bool {
	return s == alarm.ActiveUnacknowledged || s == alarm.ActiveAcknowledged
}

// raised reports whether an event is a raise.
func raised(e alarm.Event) bool { return e.To == alarm.ActiveUnacknowledged }
