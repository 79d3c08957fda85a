package kinetics

import (
	"fmt"
	"math"

	"dryhold/internal/unit"
)

// The table of a Kernel: nodes 1/128 K apart over the plausible range of a
// temperature reading. Half a step changes the exponent y by Ea/R * dT/T², so
// a cubic leaves y⁴/24 of the factor: 1e-13 at most for 200 kJ/mol at 0 °C and
// above, 1.2e-11 at the worst corner, MaxEa at -60 °C.
const (
	tableLow   = -60 // °C
	tableHigh  = 100 // °C
	tableSteps = 128 // nodes per kelvin, a power of two so that nodes are exact
	tableNodes = (tableHigh-tableLow)*tableSteps + 1
)

// blockLen is how many samples AddAll prepares before it sums: enough to hide
// the latency of a division, few enough to stay on the stack.
const blockLen = 32

// Kernel gives acceleration factors for a fixed set of activation energies at
// once, fast enough for years of minute data: a table of factors by
// temperature, and from the nearest node a cubic in the difference of
// reciprocal temperatures, which all energies share. All factors of one node
// lie side by side; each energy takes 160 KiB.
//
// Within -60 to 100 °C the factors equal AccelerationFactor to 2e-11 relative
// (1e-13 for 200 kJ/mol and less above freezing) and rise with temperature to
// the same error; outside they are AccelerationFactor itself. The same calls
// in the same order give the same bits. A Kernel does not change after
// NewKernel and may be used from many goroutines.
type Kernel struct {
	ref     float64
	slope   []float64 // Ea/R in kelvin, by energy
	inverse []float64 // 1/T in 1/K, by node
	table   []float64 // a row of len(slope) factors by node
}

// NewKernel builds the kernel for a reference temperature (-60 to 100 °C) and
// any number of activation energies (0 to MaxEa kJ/mol). Sums and factors are
// in the order of eas.
func NewKernel(ref unit.Celsius, eas []unit.KJPerMol) (*Kernel, error) {
	if !(ref >= tableLow && ref <= tableHigh) {
		return nil, fmt.Errorf("cannot build exposure kernel: reference temperature %g °C is outside %d to %d °C", float64(ref), tableLow, tableHigh)
	}
	k := &Kernel{
		ref:     float64(ref),
		slope:   make([]float64, len(eas)),
		inverse: make([]float64, tableNodes),
		table:   make([]float64, 0, tableNodes*len(eas)),
	}
	for i, ea := range eas {
		if err := CheckEa(ea); err != nil {
			return nil, fmt.Errorf("cannot build exposure kernel: energy %d of %d: %w", i+1, len(eas), err)
		}
		k.slope[i] = float64(ea) / R
	}
	for n := range tableNodes {
		t := tableLow + float64(n)/tableSteps
		k.inverse[n] = 1 / (t + unit.ZeroCelsius)
		for _, e := range k.slope {
			k.table = append(k.table, arrhenius(e, t, k.ref))
		}
	}
	return k, nil
}

// Len is the number of activation energies.
func (k *Kernel) Len() int { return len(k.slope) }

// sample is one temperature and time made ready for every energy e: the
// exposure is factor(node) * (d0 + d1 e + d2 e² + d3 e³), the exponential
// series in e*dx times the days, dx = 1/Tnode - 1/T.
type sample struct {
	d0, d1, d2, d3 float64
	node           int
}

// inTable reports whether the table holds t; not-a-number is outside.
func inTable(t float64) bool { return t >= tableLow && t <= tableHigh }

// round, added to a temperature in steps, rounds it to a whole number counted
// from the first node and leaves that in the low bits of the float: half the
// latency of converting to int and back, and all that follows waits for it.
const round = 3<<51 - tableLow*tableSteps

// locate finds the node nearest to a temperature in the table, and how far
// above it the temperature lies, in K.
func locate(t float64) (node int, above float64) {
	shifted := float64(t*tableSteps) + round
	return int(math.Float64bits(shifted) & (1<<20 - 1)), t - float64((shifted-round)*(1.0/tableSteps))
}

