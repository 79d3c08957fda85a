package app

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"time"

	"dryhold/internal/settings"
	"dryhold/internal/store"
)

const (
	// markFile is what dryhold leaves in the folder of its backups. A folder
	// without it is not the one that was written to: the disk is not mounted.
	markFile = "dryhold-backups"
	// timedForm is the instant in the name of a backup, UTC.
	timedForm = "20060102T150405Z"
)

// mark is what stands in markFile.
type mark struct {
	About string `json:"about"`
	Site  string `json:"site"`
	ID    string `json:"id"`
}

// markOf is the name of a store in marks: from a key that lies in it, so that a
// store that was restored elsewhere finds its folder again.
func markOf(key []byte) string {
	sum := sha256.Sum256(key)
	return hex.EncodeToString(sum[:8])
}

// notReady says why no backup is begun, and the remedy. It is looked at again
// soon, since it costs nothing.
type notReady struct{ error }

func (e notReady) Unwrap() error { return e.error }

func unready(format string, args ...any) error { return notReady{fmt.Errorf(format, args...)} }

// ready sees that the folder is the right one, that there is room, and takes
// away what backups that were broken off left in it.
func (b *backups) ready() error {
	if err := b.marked(b.state()); err != nil {
		return err
	}
	if err := b.sweep(); err != nil {
		return err
	}
	need, err := store.SizeFor(b.app.opts.DataDir)
	if err != nil {
		return err
	}
	b.mu.Lock()
	if b.beside {
		need += backupSpare
	}
	b.mu.Unlock()
	free, _, err := b.app.disk.space(b.how.Folder)
	if err == nil && free < need {
		return unready("there is no room for a backup in %s: %s are needed and %s free: make room there, keep fewer (backup: keep), or take a larger disk", b.how.Folder, megabytes(need), megabytes(free))
	}
	return nil
}

// marked sees that the folder is there, on a disk of its own, and has the mark
// of this store. It leaves the mark where a folder is used for the first time,
// and where the keeper made an empty one, which takes a disk into use.
func (b *backups) marked(known store.Timed) error {
	folder := b.how.Folder
	info, err := os.Stat(folder)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return unready("the folder %s is not there: mount its disk, or make it there (mkdir %s, for the user of dryhold to write into)", folder, folder)
	case err != nil:
		return unready("cannot look at the folder of the backups: %w: see that the user of dryhold may enter it and that its disk answers", err)
	case !info.IsDir():
		return unready("%s is no folder: name one under backup", folder)
	}
	beside := sameDisk(b.app.opts.DataDir, info)
	b.set(func() { b.beside = beside })
	if beside && !b.how.SameDisk {
		return unready("%s lies on the disk of the data, whose failure would take both: mount another disk there, name a folder on one, or write same_disk: true under backup", folder)
	}
	path := filepath.Join(folder, markFile)
	body, err := os.ReadFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist) && known.Folder == folder:
		return unready("%s is there, and the file %s that dryhold left in it is not: mount the disk of the backups. To take another disk into use: touch %s", folder, markFile, path)
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return unready("cannot read %s: %w: see that the user of dryhold may read and write there", path, err)
	case len(strings.TrimSpace(string(body))) == 0:
		return b.leaveMark(path)
	}
	var m mark
	if json.Unmarshal(body, &m) != nil || m.ID == "" {
		return unready("%s does not hold what dryhold wrote: if the folder is right, empty that file", path)
	}
	if m.ID != b.id {
		return unready("%s has the backups of another store (site %s): give each dryhold a folder of its own; or, if that one is gone for good, empty the file %s", folder, m.Site, path)
	}
	return nil
}

func (b *backups) leaveMark(path string) error {
	body, err := json.MarshalIndent(mark{
		About: "dryhold puts backups here, and knows by this file that the disk is mounted. Keep it.",
		Site:  b.app.opts.Settings.Site, ID: b.id,
	}, "", "  ")
	if err == nil {
		err = replaceFile(path, append(body, '\n'))
	}
	if err != nil {
		return unready("cannot write into the folder of the backups: %w: let the user of dryhold write there (chown), and the service as well (systemctl edit dryhold: under [Service], ReadWritePaths=-%s)", err, b.how.Folder)
	}
	return nil
}

