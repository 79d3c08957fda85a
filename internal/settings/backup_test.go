package settings

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestBackup(t *testing.T) {
	f := func(text string, want Backup) {
		t.Helper()
		s, err := Parse("f.yaml", []byte("backup: {"+text+"}"))
		if err != nil {
			t.Error(err)
			return
		}
		if d := cmp.Diff(&want, s.Backup); d != "" {
			t.Errorf("%s (-want +got):\n%s", text, d)
		}
	}
	usual := BackupKeep{Daily: 7, Weekly: 5, Monthly: 12}
	f("folder: /mnt/stick/dryhold", Backup{Folder: "/mnt/stick/dryhold", Every: 1, At: 210, Keep: usual})
	f(`folder: b, every: 7d, at: "23:05", keep: {daily: 2, weekly: 0, monthly: 3}, same_disk: true`,
		Backup{Folder: "b", Every: 7, At: 23*60 + 5, Keep: BackupKeep{Daily: 2, Monthly: 3}, SameDisk: true})
	f(`folder: b, every: 48h, at: 03:30, keep: {monthly: 24}`, Backup{Folder: "b", Every: 2, At: 210, Keep: BackupKeep{Daily: 7, Weekly: 5, Monthly: 24}})
	if s, err := Parse("f.yaml", []byte("site: larch-house")); err != nil || s.Backup != nil {
		t.Errorf("a backup nobody asked for: %v, %v", s.Backup, err)
	}
}

func TestBackupProblems(t *testing.T) {
	f := func(text, want string) {
		t.Helper()
		_, err := Parse("f.yaml", []byte("backup: {"+text+"}"))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s\n got %v\nwant %s", text, err, want)
		}
	}
	f("every: 1d", `backup needs the key "folder"`)
	f("folder: b, every: 12h", "every 12h is outside 1d to 31d")
	f("folder: b, every: 36h", "every 36h is no whole number of days: write for example 1d or 7d")
	f(`folder: b, at: "25:00"`, `at`)
	f("folder: b, keep: {daily: 0}", "daily 0 is not a whole number from 1 to 1000")
	f("folder: b, keep: {weekly: 1.5}", "weekly 1.5 is not a whole number from 0 to 1000")
	f("folder: b, keep: {yearly: 1}", `unknown key "yearly" in keep`)
	f("folder: b, keep: 7", "keep must be keys with values")
}
