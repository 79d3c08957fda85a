package web

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/net/html"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
	"dryhold/internal/replay"
)

func (k *keeper) ReplayAlarms(ctx context.Context, o ReplayOrder, tell func(Replaying)) (ReplayAnswer, error) {
	err := k.note("replay from %s to %s with %s: %s", o.From.UTC().Format(time.RFC3339), o.To.UTC().Format(time.RFC3339), o.File, o.Limits)
	if o.File == "bad.yaml" {
		return ReplayAnswer{}, lot.Invalid("bad.yaml:1:1: unknown key")
	}
	tell(Replaying{Limits: "present", Day: noon()})
	if k.replaying != nil {
		select {
		case <-k.replaying:
		case <-ctx.Done():
			return ReplayAnswer{}, ctx.Err()
		}
	}
	a := ReplayAnswer{Site: "Larch House", Runs: []ReplayRun{{Limits: "present", Summary: replay.Summary{Raised: 3, From: ago(72 * time.Hour), To: noon(), Readings: 4321,
		Alarms: []replay.Line{{Kind: alarm.Warm, Room: "loft", Raised: 3, Seconds: 7200}}, People: []replay.Person{{Name: "mara", Messages: 5, Reminders: 2, PerWeek: 5}},
		Spells: []replay.Spell{{Alarm: "warm/loft", From: ago(48 * time.Hour), To: ago(47 * time.Hour), Peak: 33.4}}}}}}
	if o.Limits != "" {
		a.Runs = append(a.Runs, ReplayRun{Limits: o.File, Summary: replay.Summary{Raised: 1, Alarms: []replay.Line{{Kind: alarm.Warm, Room: "loft", Raised: 1, Seconds: 1800}}}})
	}
	return a, err
}

func TestReplay(t *testing.T) {
	h, k := house(t, nil, nil) // in the zone of Zurich
	r := ask(t, h, http.MethodPost, "/api/v1/alarms/replay", `{"from":"2026-07-01","to":"2026-07-31","file":"limits.yaml","limits":"rooms: []"}`)
	var got []ReplayLine
	for dec := json.NewDecoder(r.Body); dec.More(); {
		var l ReplayLine
		if err := dec.Decode(&l); err != nil {
			t.Fatal(err)
		}
		got = append(got, l)
	}
	if len(got) != 2 || got[0].Progress == nil || got[1].Done == nil || got[1].Done.Runs[0].Raised != 3 || r.StatusCode != http.StatusOK {
		t.Errorf("status %d: %+v", r.StatusCode, got)
	}
	want := []string{"replay from 2026-06-30T22:00:00Z to 2026-07-31T22:00:00Z with limits.yaml: rooms: []"}
	if d := cmp.Diff(want, k.seen()); d != "" {
		t.Errorf("asked (-want +got):\n%s", d)
	}
	f := func(status int, method, body string) {
		t.Helper()
		if r := ask(t, h, method, "/api/v1/alarms/replay", body); r.StatusCode != status {
			t.Errorf("%s %s: status %d, want %d", method, body, r.StatusCode, status)
		}
	}
	f(http.StatusMethodNotAllowed, http.MethodGet, "")
	f(http.StatusUnprocessableEntity, http.MethodPost, `{"from":"1 July"}`)
	f(http.StatusUnprocessableEntity, http.MethodPost, `{"file":"bad.yaml","limits":"x"}`)
	f(http.StatusBadRequest, http.MethodPost, `{"since":"2026-07-01"}`)
}

