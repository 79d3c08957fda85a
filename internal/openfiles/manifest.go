package openfiles

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// Names in a folder, beside those of the files of lines.
const (
	manifestName = "manifest.json"
	readmeName   = "README.txt"
	schemaFolder = "schema"
)

// version is that of the layout of a folder. One that this program does not
// know is not read.
const version = 1

// Format is how lines are written.
type Format string

// The formats.
const (
	CSV   Format = "csv"
	JSONL Format = "jsonl"
)

// Site is whose data a folder holds, and as of when.
type Site struct {
	Name    string    `json:"site"`
	Zone    string    `json:"zone"` // of the site's days
	AsOf    time.Time `json:"as_of"`
	Dryhold string    `json:"dryhold"` // version of the program
	Schema  int64     `json:"store_schema"`
}

// File is one file of lines.
type File struct {
	Path   string `json:"path"` // within the folder, with /
	Kind   string `json:"kind"`
	Format Format `json:"format"`
	Gzip   bool   `json:"gzip,omitempty"`
	Lines  int64  `json:"lines"` // without the header
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"` // of the bytes, hexadecimal
}

// Manifest says what a folder holds. It is written last: a folder without one
// was broken off.
type Manifest struct {
	Version int `json:"layout"`
	Site
	Written time.Time `json:"written"`
	Facts   bool      `json:"facts_only"` // without what was worked out
	Files   []File    `json:"files"`
}

// Lines counts the lines of a kind, once where they stand in both formats.
func (m Manifest) Lines(kind string) (n int64) {
	of := map[Format]int64{}
	for _, f := range m.Files {
		if f.Kind == kind {
			of[f.Format] += f.Lines
		}
	}
	return max(of[CSV], of[JSONL])
}

// Bytes is the size of all files of lines.
func (m Manifest) Bytes() (n int64) {
	for _, f := range m.Files {
		n += f.Bytes
	}
	return n
}

// maxManifest bounds a manifest that is read: some 50,000 files.
const maxManifest = 16 << 20

// readManifest reads and checks the manifest of a folder.
func readManifest(dir string) (m Manifest, err error) {
	name := filepath.Join(dir, manifestName)
	info, err := os.Stat(name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return m, fmt.Errorf("%s has no %s: it is no export of dryhold, or one that was broken off; export again", dir, manifestName)
	case err != nil:
		return m, fmt.Errorf("cannot look at the export: %w", err)
	case info.Size() > maxManifest:
		return m, fmt.Errorf("%s has %d bytes, more than any manifest: it is damaged", name, info.Size())
	}
	body, err := os.ReadFile(name)
	if err != nil {
		return m, fmt.Errorf("cannot read the manifest: %w", err)
	}
	if column, err := strict(body, &m); err != nil {
		line := 1 + bytes.Count(body[:column-1], []byte("\n"))
		column -= 1 + bytes.LastIndexByte(body[:column-1], '\n')
		return m, fmt.Errorf("%s:%d:%d: %w: take another copy of the export", name, line, column, err)
	}
	if m.Version != version {
		return m, fmt.Errorf("%s: the export has layout %d, this dryhold reads %d: read it with the version that wrote it (%s)", name, m.Version, version, m.Dryhold)
	}
	return m, m.check(name)
}

func (m Manifest) check(name string) error {
	seen := map[string]bool{}
	for _, f := range m.Files {
		_, known := kindOf(f.Kind)
		switch {
		case !fs.ValidPath(f.Path) || strings.ContainsAny(f.Path, `\:`) || !filepath.IsLocal(filepath.FromSlash(f.Path)):
			return fmt.Errorf("%s: %q is no path within the export: take another copy of it", name, f.Path)
		case seen[f.Path]:
			return fmt.Errorf("%s: %s stands there twice: take another copy of the export", name, f.Path)
		case !known:
			return fmt.Errorf("%s: %s is of kind %q, unknown to this version: read it with the version that wrote it (%s)", name, f.Path, f.Kind, m.Dryhold)
		case f.Format != CSV && f.Format != JSONL:
			return fmt.Errorf("%s: %s has format %q, which is neither csv nor jsonl", name, f.Path, f.Format)
		}
		seen[f.Path] = true
	}
	return nil
}

