package store

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
)

// told is an invented notice of Larch House.
func told(i int) alarm.Notice {
	key := alarm.Key{Kind: alarm.Warm, Room: "loft"}
	return alarm.Notice{
		Key: fmt.Sprintf("warm/loft#%d", i), Event: alarm.Raised, Alarm: key, Priority: alarm.Medium, Site: "larch-house",
		At: epoch.Add(time.Duration(i) * time.Hour), Since: epoch, Subject: "Loft too warm", Body: "Open the vent.\n", Costs: []alarm.LotCost{},
	}
}

// The log says of each notice and channel what has come of it, newest first;
// what failed waits with the time of its next attempt.
func TestNoticeLog(t *testing.T) {
	s := open(t, t.TempDir())
	for i := range 4 {
		commit(t, s, Outcome{Notices: []alarm.Notice{told(i)}}) // for log and mail: rows 1 and 2, 3 and 4, ...
	}
	at := epoch.Add(time.Minute)
	err := errors.Join(
		s.Delivered(t.Context(), 1, at),
		s.Failed(t.Context(), 2, at, at.Add(time.Hour), "greylisted", false),
		s.Failed(t.Context(), 4, at, at, "550 no such mailbox", true),
		s.Failed(t.Context(), 6, at, at.Add(time.Second), "busy", false), s.Delivered(t.Context(), 6, at.Add(time.Second)),
	)
	if err != nil {
		t.Fatal(err)
	}
	row := func(id int64) Logged {
		ch := []string{"mail", "log"}[id%2]
		return Logged{ID: id, Channel: ch, Notice: told(int(id-1) / 2), Queued: epoch, Due: epoch}
	}
	delivered, waits, refused, late := row(1), row(2), row(4), row(6)
	delivered.Delivered, delivered.Attempts = at, 1
	waits.Due, waits.Attempts, waits.Cause = at.Add(time.Hour), 1, "greylisted"
	refused.Due, refused.Refused, refused.Attempts, refused.Cause = at, at, 1, "550 no such mailbox"
	late.Due, late.Delivered, late.Attempts, late.Cause = at.Add(time.Second), at.Add(time.Second), 2, "busy"
	f := func(filter NoticeFilter, limit int, want ...Logged) {
		t.Helper()
		got, err := s.Notices(t.Context(), filter, limit)
		if diff := cmp.Diff(want, got); diff != "" || err != nil {
			t.Errorf("%+v: %v; differs (-want +got):\n%s", filter, err, diff)
		}
	}
	f(NoticeFilter{}, 100, row(8), row(7), late, row(5), refused, row(3), waits, delivered)
	f(NoticeFilter{}, 3, row(8), row(7), late)
	f(NoticeFilter{Undelivered: true}, 100, row(8), row(7), row(5), refused, row(3), waits)
	f(NoticeFilter{Key: "warm/loft#0"}, 100, waits, delivered)
	f(NoticeFilter{Key: "warm/cellar#0"}, 100)
	fared, err := s.Deliveries(t.Context())
	of := []Deliveries{
		{Channel: "log", LastDelivered: at},
		{Channel: "mail", LastDelivered: at.Add(time.Second), LastRefused: at, RefusedBy: "550 no such mailbox"},
	}
	if diff := cmp.Diff(of, fared); diff != "" || err != nil {
		t.Errorf("deliveries: %v; differs (-want +got):\n%s", err, diff)
	}
	waiting, err := s.Waiting(t.Context(), at)
	if diff := cmp.Diff([]Logged{waits}, waiting); diff != "" || err != nil {
		t.Errorf("waiting: %v; differs (-want +got):\n%s", err, diff)
	}
	// Refusals after the last delivery count from the first.
	err = errors.Join(s.Failed(t.Context(), 2, at.Add(time.Hour), at, "no", true), s.Failed(t.Context(), 8, at.Add(2*time.Hour), at, "never", true))
	if err != nil {
		t.Fatal(err)
	}
	of[1].LastRefused, of[1].RefusedBy, of[1].RefusedSince = at.Add(2*time.Hour), "never", at.Add(time.Hour)
	if fared, err = s.Deliveries(t.Context()); !cmp.Equal(of, fared) || err != nil {
		t.Errorf("deliveries: %v; differs (-want +got):\n%s", err, cmp.Diff(of, fared))
	}
	if waiting, err = s.Waiting(t.Context(), at.Add(time.Hour)); len(waiting) > 0 || err != nil {
		t.Errorf("what is due does not wait: %+v, %v", waiting, err)
	}
}

// Old notices go, but never one that waits.
func TestPruneNotices(t *testing.T) {
	s := open(t, t.TempDir())
	for i := range 3 {
		commit(t, s, Outcome{Notices: []alarm.Notice{told(i)}})
	}
	year := epoch.AddDate(1, 0, 0)
	err := errors.Join(
		s.Delivered(t.Context(), 1, epoch), s.Delivered(t.Context(), 2, year),
		s.Failed(t.Context(), 3, epoch, epoch, "no such mailbox", true), s.Failed(t.Context(), 4, epoch, epoch, "busy", false),
	)
	if err != nil {
		t.Fatal(err)
	}
	n, err := s.PruneNotices(t.Context(), year)
	if n != 2 || err != nil {
		t.Errorf("%d rows deleted, %v; want the two of a year ago", n, err)
	}
	left, err := s.Notices(t.Context(), NoticeFilter{}, 100)
	var ids []int64
	for _, l := range left {
		ids = append(ids, l.ID)
	}
	if diff := cmp.Diff([]int64{6, 5, 4, 2}, ids); diff != "" || err != nil {
		t.Errorf("%v; left differs (-want +got):\n%s", err, diff)
	}
	// A key is not given out twice, though its row is gone.
	commit(t, s, Outcome{Notices: []alarm.Notice{told(9)}})
	if left, _ = s.Notices(t.Context(), NoticeFilter{}, 1); left[0].ID <= 6 {
		t.Errorf("row %d is used again", left[0].ID)
	}
}
