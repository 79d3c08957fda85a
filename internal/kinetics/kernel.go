package kinetics

import (
	"fmt"
	"slices"

	"dryhold/internal/unit"
)

// The table of a Kernel: nodes 1/32 K apart over the plausible range of a
// temperature reading. Half a step from a node at -60 °C changes the exponent
// by at most 0.017 (MaxEa), so five terms of the exponential series leave a
// relative error below 1e-13 there and below 1e-15 for the energies and
// temperatures of a food store.
const (
	tableLow   = -60 // °C
	tableHigh  = 100 // °C
	tableSteps = 32  // nodes per kelvin, a power of two so that nodes are exact
	tableNodes = (tableHigh-tableLow)*tableSteps + 1
)

// Kernel gives acceleration factors for a fixed set of activation energies at
// once, fast enough for years of minute data: a table of factors by
// temperature, and a short series from the nearest node in the difference of
// reciprocal temperatures, which all energies share. All factors of one node
// lie side by side.
//
// Within -60 to 100 °C the factors equal AccelerationFactor to 1e-12 and do not
// fall as the temperature rises, to 1e-13; outside they are AccelerationFactor
// itself. A Kernel does not change after NewKernel and may be used from many
// goroutines.
type Kernel struct {
	ref   float64
	slope []float64 // Ea/R in kelvin, by energy
	table []float64 // tableNodes rows of len(slope) factors
}

// NewKernel builds the kernel for a reference temperature (-60 to 100 °C) and
// any number of activation energies (0 to MaxEa kJ/mol). Sums and factors are
// in the order of eas.
func NewKernel(ref unit.Celsius, eas []unit.KJPerMol) (*Kernel, error) {
	if !(ref >= tableLow && ref <= tableHigh) {
		return nil, fmt.Errorf("cannot build exposure kernel: reference temperature %g °C is outside %d to %d °C", float64(ref), tableLow, tableHigh)
	}
	k := &Kernel{ref: float64(ref), slope: make([]float64, len(eas))}
	for i, ea := range eas {
		if err := CheckEa(ea); err != nil {
			return nil, fmt.Errorf("cannot build exposure kernel: energy %d of %d: %w", i+1, len(eas), err)
		}
		k.slope[i] = float64(ea) / R
	}
	k.table = make([]float64, 0, tableNodes*len(eas))
	for n := range tableNodes {
		for _, e := range k.slope {
			k.table = append(k.table, arrhenius(e, nodeTemperature(n), k.ref))
		}
	}
	return k, nil
}

// nodeTemperature is the temperature of a node in °C, exact.
func nodeTemperature(n int) float64 { return tableLow + float64(n)/tableSteps }

// Len is the number of activation energies.
func (k *Kernel) Len() int { return len(k.slope) }

// Reference is the temperature at which every factor is 1.
func (k *Kernel) Reference() unit.Celsius { return unit.Celsius(k.ref) }

// Energies lists the activation energies in the order of the sums.
func (k *Kernel) Energies() []unit.KJPerMol {
	eas := make([]unit.KJPerMol, len(k.slope))
	for i, e := range k.slope {
		eas[i] = unit.KJPerMol(e * R)
	}
	return eas
}

// near finds the node nearest to t and the difference of reciprocal
// temperatures 1/Tnode - 1/T in 1/K; ok is false outside the table and for
// not-a-number.
func near(t float64) (node int, dx float64, ok bool) {
	if !(t >= tableLow && t <= tableHigh) {
		return 0, 0, false
	}
	node = int(float64((t-tableLow)*tableSteps) + 0.5)
	t0 := nodeTemperature(node)
	return node, (t - t0) / ((t + unit.ZeroCelsius) * (t0 + unit.ZeroCelsius)), true
}

// grow is exp(y) for |y| below 0.02 by its series. The conversions keep a
// compiler from fusing multiply and add, which would change the last bit from
// one processor to another.
func grow(y float64) float64 {
	p := float64(y*(1.0/120)) + 1.0/24
	p = float64(p*y) + 1.0/6
	p = float64(p*y) + 0.5
	p = float64(p*y) + 1
	return float64(p*y) + 1
}

// Factors puts the acceleration factors at t into dst, which must hold Len
// values.
func (k *Kernel) Factors(dst []float64, t unit.Celsius) {
	dst = dst[:len(k.slope)]
	node, dx, ok := near(float64(t))
	if !ok {
		for i, e := range k.slope {
			dst[i] = arrhenius(e, float64(t), k.ref)
		}
		return
	}
	row := k.table[node*len(dst):][:len(dst)]
	for i, e := range k.slope {
		dst[i] = float64(row[i] * grow(float64(e*dx)))
	}
}

// Add adds the exposure of a time at a temperature, in days at the reference,
// to each of the sums, which must hold Len values: sums[i] += AF_i(t)*days.
func (k *Kernel) Add(sums []float64, t unit.Celsius, days float64) {
	sums = sums[:len(k.slope)]
	node, dx, ok := near(float64(t))
	if !ok {
		for i, e := range k.slope {
			sums[i] += float64(arrhenius(e, float64(t), k.ref) * days)
		}
		return
	}
	row := k.table[node*len(sums):][:len(sums)]
	for i, e := range k.slope {
		sums[i] += float64(float64(row[i]*grow(float64(e*dx))) * days)
	}
}

// AddAll adds the exposure of equal times at a run of temperatures in °C. It
// gives the same bits as Add called for each in turn.
func (k *Kernel) AddAll(sums []float64, ts []float64, days float64) {
	for _, t := range ts {
		k.Add(sums, unit.Celsius(t), days)
	}
}

// Has reports whether the kernel was built for exactly these energies at this
// reference, so that sums taken with it may be continued.
func (k *Kernel) Has(ref unit.Celsius, eas []unit.KJPerMol) bool {
	return k.ref == float64(ref) && slices.EqualFunc(k.slope, eas, func(e float64, ea unit.KJPerMol) bool {
		return e == float64(ea)/R
	})
}
