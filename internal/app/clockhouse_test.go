package app_test

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // the zones of the tests, wherever they run

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// clocked is a house whose clocks the test sets, with its keeper.
func clocked(t *testing.T, wall, built time.Time) (*house, *watches, *keeper) {
	t.Helper()
	h, w, k := newHouse(t, nil), &watches{wall: wall}, &keeper{}
	h.opts.Now, h.opts.Channels = w.Now, append(h.opts.Channels, k)
	h.opts = h.opts.Clocks(w.Mono, built)
	return h, w, k
}

func (h *house) check(code string) string {
	h.t.Helper()
	for _, c := range h.status().Health.Checks {
		if c.Code == code {
			return fmt.Sprintf("%t %s", c.OK, c.Text)
		}
	}
	h.t.Fatalf("no check %s", code)
	return ""
}

// offsets lists when the temperatures on disk of a room were, as offsets.
func offsets(t *testing.T, dir, name string, from time.Time) (out []time.Duration) {
	t.Helper()
	for _, r := range onDisk(t, dir, name) {
		out = append(out, r.At.Sub(from))
	}
	return out
}

// A board without a clock: it boots in 1970, or at the time it was shut down,
// and a time server sets it later. Until then nothing is stored, judged or
// changed; what came meanwhile then gets its true time.
func TestBootWithoutAClock(t *testing.T) {
	noon := time.Date(2031, 7, 12, 12, 0, 0, 0, time.UTC)
	f := func(name string, boot time.Time, why string) {
		t.Run(name, func(t *testing.T) {
			t.Parallel() // it mostly waits
			h, w, k := clocked(t, noon, noon.AddDate(-1, 0, 0))
			h.start()
			c := publisher(t, h.brokerURL())
			publish(t, c, "rooms/cellar/temperature", false, "12")
			publish(t, c, "rooms/loft", false, `{"temperature":20,"time":"2031-07-12T12:00:00Z"}`)
			eventually(t, "readings stored", func() bool { return h.status().Snapshot.Intake.Stored == 2 })
			h.stop()

			w.run(0)
			w.set(boot)
			h.start()
			c = publisher(t, h.brokerURL())
			right := noon.Add(8 * time.Hour) // the true time of the boot
			publish(t, c, "rooms/cellar/temperature", false, "13")
			publish(t, c, "rooms/loft", false, fmt.Sprintf(`{"temperature":21,"time":%q}`, right.Format(time.RFC3339)))
			eventually(t, "the messages to wait", func() bool { return strings.Contains(h.check("clock"), "2 messages wait") })
			if got := h.check("clock"); !strings.HasPrefix(got, "false clock not trusted: it says ") || !strings.Contains(got, why) || h.healthy() {
				t.Errorf("health says %s", got)
			}
			if code, answer := h.post("/api/v1/lots", lotOf("cellar")); code != http.StatusServiceUnavailable || !strings.Contains(answer, "clock not trusted") {
				t.Errorf("an edit is answered with %d %s", code, answer)
			}
			if _, page := get(t, h.app.URL()+"/"); !strings.Contains(page, "12.0 °C") {
				t.Error("the page does not show the last reading")
			}
			w.run(time.Minute)
			publish(t, c, "rooms/cellar/temperature", false, "14")
			eventually(t, "the third message to wait", func() bool { return strings.Contains(h.check("clock"), "3 messages wait") })
			if n := h.status().Snapshot.Intake.Messages; n != 0 {
				t.Errorf("%d messages are taken", n)
			}

			w.run(30 * time.Second)
			w.set(right.Add(90 * time.Second))
			eventually(t, "the messages taken", func() bool { return h.status().Snapshot.Intake.Stored == 3 })
			eventually(t, "green health", h.healthy)
			w.run(59 * time.Minute)
			publish(t, c, "rooms/cellar/temperature", false, "15")
			eventually(t, "one more", func() bool { return h.status().Snapshot.Intake.Stored == 4 })
			w.run(2 * time.Minute) // now the loft had its hour to speak
			eventually(t, "the loft silent in truth", func() bool { return len(k.of(alarm.Silent)) > 0 })
			h.stop()
			if got := k.of(alarm.Silent); !slices.Equal(got, []string{"raised"}) || !strings.Contains(k.text(alarm.Silent), "Loft: sensor loft silent") {
				t.Errorf("notices of silence: %v %s", got, k.text(alarm.Silent))
			}
			want := []time.Duration{0, 8 * time.Hour, 8*time.Hour + time.Minute, 9*time.Hour + 30*time.Second}
			if d := cmp.Diff(want, offsets(t, h.opts.DataDir, "cellar", noon)); d != "" {
				t.Errorf("times of the cellar (-want +got):\n%s", d)
			}
			if d := cmp.Diff([]time.Duration{0, 8 * time.Hour}, offsets(t, h.opts.DataDir, "loft", noon)); d != "" {
				t.Errorf("times of the loft (-want +got):\n%s", d)
			}
		})
	}
	f("in 1970", time.Unix(20, 0), "before this dryhold was made")
	f("at an earlier time", noon.Add(-10*time.Hour), "before the newest reading or change that is stored (2031-07-12 12:00:00 UTC)")
}

