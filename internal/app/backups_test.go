package app

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/crash"
	"dryhold/internal/health"
	"dryhold/internal/room"
	"dryhold/internal/settings"
	"dryhold/internal/store"
	"dryhold/internal/unit"
)

// timer is a store with backups whose turns a test takes by hand.
type timer struct {
	*backups
	t            *testing.T
	data, folder string
	now          time.Time
	free         uint64
}

func berlin(t testing.TB) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

// newTimer stores two readings and sets a timer into an empty folder. Folder and
// data of a test lie on one disk.
func newTimer(t *testing.T, change func(*settings.Backup)) *timer {
	t.Helper()
	x := &timer{t: t, data: t.TempDir(), folder: t.TempDir(), now: time.Date(2026, 7, 14, 10, 0, 0, 0, time.UTC), free: 1 << 40}
	x.start(change)
	x.store(0, 1)
	return x
}

// start brings up the store with its timer, as a start of the daemon does.
func (x *timer) start(change func(*settings.Backup)) {
	x.t.Helper()
	s := settings.Default()
	s.Site, s.Zone = "larch-house", berlin(x.t)
	s.Backup = &settings.Backup{Folder: x.folder, Every: 1, At: 210, Keep: settings.BackupKeep{Daily: 2, Weekly: 1, Monthly: 1}, SameDisk: true}
	if change != nil {
		change(s.Backup)
	}
	a, err := New(Options{Settings: s, Catalog: &catalog.Catalog{}, DataDir: x.data, Now: func() time.Time { return x.now },
		space: func(string) (uint64, uint64, error) { return x.free, 1 << 40, nil }})
	if err != nil {
		x.t.Fatal(err)
	}
	stop, err := a.startStore(x.t.Context())
	if err != nil {
		x.t.Fatal(err)
	}
	x.t.Cleanup(func() { _ = stop(context.Background()) })
	if x.backups, err = a.newBackups(x.t.Context()); err != nil {
		x.t.Fatal(err)
	}
}

func (x *timer) stop() {
	x.t.Helper()
	if err := x.app.store.Close(); err != nil {
		x.t.Fatal(err)
	}
}

// store keeps a reading of each of some days ago.
func (x *timer) store(days ...int) {
	x.t.Helper()
	var readings []room.Reading
	for _, d := range days {
		readings = append(readings, room.Reading{Series: room.Series{Room: "cellar", Sensor: "a", Quantity: unit.Temperature}, At: x.now.AddDate(0, 0, -d).Add(-time.Minute), Value: 12.5})
	}
	err := x.app.store.Commit(x.t.Context(), store.Batch{Readings: readings}, nil, x.now, func([]room.Reading) (store.Outcome, error) { return store.Outcome{}, nil })
	if err != nil {
		x.t.Fatal(err)
	}
}

// at sets the clock, takes a turn and gives the backups that are there.
func (x *timer) at(now time.Time) []string {
	x.t.Helper()
	x.now, x.again = now, time.Time{}
	x.turn(x.t.Context())
	made, err := timedIn(x.folder)
	if err != nil {
		return nil
	}
	var out []string
	for _, m := range made {
		out = append(out, m.at.Format("02T1504"))
	}
	return out
}

func (x *timer) want(got []string, want ...string) {
	x.t.Helper()
	if !slices.Equal(got, want) {
		x.t.Errorf("backups %v, want %v; trouble %q", got, want, x.trouble)
	}
}

// health demands that the check is good, or not, with a text.
func (x *timer) health(ok bool, want string) {
	x.t.Helper()
	c := x.check()
	if c.OK != ok || !strings.Contains(c.Text, want) {
		x.t.Errorf("health %v: %s\nwant %v: %s", c.OK, c.Text, ok, want)
	}
}

func (x *timer) check() health.Check { return x.app.checkBackup(x.now)[0] }