// A form begins a replay, whose page tells how far it is and then what came out,
// old against new; a script follows a stream.
func TestReplayPages(t *testing.T) {
	h, k := house(t, larchHouse(), nil) // in the zone of Zurich
	k.replaying = make(chan struct{})
	post := func(path, form string, status int) *http.Response {
		t.Helper()
		res := ask(t, h, http.MethodPost, path, form, "Content-Type", "application/x-www-form-urlencoded")
		if res.StatusCode != status {
			t.Fatalf("POST %s %s: %d, want %d: %s", path, form, res.StatusCode, status, text(t, res))
		}
		return res
	}
	wantWords(t, shown(t, h, "/alarms/replay", 200), "Try limits on the past", "every room")
	at := post("/alarms/replay", "from=2026-07-12&to=2026-07-15&room=loft&warm=82%2C4&damp=55&units=us", 303).Header.Get("Location")
	lines := make(chan []string)
	go func() { // until it is over
		var out []string
		for dec := json.NewDecoder(ask(t, h, http.MethodGet, at+"/progress", "").Body); dec.More(); {
			var l progressLine
			if dec.Decode(&l) != nil {
				break
			}
			out = append(out, fmt.Sprintf("%.3f %s", l.Share, l.Text))
		}
		lines <- out
	}()
	wantWords(t, shown(t, h, at, 200), "Under way", "Stop it")
	close(k.replaying)
	got := <-lines
	if last := got[len(got)-1]; last != "1.000 It is done." {
		t.Errorf("the stream ends with %q", last)
	}
	doc := shown(t, h, at, 200)
	wantWords(t, doc, "From 11 Jul 2026 to 14 Jul 2026, played again from 4 321 readings.", "Alarms raised: 3 as it is, 1 with the limits to try.", "Alarms raised 3 1 −2",
		"Notices to mara 5 0 −5", "loft: too warm: hours 2.0 0.5 −1.5", "loft: too warm warm/loft 12 Jul 2026 14:30 CEST", "33.4 °C")
	if k.seen()[0] != `replay from 2026-07-11T22:00:00Z to 2026-07-15T22:00:00Z with limits to try: {"rooms":[{"name":"loft","limits":{"damp":"55 %","warm":"82.4 F"}}]}` {
		t.Errorf("asked %q", k.seen())
	}

	f := func(form, want string) {
		t.Helper()
		if body := text(t, post("/alarms/replay", form, 422)); !strings.Contains(body, want) {
			t.Errorf("%s: lacks %q", form, want)
		}
	}
	f("from=July", "is not a day")
	f("warm=hot", "is no number")
	f("warm=28&limits=limits:", "not both")
	if shown(t, h, "/alarms/replay/99", 404); t.Failed() {
		return
	}
	// One that is stopped says so; the form keeps what was typed.
	k.replaying = make(chan struct{})
	at = post("/alarms/replay", "warm=28", 303).Header.Get("Location")
	post(at+"/stop", "", 303)
	_ = text(t, ask(t, h, http.MethodGet, at+"/progress", "")) // to its end
	doc = shown(t, h, at, 200)
	wantWords(t, doc, "It was stopped before its end.")
	if got := attr(only(t, doc, "input", func(n *html.Node) bool { return attr(n, "id") == "warm" }), "value"); got != "28" {
		t.Errorf("what was typed is gone: %q", got)
	}
}

func TestReplayShares(t *testing.T) {
	j := &replayJob{order: ReplayOrder{From: noon(), To: noon().AddDate(0, 0, 10), File: triedLimits, Limits: "x"}, at: noon().AddDate(1, 0, 0)}
	f := func(now Replaying, want float64) {
		t.Helper()
		if got := j.share(replayState{now: now, told: true}); got != want {
			t.Errorf("%+v: %g, want %g", now, got, want)
		}
	}
	if got := j.share(replayState{}); got != 0 {
		t.Errorf("%g before anything was told", got)
	}
	f(Replaying{Limits: "present", Folding: true}, 0.125)
	f(Replaying{Limits: "present", Day: noon().AddDate(0, 0, 5)}, 0.375)
	f(Replaying{Limits: triedLimits, Day: noon().AddDate(0, 0, 10)}, 1)
	f(Replaying{Limits: triedLimits, Day: noon().AddDate(0, 0, -5)}, 0.75)
}