// The clock is set while dryhold runs: forward no sensor is silent by that
// alone, back nothing that happened is undone, and readings get the time that
// the clock shows.
func TestClockSetWhileRunning(t *testing.T) {
	noon := time.Date(2031, 7, 12, 12, 0, 0, 0, time.UTC)
	h, w, k := clocked(t, noon, time.Time{})
	h.start()
	c := publisher(t, h.brokerURL())
	sent := uint64(0)
	send := func(name string, celsius float64) {
		t.Helper()
		publish(t, c, "rooms/"+name+"/temperature", false, fmt.Sprint(celsius))
		sent++
		eventually(t, "the reading stored", func() bool { return h.status().Snapshot.Intake.Stored == sent })
	}
	step := func(by time.Duration) {
		t.Helper()
		w.set(w.Now().Add(by))
		eventually(t, "the step to be seen", func() bool { return strings.Contains(h.check("clock"), "set by "+by.String()) })
	}
	send("cellar", 12)
	send("loft", 20)
	w.run(10 * time.Minute)
	step(3 * time.Hour)
	send("cellar", 12.5) // noon + 3:10
	w.run(45 * time.Minute)
	send("cellar", 13) // noon + 3:55
	if got := k.of(alarm.Silent); len(got) != 0 {
		t.Errorf("after a step forward: notices of silence %v", got)
	}
	w.run(10 * time.Minute) // noon + 4:05, and 65 min since the loft spoke
	eventually(t, "the loft silent in truth", func() bool { return len(k.of(alarm.Silent)) == 1 })

	alarms := h.status().Snapshot.Alarms
	w.set(w.Now().Add(-time.Hour)) // noon + 3:05
	eventually(t, "the clock not to be trusted", func() bool { return !h.healthy() })
	publish(t, c, "rooms/cellar/temperature", false, "14")
	sent++
	eventually(t, "the message to wait", func() bool { return strings.Contains(h.check("clock"), "1 messages wait") })
	w.run(10 * time.Minute)
	if n := h.status().Snapshot.Intake.Stored; n != sent-1 {
		t.Errorf("%d readings are stored, want %d", n, sent-1)
	}
	w.run(6 * time.Minute) // it stays so: the clock was set for good
	eventually(t, "the message taken", func() bool { return h.status().Snapshot.Intake.Stored == sent })
	if got := h.check("clock"); !strings.HasPrefix(got, "false it says 2031-07-12 15:21:00 UTC, and readings or changes are stored up to 2031-07-12 16:05:00 UTC") {
		t.Errorf("health says %s", got)
	}
	if d := cmp.Diff(alarms, h.status().Snapshot.Alarms); d != "" {
		t.Errorf("the step back changed alarms (-before +after):\n%s", d)
	}
	w.run(50 * time.Minute)
	eventually(t, "green health", h.healthy)
	send("cellar", 15)
	live := h.room("cellar")
	h.restart()
	if d := cmp.Diff(live, h.room("cellar")); d != "" {
		t.Errorf("after a restart (-before +after):\n%s", d)
	}
	if got := k.of(alarm.Silent); !slices.Equal(got, []string{"raised"}) {
		t.Errorf("notices of silence: %v", got)
	}
	h.stop()
	minute := func(n ...int) (out []time.Duration) {
		for _, m := range n {
			out = append(out, time.Duration(m)*time.Minute)
		}
		return out
	}
	if d := cmp.Diff(minute(0, 185, 190, 235, 251), offsets(t, h.opts.DataDir, "cellar", noon)); d != "" {
		t.Errorf("times of the cellar (-want +got):\n%s", d)
	}
}

