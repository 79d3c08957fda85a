package app_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"dryhold/internal/alarm"
	"dryhold/internal/wire"
)

const commandTopic, answerTopic = "dryhold/alarms/command", "dryhold/alarms/answer"

// answers subscribes to the answers to commands.
func answers(t *testing.T, c mqtt.Client) chan wire.CommandAnswer {
	t.Helper()
	out := make(chan wire.CommandAnswer, 100)
	token := c.Subscribe(answerTopic, 1, func(_ mqtt.Client, m mqtt.Message) {
		var a wire.CommandAnswer
		if err := json.Unmarshal(m.Payload(), &a); err != nil {
			t.Errorf("an answer that cannot be read: %v", err)
		}
		out <- a
	})
	if token.Wait() && token.Error() != nil {
		t.Fatal(token.Error())
	}
	return out
}

// A command over MQTT is done once however often it comes, and answered each
// time; one that is retained, wrong or refused does nothing and is told why.
func TestCommands(t *testing.T) {
	houses(t, func(t *testing.T, h *house) {
		broker := h.opts.Settings.Broker
		h.opts.Settings = ovenSettings(t, "notify: {commands: true}\n")
		h.opts.Settings.Broker = broker
		h.start()
		page := h.app.URL()
		c := publisher(t, h.brokerURL())
		got := answers(t, c)
		send := func(retained bool, payload, id string, done bool, text string) {
			t.Helper()
			publish(t, c, commandTopic, retained, payload)
			for late := true; late; {
				var a wire.CommandAnswer
				select {
				case a = <-got:
				case <-time.After(time.Minute):
					t.Fatalf("%s is not answered", payload)
				}
				// That of the command kept for new subscribers comes when it will.
				if late = strings.HasPrefix(a.Text, "a retained command"); late {
					continue
				}
				if a.ID != id || a.Done != done || !strings.Contains(a.Text, text) || a.At.IsZero() {
					t.Errorf("%s is answered %+v, want %v with %q", payload, a, done, text)
				}
			}
		}
		command := func(id, do, more string) string {
			return fmt.Sprintf(`{"id":%q,"do":%q,"alarm":"warm/oven","by":"mara"%s}`, id, do, more)
		}
		state := func(want alarm.State) {
			t.Helper()
			if a := ovenAlarm(t, page); a.State != want && (want != alarm.Normal || a.State != "") {
				t.Errorf("the alarm is %q, want %q", a.State, want)
			}
		}
		send(false, command("0", "acknowledge", ""), "0", false, "no alarm condition warm/oven")
		hotOven(t, page, h.brokerURL())
		send(false, command("1", "shelve", `,"for":"1h","note":"painters"`), "1", true, "warm/oven is shelved until")
		state(alarm.Shelved)
		if a := ovenAlarm(t, page); a.AsideBy != "mara (over MQTT)" || a.Note != "painters" {
			t.Errorf("shelved: %+v", a)
		}
		send(false, command("2", "unshelve", ""), "2", true, "taken from the shelf")
		state(alarm.ActiveUnacknowledged)
		send(false, command("1", "shelve", `,"for":"1h"`), "1", false, "it was done already")
		state(alarm.ActiveUnacknowledged)
		send(false, command("3", "shelve", `,"for":"9d"`), "3", false, "longer than an alarm may be shelved")
		send(false, command("4", "unshelve", ""), "4", false, "cannot unshelve")
		send(false, `{"id":"5"`, "", false, "not the JSON expected")
		send(false, command("0", "acknowledge", ""), "0", true, "acknowledged") // refused before, so not used up
		state(alarm.ActiveAcknowledged)
		// Kept for new subscribers, it comes at each start.
		publish(t, c, commandTopic, true, command("6", "out-of-service", `,"note":"painting"`))
		if a := <-got; !a.Done { // as it was published it is a command like any other
			t.Errorf("answered %+v", a)
		}
		send(false, command("7", "return-to-service", ""), "7", true, "returned to service")
		h.restart()
		page = h.app.URL()
		c = publisher(t, h.brokerURL())
		got = answers(t, c)
		send(false, command("8", "annotate", `,"note":"compressor failed"`), "8", true, "annotated")
		state(alarm.ActiveUnacknowledged)
		publish(t, c, commandTopic, true, "")
	})
}

// Unless the configuration says so there are no commands, and the embedded
// broker lets nobody publish on their topic.
func TestCommandsAreOff(t *testing.T) {
	houses(t, func(t *testing.T, h *house) {
		broker := h.opts.Settings.Broker
		h.opts.Settings = ovenSettings(t, "")
		h.opts.Settings.Broker = broker
		h.start()
		hotOven(t, h.app.URL(), h.brokerURL())
		c := publisher(t, h.brokerURL())
		publish(t, c, commandTopic, false, `{"id":"1","do":"acknowledge","alarm":"warm/oven","by":"mara"}`)
		publish(t, c, "rooms/oven/temperature", false, "31.5") // behind it
		eventually(t, "the reading", func() bool { return h.room("oven").Temperature.Value == 31.5 })
		if got := ovenHistory(t, h.app.URL()); len(got) != 1 {
			t.Errorf("a command was obeyed: %q", got)
		}
	})
}
