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

// pack writes the points of one day, in order of time, as two columns of
// variable-length integers (second differences of the instants, first
// differences of the values) in one zstd frame with checksum.
func (s *Store) pack(day int64, points []point) []byte {
	raw := binary.AppendUvarint(nil, uint64(len(points)))
	last, step := day*dayMS, int64(0)
	for _, p := range points {
		d := p.at - last
		raw = binary.AppendVarint(raw, d-step)
		last, step = p.at, d
	}
	value := int64(0)
	for _, p := range points {
		raw = binary.AppendVarint(raw, p.steps-value)
		value = p.steps
	}
	return s.enc.EncodeAll(raw, nil)
}

var errShort = errors.New("packed day ends early")

// unpack is the inverse of pack. A damaged day is an error, never a panic.
func (s *Store) unpack(day int64, data []byte) ([]point, error) {
	raw, err := s.dec.DecodeAll(data, nil)
	if err != nil {
		return nil, fmt.Errorf("cannot decompress packed day: %w", err)
	}
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
			return nil, errors.New("packed day has a reading of another day")
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
		return nil, errors.New("packed day has bytes left over")
	}
	return points, nil
}
