package openfiles

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"time"

	"dryhold/internal/unit"
)

// Folder is an export that can be read back.
type Folder struct {
	Manifest
	dir   string
	facts []File // one for each part of each kind of facts
}

// Open looks at a folder and whether all facts are there.
func Open(dir string) (*Folder, error) {
	m, err := readManifest(dir)
	if err != nil {
		return nil, err
	}
	f := &Folder{Manifest: m, dir: dir}
	for _, k := range Kinds() {
		if !k.Fact {
			continue
		}
		files := m.of(k, JSONL)
		if readable := m.of(k, CSV); k.Split && len(readable) > 0 { // whole as well, and smaller
			files = readable
		}
		if len(files) == 0 && !k.Split {
			return nil, fmt.Errorf("%s: the manifest has no file of %s: take another copy of the export", filepath.Join(dir, manifestName), k.Name)
		}
		f.facts = append(f.facts, files...)
	}
	for _, file := range f.facts {
		info, err := os.Stat(f.path(file))
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return nil, fmt.Errorf("%s is missing: take another copy of the export", f.path(file))
		case err != nil:
			return nil, fmt.Errorf("cannot look at the export: %w", err)
		case info.Size() != file.Bytes:
			return nil, fmt.Errorf("%s has %d bytes, the manifest says %d: it was cut off or changed; take another copy of the export", f.path(file), info.Size(), file.Bytes)
		}
	}
	return f, nil
}

func (m Manifest) of(k Kind, f Format) (out []File) {
	for _, file := range m.Files {
		if file.Kind == k.Name && file.Format == f {
			out = append(out, file)
		}
	}
	return out
}

func (f *Folder) path(file File) string {
	return filepath.Join(f.dir, filepath.FromSlash(file.Path))
}

// Each gives every fact, in the order of Kinds, as a pointer to the type of its
// kind that is good until visit returns. What visit refuses, a line that cannot
// be read and a file that is not what the manifest says end it, with where it
// is. tell gets the bytes read, of all.
func (f *Folder) Each(ctx context.Context, tell func(done, total int64), visit func(row any) error) error {
	total, done := int64(0), int64(0)
	for _, file := range f.facts {
		total += file.Bytes
	}
	for _, file := range f.facts {
		err := f.eachOf(ctx, file, func(n int64) { tell(done+n, total) }, visit)
		if err != nil {
			return err
		}
		done += file.Bytes
	}
	return nil
}

// summed reads a file and sums up what it read.
type summed struct {
	f   io.Reader
	sum hash.Hash
	n   int64
}

func (s *summed) Read(b []byte) (int, error) {
	n, err := s.f.Read(b)
	s.sum.Write(b[:n])
	s.n += int64(n)
	return n, err
}

func (f *Folder) eachOf(ctx context.Context, file File, tell func(n int64), visit func(row any) error) (err error) {
	path := f.path(file)
	in, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("cannot read the export: %w", err)
	}
	defer func() { _ = in.Close() }()
	raw := &summed{f: in, sum: sha256.New()}
	from := io.Reader(bufio.NewReaderSize(raw, bufferSize))
	if file.Gzip {
		packed, err := gzip.NewReader(from)
		if err != nil {
			return fmt.Errorf("%s: %w: take another copy of the export", path, err)
		}
		from = packed
	}
	k, _ := kindOf(file.Kind)
	lines := int64(0)
	at := func(line, column int, err error) error { return fmt.Errorf("%s:%d:%d: %w", path, line, column, err) }
	counted := func(row any) error {
		if lines++; lines%4096 == 1 {
			if err := ctx.Err(); err != nil {
				return err
			}
			tell(raw.n)
		}
		return visit(row)
	}
	if k.Split && file.Format == CSV {
		err = eachReadingRow(from, at, counted)
	} else {
		err = eachObject(from, k, at, counted)
	}
	if err != nil {
		return err
	}
	if _, err := io.Copy(io.Discard, from); err != nil {
		return fmt.Errorf("cannot read %s to its end: %w", path, err)
	}
	switch got := hex.EncodeToString(raw.sum.Sum(nil)); {
	case got != file.SHA256:
		return fmt.Errorf("%s has the SHA-256 %s, the manifest says %s: it was changed; take another copy of the export", path, got, file.SHA256)
	case lines != file.Lines:
		return fmt.Errorf("%s has %d lines, the manifest says %d: take another copy of the export", path, lines, file.Lines)
	}
	return nil
}

