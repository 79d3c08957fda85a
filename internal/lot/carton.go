package lot

import (
	"math"

	"dryhold/internal/catalog"
	"dryhold/internal/thermal"
	"dryhold/internal/unit"
)

// How a closed carton of containers is taken: a cube of round containers that
// fill 0.75 of it, with still air and radiation between them, behind board of
// 4 mm. The food is that for which the catalog's lags are computed, rice with
// conductivity and density from memory (models section 10; the rest is
// judgement, and the cube is the slowest shape of its volume).
const (
	cartonFilled = 0.75
	cartonGap    = thermal.StillAir + 0.1 // W/(m K)
	cartonBoard  = 0.004                  // m
	boardK       = 0.06                   // W/(m K)
	mostInCarton = 200
)

func cartonFood() thermal.Stuff {
	return thermal.Stuff{Conductivity: 0.12, Density: 830, HeatCapacity: 1600, Film: 8}
}

// Lag is how far the core of the lot's containers is behind the room: that of
// the class, or of its carton as one block where they stand in closed cartons.
// A carton is never quicker than what stands in it.
func (p Packing) Lag(k catalog.Container) unit.Hours {
	alone := unit.Hours(k.Lag.Likely)
	if p.PerCarton < 2 {
		return alone
	}
	crate, err := cartonFood().Crate(cartonFilled, cartonGap)
	if err != nil {
		return alone
	}
	if crate, err = crate.Wrapped(cartonBoard, boardK); err != nil {
		return alone
	}
	edge := math.Cbrt(float64(p.PerCarton) * k.Volume.Likely / 1000 / cartonFilled)
	block, err := crate.BlockLag(edge, edge, edge)
	if err != nil { // a check of the packing bounds the number
		return alone
	}
	return max(alone, block)
}
