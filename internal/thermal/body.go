package thermal

import (
	"fmt"
	"math"

	"dryhold/internal/unit"
)

// Body is packed food of one shape and stuff in air on all sides: its core is
// the product of the transient solutions of each direction. Make it with the
// methods of Stuff. A Body is a value and safe to share.
type Body struct {
	sides []modes
}

// modes is the series of one direction in which heat leaves a body.
type modes struct {
	spread float64 // diffusivity/length², per hour
	root   []float64
	weight []float64 // at the centre
}

// Slab is a flat pack, a bag or a pouch that is thin against its width; half
// is half its thickness in m.
func (s Stuff) Slab(half float64) (Body, error) {
	return s.body("a slab", maxModes, side{Slab, half})
}

// Can is a bottle, jar, can or pail: a cylinder of the given radius and height
// in m with air all round.
func (s Stuff) Can(radius, height float64) (Body, error) {
	return s.body("a can", maxModes, side{Cylinder, radius}, side{Slab, height / 2})
}

// Block is a carton, a crate or a stack as one piece with the given edges in
// m, air all round. For a carton of bottles take the stuff from Crate.
func (s Stuff) Block(length, width, height float64) (Body, error) {
	return s.body("a block", maxModes, side{Slab, length / 2}, side{Slab, width / 2}, side{Slab, height / 2})
}

// Ball is a sphere of the given radius in m.
func (s Stuff) Ball(radius float64) (Body, error) {
	return s.body("a ball", maxModes, side{Sphere, radius})
}

// SlabLag is the time constant of a slab, that of Slab by Lag.
func (s Stuff) SlabLag(half float64) (unit.Hours, error) {
	return lagOf(s.body("a slab", 1, side{Slab, half}))
}

// CanLag is the time constant of a can, that of Can by Lag.
func (s Stuff) CanLag(radius, height float64) (unit.Hours, error) {
	return lagOf(s.body("a can", 1, side{Cylinder, radius}, side{Slab, height / 2}))
}

// BlockLag is the time constant of a block, that of Block by Lag.
func (s Stuff) BlockLag(length, width, height float64) (unit.Hours, error) {
	return lagOf(s.body("a block", 1, side{Slab, length / 2}, side{Slab, width / 2}, side{Slab, height / 2}))
}

func lagOf(b Body, err error) (unit.Hours, error) {
	if err != nil {
		return 0, err
	}
	return b.Lag(), nil
}

// side is one direction in which heat leaves a body.
type side struct {
	shape  Shape
	length float64 // m: radius or half thickness
}

// body finds so many roots in each direction: all for its course, one for its
// lag alone.
func (s Stuff) body(what string, roots int, sides ...side) (Body, error) {
	if err := s.check(); err != nil {
		return Body{}, fmt.Errorf("cannot make %s: %w", what, err)
	}
	var b Body
	for _, d := range sides {
		if !(d.length > 0 && d.length <= maxLength) {
			return Body{}, fmt.Errorf("cannot make %s: length %g m of the %s is not above 0 and up to %g m", what, d.length, d.shape, float64(maxLength))
		}
		bi := s.Film * d.length / s.Conductivity
		if math.IsInf(bi, 0) || !(bi > 0) {
			return Body{}, fmt.Errorf("cannot make %s: Biot number %g of the %s is not a number above 0", what, bi, d.shape)
		}
		m := modes{spread: s.Diffusivity() * 3600 / (d.length * d.length)}
		for n := 1; n <= roots; n++ {
			z := d.shape.root(bi, n)
			m.root = append(m.root, z)
			m.weight = append(m.weight, d.shape.amplitude(z))
		}
		b.sides = append(b.sides, m)
	}
	return b, nil
}

// maxLength bounds a body, m: no stack in a household is thicker than 20 m.
const maxLength = 10

func (s Stuff) check() error {
	for _, v := range []struct {
		what  string
		value float64
	}{{"conductivity", s.Conductivity}, {"density", s.Density}, {"heat capacity", s.HeatCapacity}, {"film coefficient", s.Film}} {
		if !(v.value > 0) || math.IsInf(v.value, 0) {
			return fmt.Errorf("%s %g is not above 0", v.what, v.value)
		}
	}
	return nil
}

// Lag is the time constant of the slowest mode: how the core follows once the
// first moments of a change are over. It is longer than the lumped
// rho c V/(h A), which holds for Biot numbers below 0.1 only (models section
// 10). NewLag takes it.
func (b Body) Lag() unit.Hours {
	rate := 0.0
	for _, m := range b.sides {
		rate += float64(m.spread * float64(m.root[0]*m.root[0]))
	}
	return unit.Hours(1 / rate)
}

// Delay is the time by which the slowest mode alone, the first-order lag,
// runs ahead of the core after a step: the lag says the core is at 90 % of a
// step, and it is Delay later. It is at or above 0, the logarithm of the
// weight of the mode times the time constant.
func (b Body) Delay() unit.Hours {
	weight := 1.0
	for _, m := range b.sides {
		weight *= m.weight[0]
	}
	return unit.Hours(max(0, math.Log(weight))) * b.Lag()
}