// maxLine bounds a line of JSON.
const maxLine = 16 << 20

// errCopy is what to do about a line that cannot be read.
var errCopy = errors.New("take another copy of the export")

// damage says what is wrong with a line, and what to do.
func damage(format string, args ...any) error {
	return fmt.Errorf("%w: %w", fmt.Errorf(format, args...), errCopy)
}

// eachObject reads JSON Lines.
func eachObject(from io.Reader, k Kind, at func(line, column int, err error) error, visit func(row any) error) error {
	s := bufio.NewScanner(from)
	s.Buffer(make([]byte, 0, 64<<10), maxLine)
	wanted := required(k.row)
	line := 0
	for s.Scan() {
		line++
		row, column, err := object(s.Bytes(), k, wanted)
		if err != nil {
			return at(line, column, damage("%w", err))
		}
		if err := visit(row); err != nil {
			return at(line, 1, err)
		}
	}
	if err := s.Err(); err != nil {
		return at(line+1, 1, damage("%w", err))
	}
	return nil
}

// object reads one line.
func object(text []byte, k Kind, wanted []string) (row any, column int, err error) {
	if k.row == reflect.TypeFor[Reading]() {
		return readingObject(text)
	}
	row = reflect.New(k.row).Interface()
	if column, err = strict(text, row); err != nil {
		return nil, column, err
	}
	var members map[string]json.RawMessage
	if err := json.Unmarshal(text, &members); err != nil {
		return nil, 1, err
	}
	for _, name := range wanted {
		if value, there := members[name]; !there || bytes.Equal(value, []byte("null")) && !nullable(k.row, name) {
			return nil, 1, fmt.Errorf("%s is missing", name)
		}
	}
	return row, 0, nil
}

// readingObject is object of a reading, of which there are very many.
func readingObject(text []byte) (row any, column int, err error) {
	var x struct {
		Room     *string        `json:"room"`
		Sensor   *string        `json:"sensor"`
		Quantity *unit.Quantity `json:"quantity"`
		Unit     *string        `json:"unit"`
		At       *time.Time     `json:"at"`
		Value    *float64       `json:"value"`
		// What is not read back may be anything.
		Counts    json.RawMessage `json:"counts"`
		AsCounted json.RawMessage `json:"value_as_counted"`
	}
	if column, err := strict(text, &x); err != nil {
		return nil, column, err
	}
	for _, m := range []struct {
		name string
		nil  bool
	}{{"room", x.Room == nil}, {"sensor", x.Sensor == nil}, {"quantity", x.Quantity == nil}, {"unit", x.Unit == nil}, {"at", x.At == nil}, {"value", x.Value == nil}} {
		if m.nil {
			return nil, 1, fmt.Errorf("%s is missing", m.name)
		}
	}
	r := &Reading{Room: *x.Room, Sensor: *x.Sensor, Quantity: *x.Quantity, Unit: *x.Unit, At: *x.At, Value: *x.Value}
	column, err = r.check([]int{1, 1, 1, 1, 1, 1})
	return r, column, err
}

// nullable reports whether a member may be null.
func nullable(t reflect.Type, name string) bool {
	i := slices.IndexFunc(reflect.VisibleFields(t), func(f reflect.StructField) bool {
		found, ok := member(f)
		return ok && found == name
	})
	if i < 0 {
		return false
	}
	switch reflect.VisibleFields(t)[i].Type.Kind() {
	case reflect.Pointer, reflect.Slice, reflect.Map:
		return true
	}
	return false
}
