package openfiles

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"
	"unicode"
)

// Options say how a folder is written.
type Options struct {
	// Readings are the formats of readings and hours, which are nearly all of
	// it; everything else is written in both.
	Readings  []Format
	Gzip      bool // readings and hours are compressed
	FactsOnly bool // without what was worked out
	// Schema gives the JSON Schema of a Go value.
	Schema func(v any) ([]byte, error)
}

// Writer writes one folder. Each file has its name only when it is complete and
// on disk, and the manifest is the last. It is not safe for concurrent use.
type Writer struct {
	dir     string
	made    bool // the folder was not there
	options Options
	kinds   map[reflect.Type]Kind
	open    map[string]*sheets // by kind
	names   map[string]string  // of rooms in those of files
	taken   map[string]bool
	files   []File
	created []string // for Abandon
}

// sheets are the open files of a kind, one for each format.
type sheets struct {
	kind   Kind
	part   part
	sheets []*sheet
}

// Create begins a folder. One that is there must be empty.
func Create(dir string, o Options) (*Writer, error) {
	w := &Writer{dir: dir, options: o, kinds: map[reflect.Type]Kind{}, open: map[string]*sheets{}, names: map[string]string{}, taken: map[string]bool{}}
	for _, k := range Kinds() {
		w.kinds[reflect.PointerTo(k.row)] = k
	}
	entries, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		w.made = true
		if err := os.MkdirAll(dir, 0o700); err != nil {
			return nil, fmt.Errorf("cannot make the folder of the export: %w", err)
		}
	case err != nil:
		return nil, fmt.Errorf("cannot export into %s: %w: name a folder", dir, err)
	case len(entries) > 0:
		return nil, fmt.Errorf("%s is not empty%s: name a folder that is not there yet, or empty", dir, broken(entries))
	}
	return w, nil
}

// broken says that a folder holds an export without its manifest.
func broken(entries []fs.DirEntry) string {
	has := func(name string) bool {
		return slices.ContainsFunc(entries, func(e fs.DirEntry) bool { return e.Name() == name })
	}
	if has(schemaFolder) && !has(manifestName) {
		return " (it holds an export that was broken off, which can be deleted)"
	}
	return ""
}

// Put writes a line; row is a pointer to the type of its kind. Lines of rooms
// and years must come room by room and year by year.
func (w *Writer) Put(row any) error {
	k, ok := w.kinds[reflect.TypeOf(row)]
	if !ok {
		return fmt.Errorf("BUG: %T is no kind of line", row)
	}
	s := w.open[k.Name]
	of := part{}
	if p, split := row.(interface{ part() part }); split {
		of = p.part()
	}
	if s == nil || s.part != of {
		if err := w.finish(k.Name); err != nil {
			return err
		}
		var err error
		if s, err = w.begin(k, of); err != nil {
			return err
		}
	}
	for _, sheet := range s.sheets {
		if err := sheet.put(row); err != nil {
			return w.failed(sheet.path, err)
		}
	}
	return nil
}

// failed says what to do about a write that failed.
func (w *Writer) failed(path string, err error) error {
	if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) {
		return fmt.Errorf("the disk of %s is full, nothing was exported: make room, name a folder on another disk, or make it smaller with --gzip and --readings csv: %w", w.dir, err)
	}
	return fmt.Errorf("cannot write %s: %w", path, err)
}

// begin opens the files of a kind, or of one of its rooms and years.
func (w *Writer) begin(k Kind, of part) (*sheets, error) {
	folder, name, formats := "facts", k.Name, []Format{CSV, JSONL}
	if !k.Fact {
		folder = "worked-out"
	}
	if k.Split {
		folder, name, formats = filepath.Join(folder, k.Name), w.nameOf(of.room)+"-"+strconv.Itoa(of.year), w.options.Readings
	}
	if err := w.makeFolder(folder); err != nil {
		return nil, err
	}
	s := &sheets{kind: k, part: of}
	w.open[k.Name] = s
	for _, f := range formats {
		path := filepath.Join(folder, name+"."+string(f))
		if k.Split && w.options.Gzip {
			path += ".gz"
		}
		if slices.ContainsFunc(w.files, func(f File) bool { return f.Path == filepath.ToSlash(path) }) {
			return nil, fmt.Errorf("BUG: %s is begun a second time", path)
		}
		sheet, err := newSheet(w.dir, path, f, k, k.Split && w.options.Gzip)
		if err != nil {
			return nil, w.failed(path, err)
		}
		w.created = append(w.created, path+unfinished)
		s.sheets = append(s.sheets, sheet)
	}
	return s, nil
}