// Left is the share of a step of the air's temperature that the core has yet
// to follow after the given time: 1 at and before the start, falling to 0.
// It is the full series, exact to 1e-9.
func (b Body) Left(after unit.Hours) float64 {
	left := 1.0
	for _, m := range b.sides {
		left *= m.left(float64(after))
	}
	return left
}

func (m modes) left(hours float64) float64 {
	fo := m.spread * hours
	if fo < 0.01 { // nothing has reached the centre yet, see Centre
		return 1
	}
	sum := 0.0
	for i, z := range m.root {
		decay := math.Exp(-float64(z*z) * fo)
		sum += float64(m.weight[i] * decay)
		if decay < 1e-16 {
			break
		}
	}
	return min(1, max(0, sum))
}

// TimeTo is how long the core of a body that is at start throughout takes to
// come to target in air of a steady temperature, as in a freezer. target must
// lie from start up to, but not at, the temperature of the air, which the core
// never quite reaches.
func (b Body) TimeTo(start, air, target unit.Celsius) (unit.Hours, error) {
	if len(b.sides) == 0 {
		return 0, fmt.Errorf("cannot find the time to %g °C: the body has no size, make it with a method of Stuff", float64(target))
	}
	for _, t := range []unit.Celsius{start, air, target} {
		if !(t > -unit.ZeroCelsius && t <= 200) {
			return 0, fmt.Errorf("cannot find the time to %g °C: %g °C is not a temperature up to 200 °C", float64(target), float64(t))
		}
	}
	if target == start {
		return 0, nil
	}
	share := float64(target-air) / float64(start-air)
	if !(share > 0 && share < 1) {
		return 0, fmt.Errorf("cannot find the time to %g °C: a core that starts at %g °C never comes there in air of %g °C", float64(target), float64(start), float64(air))
	}
	high := float64(b.Lag())
	for b.Left(unit.Hours(high)) > share {
		high *= 2
	}
	return unit.Hours(bisect(func(h float64) float64 { return share - b.Left(unit.Hours(h)) }, 0, high)), nil
}

// StillAir is the conductivity of air that does not move, W/(m K), at 20 °C
// (from memory).
const StillAir = 0.026

// maxPacking is the share of a square lattice that round bottles fill: pi/4.
const maxPacking = math.Pi / 4

// Crate is the stuff of a carton of upright bottles or cans taken as one
// block: parallel cylinders of s that fill the share of the carton, above 0 to
// pi/4, and between them gaps that conduct gap W/(m K). Across the cylinders
// it conducts (Rayleigh 1892 to first order, the Maxwell form, from memory)
//
//	gap ((k+gap) + share (k-gap)) / ((k+gap) - share (k-gap))
//
// The gap of still air alone is StillAir, which is the slow edge: good for the
// time in a freezer. Radiation across a gap of 2 cm carries about as much as
// 0.1 W/(m K) more (4 sigma T³ times the gap, computed), which makes the
// carton nearly solid: good for a spell of heat. Heat along the cylinders goes
// faster than this says, the more so the flatter the carton.
func (s Stuff) Crate(share, gap float64) (Stuff, error) {
	switch err := s.check(); {
	case err != nil:
		return Stuff{}, fmt.Errorf("cannot pack a crate: %w", err)
	case !(share > 0 && share <= maxPacking):
		return Stuff{}, fmt.Errorf("cannot pack a crate: a share of %g is not above 0 and up to pi/4, which round bottles fill", share)
	case !(gap > 0) || math.IsInf(gap, 0):
		return Stuff{}, fmt.Errorf("cannot pack a crate: the gaps conduct %g W/(m K), which is not above 0", gap)
	}
	k := s.Conductivity
	s.Conductivity = gap * ((k + gap) + share*(k-gap)) / ((k + gap) - share*(k-gap))
	s.Density *= share
	return s, nil
}

// Wrapped is the stuff behind one more layer, such as the board of a carton
// (3 to 5 mm at about 0.06 W/(m K), from memory): film and layer in series.
func (s Stuff) Wrapped(thickness, conductivity float64) (Stuff, error) {
	switch err := s.check(); {
	case err != nil:
		return Stuff{}, fmt.Errorf("cannot wrap: %w", err)
	case !(thickness >= 0) || math.IsInf(thickness, 0):
		return Stuff{}, fmt.Errorf("cannot wrap: a layer of %g m is not 0 or thicker", thickness)
	case !(conductivity > 0) || math.IsInf(conductivity, 0):
		return Stuff{}, fmt.Errorf("cannot wrap: a conductivity of %g W/(m K) is not above 0", conductivity)
	}
	s.Film = 1 / (1/s.Film + thickness/conductivity)
	return s, nil
}