// The first is made at once, the next at their time, one for all that were
// missed; older ones go when the new one is whole.
func TestBackupsByTheTimer(t *testing.T) {
	x := newTimer(t, nil)
	start := x.now
	x.health(true, "none yet")
	x.want(x.at(start), "14T1000")
	x.health(true, "the newest is of 2026-07-14 10:00:00 UTC, dryhold-timed-20260714T100000Z.db with 2 readings")
	x.health(true, "it lies on the disk of the data")
	x.want(x.at(start.Add(15*time.Hour+29*time.Minute)), "14T1000")            // 03:29 in Berlin
	x.want(x.at(start.Add(15*time.Hour+30*time.Minute)), "14T1000", "15T0130") // 03:30
	x.want(x.at(start.Add(15*time.Hour+31*time.Minute)), "14T1000", "15T0130")
	x.stop() // for five days
	x.now = start.AddDate(0, 0, 6)
	x.health(false, "overdue")
	x.start(nil)
	x.want(x.at(x.now), "15T0130", "20T1000") // of the two latest days with any
	x.want(x.at(x.now.Add(time.Minute)), "15T0130", "20T1000")
	x.want(x.at(time.Date(2026, 7, 21, 1, 30, 0, 0, time.UTC)), "20T1000", "21T0130")
	if got, known := store.LastBackup(x.data); !known || !strings.HasSuffix(got.File, "dryhold-timed-20260721T013000Z.db") {
		t.Errorf("the newest backup is known as %+v", got)
	}
	to := t.TempDir()
	r, err := store.Restore(t.Context(), filepath.Join(x.folder, timedName(x.now)), to, false, x.now, func(string, int64, int64) {})
	if err != nil || r.Readings != 2 {
		t.Errorf("restored: %+v, %v", r, err)
	}
}