func kindOf(name string) (Kind, bool) {
	kinds := Kinds()
	i := slices.IndexFunc(kinds, func(k Kind) bool { return k.Name == name })
	if i < 0 {
		return Kind{}, false
	}
	return kinds[i], true
}

// strict decodes JSON without members that v does not have. column is the byte,
// from 1, near which it is wrong.
func strict(body []byte, v any) (column int, err error) {
	d := json.NewDecoder(bytes.NewReader(body))
	d.DisallowUnknownFields()
	if err = d.Decode(v); err == nil {
		rest := body[d.InputOffset():]
		if len(bytes.TrimSpace(rest)) == 0 {
			return 0, nil
		}
		return int(d.InputOffset()) + 1, errors.New("there is more behind the end of the object")
	}
	column = 1
	if e := (*json.SyntaxError)(nil); errors.As(err, &e) {
		column = int(e.Offset)
	}
	if e := (*json.UnmarshalTypeError)(nil); errors.As(err, &e) {
		column = int(e.Offset)
	}
	if name, ok := strings.CutPrefix(err.Error(), "json: unknown field "); ok {
		column = bytes.Index(body, []byte(name)) + 1
	}
	return min(max(1, column), len(body)+1), err
}

// readme is the text beside the files.
func (m Manifest) readme() string {
	var b strings.Builder
	state := ", and what was worked out of them"
	if m.Facts {
		state = ""
	}
	fmt.Fprintf(&b, `EVERYTHING OF %s, AS OF %s

Written by dryhold %s.
These are all facts of the site%s.

Quality is not safety: nothing here says that a food is safe to eat. When in
doubt about any food, throw it out, and follow your local food-safety authority.

FILES
`, m.Name, m.AsOf.UTC().Format(instant), m.Dryhold, state)
	for _, k := range Kinds() {
		i := slices.IndexFunc(m.Files, func(f File) bool { return f.Kind == k.Name })
		if i < 0 {
			continue
		}
		name := strings.TrimSuffix(strings.TrimSuffix(strings.TrimSuffix(m.Files[i].Path, ".gz"), ".csv"), ".jsonl")
		if k.Split {
			name = path.Dir(name) + "/ROOM-YEAR"
		}
		fmt.Fprintf(&b, "\n%s  (%d lines)\n", name, m.Lines(k.Name))
		for _, line := range wrapped(k.About+".", 76) {
			b.WriteString("  " + line + "\n")
		}
	}
	b.WriteString(`
HOW TO READ THEM

.csv    Comma-separated (RFC 4180), UTF-8, one header, lines end with CR LF. A
        name with a dot is a member of something (packing.net_mass_kg). A list
        stands in one cell as JSON. An empty cell is not known, or not given.
.jsonl  One JSON object a line, UTF-8. schema/KIND.schema.json describes it
        (JSON Schema). What is a fact stands in full in these files.
.gz     The same, compressed with gzip.

Instants are RFC 3339 in UTC, to the millisecond; in .jsonl an instant that a
person gave keeps the offset from UTC it was given with. Units stand in the
names: celsius, fraction (0 to 1, not percent), lux, pascal, kg, days, seconds,
ms, ns (nanoseconds). The unit of a reading stands beside it. moisture_wb is a
fraction of wet mass. A "spell" is one excursion beyond a limit. Unknown is not
zero: it is null, or an empty cell.

Years and hours of the files of readings and hours are those of UTC. Days of a
report are days of the site's zone, ` + m.Zone + `.

manifest.json has the lines and the SHA-256 of each file. A folder without it
was broken off and is not complete.

TO READ IT BACK

  dryhold restore FOLDER --data EMPTY-DIRECTORY

Not in here: the configuration, the files of passwords, the key that signs
links, what a broker or another server has still to get, and answers to
requests that were sent again.
`)
	return b.String()
}

// wrapped breaks a text into lines.
func wrapped(text string, width int) (lines []string) {
	line := ""
	for _, word := range strings.Fields(text) {
		if line != "" && len(line)+1+len(word) > width {
			lines, line = append(lines, line), ""
		}
		if line != "" {
			line += " "
		}
		line += word
	}
	return append(lines, line)
}
