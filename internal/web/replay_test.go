package web

import (
	"context"
	"encoding/json"
	"net/http"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/lot"
	"dryhold/internal/replay"
)

func (k *keeper) ReplayAlarms(_ context.Context, o ReplayOrder, tell func(Replaying)) (ReplayAnswer, error) {
	err := k.note("replay from %s to %s with %s: %s", o.From.UTC().Format(time.RFC3339), o.To.UTC().Format(time.RFC3339), o.File, o.Limits)
	if o.File == "bad.yaml" {
		return ReplayAnswer{}, lot.Invalid("bad.yaml:1:1: unknown key")
	}
	tell(Replaying{Limits: "present"})
	return ReplayAnswer{Site: "Larch House", Runs: []ReplayRun{{Limits: "present", Summary: replay.Summary{Raised: 3}}}}, err
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
