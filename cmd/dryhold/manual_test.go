package main

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/cpuguy83/go-md2man/v2/md2man"
	"github.com/spf13/cobra/doc"

	"dryhold/config"
)

var manual = flag.String("manual", "", "folder into which TestManual writes the manual pages and the completions of shells")

// configurationPage is dryhold.yaml(5): the example configuration, which
// explains every key, with what stands around it.
const configurationPage = `DRYHOLD.YAML 5 "" dryhold "File formats"
==================================================

# NAME

dryhold.yaml - configuration of dryhold

# SYNOPSIS

**dryhold run --config** */etc/dryhold/dryhold.yaml*

# DESCRIPTION

Every key may be left out; what then counts stands beside it below. Numbers have
units: *17 C*, *60 %%*, *5 lx*, *2h*. Files named in it are looked for beside it.

**dryhold check --config** *FILE* lists every mistake with line and column.
**systemctl reload dryhold** (SIGHUP) takes a changed one up; one with mistakes
is not taken, the one before goes on, and log, health and metrics say why.

The file holds hashes of passwords and tokens: keep it from others
(mode 0640, group dryhold). Secrets themselves stand in files of their own.

# FILE

%s
# CAUTION

Limits guard quality. Quality is not safety: when in doubt about any food, throw
it out, and follow your local food-safety authority.

# SEE ALSO

**dryhold**(1), **dryhold-run**(1), **dryhold-check**(1), **dryhold-sensors**(7),
**dryhold-alarms**(7), **dryhold-security**(7)
`

// topicPage is a topic of the manual in section 7.
const topicPage = `DRYHOLD-%s 7 "" dryhold "dryhold"
==================================================

# NAME

dryhold-%s - %s

%s
# SEE ALSO

%s
`

// writeTopics makes a page of each topic. What stands before its first heading
// comes under one, as manual pages have it.
func writeTopics(t *testing.T, man string) {
	t.Helper()
	all, err := topics()
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range all {
		also := "**dryhold**(1), **dryhold.yaml**(5)"
		for _, other := range all {
			if other.name != x.name {
				also += ", **dryhold-" + other.name + "**(7)"
			}
		}
		page := fmt.Sprintf(topicPage, strings.ToUpper(x.name), x.name, x.title, "# DESCRIPTION\n\n"+x.without("**dryhold-%s**(7)"), also)
		if err := os.WriteFile(filepath.Join(man, "dryhold-"+x.name+".7"), md2man.Render([]byte(page)), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// TestManual makes the manual pages and the completions as they are packed, and
// has man read the pages where there is one.
func TestManual(t *testing.T) {
	dir := *manual
	if dir == "" {
		dir = t.TempDir()
	}
	man, complete := filepath.Join(dir, "man"), filepath.Join(dir, "completion")
	for _, d := range []string{man, complete} {
		if err := os.MkdirAll(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	date := time.Unix(0, 0).UTC() // the same of the same source
	root := newRoot()
	root.DisableAutoGenTag = true
	if err := doc.GenManTree(root, &doc.GenManHeader{Title: "DRYHOLD", Section: "1", Date: &date, Source: "dryhold", Manual: "dryhold"}, man); err != nil {
		t.Fatal(err)
	}
	var literal strings.Builder
	for line := range strings.Lines(config.Example()) {
		literal.WriteString("    " + line)
	}
	page := fmt.Sprintf(configurationPage, literal.String())
	if err := os.WriteFile(filepath.Join(man, "dryhold.yaml.5"), md2man.Render([]byte(page)), 0o644); err != nil {
		t.Fatal(err)
	}
	writeTopics(t, man)
	for name, write := range map[string]func(*bytes.Buffer) error{
		"dryhold.bash": func(b *bytes.Buffer) error { return root.GenBashCompletionV2(b, true) },
		"_dryhold":     func(b *bytes.Buffer) error { return root.GenZshCompletion(b) },
		"dryhold.fish": func(b *bytes.Buffer) error { return root.GenFishCompletion(b, true) },
	} {
		var b bytes.Buffer
		if err := write(&b); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(complete, name), b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	pages, err := filepath.Glob(filepath.Join(man, "*"))
	if err != nil || len(pages) < 70 {
		t.Fatalf("%d pages, %v", len(pages), err)
	}
	for _, p := range pages {
		text, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		wants := []string{".SH NAME", ".SH SYNOPSIS"}
		if strings.HasSuffix(p, ".7") {
			wants = []string{".SH NAME", ".SH DESCRIPTION", ".SH SEE ALSO"}
		}
		for _, want := range wants {
			if !strings.Contains(string(text), want) {
				t.Errorf("%s has no %q", filepath.Base(p), want)
			}
		}
		if man, err := exec.LookPath("man"); err == nil {
			c := exec.Command(man, "--warnings", "-E", "UTF-8", "-l", "-Tutf8", "-Z", p)
			c.Env = append(os.Environ(), "MANROFFSEQ=", "MANWIDTH=80", "LC_ALL=C.UTF-8")
			var complaints bytes.Buffer
			c.Stderr = &complaints
			if err := c.Run(); err != nil || complaints.Len() > 0 {
				t.Errorf("man on %s: %v\n%s", filepath.Base(p), err, complaints.String())
			}
		}
	}
}
