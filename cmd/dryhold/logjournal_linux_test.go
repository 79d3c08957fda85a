package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

// The journal counts only where the log goes to it: the variable stays when the
// output of a service is sent elsewhere.
func TestInJournal(t *testing.T) {
	file, err := os.Create(filepath.Join(t.TempDir(), "journal"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	var stat syscall.Stat_t
	if err := syscall.Fstat(int(file.Fd()), &stat); err != nil {
		t.Fatal(err)
	}
	f := func(stream string, want bool) {
		t.Helper()
		t.Setenv("JOURNAL_STREAM", stream)
		if got := inJournal(file); got != want {
			t.Errorf("JOURNAL_STREAM=%s: %v", stream, got)
		}
	}
	own := fmt.Sprintf("%d:%d", stat.Dev, stat.Ino)
	f(own, true)
	f(own+"0", false)
	f("", false)
	t.Setenv("JOURNAL_STREAM", own)
	if inJournal(&bytes.Buffer{}) {
		t.Error("a buffer is no journal")
	}
}
