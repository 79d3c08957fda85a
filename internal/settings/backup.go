package settings

import (
	"math"
	"time"

	"github.com/goccy/go-yaml/ast"
)

// Backup says where the daemon puts backups by itself, and when.
type Backup struct {
	// Folder is where they lie, best on another disk. It must be there: a
	// folder that the daemon made could lie below a disk that is not mounted.
	Folder string
	// Every is how many days lie between two; 1 to 31.
	Every int
	// At is when, in minutes after midnight by Settings.Zone.
	At int
	// Keep says how many are kept.
	Keep BackupKeep
	// SameDisk permits a folder on the disk that holds the data.
	SameDisk bool
}

// BackupKeep is of how many days, weeks and months the newest backup is kept;
// one may count for all three.
type BackupKeep struct {
	Daily   int // at least 1
	Weekly  int
	Monthly int
}

// Defaults of backups (judgement): a week to notice a mistake made yesterday, a
// month for one made last week, a year for damage that nobody looked at.
const (
	DefaultBackupEvery = 1
	DefaultBackupAt    = 3*60 + 30
	DefaultKeepDaily   = 7
	DefaultKeepWeekly  = 5
	DefaultKeepMonthly = 12

	maxBackupEvery = 31
	maxBackups     = 1000
)

func (p *parse) backup(n ast.Node) {
	b := &Backup{Every: DefaultBackupEvery, At: DefaultBackupAt, Keep: BackupKeep{DefaultKeepDaily, DefaultKeepWeekly, DefaultKeepMonthly}}
	p.mapping(n, "backup",
		key{name: "folder", required: true, read: func(n ast.Node) { b.Folder = p.text(n, "folder") }},
		key{name: "every", read: func(n ast.Node) {
			const day = 24 * time.Hour
			v, ok := p.duration(n, "every", day, maxBackupEvery*day)
			if ok && v%day != 0 {
				raw, _ := scalar(n)
				p.at(n, "every %s is no whole number of days: write for example 1d or 7d", raw)
				return
			}
			if ok {
				b.Every = int(v / day)
			}
		}},
		key{name: "at", read: func(n ast.Node) {
			if m, ok := p.hour(n, "at"); ok {
				b.At = m
			}
		}},
		key{name: "keep", read: func(n ast.Node) {
			p.mapping(n, "keep",
				key{name: "daily", read: func(n ast.Node) { p.kept(n, "daily", 1, &b.Keep.Daily) }},
				key{name: "weekly", read: func(n ast.Node) { p.kept(n, "weekly", 0, &b.Keep.Weekly) }},
				key{name: "monthly", read: func(n ast.Node) { p.kept(n, "monthly", 0, &b.Keep.Monthly) }},
			)
		}},
		key{name: "same_disk", read: func(n ast.Node) { b.SameDisk = p.boolean(n, "same_disk") }},
	)
	p.s.Backup = b
}

// kept reads how many backups are kept.
func (p *parse) kept(n ast.Node, what string, least int, to *int) {
	v, ok := p.number(n, what)
	if !ok {
		return
	}
	if v != math.Trunc(v) || v < float64(least) || v > maxBackups {
		p.at(n, "%s %g is not a whole number from %d to %d", what, v, least, maxBackups)
		return
	}
	*to = int(v)
}
