package store

import (
	"encoding/binary"
	"fmt"
	"slices"
)

// A day of codec 2 is two columns, the instants and the values. Of each number
// only what a guess leaves over is kept, which is noise, and that in a Rice
// code: the low bits as they are, the others as a run of ones. It needs no table
// and comes within a few hundredths of a byte of what noise takes at best. All
// of it stands in one zstd frame with checksum, which makes nothing of numbers
// that do not change.
const codecColumns = 2

const (
	// A guess follows the numbers at one of these speeds, whichever takes the
	// fewest bits: 0 foretells the last number, right for a value that wanders
	// or for a sensor that sleeps a minute after each message; 6 averages some
	// 64, right for noise about a slow course or for messages about each full
	// minute.
	shiftStep, maxShift = 2, 6
)

// guess foretells a number from those before. It counts in 1/256, so that it
// follows a drift of less than one each time. Arithmetic wraps, here and
// wherever it is used: there is no number it cannot take.
type guess struct {
	level  int64
	period int64 // by which numbers grow each time
	shift  uint
}

func (g *guess) next() int64 { return (g.level + 128) >> 8 }

// learn takes what was left over, and how many periods went by.
func (g *guess) learn(left, periods int64) {
	g.level += (periods*g.period)<<8 + (left<<8)>>g.shift
}

// column says how numbers stand: each is first plus a whole multiple of unit,
// as those of a coarse sensor are. In these units, gaps are where not one
// period went by but several, or none.
type column struct {
	first, unit, period int64
	shift, low          uint
	gaps                []gap
	left                []uint64 // zigzag
}

type gap struct{ index, periods int64 }

// guessed makes the column of numbers for one speed, and the bits it takes.
func guessed(numbers []int64, unit, period int64, shift uint) (c column, size int) {
	c = column{first: numbers[0], unit: unit, period: period, shift: shift, left: make([]uint64, 0, len(numbers))}
	g := guess{period: period, shift: shift}
	for i, v := range numbers {
		left, periods := (v-c.first)/unit-g.next(), int64(0)
		if period > 0 && i > 0 {
			if periods = (left + period/2) / period; periods != 1 {
				c.gaps = append(c.gaps, gap{int64(i), periods})
			}
			left -= periods * period
		}
		c.left = append(c.left, uint64(left<<1)^uint64(left>>63))
		g.learn(left, periods)
	}
	c.low, size = bestRice(c.left)
	return c, size + 24*len(c.gaps)
}

// shortest makes the column of numbers that takes the fewest bits. There is at
// least one number.
func shortest(numbers []int64, period int64) (best column) {
	least, unit := -1, unitOf(numbers)
	for shift := uint(0); shift <= maxShift; shift += shiftStep {
		if c, n := guessed(numbers, unit, max(period, 0)/unit, shift); least < 0 || n < least {
			best, least = c, n
		}
	}
	return best
}

// unitOf gives the largest number of which all differences from the first are
// multiples.
func unitOf(numbers []int64) int64 {
	unit := uint64(0)
	for _, v := range numbers {
		d := v - numbers[0]
		for a := uint64(max(d, -d)); a != 0; {
			unit, a = a, unit%a
		}
	}
	if unit == 0 || unit > 1<<62 { // all alike, or so far apart that it wraps
		return 1
	}
	return int64(unit)
}

// usual gives the median by which numbers grow.
func usual(numbers []int64) int64 {
	if len(numbers) < 2 {
		return 0
	}
	steps := make([]int64, 0, len(numbers))
	for i, v := range numbers[1:] {
		steps = append(steps, v-numbers[i])
	}
	slices.Sort(steps)
	return steps[len(steps)/2]
}

// pack writes the points of one day, in order of time, by codecColumns.
func (s *Store) pack(day int64, points []point) []byte {
	raw := binary.AppendUvarint(nil, uint64(len(points)))
	if len(points) > 0 {
		at, steps := make([]int64, len(points)), make([]int64, len(points))
		for i, p := range points {
			at[i], steps[i] = p.at-day*dayMS, p.steps
		}
		raw = shortest(at, usual(at)).appendTo(raw)
		raw = shortest(steps, 0).appendTo(raw)
	}
	return s.enc.EncodeAll(raw, nil)
}

