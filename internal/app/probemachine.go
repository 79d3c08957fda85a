package app

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"dryhold/internal/health"
	"dryhold/internal/store"
)

const (
	// syncTries is how often a sync is timed; the one in the middle counts.
	syncTries = 5
	// slowSync is when a sync is slow: each commit waits for one, so that four
	// a second are left (judgement).
	slowSync = 250 * time.Millisecond
	// oldBackup is when the newest backup is old: readings since then would be
	// lost with the disk (judgement: a monthly backup, and some days).
	oldBackup = 35 * 24 * time.Hour
	// namesShown bounds the files that are named.
	namesShown = 5
)

// probeClock looks at the machine's clock.
func (a *App) probeClock() []health.Finding {
	const area = "clock"
	out := []health.Finding{of(a.checkClock(), area, "See that a time server can be reached (timedatectl status), or set the clock by hand (timedatectl set-time).")}
	if touched, err := store.Touched(a.opts.DataDir); err == nil && out[0].State == health.Good && touched.After(a.now().Add(clockSlack)) {
		out[0] = health.Ill(area, out[0].Title, fmt.Sprintf("it says %s, and the database was written %s", stamp(a.now()), stamp(touched)), "See that a time server can be reached (timedatectl status), or set the clock by hand (timedatectl set-time).")
	}
	const title = "A time server sets the clock"
	if a.clock.synced() {
		return append(out, health.Fine(area, title, "synchronised"))
	}
	return append(out, health.Unsure(area, title, "the machine does not say so: the clock is as right as whoever set it", "Switch synchronisation on (timedatectl set-ntp true), unless a clock of its own keeps this machine right."))
}

// probeDisk looks at the data directory: space, speed, whose it is.
func (a *App) probeDisk(running bool) []health.Finding {
	const area = "disk"
	dir := a.opts.DataDir
	info, err := os.Stat(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist) && !running:
		return []health.Finding{health.Unsure(area, "The data directory is there", "there is none yet at "+dir, "dryhold makes it at its first start. If it ran before, say with --data where its data are.")}
	case errors.Is(err, fs.ErrNotExist):
		return []health.Finding{health.Unsure(area, "The data directory is there", "the daemon has another one than "+dir, "Say with --data where its data are.")}
	case err != nil:
		return []health.Finding{trouble(area, "The data directory is there", err, "See whether its disk is mounted.")}
	case !info.IsDir():
		return []health.Finding{health.Ill(area, "The data directory is there", dir+" is no directory", "Say with --data where its data are.")}
	}
	room := of(a.disk.check(time.Now()), area, "Delete or move what is not needed there, or move the data to a larger disk (dryhold backup, then dryhold restore).")
	if _, known := a.disk.room(); !known {
		room = health.Unsure(area, room.Title, "free space is not known", "See `df "+dir+"`.")
	}
	return []health.Finding{room, probeSync(dir), probeOwner(dir, info)}
}

// probeSync times how long the disk takes to keep a page.
func probeSync(dir string) health.Finding {
	const area, title = "disk", "The disk keeps what it is given, in time"
	remedy := "See that the file system is not mounted read-only (findmnt -T " + dir + ") and that dmesg tells of no faults of the disk."
	took, err := timeSync(dir)
	switch {
	case err != nil:
		return trouble(area, title, err, remedy)
	case took > slowSync:
		return health.Ill(area, title, fmt.Sprintf("a sync takes %s", took.Round(time.Millisecond)), "See what else writes to the disk (iotop) and whether it is failing (smartctl -a, dmesg); memory cards want to be replaced when they grow slow.")
	}
	return health.Fine(area, title, fmt.Sprintf("a sync takes %s", took.Round(10*time.Microsecond)))
}

// timeSync is the time of the sync in the middle of syncTries.
func timeSync(dir string) (_ time.Duration, err error) {
	f, err := os.CreateTemp(dir, ".doctor-*")
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, f.Close(), os.Remove(f.Name())) }()
	var took []time.Duration
	for range syncTries {
		if _, err := f.Write(make([]byte, 4096)); err != nil {
			return 0, err
		}
		began := time.Now()
		if err := f.Sync(); err != nil {
			return 0, err
		}
		took = append(took, time.Since(began))
	}
	slices.Sort(took)
	return took[syncTries/2], nil
}