// nameOf is the name of a room in those of its files: every disk takes it, and
// no other room has it, also where a disk does not tell cases apart.
func (w *Writer) nameOf(room string) string {
	if name, ok := w.names[room]; ok {
		return name
	}
	var b strings.Builder
	for _, r := range room {
		if unicode.IsLetter(r) || unicode.IsDigit(r) || strings.ContainsRune("-_", r) {
			b.WriteRune(r)
			continue
		}
		for _, c := range []byte(string(r)) {
			fmt.Fprintf(&b, "%%%02X", c)
		}
	}
	whole := b.String()
	if len(whole) > maxName {
		whole = strings.ToValidUTF8(whole[:maxName], "")
	}
	name := whole
	for n := 2; w.taken[strings.ToLower(name)]; n++ {
		name = whole + "~" + strconv.Itoa(n)
	}
	w.names[room], w.taken[strings.ToLower(name)] = name, true
	return name
}

// maxName bounds the name of a room in that of a file, bytes: most disks take
// 255 in all.
const maxName = 200

func (w *Writer) makeFolder(folder string) error {
	if slices.Contains(w.created, folder) {
		return nil
	}
	if parent := filepath.Dir(folder); parent != "." {
		if err := w.makeFolder(parent); err != nil {
			return err
		}
	}
	if err := os.Mkdir(filepath.Join(w.dir, folder), 0o700); err != nil {
		return w.failed(folder, err)
	}
	w.created = append(w.created, folder)
	return nil
}

// finish completes the files of a kind that are open.
func (w *Writer) finish(kind string) error {
	s := w.open[kind]
	if s == nil {
		return nil
	}
	delete(w.open, kind)
	for i, sheet := range s.sheets {
		f, err := sheet.finish()
		if err != nil {
			for _, rest := range s.sheets[i+1:] {
				rest.drop()
			}
			return w.failed(sheet.path, err)
		}
		w.created = append(w.created, sheet.path)
		f.Kind = kind
		w.files = append(w.files, f)
	}
	return nil
}

// Close completes the folder and gives its manifest.
func (w *Writer) Close(of Site) (Manifest, error) {
	m := Manifest{Version: version, Site: of, Written: time.Now().UTC().Truncate(time.Millisecond), Facts: w.options.FactsOnly}
	for _, k := range Kinds() {
		if !k.Fact && w.options.FactsOnly {
			continue
		}
		if w.open[k.Name] == nil && !k.Split { // there was none of it, which is told by an empty file
			if _, err := w.begin(k, part{}); err != nil {
				return m, err
			}
		}
		if err := w.finish(k.Name); err != nil {
			return m, err
		}
		if err := w.writeSchema(k); err != nil {
			return m, err
		}
	}
	at := map[string]int{}
	for i, k := range Kinds() {
		at[k.Name] = i
	}
	slices.SortStableFunc(w.files, func(a, b File) int { return at[a.Kind] - at[b.Kind] })
	m.Files = w.files
	if err := w.writeFile(readmeName, []byte(m.readme())); err != nil {
		return m, err
	}
	for _, folder := range w.folders() {
		if err := syncFile(folder); err != nil {
			return m, w.failed(folder, err)
		}
	}
	body, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return m, fmt.Errorf("cannot write the manifest: %w", err)
	}
	if err := w.writeFile(manifestName, append(body, '\n')); err != nil {
		return m, err
	}
	above := []string{w.dir}
	if w.made {
		above = append(above, filepath.Dir(w.dir))
	}
	for _, folder := range above {
		if err := syncFile(folder); err != nil {
			return m, w.failed(folder, err)
		}
	}
	return m, nil
}

// folders are those that were made, with the folder itself.
func (w *Writer) folders() []string {
	out := []string{w.dir}
	for _, name := range w.created {
		if info, err := os.Stat(filepath.Join(w.dir, name)); err == nil && info.IsDir() {
			out = append(out, filepath.Join(w.dir, name))
		}
	}
	return out
}

func (w *Writer) writeSchema(k Kind) error {
	if err := w.makeFolder(schemaFolder); err != nil {
		return err
	}
	body, err := w.options.Schema(reflect.New(k.row).Elem().Interface())
	if err != nil {
		return fmt.Errorf("cannot describe %s: %w", k.Name, err)
	}
	return w.writeFile(filepath.Join(schemaFolder, k.Name+".schema.json"), body)
}

// writeFile writes a small file, under its name only when it is on disk.
func (w *Writer) writeFile(name string, body []byte) error {
	path := filepath.Join(w.dir, name)
	w.created = append(w.created, name+unfinished, name)
	err := os.WriteFile(path+unfinished, body, 0o600)
	if err == nil {
		err = settle(path+unfinished, path)
	}
	if err != nil {
		return w.failed(name, err)
	}
	return nil
}

// Abandon removes what was written, and the folder where it was made for it.
func (w *Writer) Abandon() error {
	for _, s := range w.open {
		for _, sheet := range s.sheets {
			sheet.drop()
		}
	}
	clear(w.open)
	var errs []error
	for _, name := range slices.Backward(w.created) {
		if err := os.Remove(filepath.Join(w.dir, name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			errs = append(errs, err)
		}
	}
	if w.made {
		errs = append(errs, os.Remove(w.dir))
	}
	return errors.Join(errs...)
}