func (c column) appendTo(raw []byte) []byte {
	raw = binary.AppendVarint(raw, c.first)
	raw = binary.AppendUvarint(raw, uint64(c.unit))
	raw = binary.AppendUvarint(raw, uint64(c.period))
	raw = append(raw, byte(c.shift), byte(c.low))
	raw = binary.AppendUvarint(raw, uint64(len(c.gaps)))
	for _, g := range c.gaps {
		raw = binary.AppendVarint(binary.AppendUvarint(raw, uint64(g.index)), g.periods)
	}
	return appendRice(raw, c.left, c.low)
}

// unpackColumns is the inverse of pack. A damaged day is an error, never a
// panic.
func unpackColumns(day int64, raw []byte) ([]point, error) {
	n, k := binary.Uvarint(raw)
	if k <= 0 || n > 4*uint64(len(raw)) { // a point takes at least two bits
		return nil, errShort
	}
	raw = raw[k:]
	points := make([]point, n)
	if n > 0 {
		var err error
		if raw, err = readColumn(raw, int(n), func(i int, v int64) { points[i].at = day*dayMS + v }); err != nil {
			return nil, err
		}
		if raw, err = readColumn(raw, int(n), func(i int, v int64) { points[i].steps = v }); err != nil {
			return nil, err
		}
	}
	if len(raw) != 0 {
		return nil, errLeftOver
	}
	for _, p := range points {
		if floorDay(p.at) != day {
			return nil, errOtherDay
		}
	}
	return points, nil
}

// readColumn gives each number of the column that raw begins with, and what
// follows it.
func readColumn(raw []byte, n int, number func(i int, v int64)) ([]byte, error) {
	c, gaps, raw, err := readHead(raw, n)
	if err != nil {
		return nil, err
	}
	g, r := guess{period: c.period, shift: c.shift}, riceReader{in: raw, low: c.low}
	for i := range n {
		folded, ok := r.next()
		if !ok {
			return nil, errShort
		}
		left, periods := int64(folded>>1)^-int64(folded&1), int64(0)
		if c.period > 0 && i > 0 {
			periods = 1
			if len(gaps) > 0 && gaps[0].index == int64(i) {
				periods, gaps = gaps[0].periods, gaps[1:]
			}
		}
		number(i, c.first+(g.next()+left+periods*c.period)*c.unit)
		g.learn(left, periods)
	}
	return r.rest(), nil
}

// readHead reads how the numbers of a column stand.
func readHead(raw []byte, n int) (c column, gaps []gap, rest []byte, err error) {
	var k [4]int
	var unit, period, count uint64
	c.first, k[0] = binary.Varint(raw)
	if k[0] > 0 {
		unit, k[1] = binary.Uvarint(raw[k[0]:])
	}
	if k[1] > 0 {
		period, k[2] = binary.Uvarint(raw[k[0]+k[1]:])
	}
	at := k[0] + k[1] + k[2]
	if k[2] <= 0 || len(raw) < at+2 {
		return c, nil, nil, errShort
	}
	c.unit, c.period, c.shift, c.low = int64(unit), int64(period), uint(raw[at]), uint(raw[at+1])
	if c.shift > maxShift || c.low > maxLowBits {
		return c, nil, nil, fmt.Errorf("packed day follows by %d and %d bits, which no day does", c.shift, c.low)
	}
	raw = raw[at+2:]
	if count, k[3] = binary.Uvarint(raw); k[3] <= 0 || count > uint64(n) || count > uint64(len(raw)) {
		return c, nil, nil, errShort
	}
	raw = raw[k[3]:]
	for range count {
		index, k1 := binary.Uvarint(raw)
		periods, k2 := binary.Varint(raw[max(k1, 0):])
		if k1 <= 0 || k2 <= 0 {
			return c, nil, nil, errShort
		}
		gaps, raw = append(gaps, gap{int64(index), periods}), raw[k1+k2:]
	}
	return c, gaps, raw, nil
}
