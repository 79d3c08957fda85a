package thermal

import (
	"fmt"
	"math"
)

// Shape is a body that warms or cools through its surface and whose
// temperature depends on one length only.
type Shape int

// The shapes, with the length that counts.
const (
	Slab     Shape = iota // infinite plate: half its thickness
	Cylinder              // infinite cylinder: its radius
	Sphere                // its radius
)

// String names the shape.
func (s Shape) String() string {
	switch s {
	case Slab:
		return "slab"
	case Cylinder:
		return "cylinder"
	case Sphere:
		return "sphere"
	}
	return fmt.Sprintf("shape(%d)", int(s))
}

// maxModes bounds the series of Centre: at Fo 0.01 the thirtieth mode is below
// 1e-30.
const maxModes = 40

// Root is the n-th root zeta, n from 1 to 40, of the shape's eigenvalue
// equation for a Biot number h L/k (film coefficient, length, conductivity of
// the stuff) above 0; infinity is allowed and means a surface held at the
// temperature of the air:
//
//	slab     zeta tan(zeta)         = Bi
//	cylinder zeta J1(zeta)/J0(zeta) = Bi
//	sphere   1 - zeta cot(zeta)     = Bi
func (s Shape) Root(bi float64, n int) (float64, error) {
	switch {
	case s < Slab || s > Sphere:
		return 0, fmt.Errorf("cannot find root: %s is not a known shape", s)
	case !(bi > 0):
		return 0, fmt.Errorf("cannot find root: Biot number %g is not above 0", bi)
	case n < 1 || n > maxModes:
		return 0, fmt.Errorf("cannot find root: number %d is outside 1 to %d", n, maxModes)
	}
	return s.root(bi, n), nil
}

// root is Root for what Root has checked. Each equation is taken in a form
// without poles that changes sign once between the roots for Bi of 0 and of
// infinity.
func (s Shape) root(bi float64, n int) float64 {
	k := float64(n)
	var low, high float64
	var f func(z float64) float64
	switch s {
	case Slab:
		low, high = (k-1)*math.Pi, (k-0.5)*math.Pi
		f = func(z float64) float64 { return z*math.Sin(z) - bi*math.Cos(z) }
	case Cylinder: // between a zero of J1 and the next zero of J0
		if n > 1 {
			low = bisect(math.J1, (k-1)*math.Pi, k*math.Pi)
		}
		high = bisect(math.J0, (k-0.5)*math.Pi, k*math.Pi)
		f = func(z float64) float64 { return z*math.J1(z) - bi*math.J0(z) }
	default:
		low, high = (k-1)*math.Pi, k*math.Pi
		f = func(z float64) float64 { return (1-bi)*math.Sin(z) - z*math.Cos(z) }
	}
	if math.IsInf(bi, 1) {
		return high
	}
	return bisect(f, low, high)
}

// bisect finds where f changes sign between low and high. The sign at high
// decides, so that f may be zero at low.
func bisect(f func(float64) float64, low, high float64) float64 {
	above := f(high) > 0
	for { // ends when nothing lies between the ends, after about 55 halvings
		z := low + (high-low)/2
		switch {
		case z <= low || z >= high:
			return high
		case (f(z) > 0) == above:
			high = z
		default:
			low = z
		}
	}
}

// amplitude is the weight, at the centre, of the mode with root z.
func (s Shape) amplitude(z float64) float64 {
	switch s {
	case Slab:
		return 4 * math.Sin(z) / (2*z + math.Sin(2*z))
	case Cylinder:
		j0, j1 := math.J0(z), math.J1(z)
		return 2 * j1 / (z * (j0*j0 + j1*j1))
	default:
		return 4 * (math.Sin(z) - z*math.Cos(z)) / (2*z - math.Sin(2*z))
	}
}

// Centre is the share of a step of the air's temperature that the centre has
// yet to follow, 1 at the start, at Fourier number fo = diffusivity t/L², at
// least 0, for a Biot number as in Root. A body that is finite in more
// directions has the product of the shares of each. Exact to 1e-9.
func (s Shape) Centre(bi, fo float64) (float64, error) {
	if !(fo >= 0) {
		return 0, fmt.Errorf("cannot find centre temperature: Fourier number %g is not at or above 0", fo)
	}
	if _, err := s.Root(bi, 1); err != nil {
		return 0, fmt.Errorf("cannot find centre temperature: %w", err)
	}
	if fo < 0.01 { // nothing has reached the centre yet: it differs from 1 by less than 1e-9
		return 1, nil
	}
	sum := 0.0
	for n := 1; n <= maxModes; n++ {
		z := s.root(bi, n)
		decay := math.Exp(-z * z * fo)
		sum += s.amplitude(z) * decay
		if decay < 1e-16 {
			break
		}
	}
	return sum, nil
}

// Stuff is packed food as heat sees it, and the air around it. Dry food has no
// water to freeze, so that nothing changes at 0 °C; what holds more than about
// 25 % of water (from memory) is outside the model.
type Stuff struct {
	Conductivity float64 // W/(m K); grain 0.12 to 0.17
	Density      float64 // bulk, kg/m³
	HeatCapacity float64 // J/(kg K)
	Film         float64 // W/(m² K) from air to surface; still indoor air about 8
}

// Diffusivity is k/(rho c) in m²/s, about 1e-7 for grain.
func (s Stuff) Diffusivity() float64 { return s.Conductivity / (s.Density * s.HeatCapacity) }
