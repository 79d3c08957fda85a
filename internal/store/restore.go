package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"dryhold/internal/crash"
)

// Restored is what a restore did.
type Restored struct {
	Contents
	// Aside is the name that the database found there was given; empty where
	// there was none.
	Aside string
}

// Restore puts a backup in the place of the database of a data directory. It
// copies the backup into the directory and checks the copy as Backup does,
// before anything else is touched. It refuses while a daemon runs there and,
// unless force is set, where there is a database already; with force that one
// is kept beside it, named after the instant now. A restore that is broken off
// leaves the old database in place or, in its last moments, a directory that
// no daemon starts on until the restore is run again.
func Restore(ctx context.Context, file, dir string, force bool, now time.Time, tell Progress) (out Restored, err error) {
	source, err := os.Stat(file)
	if err != nil {
		return out, fmt.Errorf("cannot read the backup: %w", err)
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return out, fmt.Errorf("cannot make data directory: %w", err)
	}
	lock, err := lockDir(dir)
	if err != nil {
		return out, err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	target := filepath.Join(dir, File)
	old := slices.ContainsFunc([]string{target, target + "-wal"}, exists)
	if info, err := os.Stat(target); err == nil && os.SameFile(info, source) {
		return out, fmt.Errorf("%s is the database of %s itself", file, dir)
	}
	if old && !force {
		return out, fmt.Errorf("%s has a database: give another --data, or --force to put the backup in its place (the old one is kept beside it)", dir)
	}
	if err := sweep(target); err != nil {
		return out, err
	}
	temp, err := tempBeside(target)
	if err != nil {
		return out, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, removeDatabase(temp))
		}
	}()
	if out.Contents, err = fetch(ctx, file, temp, tell); err != nil {
		return out, err
	}
	crash.At(ctx, crash.Fetched)
	if err := settle(temp, filepath.Join(dir, restoring)); err != nil {
		return out, err
	}
	crash.At(ctx, crash.Ready)
	if old {
		if out.Aside, err = keepAside(target, now); err != nil {
			return out, errors.Join(err, os.Remove(filepath.Join(dir, restoring)))
		}
	}
	crash.At(ctx, crash.KeptSafe)
	return out, replace(ctx, dir, target)
}

// sweep removes the copies of restores that were broken off.
func sweep(target string) error {
	entries, err := os.ReadDir(filepath.Dir(target))
	if err != nil {
		return fmt.Errorf("cannot look at the data directory: %w", err)
	}
	for _, e := range entries {
		path := filepath.Join(filepath.Dir(target), e.Name())
		if strings.HasPrefix(path, target+".") && strings.HasSuffix(path, ".part") {
			if err := removeDatabase(path); err != nil {
				return fmt.Errorf("cannot remove what a restore left: %w", err)
			}
		}
	}
	return nil
}

// fetch copies a backup, with the log beside it if it is a database that was
// not closed, and checks the copy.
func fetch(ctx context.Context, file, temp string, tell Progress) (Contents, error) {
	tell("copying", 0, 0)
	if err := copyFile(file, temp); err != nil {
		return Contents{}, fmt.Errorf("cannot copy the backup: %w", err)
	}
	if exists(file + "-wal") {
		if err := copyFile(file+"-wal", temp+"-wal"); err != nil {
			return Contents{}, fmt.Errorf("cannot copy the backup's log: %w", err)
		}
	}
	c, err := complete(ctx, temp, tell)
	if d := (*DamagedError)(nil); errors.As(err, &d) {
		return c, fmt.Errorf("nothing was restored: %s is damaged, or no database (%s): take another backup", file, strings.Join(d.Faults, "; "))
	} else if err != nil {
		return c, fmt.Errorf("nothing was restored from %s: %w", file, err)
	}
	newest, err := newestStep()
	if err != nil {
		return c, err
	}
	if c.Schema > newest {
		return c, fmt.Errorf("nothing was restored: %s was written by a newer dryhold (schema %d, this one knows %d): restore it with that", file, c.Schema, newest)
	}
	return c, handOver(temp, filepath.Dir(temp))
}

// newestStep is the newest schema step of this version.
func newestStep() (int64, error) {
	db, err := sql.Open("sqlite", ":memory:")
	if err != nil {
		return 0, err
	}
	defer func() { _ = db.Close() }()
	p, err := steps(db)
	if err != nil {
		return 0, err
	}
	list := p.ListSources()
	return list[len(list)-1].Version, nil
}

// handOver gives a file that the superuser made to the owner of its folder,
// whose daemon must be able to open it.
func handOver(path, dir string) error {
	info, err := os.Stat(dir)
	if err != nil {
		return fmt.Errorf("cannot look at %s: %w", dir, err)
	}
	owner, ok := info.Sys().(*syscall.Stat_t)
	if os.Geteuid() != 0 || !ok {
		return nil
	}
	if err := os.Chown(path, int(owner.Uid), int(owner.Gid)); err != nil {
		return fmt.Errorf("cannot give %s to the owner of its folder: %w", path, err)
	}
	return nil
}

// keepAside gives the database that is there, with its log, a second name.
func keepAside(target string, now time.Time) (string, error) {
	aside := target + ".before-" + now.UTC().Format("20060102T150405.000Z")
	for _, end := range []string{"-wal", ""} {
		if _, err := os.Stat(target + end); errors.Is(err, os.ErrNotExist) {
			continue
		}
		err := os.Link(target+end, aside+end)
		if err != nil { // a file system without second names
			err = copyFile(target+end, aside+end)
		}
		if err != nil {
			return "", fmt.Errorf("cannot keep the old database aside: %w", err)
		}
	}
	return aside, syncFile(filepath.Dir(target))
}

// replace takes the old log away, which would be taken for that of the new
// database, and gives the new one its name.
func replace(ctx context.Context, dir, target string) error {
	for _, end := range beside() {
		if err := os.Remove(target + end); err != nil && !errors.Is(err, os.ErrNotExist) {
			return fmt.Errorf("cannot take the old log away; run the restore again: %w", err)
		}
	}
	crash.At(ctx, crash.Cleared)
	if err := settle(filepath.Join(dir, restoring), target); err != nil {
		return fmt.Errorf("cannot put the restored database in its place; run the restore again: %w", err)
	}
	return nil
}
