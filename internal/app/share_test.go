package app_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"dryhold/internal/intake/mosquittotest"
	"dryhold/internal/unit"
)

// Two daemons of a group get each reading once between them. What is dealt to
// one that is away waits in its session, and the other does not get it. Both say
// that they see a part. What the broker keeps for new subscribers mosquitto
// 2.0.11 gives to every member, where MQTT 5 (section 4.8.2) has it given to
// none: without a time of its own it counts nowhere.
func TestShare(t *testing.T) {
	const n = 400
	m := mosquittotest.Start(t)
	publish(t, publisher(t, m.URL), "rooms/loft/temperature", true, "21") // kept by the broker
	var members [2]*house
	for i := range members {
		h := newHouse(t, m)
		b := &h.opts.Settings.Broker
		h.opts.Settings.Site, b.ClientID, b.Root, b.Share = fmt.Sprintf("recorder-%d", i), fmt.Sprintf("recorder-%d", i), fmt.Sprintf("dryhold/recorder-%d", i), "recorders"
		members[i] = h.start()
		if got := h.check("share"); !strings.HasPrefix(got, "false") || !strings.Contains(got, `"recorders"`) {
			t.Errorf("health says %s", got)
		}
	}
	c, began := publisher(t, m.URL), time.Now().Add(-time.Hour).Truncate(time.Second)
	sent := 0
	send := func(count int) {
		t.Helper()
		for range count {
			at := began.Add(time.Duration(sent) * time.Second)
			publish(t, c, "rooms/cellar", false, fmt.Sprintf(`{"temperature":%.2f,"time":%q}`, 10+float64(sent)/100, at.Format(time.RFC3339)))
			sent++
		}
	}
	stored := func(h *house) int { return int(h.app.Snapshot().Intake.Stored) }
	send(n)
	within(t, time.Minute, "all readings", func() bool { return stored(members[0])+stored(members[1]) == n })
	if stored(members[0]) == 0 || stored(members[1]) == 0 {
		t.Errorf("%d and %d readings: nothing was shared", stored(members[0]), stored(members[1]))
	}
	first := [2]int{stored(members[0]), stored(members[1])}
	members[1].stop()
	send(n)
	members[1].start()
	within(t, time.Minute, "what was dealt out meanwhile", func() bool { return stored(members[0])+first[1]+stored(members[1]) == 2*n })
	t.Logf("%d readings dealt out as %d and %d; of %d more while one was away %d waited for it", n, first[0], first[1], n, stored(members[1]))
	if stored(members[1]) == 0 {
		t.Error("mosquitto dealt nothing to the member that was away: the documentation says that it does")
	}

	// Between them they have each reading once.
	for _, h := range members {
		h.stop()
	}
	seen := map[int64]int{}
	for _, h := range members {
		for _, r := range onDisk(t, h.opts.DataDir, "cellar") {
			if r.Quantity == unit.Temperature {
				seen[r.At.Unix()]++
			}
		}
	}
	for i := range sent {
		if at := began.Add(time.Duration(i) * time.Second).Unix(); seen[at] != 1 {
			t.Fatalf("reading %d of %d is there %d times", i, sent, seen[at])
		}
	}
}
