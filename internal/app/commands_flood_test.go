package app_test

import (
	"fmt"
	"testing"
)

// A flood of commands holds up no reading, and those that were done are done.
func TestCommandFlood(t *testing.T) {
	h := newHouse(t, nil)
	broker := h.opts.Settings.Broker
	h.opts.Settings = ovenSettings(t, "notify: {commands: true}\n")
	h.opts.Settings.Broker = broker
	h.start()
	hotOven(t, h.app.URL(), h.brokerURL())
	c := publisher(t, h.brokerURL())
	got := answers(t, c)
	const flood = 400
	for i := range flood {
		c.Publish(commandTopic, 1, false, fmt.Sprintf(`{"id":"flood-%d","do":"annotate","alarm":"warm/oven","by":"mara","note":"%d"}`, i, i))
	}
	publish(t, c, "rooms/oven/temperature", false, "31.5")
	eventually(t, "the reading behind the flood", func() bool { return h.room("oven").Temperature.Value == 31.5 })
	done := 0
	eventually(t, "an answer to the last of them that was done", func() bool {
		for {
			select {
			case a := <-got:
				if a.Done {
					done++
				}
			default:
				return done > 0 && done == len(ovenHistory(t, h.app.URL()))-1
			}
		}
	})
	if done > flood {
		t.Errorf("%d of %d done", done, flood)
	}
}
