package app

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"dryhold/internal/settings"
	"dryhold/internal/store"
)

// Every local day has its backup once, whatever the clock does.
func TestBackupsThroughChangesOfTheClock(t *testing.T) {
	f := func(from time.Time, at int) {
		t.Helper()
		zone, how := berlin(t), settings.Backup{Folder: "f", Every: 1, At: at}
		known := store.Timed{Folder: "f", At: from}
		var days []string
		for now := from; now.Before(from.AddDate(0, 0, 4)); now = now.Add(time.Minute) {
			if backupDue(known, now, how, zone) {
				days, known.At = append(days, now.In(zone).Format("02")), now
			}
		}
		want := []string{from.AddDate(0, 0, 1).Format("02"), from.AddDate(0, 0, 2).Format("02"), from.AddDate(0, 0, 3).Format("02")}
		if !slices.Equal(days[:3], want) || len(days) > 4 {
			t.Errorf("at %02d:%02d from %s: on %v, want %v", at/60, at%60, from, days, want)
		}
	}
	for _, at := range []int{0, 90, 120, 150, 179, 180, 210, 23*60 + 59} {
		f(time.Date(2026, 3, 27, 12, 0, 0, 0, time.UTC), at)
		f(time.Date(2026, 10, 23, 12, 0, 0, 0, time.UTC), at)
	}
}

func TestOutdated(t *testing.T) {
	zone := berlin(t)
	now := time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)
	f := func(keep settings.BackupKeep, kept ...string) {
		t.Helper()
		var made []timed
		for at := now.AddDate(-2, 0, 0); !at.After(now); at = at.AddDate(0, 0, 1) {
			made = append(made, timed{at: at, name: at.Format(time.DateOnly)})
		}
		made = append(made, timed{at: now.AddDate(30, 0, 0), name: "future"})
		var got []string
		gone := outdated(made, now, zone, keep)
		for _, m := range made {
			if !slices.Contains(gone, m) {
				got = append(got, m.name)
			}
		}
		if !slices.Equal(got, append(kept, "future")) {
			t.Errorf("%+v keeps %v\nwant %v", keep, got, kept)
		}
	}
	f(settings.BackupKeep{Daily: 1}, "2026-07-14")
	f(settings.BackupKeep{Daily: 3}, "2026-07-12", "2026-07-13", "2026-07-14")
	f(settings.BackupKeep{Daily: 2, Weekly: 3, Monthly: 3}, "2026-05-31", "2026-06-30", "2026-07-05", "2026-07-12", "2026-07-13", "2026-07-14")
}

// Whatever backups there are, the newest is kept, as many days as wanted have
// one, and asking again removes nothing more.
func TestOutdatedKeepsEnough(t *testing.T) {
	zone := berlin(t)
	rapid.Check(t, func(t *rapid.T) {
		now := time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)
		keep := settings.BackupKeep{Daily: rapid.IntRange(1, 9).Draw(t, "daily"), Weekly: rapid.IntRange(0, 5).Draw(t, "weekly"), Monthly: rapid.IntRange(0, 5).Draw(t, "monthly")}
		var made []timed
		for _, h := range rapid.SliceOfNDistinct(rapid.IntRange(0, 9000), 1, 60, rapid.ID).Draw(t, "hours ago") {
			at := now.Add(-time.Duration(h) * time.Hour)
			made = append(made, timed{at: at, name: timedName(at)})
		}
		slices.SortFunc(made, func(a, b timed) int { return a.at.Compare(b.at) })
		gone := outdated(made, now, zone, keep)
		left := slices.DeleteFunc(slices.Clone(made), func(m timed) bool { return slices.Contains(gone, m) })
		if len(left) == 0 || left[len(left)-1] != made[len(made)-1] {
			t.Fatalf("the newest is gone: %v of %v", gone, made)
		}
		days := func(of []timed) int {
			seen := map[string]bool{}
			for _, m := range of {
				seen[m.at.In(zone).Format(time.DateOnly)] = true
			}
			return len(seen)
		}
		if days(left) < min(keep.Daily, days(made)) || len(left) > keep.Daily+keep.Weekly+keep.Monthly {
			t.Fatalf("%d days left of %d with %+v: %v", days(left), days(made), keep, left)
		}
		if again := outdated(left, now, zone, keep); len(again) > 0 {
			t.Fatalf("asked again it removes %v", again)
		}
	})
}
