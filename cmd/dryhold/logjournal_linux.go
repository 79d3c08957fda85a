package main

import (
	"fmt"
	"io"
	"os"
	"syscall"
)

// inJournal reports a stream that the journal of systemd reads: $JOURNAL_STREAM has
// its device and inode (systemd.exec(5)).
func inJournal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	if err != nil {
		return false
	}
	stat, ok := info.Sys().(*syscall.Stat_t)
	return ok && os.Getenv("JOURNAL_STREAM") == fmt.Sprintf("%d:%d", stat.Dev, stat.Ino)
}
