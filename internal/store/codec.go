package store

import (
	"encoding/binary"
	"errors"
	"fmt"

	"github.com/klauspost/compress/zstd"
)

const (
	codecDelta = 1
	dayMS      = int64(24 * 60 * 60 * 1000)
	// maxPacked bounds what a damaged day may ask for: a day holds at most
	// one reading a millisecond, in practice 86,400 of a few bytes.
	maxPacked = 64 << 20
)

// point is one reading inside a series: its instant in ms since the epoch and
// its value in resolution steps.
type point struct{ at, steps int64 }

func (s *Store) makeCodec() (err error) {
	if s.enc, err = zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedBetterCompression), zstd.WithEncoderConcurrency(1)); err != nil {
		return fmt.Errorf("cannot make encoder: %w", err)
	}
	if s.dec, err = zstd.NewReader(nil, zstd.WithDecoderConcurrency(0), zstd.WithDecoderMaxMemory(maxPacked)); err != nil {
		return fmt.Errorf("cannot make decoder: %w", err)
	}
	return nil
}

// closeCodec lets go of what makeCodec made. It may be called twice.
func (s *Store) closeCodec() {
	if s.enc != nil {
		_ = s.enc.Close() // fails only on a writer that has something to write to
	}
	if s.dec != nil {
		s.dec.Close()
	}
	s.enc, s.dec = nil, nil
}

var (
	errShort    = errors.New("packed day ends early")
	errLeftOver = errors.New("packed day has bytes left over")
	errOtherDay = errors.New("packed day has a reading of another day")
)

// unpack reads a packed day. A damaged one is an error, never a panic.
func (s *Store) unpack(day, codec int64, data []byte) ([]point, error) {
	raw, err := s.dec.DecodeAll(data, nil)
	if err != nil {
		return nil, fmt.Errorf("cannot decompress packed day: %w", err)
	}
	switch codec {
	case codecDelta:
		return unpackDelta(day, raw)
	case codecColumns:
		return unpackColumns(day, raw)
	}
	return nil, fmt.Errorf("packed day has codec %d, unknown to this version", codec)
}

// unpackDelta reads what dryhold wrote at first: second differences of the
// instants and first differences of the values as variable-length integers. Such
// days stay as they are.
func unpackDelta(day int64, raw []byte) ([]point, error) {
	n, k := binary.Uvarint(raw)
	if k <= 0 || n > uint64(len(raw)) {
		return nil, errShort
	}
	raw = raw[k:]
	points := make([]point, n)
	last, step := day*dayMS, int64(0)
	for i := range points {
		v, k := binary.Varint(raw)
		if k <= 0 {
			return nil, errShort
		}
		raw = raw[k:]
		step += v
		last += step
		if floorDay(last) != day {
			return nil, errOtherDay
		}
		points[i].at = last
	}
	value := int64(0)
	for i := range points {
		v, k := binary.Varint(raw)
		if k <= 0 {
			return nil, errShort
		}
		raw = raw[k:]
		value += v
		points[i].steps = value
	}
	if len(raw) != 0 {
		return nil, errLeftOver
	}
	return points, nil
}
