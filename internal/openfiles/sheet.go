package openfiles

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"errors"
	"hash"
	"io"
	"os"
	"path/filepath"
	"reflect"
)

// unfinished ends the name of a file that is not complete.
const unfinished = ".part"

// sheet is one file of lines being written.
type sheet struct {
	dir, path string
	format    Format
	f         *os.File
	sum       hash.Hash
	bytes     int64
	lines     int64
	packed    *gzip.Writer // nil without
	out       *bufio.Writer
	table     []column
	csv       *csv.Writer // into text, a row at a time
	text      bytes.Buffer
	json      *json.Encoder
	row       []string
	readings  readingLines
}

// Write counts and sums up what goes to disk.
func (s *sheet) Write(b []byte) (int, error) {
	n, err := s.f.Write(b)
	s.sum.Write(b[:n])
	s.bytes += int64(n)
	return n, err
}

// bufferSize is what is gathered before it goes to disk.
const bufferSize = 256 << 10

// newSheet begins a file.
func newSheet(dir, path string, format Format, k Kind, packed bool) (*sheet, error) {
	f, err := os.OpenFile(filepath.Join(dir, path+unfinished), os.O_CREATE|os.O_WRONLY|os.O_EXCL, 0o600)
	if err != nil {
		return nil, err
	}
	s := &sheet{dir: dir, path: path, format: format, f: f, sum: sha256.New()}
	to := io.Writer(s)
	if packed {
		if s.packed, err = gzip.NewWriterLevel(s, gzip.BestSpeed); err != nil {
			return nil, err
		}
		to = s.packed
	}
	s.out = bufio.NewWriterSize(to, bufferSize)
	if format == JSONL {
		s.json = json.NewEncoder(s.out)
		s.json.SetEscapeHTML(false)
		return s, nil
	}
	s.table = columns(k.row)
	s.csv = csv.NewWriter(&s.text)
	s.csv.UseCRLF = true
	for _, c := range s.table {
		s.row = append(s.row, c.name)
	}
	return s, s.writeRow()
}

func (s *sheet) writeRow() error {
	s.text.Reset()
	err := s.csv.Write(s.row)
	s.csv.Flush()
	if err = errors.Join(err, s.csv.Error()); err != nil {
		return err
	}
	_, err = s.out.Write(s.text.Bytes())
	return err
}

// put writes one line.
func (s *sheet) put(row any) (err error) {
	s.lines++
	if r, reading := row.(*Reading); reading {
		return s.putReading(r)
	}
	if s.format == JSONL {
		return s.json.Encode(row)
	}
	if s.row, err = cells(s.row[:0], reflect.ValueOf(row).Elem(), s.table); err != nil {
		return err
	}
	return s.writeRow()
}

// finish brings the file to disk and gives it its name.
func (s *sheet) finish() (File, error) {
	err := s.out.Flush()
	if s.packed != nil && err == nil {
		err = s.packed.Close()
	}
	if err = errors.Join(err, s.f.Close()); err != nil {
		return File{}, err
	}
	path := filepath.Join(s.dir, s.path)
	if err := settle(path+unfinished, path); err != nil {
		return File{}, err
	}
	return File{Path: filepath.ToSlash(s.path), Format: s.format, Gzip: s.packed != nil, Lines: s.lines, Bytes: s.bytes, SHA256: hex.EncodeToString(s.sum.Sum(nil))}, nil
}

// drop closes a file that is not wanted any more.
func (s *sheet) drop() { _ = s.f.Close() }

// settle syncs a complete file and gives it its name; Close syncs the folder.
func settle(temp, path string) error {
	if err := syncFile(temp); err != nil {
		return err
	}
	return os.Rename(temp, path)
}

// syncFile brings a file, or a directory, to disk.
func syncFile(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