// replaceFile puts a file in the place of one that may belong to another user, as
// one that root has touched.
func replaceFile(path string, body []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".*")
	if err != nil {
		return err
	}
	_, err = f.Write(body)
	if err = errors.Join(err, f.Sync(), f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return nil
}

// sameDisk reports whether a folder lies on the file system of a directory.
func sameDisk(dir string, folder fs.FileInfo) bool {
	info, err := os.Stat(dir)
	if err != nil {
		return false
	}
	a, ok := info.Sys().(*syscall.Stat_t)
	b, also := folder.Sys().(*syscall.Stat_t)
	return ok && also && a.Dev == b.Dev
}

// timed is a backup that was made by the timer.
type timed struct {
	name string
	at   time.Time
}

func timedName(at time.Time) string { return "dryhold-timed-" + at.UTC().Format(timedForm) + ".db" }

// parseTimed reads the name of a backup of the timer; false for every other.
func parseTimed(name string) (timed, bool) {
	text, ok := strings.CutPrefix(name, "dryhold-timed-")
	text, end := strings.CutSuffix(text, ".db")
	at, err := time.Parse(timedForm, text)
	if !ok || !end || err != nil || timedName(at) != name {
		return timed{}, false
	}
	return timed{name, at}, true
}

// timedIn lists the backups of the timer in a folder, the oldest first. All else
// there is not dryhold's.
func timedIn(folder string) ([]timed, error) {
	entries, err := os.ReadDir(folder)
	if err != nil {
		return nil, unready("cannot list the backups: %w: see that the disk of %s answers", err, folder)
	}
	var out []timed
	for _, e := range entries {
		if t, ok := parseTimed(e.Name()); ok && e.Type().IsRegular() {
			out = append(out, t)
		}
	}
	slices.SortFunc(out, func(a, b timed) int { return a.at.Compare(b.at) })
	return out, nil
}

// sweep removes what backups of the timer that were broken off left.
func (b *backups) sweep() error {
	entries, err := os.ReadDir(b.how.Folder)
	if err != nil {
		return unready("cannot list the folder of the backups: %w: see that its disk answers", err)
	}
	part := partForm()
	for _, e := range entries {
		if part.MatchString(e.Name()) && e.Type().IsRegular() {
			if err := os.Remove(filepath.Join(b.how.Folder, e.Name())); err != nil {
				return unready("cannot remove what a backup that was broken off left: %w: see that its disk can be written", err)
			}
		}
	}
	return nil
}

// partForm is how store.Backup names what has not got its name yet, and what
// SQLite puts beside it.
func partForm() *regexp.Regexp {
	return regexp.MustCompile(`^dryhold-timed-\d{8}T\d{6}Z\.db\.\d+\.part(-wal|-shm|-journal)?$`)
}

// outdated gives the backups that are kept no longer: of each of the latest days,
// ISO weeks and months of the zone that have any, the newest is kept. The newest
// of all is always kept, and those of days to come, which a wrong clock made, are
// left alone and count for nothing.
func outdated(made []timed, now time.Time, zone *time.Location, keep settings.BackupKeep) (out []timed) {
	var days, weeks, months []string
	first := func(seen *[]string, most int, key string) bool {
		if slices.Contains(*seen, key) || len(*seen) >= most {
			return false
		}
		*seen = append(*seen, key)
		return true
	}
	newest := true
	for _, t := range slices.Backward(made) {
		if t.at.After(now.Add(time.Minute)) {
			continue
		}
		local := t.at.In(zone)
		year, week := local.ISOWeek()
		// All three are asked: one backup may stand for a day, a week and a month.
		daily := first(&days, keep.Daily, local.Format(time.DateOnly))
		weekly := first(&weeks, keep.Weekly, fmt.Sprintf("%d-%d", year, week))
		monthly := first(&months, keep.Monthly, local.Format("2006-01"))
		if !daily && !weekly && !monthly && !newest {
			out = append(out, t)
		}
		newest = false
	}
	return out
}
