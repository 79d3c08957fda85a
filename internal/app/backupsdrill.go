package app

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"dryhold/internal/store"
)

// Drilled is what a drill with a backup showed.
type Drilled struct {
	store.Contents // of the backup, as it is
	// Schema is that of the backup; UpTo is what this version makes of it.
	UpTo int64
	// Rooms and Lots are those of the state that was folded from it, Left the
	// lots of these that are not finished.
	Rooms, Lots, Left int
	// Newest is its newest reading; zero where it has none.
	Newest time.Time
	Took   time.Duration
}

// Drill restores a backup into a temporary directory, starts from it as a daemon
// of these options would, up to the whole state, and takes it all away again. The
// data directory of the options is not used. An error says why a restore would
// not work.
func Drill(ctx context.Context, opts Options, file string, tell store.Progress) (d Drilled, err error) {
	began := time.Now()
	if opts.DataDir, err = os.MkdirTemp("", "dryhold-drill-*"); err != nil {
		return d, fmt.Errorf("cannot make a folder for the drill: %w: name another place with TMPDIR", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(opts.DataDir)) }()
	a, err := New(opts)
	if err != nil {
		return d, err
	}
	if err := a.roomToDrill(file); err != nil {
		return d, err
	}
	got, err := store.Restore(ctx, file, opts.DataDir, false, a.now(), tell)
	if err != nil {
		return d, err
	}
	d.Contents = got.Contents
	tell("folding the state", 0, 0)
	stop, err := a.startStore(ctx)
	if err != nil {
		return d, fmt.Errorf("a daemon would not start from it: %w", err)
	}
	defer func() { err = errors.Join(err, stop(context.WithoutCancel(ctx))) }()
	if _, err := a.startEngine(ctx); err != nil {
		return d, fmt.Errorf("a daemon would not start from it: %w", err)
	}
	if d.UpTo, err = a.store.Schema(ctx); err != nil {
		return d, err
	}
	s := a.Snapshot()
	d.Rooms, d.Lots = len(s.Rooms), len(s.Lots)
	for _, l := range s.Lots {
		if !l.Finished() {
			d.Left++
		}
	}
	for _, v := range s.Sensors {
		d.Newest = later(d.Newest, v.LastSeen)
	}
	d.Took = time.Since(began)
	return d, nil
}

// roomToDrill sees that there is room for the restored database and for the copy
// that is kept where its schema is brought up to date.
func (a *App) roomToDrill(file string) error {
	need := uint64(0)
	for _, end := range []string{"", "-wal"} {
		switch info, err := os.Stat(file + end); {
		case err == nil && info.IsDir():
			return fmt.Errorf("%s is a folder: give the file of a backup", file)
		case err == nil:
			need += 2*uint64(info.Size()) + uint64(info.Size())/5
		case end == "":
			return fmt.Errorf("cannot read the backup: %w", err)
		}
	}
	free, _, err := a.disk.space(a.opts.DataDir)
	if err == nil && free < need {
		return fmt.Errorf("there is no room for the drill in %s: %s are needed and %s free: name a folder on another disk with TMPDIR", os.TempDir(), megabytes(need), megabytes(free))
	}
	return nil
}
