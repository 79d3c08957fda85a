package app

import (
	"context"
	"encoding/json"
	"errors"
	"time"

	"dryhold/internal/audit"
	"dryhold/internal/engine"
	"dryhold/internal/intake"
	"dryhold/internal/wire"
)

// Topics of commands and of their answers. Whoever may publish on the first
// may act on alarms, under any name: it is there only where the configuration
// says so.
func (a *App) commandTopic() string { return a.opts.Settings.Broker.Topic("alarms/command") }
func (a *App) answerTopic() string  { return a.opts.Settings.Broker.Topic("alarms/answer") }

// errRetained is a command that the broker kept for new subscribers.
var errRetained = errors.New("a retained command is not obeyed, since nobody knows how old it is: publish it without the retain flag, and clear the topic")

const (
	// commandsWaiting bounds the commands that wait for those before them.
	commandsWaiting = 16
	// answerWithin bounds the publication of an answer.
	answerWithin = 10 * time.Second
)

// command hands a command on, off the goroutine that takes readings in. One
// too many is refused: readings must not wait for it. Of a flood not every one
// is told so.
func (a *App) command(d intake.Delivery) {
	select {
	case a.commands <- d:
	default:
		c, _ := wire.ParseCommand(d.Payload, d.ReceivedAt)
		if a.refusing.CompareAndSwap(false, true) {
			go func() {
				defer a.refusing.Store(false)
				a.answer(c.ID, false, "too many commands at once: send it again in a moment")
			}()
		}
		d.Ack()
	}
}

// startCommands takes commands one after the other.
func (a *App) startCommands(context.Context) (func(context.Context) error, error) {
	if !a.opts.Settings.Notify.Commands {
		return nil, nil
	}
	return beside(a.armed(context.Background()), func(ctx context.Context) {
		for {
			select {
			case d := <-a.commands:
				a.obey(ctx, d)
			case <-ctx.Done():
				return
			}
		}
	}), nil
}

// obey does one command and answers it. It is acknowledged to the broker when
// it is on disk or refused for good; where the daemon stops in between it
// comes again, and is found done.
func (a *App) obey(ctx context.Context, d intake.Delivery) {
	c, err := wire.ParseCommand(d.Payload, a.now())
	text := ""
	switch {
	case d.Retained: // of who knows when
		err = errRetained
	case err == nil:
		by := c.By + " (over MQTT)"
		err = a.operate(ctx, operation{
			Operation: engine.Operation{Do: c.Do, Key: c.Alarm, By: by, Note: c.Note, Until: c.Until}, once: "command/" + c.ID,
		})
		text = c.Alarm.String() + " is " + audit.AlarmWords(c.Do, c.Until)
	}
	if ctx.Err() != nil {
		return // not acknowledged, so it comes again
	}
	if err != nil {
		text = err.Error()
		a.logOf("commands").Warn("a command over MQTT is refused", "id", c.ID, "why", err)
	}
	a.answer(c.ID, err == nil, text)
	d.Ack()
}

// answer tells the sender. One that is lost is no harm: the command may be
// sent again under its id.
func (a *App) answer(id string, done bool, text string) {
	body, err := json.Marshal(wire.CommandAnswer{ID: id, Done: done, At: a.now().UTC(), Text: text})
	if err == nil {
		ctx, cancel := context.WithTimeout(context.Background(), answerWithin)
		defer cancel()
		err = a.client.Publish(ctx, a.answerTopic(), 1, false, body)
	}
	if err != nil {
		a.logOf("commands").Warn("the answer to a command is lost", "id", id, "error", err)
	}
}
