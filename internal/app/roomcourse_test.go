package app_test

import (
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/engine"
)

// TestCourseOfADaemon: two days told from the readings in the store agree with
// the hours of the engine, corrections count in both, and a restart changes
// nothing.
func TestCourseOfADaemon(t *testing.T) {
	h, start := roamedHouse(t)
	now := h.opts.Now()
	at := func(t time.Time) string { return t.UTC().Format(time.RFC3339) }
	course := func(from, to time.Time, points string) engine.RoomCourse {
		t.Helper()
		return answered[engine.RoomCourse](t, h, "/api/v1/rooms/cellar/course?from="+at(from)+"&to="+at(to)+"&points="+points)
	}
	whole := course(start, now, "5000")
	if whole.Step != "PT1H" || len(whole.Buckets.Start) != 40*24 || whole.Summary.Temp.Mean != 15 || !whole.Since.Equal(start) {
		t.Fatalf("%s, %d buckets, %+v", whole.Step, len(whole.Buckets.Start), whole.Summary)
	}
	from := now.Add(-48 * time.Hour)
	agree := func(mean float64) {
		t.Helper()
		fine, hours := course(from, now, "800"), course(start, now, "5000")
		if fine.Step != "PT5M" || len(fine.Buckets.Start) != 48*12 {
			t.Fatalf("%s, %d buckets", fine.Step, len(fine.Buckets.Start))
		}
		n := len(hours.Buckets.Start) - 48
		for i := range fine.Buckets.Start {
			a, b := fine.Buckets.TempMean[i], hours.Buckets.TempMean[n+i/12]
			if math.Abs(float64(a-b)) > 0.011 || math.Abs(float64(a)-mean) > 0.011 || fine.Buckets.State[i] != engine.BucketMeasured || fine.Buckets.RHMean[i] != 0.6 {
				if i < len(fine.Buckets.Start)-6 { // the last half hour has no reading behind it yet
					t.Fatalf("%s: %g °C, by the hour %g, want %g; %s, %g", fine.Buckets.Start[i], a, b, mean, fine.Buckets.State[i], fine.Buckets.RHMean[i])
				}
			}
		}
	}
	agree(15)
	if code, answer := h.post("/api/v1/sensors/cellar/b/correct", map[string]any{"quantity": "temperature", "unit": "C", "offset": 1, "from": at(start), "to": at(now), "note": "stood by the pipe", "by": "Ada"}); code != http.StatusOK {
		t.Fatalf("%d %s", code, answer)
	}
	agree(16)
	_, before := get(t, h.app.URL()+"/api/v1/rooms/cellar/course?from="+at(from))
	h.restart()
	if _, after := get(t, h.app.URL()+"/api/v1/rooms/cellar/course?from="+at(from)); before != after {
		t.Errorf("after a restart (-before +after):\n%s", cmp.Diff(before, after))
	}
	f := func(path string, status int, detail string) {
		t.Helper()
		if code, body := get(t, h.app.URL()+path); code != status || !strings.Contains(body, detail) {
			t.Errorf("%s: %d %s", path, code, body)
		}
	}
	f("/api/v1/rooms/barn/course", http.StatusNotFound, "no room")
	f("/api/v1/rooms/cellar/course?from=1990-01-01", http.StatusUnprocessableEntity, "longer than 31 years ago")
	f("/api/v1/rooms/cellar/course?from=2027-01-01", http.StatusUnprocessableEntity, "is no stretch of time that is over")
}
