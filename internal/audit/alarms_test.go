package audit

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
)

func TestOfAlarm(t *testing.T) {
	f := func(do string, until time.Time, want string) {
		t.Helper()
		got := OfAlarm(noon, do, "warm/loft", "Mara", "compressor failed", until)
		if d := cmp.Diff(Act{Told: noon, At: noon, By: "Mara", Kind: Alarm, Of: "warm/loft", What: want, Why: "compressor failed"}, got); d != "" {
			t.Errorf("(-want +got):\n%s", d)
		}
	}
	none := time.Time{}
	f(alarm.ActAcknowledge, none, "acknowledged")
	f(alarm.ActShelve, noon.Add(8*time.Hour), "shelved until 2026-07-14T20:00:00Z")
	f(alarm.ActShelve, none, "shelved")
	f(alarm.ActUnshelve, none, "taken from the shelf")
	f(alarm.ActOutOfService, none, "taken out of service")
	f(alarm.ActReturn, none, "returned to service")
	f(alarm.ActAnnotate, none, "annotated")
	for _, do := range alarm.Acts() {
		if AlarmWords(do, none) == do {
			t.Errorf("no words for %q", do)
		}
	}
}
