package store

import (
	"encoding/binary"
	"math/bits"
)

// A Rice code (Rice 1979, JPL Publication 79-22) writes a number by its low
// bits and, before them, the rest as a run of ones that a zero ends: nearly the
// shortest there is for noise, and without a table of how often which comes.
const (
	// longestRun of ones says that the number follows in 64 bits: an outlier.
	longestRun = 24
	maxLowBits = 32
)

// bestRice gives how many low bits make the numbers shortest, and how many bits
// they are then.
func bestRice(numbers []uint64) (low uint, size int) {
	size = -1
	for b := range uint(maxLowBits + 1) {
		n := 0
		for _, v := range numbers {
			if run := v >> b; run < longestRun {
				n += int(run) + 1 + int(b)
			} else {
				n += longestRun + 64
			}
		}
		if size >= 0 && n > size {
			break // it is shortest near the mean, and longer on both sides
		}
		low, size = b, n
	}
	return low, size
}

// appendRice appends the numbers, in whole bytes.
func appendRice(out []byte, numbers []uint64, low uint) []byte {
	w := bitWriter{out: out}
	for _, v := range numbers {
		if run := v >> low; run < longestRun {
			w.put(1<<run-1, uint(run)+1) // ones, then a zero
			w.put(v, low)
		} else {
			w.put(1<<longestRun-1, longestRun)
			w.put(v, 32)
			w.put(v>>32, 32)
		}
	}
	if w.n > 0 {
		w.out = append(w.out, byte(w.held))
	}
	return w.out
}

// bitWriter appends bits, the lowest first.
type bitWriter struct {
	out  []byte
	held uint64
	n    uint // bits in held, less than 8 between calls
}

// put appends the lowest n bits of v, at most 56.
func (w *bitWriter) put(v uint64, n uint) {
	w.held |= v & (1<<n - 1) << w.n
	for w.n += n; w.n >= 8; w.n -= 8 {
		w.out = append(w.out, byte(w.held))
		w.held >>= 8
	}
}

// riceReader reads what appendRice appended.
type riceReader struct {
	in   []byte
	at   int // the next byte of in to hold
	low  uint
	held uint64
	n    uint // how many bits of held count; those above are zero, or as they will be
}

// fill sees that at least 56 bits are held, as far as there are any.
func (r *riceReader) fill() {
	if r.at+8 <= len(r.in) {
		r.held |= binary.LittleEndian.Uint64(r.in[r.at:]) << r.n
		whole := (63 - r.n) / 8
		r.at += int(whole)
		r.n += 8 * whole
		return
	}
	for r.n < 56 && r.at < len(r.in) {
		r.held |= uint64(r.in[r.at]) << r.n
		r.at++
		r.n += 8
	}
}

func (r *riceReader) take(n uint) (v uint64, ok bool) {
	if r.n < n {
		return 0, false
	}
	v = r.held & (1<<n - 1)
	r.held >>= n
	r.n -= n
	return v, true
}

// next gives the next number, or false where they end early.
func (r *riceReader) next() (v uint64, ok bool) {
	r.fill()
	run := uint(bits.TrailingZeros64(^r.held))
	if run < longestRun {
		if run+1+r.low > r.n {
			return 0, false
		}
		v = uint64(run)<<r.low | r.held>>(run+1)&(1<<r.low-1)
		r.held >>= run + 1 + r.low
		r.n -= run + 1 + r.low
		return v, true
	}
	if _, ok := r.take(longestRun); !ok {
		return 0, false
	}
	for i := range uint(2) {
		r.fill()
		half, ok := r.take(32)
		if !ok {
			return 0, false
		}
		v |= half << (32 * i)
	}
	return v, true
}

// rest gives what follows the bytes that numbers were read from.
func (r *riceReader) rest() []byte { return r.in[r.at-int(r.n/8):] }
