// Package notify brings notices to machines, by the log and an MQTT topic, and
// to people, by mail, webhook and push. Delivery is at least once: a notice
// stays in a durable outbox, one item per channel, until its channel took it or
// refused it for good. A repeat has the same notice key and can be recognised by
// it. Of one alarm a channel gets notices in the order they were made. Beside
// that it pings, by which somebody elsewhere knows that the daemon lives.
package notify

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"

	"dryhold/internal/alarm"
)

// Channel is one way to the keeper. Send must return soon after ctx ends, and
// must be safe to repeat with the same notice. An error says that the notice
// may not have arrived; see Permanent.
type Channel interface {
	Name() string // as in Item.Channel; the same for the life of the store
	Send(ctx context.Context, n alarm.Notice) error
}

// permanentError is a failure that trying again will not mend.
type permanentError struct{ err error }

func (e permanentError) Error() string { return e.err.Error() }
func (e permanentError) Unwrap() error { return e.err }

// Permanent marks an error as a refusal that trying again will not mend. Nil
// stays nil.
func Permanent(err error) error {
	if err == nil {
		return nil
	}
	return permanentError{err}
}

// IsPermanent reports whether err, or one it wraps, was marked by Permanent.
func IsPermanent(err error) bool { return errors.As(err, new(permanentError)) }

// Log is the channel "log": each notice is one structured line, a raised
// alarm as a warning. It never fails.
type Log struct{ log *slog.Logger }

// NewLog is the channel that writes to log.
func NewLog(log *slog.Logger) *Log { return &Log{log} }

// Name is "log".
func (*Log) Name() string { return "log" }

// Send writes the notice. The body stays out: a log is read by the line.
func (l *Log) Send(ctx context.Context, n alarm.Notice) error {
	level := slog.LevelInfo
	if n.Event == alarm.Raised {
		level = slog.LevelWarn
	}
	lost := 0.0
	for _, k := range n.Costs {
		lost = max(lost, k.Days)
	}
	l.log.Log(ctx, level, n.Subject, "notice", n.Key, "event", n.Event, "alarm", n.Alarm.String(),
		"priority", n.Priority.String(), "at", n.At, "since", n.Since,
		"lots", len(n.Costs), "most_days_of_life_lost", lost)
	return nil
}

// Publish hands a payload to the broker and returns when the broker has taken
// it. It is given by the package that owns the connection.
type Publish func(ctx context.Context, topic string, payload []byte) error

// MQTT is the channel "mqtt": each notice is published as JSON on one topic.
type MQTT struct {
	topic   string
	publish Publish
}

// NewMQTT is the channel that publishes on topic.
func NewMQTT(topic string, publish Publish) *MQTT { return &MQTT{topic, publish} }

// Name is "mqtt".
func (*MQTT) Name() string { return "mqtt" }

// Send publishes the notice.
func (m *MQTT) Send(ctx context.Context, n alarm.Notice) error {
	payload, err := json.Marshal(n)
	if err != nil {
		return Permanent(fmt.Errorf("cannot write notice %s as JSON: %w", n.Key, err))
	}
	if err := m.publish(ctx, m.topic, payload); err != nil {
		return fmt.Errorf("cannot publish notice %s on %s: %w", n.Key, m.topic, err)
	}
	return nil
}
