package app

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"dryhold/internal/health"
	"dryhold/internal/settings"
	"dryhold/internal/store"
)

const (
	// backupAgain is when a backup that failed is tried again. What keeps one
	// from being begun is looked at each time that upkeep looks.
	backupAgain = time.Hour
	// backupLate is how long after its time a backup may be missing before
	// health says so.
	backupLate = 24 * time.Hour
	// readBackEvery is how often the newest backup is read back (judgement:
	// often enough that older ones are still kept when it is found damaged).
	readBackEvery = 30 * 24 * time.Hour
	// backupStop is how long a stop waits for a backup. What it is at is given
	// up at once, but a disk may take longer to end what it was told.
	backupStop = 5 * time.Second
	// backupSpare is what must stay free beside a backup on the disk of the
	// data, so that readings can still be stored.
	backupSpare = lowFree
)

// backups makes backups by itself. All of it works beside the writer, over
// connections of its own, and holds nothing up.
type backups struct {
	app *App
	how settings.Backup
	id  string // of this store, in the folder's mark

	again time.Time // not before this is one begun after a failure, by the machine's clock

	mu      sync.Mutex // guards the fields below
	known   store.Timed
	doing   string // what is being done
	trouble string // why the last turn made none, and the remedy; empty when all is well
	beside  bool   // the folder lies on the disk of the data
}

// newBackups takes up what is known of them, and starts nothing.
func (a *App) newBackups(ctx context.Context) (*backups, error) {
	key, err := a.store.OwnKey(ctx, "backups", a.now())
	if err != nil {
		return nil, err
	}
	b := &backups{app: a, how: *a.opts.Settings.Backup, id: markOf(key)}
	if b.known, err = store.ReadTimed(a.opts.DataDir); err != nil {
		a.logOf("upkeep").Error("what is known of earlier backups cannot be read: one is made now, if the folder has its mark", "error", err)
		b.known = store.Timed{Folder: b.how.Folder}
	}
	if err := a.metrics.WatchBackup(a.opts.Settings.Site, b.last); err != nil {
		return nil, err
	}
	a.backups.Store(b)
	return b, nil
}

// startBackups starts them where the settings want any.
func (a *App) startBackups(ctx context.Context) (func(context.Context) error, error) {
	if a.opts.Settings.Backup == nil || a.opts.Throwaway {
		return nil, nil
	}
	b, err := a.newBackups(ctx)
	if err != nil {
		return nil, err
	}
	running, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		b.run(running)
	}()
	return func(stopping context.Context) error {
		cancel()
		stopping, done := context.WithTimeout(stopping, backupStop)
		defer done()
		if await(stopping, ended) != nil {
			a.logOf("upkeep").Warn("the disk of the backups is slow: one that was under way is given up, and ends by itself", "folder", b.how.Folder)
		}
		return nil
	}, nil
}

func (b *backups) run(ctx context.Context) {
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	for {
		b.turn(ctx)
		select {
		case <-ctx.Done():
			return
		case <-look.C:
		}
	}
}

// last is when the newest backup was made; zero before the first.
func (b *backups) last() time.Time {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.known.At
}

// turn does what is due. By a clock that is not trusted nothing is: a backup
// would get a wrong name, by which later ones would be removed.
func (b *backups) turn(ctx context.Context) {
	if !b.app.clock.sure() || time.Now().Before(b.again) {
		return
	}
	now := b.app.now()
	known := b.state()
	var what string
	var do func(ctx context.Context, now time.Time) error
	switch {
	case backupDue(known, now, b.how, b.app.opts.Settings.Zone):
		what, do = "making a backup", b.make
	case readBackDue(known, now):
		what, do = "reading the newest backup back", b.readBack
	default:
		return
	}
	lock, err := store.LockTimed(b.app.opts.DataDir)
	if err == nil && lock == nil {
		return // one that was given up is not at its end yet
	}
	if err == nil {
		b.set(func() { b.doing = what })
		err = errors.Join(do(ctx, now), lock.Close())
	}
	if ctx.Err() != nil {
		return
	}
	b.ended(err)
}

