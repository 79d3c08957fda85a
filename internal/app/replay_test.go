package app_test

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
	"dryhold/internal/web"
)

// hotMonth is a house whose store has a month of readings of the loft: three
// days of it hot (invented).
func hotMonth(t *testing.T) (h *house, begin time.Time) {
	t.Helper()
	h = newHouse(t, nil)
	begin = time.Date(2026, time.June, 1, 0, 0, 0, 0, time.UTC)
	h.opts.Now = (&still{now: begin.AddDate(0, 0, 30)}).Now
	h.opts.Futures = 3
	h.start()
	addLots(t, h.app, begin)
	var all []room.Reading
	for at := begin; at.Before(begin.AddDate(0, 0, 30)); at = at.Add(10 * time.Minute) {
		v := 18 + 2*math.Sin(2*math.Pi*at.Sub(begin).Hours()/24)
		if day := at.Sub(begin).Hours() / 24; day >= 15 && day < 18 {
			v += 6
		}
		all = append(all, room.Reading{Series: room.Series{Room: "loft", Sensor: "loft-1", Quantity: unit.Temperature}, At: at, Value: unit.Temperature.Round(v)})
	}
	if _, err := h.app.Import(t.Context(), all); err != nil {
		t.Fatal(err)
	}
	if err := h.app.Imported(t.Context(), web.ImportDone{By: "Ada", Source: "test", Stored: len(all), From: begin, To: all[len(all)-1].At}); err != nil {
		t.Fatal(err)
	}
	return h, begin
}

func raisedOf(r web.ReplayRun, key string) (n int) {
	for _, x := range r.Spells {
		if x.Alarm == key {
			n++
		}
	}
	return n
}

func TestReplayOverThePast(t *testing.T) {
	h, begin := hotMonth(t)
	order := web.ReplayOrder{From: begin.AddDate(0, 0, 10), To: begin.AddDate(0, 0, 25), File: "limits.yaml", Limits: "rooms: [{name: loft, limits: {warm: 28 C}}]"}
	a, err := h.app.ReplayAlarms(t.Context(), order, func(web.Replaying) {})
	if err != nil {
		t.Fatal(err)
	}
	if len(a.Runs) != 2 || a.Runs[0].Limits != "present" || a.Runs[1].Limits != "limits.yaml" {
		t.Fatalf("runs: %+v", a.Runs)
	}
	present, other := a.Runs[0], a.Runs[1]
	if raisedOf(present, "warm/loft") != 1 || raisedOf(other, "warm/loft") != 0 {
		t.Errorf("warm/loft raised %d times, with a higher limit %d times, want 1 and 0", raisedOf(present, "warm/loft"), raisedOf(other, "warm/loft"))
	}
	if want := 15 * 24 * 6; present.Readings < want-1 || present.Readings > want+1 {
		t.Errorf("%d readings counted, want %d", present.Readings, want)
	}
	for _, x := range present.Spells {
		// Above 21 °C from the start of the first hot day on, for two hours.
		if from := begin.AddDate(0, 0, 15).Add(2 * time.Hour); x.Alarm == "warm/loft" && (x.From.Before(from) || x.From.After(from.Add(20*time.Minute))) {
			t.Errorf("warm/loft raised at %v, want soon after %v", x.From, from)
		}
	}
	again, err := h.app.ReplayAlarms(t.Context(), order, func(web.Replaying) {})
	if err != nil {
		t.Fatal(err)
	}
	one, _ := json.Marshal(a)
	two, _ := json.Marshal(again)
	if d := cmp.Diff(string(one), string(two)); d != "" {
		t.Errorf("played twice (-first +second):\n%.2000s", d)
	}
	for _, x := range h.status().Snapshot.Alarms { // to which those days are over
		if x.Key.Kind == alarm.Warm {
			t.Errorf("the replay changed the alarms of the daemon: %+v", x)
		}
	}
}

func TestReplayRefuses(t *testing.T) {
	h, begin := hotMonth(t)
	f := func(o web.ReplayOrder, want string) {
		t.Helper()
		_, err := h.app.ReplayAlarms(t.Context(), o, func(web.Replaying) {})
		if !errors.Is(err, lot.ErrInvalid) || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
	f(web.ReplayOrder{From: begin.AddDate(0, 0, 10), To: begin}, "put the first day first")
	f(web.ReplayOrder{From: begin.AddDate(1, 0, 0)}, "put the first day first")
	f(web.ReplayOrder{From: begin.AddDate(-2, 0, 0), To: begin.AddDate(-1, 0, 0)}, "there is no reading")
	f(web.ReplayOrder{File: "limits.yaml", Limits: "rooms:\n  - {name: loft, limits: {warn: 2 C}}"}, "limits.yaml:2:")
}

// TestReplayBesideTheWriter stops a replay in its first word: the daemon takes
// edits meanwhile, a second replay is told to wait, and an interrupted one
// leaves the way free.
func TestReplayBesideTheWriter(t *testing.T) {
	h, begin := hotMonth(t)
	order := web.ReplayOrder{From: begin}
	ctx, cancel := context.WithCancel(t.Context())
	under, goOn, ended := make(chan struct{}), make(chan struct{}), make(chan error, 1)
	go func() {
		first := true
		_, err := h.app.ReplayAlarms(ctx, order, func(web.Replaying) {
			if first {
				first = false
				close(under)
				<-goOn
			}
		})
		ended <- err
	}()
	<-under
	addLots(t, h.app, begin)
	if _, err := h.app.ReplayAlarms(t.Context(), order, func(web.Replaying) {}); !errors.Is(err, lot.ErrNotNow) {
		t.Errorf("a second replay: %v, want to be told to wait", err)
	}
	cancel()
	close(goOn)
	if err := <-ended; !errors.Is(err, context.Canceled) {
		t.Errorf("interrupted: %v", err)
	}
	if _, err := h.app.ReplayAlarms(t.Context(), order, func(web.Replaying) {}); err != nil {
		t.Errorf("after one that was interrupted: %v", err)
	}
}