// Days that calendars get wrong: each is as long as it is, an alarm says the
// local time with its zone, and what is read again from the store is the same
// to the last bit.
func TestDaysOfTheCalendar(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	f := func(name string, middle time.Time, since string) {
		t.Run(name, func(t *testing.T) {
			t.Parallel() // it mostly waits
			h, w, k := clocked(t, middle.Add(-3*time.Hour), time.Time{})
			h.opts.Settings.Zone = berlin
			h.start()
			c := publisher(t, h.brokerURL())
			var want []room.Reading
			for sent := uint64(0); w.Now().Before(middle.Add(3 * time.Hour)); w.run(10 * time.Minute) {
				value := 20.0
				if !w.Now().Before(middle.Add(-30 * time.Minute)) {
					value = 25
				}
				body, err := json.Marshal(map[string]any{"temperature": value, "time": w.Now()})
				if err != nil {
					t.Fatal(err)
				}
				publish(t, c, "rooms/loft", false, string(body))
				want = append(want, room.Reading{Series: series("loft", unit.Temperature), At: w.Now(), Value: value})
				sent++
				eventually(t, "the reading stored", func() bool { return h.status().Snapshot.Intake.Stored == sent })
			}
			eventually(t, "the alarm", func() bool { return slices.Equal(k.of(alarm.Warm), []string{"raised"}) })
			if text := k.text(alarm.Warm); !strings.Contains(strings.Join(strings.Fields(text), " "), "too warm since "+since) {
				t.Errorf("the notice does not say %q:\n%s", since, text)
			}
			live := h.room("loft")
			if got := live.Coverage24h * 24; math.Abs(got-(6-1.0/6)) > 1e-6 {
				t.Errorf("%v hours are covered, want 5 h 50 min", got)
			}
			h.restart()
			if d := cmp.Diff(live, h.room("loft")); d != "" {
				t.Errorf("read again (-live +again):\n%s", d)
			}
			h.stop()
			if d := cmp.Diff(want, onDisk(t, h.opts.DataDir, "loft")); d != "" {
				t.Errorf("on disk (-want +got):\n%s", d)
			}
			if got := k.of(alarm.Silent); len(got) != 0 {
				t.Errorf("notices of silence: %v", got)
			}
		})
	}
	at := time.Date
	f("clocks go forward", at(2027, 3, 28, 1, 0, 0, 0, time.UTC), "Sun 28 Mar 2027 01:30 CET")
	f("half an hour after they went forward", at(2027, 3, 28, 1, 30, 0, 0, time.UTC), "Sun 28 Mar 2027 03:00 CEST")
	f("clocks go back, the first 02:30", at(2026, 10, 25, 1, 0, 0, 0, time.UTC), "Sun 25 Oct 2026 02:30 CEST")
	f("clocks go back, the second 02:30", at(2026, 10, 25, 2, 0, 0, 0, time.UTC), "Sun 25 Oct 2026 02:30 CET")
	f("leap day", at(2028, 2, 29, 23, 30, 0, 0, time.UTC), "Wed 1 Mar 2028 00:00 CET")
	f("seconds beyond 31 bits", time.Unix(math.MaxInt32+1, 0).UTC(), "Tue 19 Jan 2038 03:44 CET")
	f("seconds beyond 32 bits", time.Unix(math.MaxUint32+1, 0).UTC(), "Sun 7 Feb 2106 06:58 CET")
}