// ended keeps how a turn went. It is logged when it is news.
func (b *backups) ended(err error) {
	text := ""
	if err != nil {
		text = err.Error()
		if !errors.As(err, new(notReady)) {
			b.again = time.Now().Add(backupAgain)
		}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if text != "" && text != b.trouble {
		b.app.logOf("upkeep").Error("no backup could be made or read back; trying again", "folder", b.how.Folder, "error", text)
	}
	b.doing, b.trouble = "", text
}

func (b *backups) state() store.Timed {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.known
}

func (b *backups) set(do func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	do()
}

// note keeps what is known, in memory first: a data disk that takes no note
// must not have a backup made every half minute.
func (b *backups) note(change func(t *store.Timed)) error {
	var t store.Timed
	b.set(func() { change(&b.known); t = b.known })
	return store.WriteTimed(b.app.opts.DataDir, t)
}

// make makes a backup, and only when it is known to be whole removes older ones.
func (b *backups) make(ctx context.Context, now time.Time) error {
	dir, folder := b.app.opts.DataDir, b.how.Folder
	if err := b.ready(); err != nil {
		return err
	}
	name, began := timedName(now), time.Now()
	got, err := store.Backup(ctx, dir, filepath.Join(folder, name), false, func(string, int64, int64) {})
	if err != nil {
		return unmade(err, folder)
	}
	b.app.logOf("upkeep").Info("backup made and checked", "file", filepath.Join(folder, name), "bytes", got.Bytes, "readings", got.Readings, "took", time.Since(began).Round(time.Millisecond))
	before := b.state()
	err = b.note(func(t *store.Timed) {
		t.Folder, t.At, t.File, t.Bytes, t.Readings, t.Damaged = folder, now.UTC().Truncate(time.Second), name, got.Bytes, got.Readings, len(got.Damaged)
		if t.ReadFault != "" { // of an older one: the next turn reads this one
			t.ReadAt = time.Time{}
		} else if t.ReadAt.IsZero() {
			t.ReadAt, t.ReadFile = t.At, name // it was just read whole
		}
	})
	if err != nil {
		return err
	}
	switch {
	case len(got.Damaged) > 0: // older ones may hold what is damaged now
	case before.At.IsZero(): // nor does a store that was just restored remove what it may be restored from again
	case got.Readings < before.Readings:
		b.app.logOf("upkeep").Warn("this backup holds fewer readings than the one before, as after a restore: no older one is removed this time", "readings", got.Readings, "before", before.Readings)
	default:
		return b.rotate(now, name)
	}
	return nil
}

// rotate removes what is kept no longer.
func (b *backups) rotate(now time.Time, newest string) error {
	made, err := timedIn(b.how.Folder)
	if err != nil {
		return err
	}
	var errs []error
	for _, old := range outdated(made, now, b.app.opts.Settings.Zone, b.how.Keep) {
		if old.name == newest {
			continue
		}
		if err := os.Remove(filepath.Join(b.how.Folder, old.name)); err != nil {
			errs = append(errs, fmt.Errorf("the backup is made, but an old one cannot be removed: %w", err))
			continue
		}
		b.app.logOf("upkeep").Info("old backup removed", "file", old.name)
	}
	return errors.Join(errs...)
}

// readBack reads the newest backup whole, as it lies on its disk by now.
func (b *backups) readBack(ctx context.Context, now time.Time) error {
	if err := b.marked(b.state()); err != nil {
		return err
	}
	made, err := timedIn(b.how.Folder)
	if err != nil {
		return err
	}
	if len(made) == 0 {
		return fmt.Errorf("there is no backup in %s any more: somebody removed them, or it is another disk. The next one is made at its time", b.how.Folder)
	}
	newest := made[len(made)-1]
	began := time.Now()
	got, err := store.ReadBack(ctx, filepath.Join(b.how.Folder, newest.name), func(string, int64, int64) {})
	if ctx.Err() != nil {
		return ctx.Err()
	}
	fault := ""
	switch known := b.state(); {
	case err != nil:
		fault = err.Error()
	case newest.name == known.File && got.Readings != known.Readings:
		fault = fmt.Sprintf("it holds %d readings, and held %d when it was made", got.Readings, known.Readings)
	case newest.name == known.File && len(got.Damaged) != known.Damaged:
		fault = fmt.Sprintf("%d packed days cannot be read", len(got.Damaged))
	}
	if fault != "" {
		b.again = time.Now().Add(backupAgain) // on a failing disk not one after the other
		b.app.logOf("upkeep").Error("the newest backup cannot be read back: another is made in an hour; look whether its disk is failing", "file", newest.name, "fault", fault)
	} else {
		b.app.logOf("upkeep").Info("the newest backup was read back and is whole", "file", newest.name, "took", time.Since(began).Round(time.Millisecond))
	}
	return b.note(func(t *store.Timed) {
		t.ReadAt, t.ReadFile, t.ReadFault = now.UTC().Truncate(time.Second), newest.name, fault
	})
}

// unmade words why a backup failed, with the remedy.
func unmade(err error, folder string) error {
	if errors.As(err, new(*store.DamagedError)) {
		return err // it has its own
	}
	cause, _ := store.Explain(err)
	return fmt.Errorf("cannot make a backup in %s: %s: see that its disk has room, can be written and is sound (dmesg); dryhold doctor looks at the disk of the data", folder, cause)
}

// dueAfter is when the backup after one is due: so many days later, at the time
// of day of the settings, by the calendar of the zone. Where a change of the
// clock leaves that time out, or has it twice, it is once.
func dueAfter(at time.Time, how settings.Backup, zone *time.Location) time.Time {
	y, m, d := at.In(zone).Date()
	return time.Date(y, m, d+how.Every, how.At/60, how.At%60, 0, 0, zone)
}

// backupDue reports whether a backup is due: at its time or, when that was
// missed, now; the first, and one after a backup that could not be read back,
// now. One that was made by a clock that was days ahead does not count.
func backupDue(t store.Timed, now time.Time, how settings.Backup, zone *time.Location) bool {
	unreadable := t.ReadFault != "" && !t.At.After(t.ReadAt)
	return t.Folder != how.Folder || t.At.IsZero() || unreadable || !now.Before(dueAfter(t.At, how, zone)) || t.At.Sub(now) > 24*time.Hour
}

// readBackDue reports whether the newest backup is to be read back.
func readBackDue(t store.Timed, now time.Time) bool {
	return !t.At.IsZero() && (now.Sub(t.ReadAt) >= readBackEvery || t.ReadAt.Sub(now) >= readBackEvery)
}

// checkBackup is the backups' part in health.
func (a *App) checkBackup(now time.Time) []health.Check {
	b := a.backups.Load()
	if b == nil {
		return nil
	}
	sure := a.clock.sure()
	b.mu.Lock()
	defer b.mu.Unlock()
	c := health.Check{Code: "backup", Title: "Backups are made", OK: true}
	t := b.known
	newest := "none yet"
	if !t.At.IsZero() {
		newest = fmt.Sprintf("the newest is of %s, %s with %d readings in %s", stamp(t.At), t.File, t.Readings, b.how.Folder)
	}
	late := sure && !t.At.IsZero() && now.Sub(dueAfter(t.At, b.how, a.opts.Settings.Zone)) > backupLate
	switch {
	case b.trouble != "":
		c.OK, c.Text = false, b.trouble+"; "+newest
	case t.ReadFault != "":
		c.OK, c.Text = false, fmt.Sprintf("the backup %s cannot be read back (%s): look whether the disk of %s is failing, and replace it; %s", t.ReadFile, t.ReadFault, b.how.Folder, newest)
	case t.Damaged > 0:
		c.OK, c.Text = false, fmt.Sprintf("%d packed days cannot be read in what is stored, and so are not whole in the backup: older backups are kept, since one may hold them; %s", t.Damaged, newest)
	case late:
		c.OK, c.Text = false, newest+", and the next is overdue: see the log"
	case t.At.IsZero():
		c.Text = newest
	default:
		c.Text = newest
		if t.ReadFile != t.File {
			c.Text += fmt.Sprintf("; %s was read back on %s and is whole", t.ReadFile, t.ReadAt.Format(time.DateOnly))
		}
	}
	if b.doing != "" {
		c.Text += "; " + b.doing + " now"
	}
	if !sure {
		c.Text += "; the next waits until the clock is right"
	}
	if b.beside {
		c.Text += "; it lies on the disk of the data, whose failure would take both"
	}
	return []health.Check{c}
}