// What the timer did not make stays, whatever it is called.
func TestBackupsLeaveOthersAlone(t *testing.T) {
	x := newTimer(t, func(b *settings.Backup) { b.Keep = settings.BackupKeep{Daily: 1} })
	others := []string{"dryhold-20200101T000000Z.db", "dryhold-timed-20200101T000000Z.db.bak", "Dryhold-timed-20200101T000000Z.db", "dryhold-timed-2020.db",
		"dryhold-timed-20209901T000000Z.db", "dryhold-timed-20200101T000000Z.db.1x.part", "photo.jpg"}
	for _, name := range others {
		if err := os.WriteFile(filepath.Join(x.folder, name), []byte("not dryhold's"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(filepath.Join(x.folder, "dryhold-timed-20200102T000000Z.db"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("photo.jpg", filepath.Join(x.folder, "dryhold-timed-20200103T000000Z.db")); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"dryhold-timed-20260713T013000Z.db.123.part", "dryhold-timed-20260713T013000Z.db.123.part-journal"} { // broken off
		if err := os.WriteFile(filepath.Join(x.folder, name), []byte("half"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	x.at(x.now)
	x.want(x.at(x.now.AddDate(0, 0, 1)), "15T1000")
	want := append(others, "dryhold-timed-20200102T000000Z.db", "dryhold-timed-20200103T000000Z.db", timedName(x.now), markFile)
	entries, err := os.ReadDir(x.folder)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range entries {
		got = append(got, e.Name())
	}
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("the folder holds %v\nwant %v", got, want)
	}
}

// What a backup that is killed leaves has the names that are swept.
func TestBackupsKnowWhatIsBrokenOff(t *testing.T) {
	x := newTimer(t, nil)
	seen := 0
	hook := func(crash.Point) {
		entries, err := os.ReadDir(x.folder)
		if err != nil {
			t.Error(err)
		}
		for _, e := range entries {
			if seen++; e.Name() != markFile && !partForm().MatchString(e.Name()) {
				t.Errorf("%s would stay for ever", e.Name())
			}
		}
	}
	x.turn(context.WithValue(t.Context(), crash.Key{}, crash.Hook(hook)))
	if x.want(x.at(x.now), "14T1000"); seen < 4 {
		t.Errorf("%d files seen while it was made", seen)
	}
}

// A folder that is not there, or is another than the one that was written to, is
// not written to, and health says how to mend it.
func TestBackupsKnowTheirFolder(t *testing.T) {
	x := newTimer(t, nil)
	away := x.folder + ".away"
	move := func(from, to string) {
		t.Helper()
		if err := os.Rename(from, to); err != nil {
			t.Fatal(err)
		}
	}
	empty := func() {
		t.Helper()
		if entries, err := os.ReadDir(x.folder); err != nil || len(entries) > 0 {
			t.Errorf("written to: %v, %v", entries, err)
		}
	}
	move(x.folder, away)
	x.want(x.at(x.now))
	x.health(false, "is not there: mount its disk, or make it there (mkdir")
	if _, err := os.Stat(x.folder); err == nil {
		t.Error("the folder was made")
	}
	move(away, x.folder)
	x.want(x.at(x.now), "14T1000")
	x.health(true, "14T100000Z")

	move(x.folder, away) // the stick is pulled out: its mount point is left
	if err := os.Mkdir(x.folder, 0o700); err != nil {
		t.Fatal(err)
	}
	x.want(x.at(x.now.AddDate(0, 0, 1)))
	x.health(false, "mount the disk of the backups. To take another disk into use: touch "+filepath.Join(x.folder, markFile))
	empty()
	x.stop()
	x.start(nil) // nor after a restart
	x.want(x.at(x.now))
	empty()
	if err := os.WriteFile(filepath.Join(x.folder, markFile), nil, 0o600); err != nil { // another stick
		t.Fatal(err)
	}
	x.want(x.at(x.now), "15T1000")
	x.health(true, "the newest is of 2026-07-15")

	foreign := []byte(`{"site": "other-house", "id": "0123456789abcdef"}`)
	if err := os.WriteFile(filepath.Join(x.folder, markFile), foreign, 0o600); err != nil {
		t.Fatal(err)
	}
	x.want(x.at(x.now.AddDate(0, 0, 1)), "15T1000")
	x.health(false, "has the backups of another store (site other-house)")
	if body, err := os.ReadFile(filepath.Join(x.folder, markFile)); err != nil || !bytes.Equal(body, foreign) {
		t.Errorf("its mark was changed: %s, %v", body, err)
	}
}

func TestBackupsOnTheDiskOfTheData(t *testing.T) {
	x := newTimer(t, func(b *settings.Backup) { b.SameDisk = false })
	x.want(x.at(x.now))
	x.health(false, "lies on the disk of the data, whose failure would take both")
	if entries, err := os.ReadDir(x.folder); err != nil || len(entries) > 0 {
		t.Errorf("written to: %v, %v", entries, err)
	}
}

// Without room nothing is begun, and what is there stays.
func TestBackupsWantRoom(t *testing.T) {
	x := newTimer(t, func(b *settings.Backup) { b.Keep = settings.BackupKeep{Daily: 1} })
	x.want(x.at(x.now), "14T1000")
	x.free = backupSpare
	x.want(x.at(x.now.AddDate(0, 0, 1)), "14T1000")
	x.health(false, "there is no room for a backup in")
	if x.again.After(time.Now()) {
		t.Error("it waits an hour to look whether there is room")
	}
	x.free = 1 << 40
	x.want(x.at(x.now), "15T1000")
	x.health(true, "15T100000Z")
}

// A clock that is not trusted gives no names, and a backup that is being given
// up is not met by another.
func TestBackupsWait(t *testing.T) {
	x := newTimer(t, nil)
	x.stop()
	x.start(nil)
	right := x.now
	x.want(x.at(right.AddDate(-1, 0, 0))) // before what is stored
	x.health(true, "waits until the clock is right")
	lock, err := store.LockTimed(x.data)
	if err != nil || lock == nil {
		t.Fatal(lock, err)
	}
	x.want(x.at(right))
	if err := lock.Close(); err != nil {
		t.Fatal(err)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	x.turn(ended) // stopped in the middle
	x.want(x.at(right), "14T1000")
	x.want(x.at(right.AddDate(0, 0, 3)), "14T1000", "17T1000")
	x.set(func() { x.known.At = right.AddDate(3, 0, 0) }) // the clock was three years ahead
	x.want(x.at(right.AddDate(0, 0, 4)), "17T1000", "18T1000")
}

// A backup that its disk has spoilt is found when it is read back; another is
// made, and that one is read back too.
func TestBackupsAreReadBack(t *testing.T) {
	x := newTimer(t, func(b *settings.Backup) { b.Every = 31 })
	x.want(x.at(x.now), "14T1000")
	first := filepath.Join(x.folder, timedName(x.now))
	x.want(x.at(x.now.AddDate(0, 0, 30)), "14T1000")
	if !x.known.ReadAt.Equal(x.now) || x.known.ReadFault != "" {
		t.Errorf("read back: %+v", x.known)
	}
	x.health(true, "14T100000Z")
	x.at(x.now.AddDate(0, 0, 1)) // the next one, of August 14
	second := filepath.Join(x.folder, timedName(x.now))
	body, err := os.ReadFile(second)
	if err != nil {
		t.Fatal(err)
	}
	copy(body[4096:8192], make([]byte, 4096)) // a page of nothing
	if err := os.WriteFile(second, body, 0o600); err != nil {
		t.Fatal(err)
	}
	x.at(x.now.AddDate(0, 0, 30))
	x.health(false, "cannot be read back")
	x.health(false, "look whether the disk of")
	if x.again.Before(time.Now()) {
		t.Error("a failing disk is given one backup after the other")
	}
	made := x.at(x.now.Add(time.Minute))
	if len(made) < 2 || made[len(made)-1] != x.now.Format("02T1504") {
		t.Errorf("no other was made: %v", made)
	}
	x.at(x.now.Add(time.Minute))
	x.health(true, "the newest is of")
	if x.known.ReadFault != "" || x.known.ReadFile != x.known.File {
		t.Errorf("known: %+v", x.known)
	}
	for _, path := range []string{first, second} {
		if err := os.Remove(path); err != nil && !os.IsNotExist(err) {
			t.Fatal(err)
		}
	}
}

// While what is stored is damaged no older backup is removed: it may hold what
// is lost.
func TestBackupsOfDamageRemoveNone(t *testing.T) {
	x := newTimer(t, func(b *settings.Backup) { b.Keep = settings.BackupKeep{Daily: 1} })
	x.store(10, 11, 12)
	if _, err := x.app.store.Pack(t.Context(), x.now.AddDate(0, 0, -5)); err != nil {
		t.Fatal(err)
	}
	x.want(x.at(x.now), "14T1000")
	x.stop()
	path := filepath.Join(x.data, store.File)
	body, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.LastIndex(body, []byte{0x28, 0xb5, 0x2f, 0xfd}) // the beginning of a packed day
	if at < 0 {
		t.Fatal("no packed day")
	}
	body[at+9] ^= 0xff
	if err := os.WriteFile(path, body, 0o600); err != nil {
		t.Fatal(err)
	}
	x.start(func(b *settings.Backup) { b.Keep = settings.BackupKeep{Daily: 1} })
	x.want(x.at(x.now.AddDate(0, 0, 1)), "14T1000", "15T1000")
	x.health(false, "older backups are kept")
}

// A store that was just restored, on a new machine or on this one, removes no
// backup: somebody may find that it was the wrong one.
func TestBackupsAfterARestoreRemoveNone(t *testing.T) {
	keep := func(b *settings.Backup) { b.Keep = settings.BackupKeep{Daily: 1} }
	x := newTimer(t, keep)
	x.want(x.at(x.now), "14T1000")
	x.store(1, 2, 3)
	x.want(x.at(x.now.AddDate(0, 0, 1)), "15T1000")
	x.set(func() { x.known.Readings = 100 }) // what is stored was put back to earlier
	x.want(x.at(x.now.AddDate(0, 0, 1)), "15T1000", "16T1000")
	x.stop()
	if err := os.Remove(filepath.Join(x.data, "backups.json")); err != nil { // another machine
		t.Fatal(err)
	}
	x.start(keep)
	x.want(x.at(x.now.Add(time.Hour)), "15T1000", "16T1000", "16T1100")
	x.want(x.at(x.now.AddDate(0, 0, 1)), "17T1100")
}

// A daemon with backups comes up, makes one beside its work and stops at once.
func TestBackupsInTheDaemon(t *testing.T) {
	cat, err := settings.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	s := settings.Default()
	s.HTTP.Listen, s.Broker.Embedded.Listen = "127.0.0.1:0", "127.0.0.1:0"
	s.Backup = &settings.Backup{Folder: folder, Every: 1, At: 210, Keep: settings.BackupKeep{Daily: 1}, SameDisk: true}
	a, err := New(Options{Settings: s, Catalog: cat, DataDir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	made := func() []timed {
		list, err := timedIn(folder)
		if err != nil {
			t.Fatal(err)
		}
		return list
	}
	for deadline := time.Now().Add(time.Minute); len(made()) == 0; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("no backup: %+v", a.Health())
		}
	}
	next, err := a.Reload(t.Context(), s, cat)
	if err != nil {
		t.Fatal(err)
	}
	found := slices.ContainsFunc(next.Health(), func(c health.Check) bool { return c.Code == "backup" && c.OK })
	if err := next.Stop(context.Background()); err != nil || !found {
		t.Errorf("health knows of it: %v; stopped: %v", found, err)
	}
	if n := len(made()); n != 1 {
		t.Errorf("%d backups, want that of the start", n)
	}
}
