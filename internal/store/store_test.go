package store

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

var epoch = time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)

func open(t testing.TB, dir string) *Store {
	t.Helper()
	s, err := Open(context.Background(), dir, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func reading(sensor string, at time.Time, v float64) room.Reading {
	return room.Reading{Series: room.Series{Room: "loft", Sensor: sensor, Quantity: unit.Temperature}, At: at, Value: unit.Temperature.Round(v)}
}

// commit stores a batch and gives the readings that were new.
func commit(t testing.TB, s *Store, out Outcome, readings ...room.Reading) (fresh []room.Reading) {
	t.Helper()
	err := s.Commit(context.Background(), Batch{Readings: readings}, []string{"log", "mail"}, epoch, func(f []room.Reading) (Outcome, error) {
		fresh = f
		return out, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return fresh
}

func all(t testing.TB, s *Store, from time.Time) (out []room.Reading, days int) {
	t.Helper()
	err := s.EachDay(context.Background(), "loft", from, func(rs []room.Reading) error {
		out, days = append(out, rs...), days+1
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out, days
}

func TestReadingsOutliveTheProcessOnce(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	a, b, c := reading("a", epoch, 20), reading("a", epoch.Add(time.Minute), 21.5), reading("b", epoch.Add(24*time.Hour), -3.25)
	if got := commit(t, s, Outcome{}, a, b, a); len(got) != 2 {
		t.Errorf("one of three readings repeats another: new are %v", got)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	if got := commit(t, s, Outcome{}, b, c); !cmp.Equal(got, []room.Reading{c}) {
		t.Errorf("after reopening only c is new: %v", got)
	}
	got, days := all(t, s, time.Time{}.Add(0))
	if d := cmp.Diff([]room.Reading{a, b, c}, got); d != "" || days != 2 {
		t.Errorf("%d days, stored readings (-want +got):\n%s", days, d)
	}
}

func TestPackingChangesNothing(t *testing.T) {
	s := open(t, t.TempDir())
	var want []room.Reading
	for m := range 3 * 24 * 60 {
		want = append(want, reading("a", epoch.Add(time.Duration(m)*time.Minute), 20+float64(m%97)/10))
	}
	commit(t, s, Outcome{}, want...)
	pack(t, s, epoch.Add(48*time.Hour))
	var open, packed int
	if err := s.read.QueryRow(`SELECT (SELECT count(*) FROM open_reading), (SELECT sum(n) FROM packed_day)`).Scan(&open, &packed); err != nil {
		t.Fatal(err)
	}
	if open != 24*60 || packed != 48*60 {
		t.Errorf("%d open and %d packed readings, want one open day and two packed", open, packed)
	}
	if got := commit(t, s, Outcome{}, want[5], want[2000]); len(got) != 0 {
		t.Errorf("a reading of a packed day was taken as new: %v", got)
	}
	late := reading("a", epoch.Add(90*time.Second), 30)
	if got := commit(t, s, Outcome{}, late); len(got) != 1 {
		t.Errorf("a late reading of a packed day is new: %v", got)
	}
	pack(t, s, epoch.Add(72*time.Hour))
	want = slices.Insert(want, 2, late)
	got, _ := all(t, s, epoch)
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("after packing (-want +got):\n%.1000s", d)
	}
	if got := commit(t, s, Outcome{}, late); len(got) != 0 {
		t.Error("the late reading was taken as new again")
	}
}

func pack(t testing.TB, s *Store, before time.Time) {
	t.Helper()
	for more := true; more; {
		var err error
		if more, err = s.Pack(context.Background(), before); err != nil {
			t.Fatal(err)
		}
	}
}

func TestFailedCommitLeavesNothing(t *testing.T) {
	s := open(t, t.TempDir())
	broken := errors.New("broken")
	err := s.Commit(context.Background(), Batch{Readings: []room.Reading{reading("a", epoch, 20)}, Receipts: []Receipt{{Packet: 7}}}, nil, epoch,
		func([]room.Reading) (Outcome, error) { return Outcome{}, broken })
	if !errors.Is(err, broken) {
		t.Fatalf("error %v, want the one of apply", err)
	}
	if got, _ := all(t, s, epoch); len(got) != 0 || s.Redelivered(7, [32]byte{}) {
		t.Errorf("a failed commit left %v", got)
	}
	if got := commit(t, s, Outcome{}, reading("a", epoch, 20)); len(got) != 1 {
		t.Errorf("the reading of the failed commit is still new: %v", got)
	}
}

func TestFactsAndOutboxOutliveTheProcess(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	change := lot.Change{Kind: lot.Added, Lot: "L-1", At: epoch, Recorded: epoch, Packing: &lot.Packing{Food: "white-rice", Room: "loft"}}
	cond := alarm.New(alarm.Key{Kind: alarm.Warm, Room: "loft"})
	cond.Peak = 31.25
	out := Outcome{Lots: []lot.Change{change}, Conditions: []alarm.Condition{cond}, Notices: []alarm.Notice{{Key: "k", Subject: "Loft too warm"}}}
	commit(t, s, out)
	commit(t, s, Outcome{Notices: []alarm.Notice{{Key: "k"}}}) // the same event again
	if err := s.Commit(context.Background(), Batch{Receipts: []Receipt{{Packet: 7, Digest: [32]byte{1}, At: epoch}}}, nil, epoch,
		func([]room.Reading) (Outcome, error) { return Outcome{}, nil }); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	ctx := context.Background()
	lots, err := s.LotChanges(ctx)
	if d := cmp.Diff([]lot.Change{change}, lots); d != "" || err != nil {
		t.Errorf("lots: %v\n%s", err, d)
	}
	conds, err := s.Conditions(ctx)
	if err != nil || len(conds) != 1 || conds[0] != cond {
		t.Errorf("conditions: %v %v", conds, err)
	}
	if !s.Redelivered(7, [32]byte{1}) || s.Redelivered(7, [32]byte{2}) || s.Redelivered(8, [32]byte{1}) {
		t.Error("the receipt of packet 7 is not the one stored")
	}
	due, err := s.Due(ctx, epoch, 10)
	if err != nil || len(due) != 2 || due[0].Notice.Subject != "Loft too warm" {
		t.Fatalf("outbox: %v %v, want one notice for two channels", due, err)
	}
	if err := errors.Join(s.Delivered(ctx, due[0].ID, epoch), s.Failed(ctx, due[1].ID, epoch, epoch.Add(time.Minute), "busy", false)); err != nil {
		t.Fatal(err)
	}
	if due, _ := s.Due(ctx, epoch, 10); len(due) != 0 {
		t.Errorf("nothing is due now: %v", due)
	}
	if due, _ := s.Due(ctx, epoch.Add(time.Minute), 10); len(due) != 1 || due[0].Attempts != 1 {
		t.Errorf("the failed one is due again in a minute: %v", due)
	}
}

// An identifier is used again after 65,535 messages, and a sensor often says
// the same again: only what was stored lately can be delivered again.
func TestReceiptOfAnEarlierRound(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	digest := [32]byte{1}
	delivered := func(packet uint16) {
		t.Helper()
		b := Batch{Receipts: []Receipt{{Packet: packet, Digest: digest, At: epoch}}, Packets: []Packet{{ID: packet}}}
		if err := s.Commit(context.Background(), b, nil, epoch, func([]room.Reading) (Outcome, error) { return Outcome{}, nil }); err != nil {
			t.Fatal(err)
		}
	}
	f := func(packet uint16, want bool) {
		t.Helper()
		if got := s.Redelivered(packet, digest); got != want {
			t.Errorf("packet %d is on disk already: %v, want %v", packet, got, want)
		}
	}
	for packet := uint16(1); packet < 1000; packet++ {
		delivered(packet)
	}
	for _, packet := range []uint16{65534, 65535, 1, 2} { // the next round
		delivered(packet)
	}
	f(2, true)
	f(1, true)
	f(65535, true)
	f(65534, true)
	f(3, false) // of the round before
	f(50, false)

	// One that others overtook on its way takes nothing back.
	delivered(4)
	delivered(3)
	f(4, true)
	f(3, true)
	f(5, false)

	// What is delivered again begins with the oldest and takes nothing back.
	again := Batch{Packets: []Packet{{65534, true}, {65535, true}}}
	if err := s.Commit(context.Background(), again, nil, epoch, func([]room.Reading) (Outcome, error) { return Outcome{}, nil }); err != nil {
		t.Fatal(err)
	}
	f(2, true)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	f(2, true)
	f(65534, true)
	f(5, false)
}

func TestOneProcessAtATime(t *testing.T) {
	dir := t.TempDir()
	open(t, dir)
	_, err := Open(context.Background(), dir, slog.New(slog.DiscardHandler))
	if err == nil || !strings.Contains(err.Error(), "in use by another dryhold") {
		t.Errorf("second opening: %v", err)
	}
}

func TestEveryConnectionSyncs(t *testing.T) {
	s := open(t, t.TempDir())
	var mode string
	var sync, keys int
	if err := s.write.QueryRow(`SELECT * FROM pragma_journal_mode, pragma_synchronous, pragma_foreign_keys`).Scan(&mode, &sync, &keys); err != nil {
		t.Fatal(err)
	}
	if mode != "wal" || sync != 2 || keys != 1 {
		t.Errorf("writer has journal %s, synchronous %d, foreign keys %d; want wal, 2 (FULL), 1", mode, sync, keys)
	}
}

// BenchmarkCommit is one durable commit of a batch of readings.
func BenchmarkCommit(b *testing.B) {
	for _, size := range []int{1, 20, 200} {
		b.Run(fmt.Sprintf("batch=%d", size), func(b *testing.B) {
			s := open(b, b.TempDir())
			n := 0
			for b.Loop() {
				var rs []room.Reading
				for range size {
					rs = append(rs, reading("a", epoch.Add(time.Duration(n)*time.Second), 20+float64(n%10)))
					n++
				}
				commit(b, s, Outcome{}, rs...)
			}
			b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
		})
	}
}