// reciprocal is 1/Tnode - 1/T in 1/K.
func (k *Kernel) reciprocal(node int, above, t float64) float64 {
	return above * (k.inverse[node] / (t + unit.ZeroCelsius))
}

// spread makes the coefficients of a sample beyond d0, which is the days. The
// conversions to float64, here and in exposure, keep a compiler from fusing
// multiply and add, which would change the last bit from one processor to
// another.
func spread(dx, days float64) (d1, d2, d3 float64) {
	square := dx * dx
	d1 = days * dx
	return d1, float64(days*0.5) * square, float64(d1*(1.0/6)) * square
}

// exposure is that of a sample for energy e, whose factor at the node is given.
func exposure(e, factor, d0, d1, d2, d3 float64) float64 {
	p := float64(d3*e) + d2
	p = float64(p*e) + d1
	p = float64(p*e) + d0
	return float64(p * factor)
}

// Factors puts the acceleration factors at t into dst, which must hold Len
// values.
func (k *Kernel) Factors(dst []float64, t unit.Celsius) {
	dst = dst[:len(k.slope)]
	clear(dst)
	k.Add(dst, t, 1)
}

// Add adds the exposure of a time at a temperature, in days at the reference,
// to each of the sums, which must hold Len values: sums[i] += AF_i(t)*days.
func (k *Kernel) Add(sums []float64, t unit.Celsius, days float64) {
	sums = sums[:len(k.slope)]
	if !inTable(float64(t)) {
		for i, e := range k.slope {
			sums[i] += float64(arrhenius(e, float64(t), k.ref) * days)
		}
		return
	}
	node, above := locate(float64(t))
	d1, d2, d3 := spread(k.reciprocal(node, above, float64(t)), days)
	row := k.table[node*len(sums):][:len(sums)]
	for i, e := range k.slope {
		sums[i] += exposure(e, row[i], days, d1, d2, d3)
	}
}

// AddAll adds the exposure of a run of temperatures in °C, each held for the
// same time in days. It gives the same bits as Add called for each in turn,
// in about half the time.
func (k *Kernel) AddAll(sums []float64, ts []float64, days float64) {
	var block [blockLen]sample
	for len(ts) > 0 {
		n := 0
		for n < min(len(ts), blockLen) && inTable(ts[n]) {
			node, above := locate(ts[n])
			s := &block[n]
			s.node, s.d0 = node, days
			s.d1, s.d2, s.d3 = spread(k.reciprocal(node, above, ts[n]), days)
			n++
		}
		k.addBlock(sums, block[:n])
		if n == 0 {
			k.Add(sums, unit.Celsius(ts[0]), days)
			n = 1
		}
		ts = ts[n:]
	}
}

// AddEach is AddAll with a time in days for each temperature; days must be as
// long as ts.
func (k *Kernel) AddEach(sums []float64, ts, days []float64) {
	var block [blockLen]sample
	days = days[:len(ts)]
	for len(ts) > 0 {
		n := 0
		for n < min(len(ts), blockLen) && inTable(ts[n]) {
			node, above := locate(ts[n])
			s := &block[n]
			s.node, s.d0 = node, days[n]
			s.d1, s.d2, s.d3 = spread(k.reciprocal(node, above, ts[n]), days[n])
			n++
		}
		k.addBlock(sums, block[:n])
		if n == 0 {
			k.Add(sums, unit.Celsius(ts[0]), days[0])
			n = 1
		}
		ts, days = ts[n:], days[n:]
	}
}

// addBlock sums prepared samples energy by energy, so that the running sum
// stays in a register. The order of additions to one sum is that of Add.
func (k *Kernel) addBlock(sums []float64, block []sample) {
	width := len(k.slope)
	sums = sums[:width]
	for i, e := range k.slope {
		column, sum := k.table[i:], sums[i]
		for j := range block {
			s := &block[j]
			sum += exposure(e, column[s.node*width], s.d0, s.d1, s.d2, s.d3)
		}
		sums[i] = sum
	}
}
