package notify

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
)

// notice is an invented notice of Larch House, as the alarm package makes it.
func notice(spell int, ev alarm.NoticeEvent) alarm.Notice {
	at := time.Date(2031, 7, 12, 17, 0, 0, 0, time.UTC)
	r := alarm.Rule{Kind: alarm.Warm, Limit: 21, Deadband: 0.5, Priority: alarm.Medium}
	c := alarm.Condition{
		Key: alarm.Key{Kind: alarm.Warm, Room: "loft"}, State: alarm.ActiveUnacknowledged, Spell: spell, Active: true,
		Since: at.Add(-5 * time.Hour), RaisedAt: at, Changed: at, Value: 31.4, ValueAt: at, Peak: 31.9, PeakAt: at,
	}
	costs := []alarm.LotCost{{Lot: "brown-rice-1", Food: "brown rice", Days: 2.5, Week: 11}, {Lot: "milk-1", Food: "nonfat dry milk", Days: 6.2, Week: 24}}
	return alarm.Compose("Larch House", c, r, ev, at, time.FixedZone("CEST", 7200), alarm.Context{Costs: costs})
}

func quiet() *slog.Logger { return slog.New(slog.NewTextHandler(io.Discard, nil)) }

func TestLog(t *testing.T) {
	f := func(ev alarm.NoticeEvent, level string) {
		t.Helper()
		var out bytes.Buffer
		c := NewLog(slog.New(slog.NewJSONHandler(&out, nil)))
		n := notice(1, ev)
		if err := c.Send(t.Context(), n); err != nil {
			t.Fatal(err)
		}
		var got map[string]any
		if err := json.Unmarshal(out.Bytes(), &got); err != nil {
			t.Fatalf("not one line of JSON: %v: %s", err, out.String())
		}
		delete(got, "time")
		want := map[string]any{
			"level": level, "msg": n.Subject, "notice": n.Key, "event": string(ev), "alarm": "warm/loft",
			"priority": "medium", "at": "2031-07-12T17:00:00Z", "since": "2031-07-12T12:00:00Z", "lots": 2.0, "most_days_of_life_lost": 6.2,
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("log line differs (-want +got):\n%s", diff)
		}
	}
	f(alarm.Raised, "WARN")
	f(alarm.Returned, "INFO")
}

func TestMQTT(t *testing.T) {
	var topic string
	var payload []byte
	var broken error
	c := NewMQTT("larch/notices", func(_ context.Context, to string, p []byte) error {
		topic, payload = to, p
		return broken
	})
	n := notice(1, alarm.Raised)
	if err := c.Send(t.Context(), n); err != nil {
		t.Fatal(err)
	}
	var got alarm.Notice
	if err := json.Unmarshal(payload, &got); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(n, got); diff != "" || topic != "larch/notices" {
		t.Errorf("published on %q, differs (-want +got):\n%s", topic, diff)
	}
	broken = errors.New("broker is away")
	if err := c.Send(t.Context(), n); !errors.Is(err, broken) || IsPermanent(err) {
		t.Errorf("got %v, want a passing failure", err)
	}
	n.Costs = []alarm.LotCost{{Days: math.NaN()}}
	if err := c.Send(t.Context(), n); !IsPermanent(err) {
		t.Errorf("got %v, want a permanent failure: it will never be JSON", err)
	}
}

func TestPermanent(t *testing.T) {
	cause := errors.New("no such mailbox")
	err := fmt.Errorf("cannot send: %w", Permanent(cause))
	if !IsPermanent(err) || !errors.Is(err, cause) || err.Error() != "cannot send: no such mailbox" {
		t.Errorf("mark lost in %v", err)
	}
	if Permanent(nil) != nil || IsPermanent(nil) || IsPermanent(cause) {
		t.Error("permanent without reason")
	}
}