// probeOwner looks whether all in the data directory belongs to its owner, who
// may read and write it, and others may not look in.
func probeOwner(dir string, info fs.FileInfo) health.Finding {
	const area, title = "disk", "The data belong to the daemon alone"
	owner, known := ownerOf(info)
	if !known {
		return health.Unsure(area, title, "owners are not known here", "Look at them with ls -l "+dir+".")
	}
	if info.Mode().Perm()&0o007 != 0 {
		return health.Ill(area, title, fmt.Sprintf("others on this machine can look into %s (mode %04o)", dir, info.Mode().Perm()), "chmod 750 "+dir)
	}
	var foreign, closed []string
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil // a file of an instant
		}
		if err != nil {
			return err
		}
		info, err := d.Info()
		if err != nil {
			return nil
		}
		if uid, _ := ownerOf(info); uid != owner && d.Type()&fs.ModeSymlink == 0 {
			foreign = append(foreign, filepath.Base(path))
		} else if d.Type().IsRegular() && info.Mode().Perm()&0o600 != 0o600 {
			closed = append(closed, filepath.Base(path))
		}
		return nil
	})
	switch {
	case err != nil:
		return trouble(area, title, err, "See ls -l "+dir+".")
	case len(foreign) > 0:
		return health.Ill(area, title, fmt.Sprintf("%s in %s belong to another user than the directory: a command may have run as root", named(foreign), dir), fmt.Sprintf("chown -R --reference=%s %s", dir, dir))
	case len(closed) > 0:
		return health.Ill(area, title, fmt.Sprintf("%s in %s cannot be read and written by their owner", named(closed), dir), "chmod -R u+rwX "+dir)
	}
	return health.Fine(area, title, fmt.Sprintf("%s, mode %04o", dir, info.Mode().Perm()))
}

func named(files []string) string {
	if len(files) > namesShown {
		return strings.Join(files[:namesShown], ", ") + fmt.Sprintf(" and %d more", len(files)-namesShown)
	}
	return strings.Join(files, ", ")
}

// ownerOf is the user whose file it is.
func ownerOf(info fs.FileInfo) (uid uint32, known bool) {
	s, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return 0, false
	}
	return s.Uid, true
}

// probeStore has the database checked, and looks for its newest backup.
func (a *App) probeStore(ctx context.Context) []health.Finding {
	const area, title = "store", "The database is whole"
	dir := a.opts.DataDir
	in, err := store.Inspect(ctx, dir)
	switch {
	case err != nil:
		return []health.Finding{trouble(area, title, err, "See the disk, and the log of the daemon.")}
	case !in.Found:
		return []health.Finding{health.Unsure(area, title, "there is none yet in "+dir, "dryhold makes it at its first start. If it ran before, say with --data where its data are.")}
	case len(in.Faults) > 0:
		return []health.Finding{health.Ill(area, title, strings.Join(in.Faults, "; "), fmt.Sprintf("Stop the daemon and restore the newest backup: dryhold restore BACKUP --data %s --force. It keeps the damaged file beside it.", dir))}
	}
	return []health.Finding{health.Fine(area, title, "the quick check found no fault"), a.backedUp(dir)}
}

// backedUp says how old the newest backup is.
func (a *App) backedUp(dir string) health.Finding {
	const area, title = "store", "There is a fresh backup"
	remedy := fmt.Sprintf("dryhold backup --data %s FILE, with FILE on another disk; or name a folder under backup in the configuration, and dryhold makes them by itself.", dir)
	b, known := store.LastBackup(dir)
	if !known {
		return health.Unsure(area, title, "none is known", remedy)
	}
	days := int(a.now().Sub(b.At).Hours() / 24)
	text := fmt.Sprintf("%s, %d days ago, with %d readings", b.File, days, b.Readings)
	if a.now().Sub(b.At) > oldBackup {
		return health.Ill(area, title, text, remedy)
	}
	return health.Fine(area, title, text)
}
